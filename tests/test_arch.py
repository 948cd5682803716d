"""Arch against closed forms, in both kernels and many poses.

Derived, at 45°: the section of an arc of radius R that leans by θ where it ends is
R²(sin θ − θ/2 − sin 2θ/4), that of a quarter (1 − π/4)R². With a the depth of a ledge and l the lip
left (three quarters of 0.8 mm), R(1 − cos 45°) = a − l and R(1 − cos θ) = a.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import simpson

import soffit
from examples._cad import box, cut, cylinder, fuse
from soffit.part.manifold import to_manifold
from soffit.part.model import Part, Surface
from soffit.part.step import DEFLECTION_MM
from soffit.process.model import Process
from soffit.remedies import arch
from soffit.remedies.probe import inside
from tests.poses import (
    Pose,
    far_off,
    in_inches,
    mirrored,
    on_its_side,
    turned,
    upside_down,
)
from tests.shapes import blind_box, fillet, ledge, middle, process_with, read, slot
from tests.trying import asked, done, gained, over_air

PLA = process_with()
STEEP = math.sqrt(0.5)
LIP = 0.75 * 0.8


def over(radius: float, out: float) -> float:
    """Section of one arc, mm²."""
    theta = math.acos(1.0 - out / radius)
    return radius**2 * (math.sin(theta) - theta / 2 - math.sin(2 * theta) / 4)


def ledge_section(depth: float) -> float:
    return over((depth - LIP) / (1 - STEEP), depth)


def slot_section(span: float, bridge: float = 15.0) -> float:
    """Both arcs; four fifths of the bridge are left, of which the arcs have a lip each."""
    radius = (span - 0.8 * bridge) / 2 / (1 - STEEP)
    return 2 * over(radius, (span - 0.8 * bridge) / 2 + LIP)


def check(part: Part, process: Process, expected: float, kind: str = "") -> Part:
    """Volume gained in both kernels, nothing over air after either; the part by the B-rep."""
    (option,), _ = asked(arch.options, part, process, kind)
    assert option.remedy == "arch"
    faceted = done(replace(part, brep=None), option)
    assert gained(replace(part, brep=None), faceted) == pytest.approx(expected, rel=0.01)
    assert over_air(faceted, process) == []
    exact = done(part, option) if part.brep is not None else faceted
    assert gained(part, exact) == pytest.approx(expected, rel=0.005)
    assert over_air(exact, process) == []
    assert exact.closed
    assert exact.bodies == part.bodies
    return exact


POSES: list[Pose] = [turned, far_off, mirrored, upside_down, on_its_side, in_inches]


@pytest.mark.parametrize("pose", POSES)
@pytest.mark.parametrize(("depth", "width", "under"), [(10.0, 20.0, 24.0), (3.0, 8.0, 9.0)])
def test_under_a_ledge(
    pose: Pose, depth: float, width: float, under: float, tmp_path: Path
) -> None:
    part = pose(ledge(depth, width, under), tmp_path, DEFLECTION_MM)
    exact = check(part, PLA, ledge_section(depth) * width)
    if part.brep is not None:
        (arc,) = [f for f in exact.faces if f.edit]
        assert arc.surface is Surface.CYLINDER
        assert arc.radius_mm == pytest.approx((depth - LIP) / (1 - STEEP), rel=1e-6)


@pytest.mark.parametrize("pose", POSES)
@pytest.mark.parametrize(("span", "length"), [(16.0, 20.0), (19.0, 7.0)])
def test_over_a_slot(pose: Pose, span: float, length: float, tmp_path: Path) -> None:
    part = pose(slot(span, length, 20), tmp_path, DEFLECTION_MM)
    exact = check(part, PLA, slot_section(span) * length)
    if part.brep is not None:
        assert [f.surface for f in exact.faces if f.edit] == [Surface.CYLINDER] * 2


@pytest.mark.parametrize("pose", POSES)
@pytest.mark.parametrize("span", [16.0, 12.0 * math.sqrt(2.0)])
def test_half_a_circle_where_slopes_may_be_so(pose: Pose, span: float, tmp_path: Path) -> None:
    """(1 − π/4)·2r² with r = s/2; the second span leaves exactly the 12 mm that may be bridged. The
    lip is just too short for the ceiling to be held from its sides."""
    process = process_with(lip_mm=0.98 * span / 2)
    part = pose(slot(span, 10, 14), tmp_path, DEFLECTION_MM)
    exact = check(part, process, (1 - math.pi / 4) * 2 * (span / 2) ** 2 * 10)
    if part.brep is not None:
        (vault,) = [f for f in exact.faces if f.edit]
        assert vault.radius_mm == pytest.approx(span / 2, rel=1e-6)


@pytest.mark.parametrize("depth", [5.1, 0.75 * 5.0 * math.sqrt(2.0)])
def test_a_quarter_under_a_ledge_where_the_lip_takes_it(depth: float, tmp_path: Path) -> None:
    """(1 − π/4)·d²; of the second depth exactly the lip left is flatter than 45°."""
    part = read(ledge(depth, 12, 9), tmp_path)
    check(part, process_with(lip_mm=5.0), (1 - math.pi / 4) * depth**2 * 12)


def test_a_half_circle_is_too_flat_for_the_review(tmp_path: Path) -> None:
    """Why it is not offered by the span alone: of 12 mm, 8.5 mm are flatter and could be bridged,
    but the slope up to the strands that close it is longer than a lip."""
    block = cut(box((-5, 0, 0), (17, 20, 20)), box((0, -1, -1), (12, 21, 8)),
                cylinder((6, -1, 8), (0, 1, 0), 6, 22))
    kinds = {kind for kind, _ in over_air(read(block, tmp_path), process_with())}
    assert kinds == {"air/slope"}


def test_span_at_the_limit_is_no_place_and_a_hair_over_it_is(tmp_path: Path) -> None:
    assert over_air(read(slot(15.0, 20, 16), tmp_path), PLA) == []
    check(read(slot(15.01, 20, 16), tmp_path), PLA, slot_section(15.01) * 20)


def test_wall_exactly_as_high_as_the_arc_and_a_layer_less(tmp_path: Path) -> None:
    """The arc of 3 mm needs 6.34 mm: R = 8.194, cos θ = 1 − 3/R = 0.634, sin θ = 0.773."""
    radius = (3.0 - LIP) / (1 - STEEP)
    high = radius * math.sin(math.acos(1.0 - 3.0 / radius))
    check(read(ledge(3, 10, high), tmp_path), PLA, ledge_section(3.0) * 10)
    options, reasons = asked(arch.options, read(ledge(3, 10, high - 0.2), tmp_path), PLA)
    assert options == []
    assert reasons == ["arch: 6.3 mm of upright wall are needed below, there are 6.1 mm"]


def test_what_stays_flat_is_said(tmp_path: Path) -> None:
    (option,), _ = asked(arch.options, read(slot(16, 20, 16), tmp_path), PLA)
    assert option.why == (
        "5.4 mm high, an arc of 6.8 mm radius from each wall; the last 0.60 mm of its 2.6 mm are "
        "flatter than 45°, and between the walls a bridge of 12.0 mm stays"
    )
    (option,), _ = asked(arch.options, read(ledge(10, 20, 24), tmp_path), PLA)
    assert option.why.endswith("the last 0.60 mm of its 10.0 mm are flatter than 45°")


def test_pocket_between_its_long_walls(tmp_path: Path) -> None:
    check(read(blind_box(16, 24, 12), tmp_path), PLA, slot_section(16) * 24)


def test_hole_beside_it_stays_open(tmp_path: Path) -> None:
    """A hole of 3 mm through the ledge: its column, the height of the added solid times the chord
    there, is left out (Simpson's rule over the hole's width)."""
    shape = cut(ledge(10, 20, 24), cylinder((4, 10, 0), (0, 0, 1), 1.5, 40))
    radius = (10 - LIP) / (1 - STEEP)
    high = radius * math.sin(math.acos(1.0 - 10.0 / radius))
    x = np.linspace(-1.5, 1.5, 2001)
    height = high - np.sqrt(radius**2 - (radius - 4 - x) ** 2)
    column = simpson(height * 2 * np.sqrt(np.maximum(2.25 - x * x, 0.0)), x=x)
    after = check(read(shape, tmp_path), PLA, ledge_section(10) * 20 - column)
    solid = to_manifold(after.mesh)
    assert solid is not None
    for z in (5.0, 15.0, 23.0, 26.0):
        assert not inside(solid, np.array([4.0, 10.0, z]))


def test_rib_across_the_slot_and_buttress_on_its_wall(tmp_path: Path) -> None:
    """A rib 2 mm thick parts the slot in two; the arcs of both halves end at it. In a slot of 19 mm
    a buttress stands 2 mm out from one wall; its arc starts at the buttress's front there."""
    part = read(fuse(slot(18, 60, 20), box((-1, 29, 0), (19, 31, 21))), tmp_path)
    for made in (part, replace(part, brep=None)):
        (option,), _ = asked(arch.options, part, PLA, "air/bridge")
        after = done(made, option)
        assert gained(made, after) == pytest.approx(slot_section(18) * 29, rel=0.01)
        assert len(over_air(after, PLA)) == 1  # the other half
    part = read(fuse(slot(19, 20, 20), box((-1, 7, 0), (2, 13, 21))), tmp_path)
    check(part, PLA, slot_section(19) * 20, "air/bridge")


def test_a_corner_is_no_straight_wall(tmp_path: Path) -> None:
    """A rib below a ledge: strands bridge the corner, and what is left has a slanted edge."""
    ribbed = fuse(ledge(10, 20, 24), box((0, 9, 0), (10, 11, 24)))
    options, reasons = asked(arch.options, read(ribbed, tmp_path), PLA, "air/ledge")
    assert (options, reasons) == ([], [
        "arch: it is not held along straight walls that see all of it"])


def test_window_below_the_wall_is_no_wall(tmp_path: Path) -> None:
    windowed = cut(ledge(10, 20, 24), box((-7, 6, 4), (1, 14, 20)))
    options, reasons = asked(arch.options, read(windowed, tmp_path), PLA, "air/ledge")
    assert options == []
    assert "there are 4.0 mm" in reasons[0]


def test_round_walls_and_fillets_are_left_to_others(tmp_path: Path) -> None:
    round_pocket = cut(box((-20, -20, 0), (20, 20, 20)), cylinder((0, 0, -1), (0, 0, 1), 9, 15))
    options, reasons = asked(arch.options, read(round_pocket, tmp_path), PLA)
    assert (options, reasons) == ([], [
        "arch: it is not held along straight walls that see all of it"])
    rounded = fillet(ledge(10, 20, 30), 3.0,
                     lambda e: abs(middle(e)[0]) < 1e-6 and abs(middle(e)[2] - 30) < 1e-6)
    options, reasons = asked(arch.options, read(rounded, tmp_path), PLA, "air/ledge")
    assert options == []
    assert "fillet" in reasons[0]


def test_it_can_be_demanded_and_is_not_chosen_by_itself(tmp_path: Path) -> None:
    part = read(slot(18, 20, 20), tmp_path)
    (finding,) = soffit.review(part).air
    demanded = soffit.resolve(part, demand={finding.id: "arch"})
    assert [e.remedy for e in demanded.edits] == ["arch"]
    assert demanded.clean
    free = soffit.resolve(part)
    assert free.clean
    assert "arch" not in [e.remedy for e in free.edits]
