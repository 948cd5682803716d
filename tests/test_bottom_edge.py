"""The tangent chamfer below rounded bottom edges against closed forms (derived)."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from OCP.TopoDS import TopoDS_Edge, TopoDS_Shape

from examples._cad import (
    box,
    chamfer,
    cut,
    cylinder,
    direction,
    fillet,
    fuse,
    lathe,
    middle,
    move,
    sweep,
    turn,
    upright,
)
from soffit.findings.review import review
from soffit.part.model import Part, Surface
from soffit.process.model import Process
from soffit.remedies import bottom_edge
from tests.shapes import ball, log, process_with, read, rounded_bottom
from tests.trying import done, gained, looked_at, no_sliver, over_air

PROCESS = process_with()


def low(edge: TopoDS_Edge) -> bool:
    return middle(edge)[2] < 0.1


def cured(part: Part, process: Process = PROCESS) -> Part:
    """The part with the remedy's option at each place taken in turn."""
    for _ in range(6):
        context = looked_at(part, process)
        if not context.review.air:
            return part
        options, reasons = bottom_edge.options(context, context.review.air[0])
        assert options, (context.review.air[0].message, reasons)
        part = done(part, options[0])
    return part


def test_section_of_oracle_8() -> None:
    assert bottom_edge.added_mm2(5, math.pi / 4) == pytest.approx(1.07572, abs=5e-6)
    assert bottom_edge.added_mm2(5, math.pi / 4) == pytest.approx(
        25 * (1 - math.pi / 4) - 0.5 * (5 * (2 - math.sqrt(2))) ** 2, rel=1e-12)


@pytest.mark.parametrize("angle", [45.0, 50.0, 60.0])
def test_section_is_what_lies_between_circle_and_tangent(angle: float) -> None:
    limit = math.radians(angle)
    x = (np.arange(200000) + 0.5) * 5 / 200000
    arc = 5 - np.sqrt(25 - x**2)
    plane = np.maximum(0.0, (x - 5 * math.tan(limit / 2)) * math.tan(limit))
    assert (plane <= arc + 1e-9).all()
    assert bottom_edge.added_mm2(5, limit) == pytest.approx((arc - plane).sum() * 5 / 200000,
                                                            rel=1e-5)


@pytest.mark.parametrize("angle", [45.0, 52.0])
@pytest.mark.parametrize(("turned", "at"), [(0.0, (0, 0)), (33.0, (150.0, -90.0))])
def test_straight_edge_in_both_kernels(
    tmp_path: Path, angle: float, turned: float, at: tuple[float, float]
) -> None:
    process = process_with(angle_deg=angle)
    part = read(move(turn(rounded_bottom(5, 30), turned), (*at, 0)), tmp_path)
    after = cured(part, process)
    due = 2 * 30 * bottom_edge.added_mm2(5, math.radians(angle))
    assert gained(part, after) == pytest.approx(due, rel=1e-6)
    assert over_air(after, process) == []
    assert not [f for f in after.faces if f.surface is Surface.CYLINDER]
    assert sum(1 for f in after.faces if f.edit) == 2
    faceted = replace(part, brep=None)
    in_mesh = cured(faceted, process)
    # The mesh's chords lie within the arc, so that it lacks a little more.
    assert due < gained(faceted, in_mesh) < 1.03 * due
    assert over_air(in_mesh, process) == []


def _disc(radius: float = 15, edge: float = 4) -> TopoDS_Shape:
    return fillet(cylinder((0, 0, 0), (0, 0, 1), radius, 10), edge, low)


def _box(corner: float, edge: float) -> TopoDS_Shape:
    block = box((-20, -12, 0), (20, 12, 12))
    if corner:
        block = fillet(block, corner, upright)
    return fillet(block, edge, low)


def test_round_edge_gets_a_cone(tmp_path: Path) -> None:
    part = read(_disc(), tmp_path)
    after = cured(part)
    r, inner = 4.0, 11.0
    foot, meet = inner + r * math.tan(math.pi / 8), r * (2 - math.sqrt(2))
    old = math.pi * (inner**2 * r + inner * math.pi * r**2 / 2 + 2 * r**3 / 3)
    new = math.pi * meet / 3 * (foot**2 + foot * 15 + 225) + math.pi * 225 * (r - meet)
    assert gained(part, after) == pytest.approx(new - old, rel=1e-4)
    assert sum(1 for f in after.faces if f.surface is Surface.CONE) == 1
    assert not [f for f in after.faces if f.surface is Surface.TORUS]
    assert over_air(after, PROCESS) == []
    faceted = replace(part, brep=None)
    in_mesh = cured(faceted)
    assert gained(faceted, in_mesh) == pytest.approx(new - old, rel=0.05)
    assert over_air(in_mesh, PROCESS) == []


def _ell() -> TopoDS_Shape:
    body = fuse(box((0, 0, 0), (40, 14, 10)), box((0, 0, 0), (14, 40, 10)))
    return fillet(body, 3, low)


def _pierced() -> TopoDS_Shape:
    return cut(rounded_bottom(5, 30), cylinder((17, 10, -1), (0, 0, 1), 1.5, 30))


ROUNDED = {
    "box, sharp corners": _box(0, 4),
    "box, corners of a larger radius": _box(8, 4),
    "box, corners of the same radius": _box(4, 4),
    "L with an inner corner": _ell(),
    "disc off the origin": move(_disc(9, 3), (80, 40, 0)),
}


@pytest.mark.parametrize("name", ROUNDED)
@pytest.mark.parametrize("kernel", ["brep", "mesh"])
def test_outlines_are_clean_after_it(name: str, kernel: str, tmp_path: Path) -> None:
    part = read(ROUNDED[name], tmp_path)
    if kernel == "mesh":
        part = replace(part, brep=None)
    assert over_air(part, PROCESS)
    after = cured(part)
    assert over_air(after, PROCESS) == []
    # Nothing is added outside of the part's own outline.
    assert after.size_mm == pytest.approx(part.size_mm, abs=1e-6)


@pytest.mark.parametrize("kernel", ["brep", "mesh"])
def test_a_hole_in_the_rounding_stays_open(kernel: str, tmp_path: Path) -> None:
    part = read(_pierced(), tmp_path)
    if kernel == "mesh":
        part = replace(part, brep=None)
    after = cured(part)
    from soffit.part.manifold import to_manifold

    solid = to_manifold(after.mesh)
    assert solid is not None and solid.genus() == 1
    for z in (0.1, 1.0, 2.0):
        # The bore is 7.0686 mm² where it is closed all round; its facets take 1 %.
        hole = [r for r in solid.slice(z).to_polygons() if len(r) > 8]
        x, y = min(hole, key=lambda r: np.ptp(r[:, 0])).T if z > 1.5 else (np.zeros(3), np.zeros(3))
        if z > 1.5:
            assert abs(0.5 * (x @ np.roll(y, -1) - y @ np.roll(x, -1))) == pytest.approx(
                math.pi * 2.25, rel=0.03)


def test_flat_chamfer_becomes_one_that_holds(tmp_path: Path) -> None:
    """Leg 4 out and 2 up (26.6°): the plane at 45° from its outer corner adds 2·2/2 mm²."""
    wedge = chamfer(box((-20, 0, 0), (20, 30, 15)), 4,
                    lambda e: low(e) and abs(direction(e)[1]) > 0.99)
    part = read(wedge, tmp_path)
    assert over_air(part, PROCESS) == []  # its own 45° holds
    process = process_with(angle_deg=50)
    after = cured(part, process)
    leg = 4 / math.tan(math.radians(50))
    assert gained(part, after) == pytest.approx(2 * 30 * 0.5 * (4 - leg) * 4, rel=1e-6)
    assert over_air(after, process) == []


def test_ball_and_bar_stand_on_what_touches_them(tmp_path: Path) -> None:
    sphere = read(ball(10), tmp_path, "ball")
    # 52.624 mm³ on a foot of radius 4.142 (oracle of the frustum less the cap, derived).
    foot, out, meet = 10 * math.tan(math.pi / 8), 10 * math.sin(math.pi / 4), 10 - 10 / math.sqrt(2)
    due = math.pi * meet / 3 * (foot**2 + foot * out + out**2) - math.pi * meet**2 * (
        30 - meet) / 3
    assert due == pytest.approx(52.624, abs=1e-3)
    after = cured(sphere)
    assert gained(sphere, after) == pytest.approx(due, rel=1e-4)
    assert over_air(after, PROCESS) == []
    bar = read(log(10, 50), tmp_path, "bar")
    after = cured(bar)
    section = meet * (foot + out) - 100 * (math.pi / 4 - 0.5)
    assert gained(bar, after) == pytest.approx(50 * section, rel=1e-4)
    assert over_air(after, PROCESS) == []


@pytest.mark.parametrize("taper", [2.0, 12.0])
@pytest.mark.parametrize("at", [(0.0, 0.0), (140.0, -75.0)])
def test_bevel_under_a_hub_stays_below_it(
    tmp_path: Path, taper: float, at: tuple[float, float]
) -> None:
    """A bevel of 38° from the platform, a hub that widens above it by `taper` from upright, and a
    disc on the hub: only the bevel becomes the true cone at 45°."""
    inner, outer, tall = 8.0, 11.0, 16.0
    bevel = (outer - inner) * math.tan(math.radians(38))
    wide = outer + (tall - bevel) * math.tan(math.radians(taper))
    profile = [(0.0, 0.0), (inner, 0.0), (outer, bevel), (wide, tall), (30.0, tall),
               (30.0, tall + 4), (0.0, tall + 4)]
    part = read(lathe(profile, at), tmp_path)

    def frustum(foot: float) -> float:
        return math.pi * bevel / 3 * (foot**2 + foot * outer + outer**2)

    due = frustum(outer - bevel) - frustum(inner)
    # In the mesh the plane lies below every chord of either circle.
    chords = 2 * part.deflection_mm * math.pi * (inner + outer) * bevel * math.sqrt(2)
    for kernel, most in ((part, 1e-5 * due), (replace(part, brep=None), chords)):
        context = looked_at(kernel, PROCESS)
        finding = min(context.review.air, key=lambda f: f.z_mm)
        option = bottom_edge.options(context, finding)[0][0]
        after = done(kernel, option)
        assert -1e-5 * due < gained(kernel, after) - due < most
        assert all(f.z_mm[0] > bevel for f in review(after, PROCESS).air)
        if kernel.brep is not None:
            # The cone of the bevel is gone, that of the chamfer there, in one face.
            assert sum(1 for f in after.faces if f.edit) == 1
            assert no_sliver(after)


def test_wall_that_leans_above_a_rounding_stays(tmp_path: Path) -> None:
    """A wall that leans out by 5° above a bottom edge of three flats: the plane at 45° ends where
    it touches the second corner."""
    flats = [(0.0, 0.0), (1.0, 0.3), (1.7, 0.8), (2.0, 1.5)]
    high = 20.0
    lean = 2.0 + (high - 1.5) * math.tan(math.radians(5))
    right = [(10 + x, z) for x, z in [*flats, (lean, high)]]
    outline = [*right, *((-x, z) for x, z in reversed(right))]
    part = read(sweep([(x, -15.0, z) for x, z in outline], (0, 30, 0)), tmp_path)
    # Between the platform, the flats and the plane to (1.7, 0.8), both sides.
    below = 0.5 * 0.3 * 1.0 + 0.5 * (0.3 + 0.8) * 0.7 - 0.5 * 0.8 * 0.8
    for kernel in (part, replace(part, brep=None)):
        after = cured(kernel)
        assert gained(kernel, after) == pytest.approx(2 * 30 * below, rel=1e-6)
