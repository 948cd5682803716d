"""Chamfer and roof on real parts, in both kernels, against closed forms.

Derived, at 45°: a ledge d deep and b wide takes ½d²b (oracle: 10 and 20 give 1000 mm³). A slot of
span s has a section of s·s/2 below its ceiling down to the foot of the roof; the two slopes
take ½(s/2)² each, s²/4 together, and leave as much open. A blind ceiling a × b (a ≤ b) leaves a
hip roof of a²(3b − a)/12 open, a round one a cone of πr³/3: what is added is the prism
a·b·a/2, or the cylinder πr³, less that.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from OCP.TopoDS import TopoDS_Shape

from examples._cad import box, cut, cylinder, fillet, fuse, lathe, middle
from soffit.findings.model import Review
from soffit.findings.review import review
from soffit.layers.stack import cut_layers
from soffit.part.edit import apply
from soffit.part.manifold import to_manifold
from soffit.part.measure import mass_properties
from soffit.part.model import Change, Face, Part, Surface
from soffit.plan.resolve import resolve
from soffit.process.load import load_process
from soffit.remedies import all_options
from soffit.remedies.context import Context, context_of
from soffit.remedies.model import Option
from soffit.remedies.place import closes_a_hole, members_of, place_of
from soffit.remedies.probe import inside
from tests import shapes
from tests.trying import no_sliver

PLA = load_process("pla-04")


def seen(part: Part) -> tuple[Review, Context]:
    """Review of a part and what remedies look at: always the mesh, as in a resolution."""
    stack = cut_layers(part, PLA)
    found = review(part, PLA, stack=stack)
    return found, context_of(replace(found, part=replace(part, brep=None)), stack)


def option(part: Part, remedy: str, kind: str) -> Option:
    """The cheapest option of this name for the first finding of this kind."""
    found, context = seen(part)
    first = next(f for f in found.air if f.kind == kind)
    options, reasons = all_options(context, first)
    same = [o for o in options if o.remedy == remedy]
    assert same, (remedy, [o.remedy for o in options], reasons)
    return same[0]


def applied(part: Part, chosen: Option) -> Part:
    return apply(part, [Change(chosen.op, chosen.solid, "E1", f"E1 {chosen.remedy}")])


def volume(part: Part) -> float:
    return mass_properties(part)[0] if part.brep is not None else part.mesh.volume_mm3


def both(shape: TopoDS_Shape, folder: Path) -> tuple[Part, Part]:
    part = shapes.read(shape, folder)
    return part, replace(part, brep=None, deflection_mm=0.0)


def check(
    shape: TopoDS_Shape, folder: Path, remedy: str, kind: str, expected: float, mesh_rel: float
) -> Part:
    """Volume gained in both kernels, nothing over air after either; the edited B-rep part."""
    exact, mesh = both(shape, folder)
    for part, rel in ((mesh, mesh_rel), (exact, 1e-6)):
        after = applied(part, option(part, remedy, kind))
        assert volume(after) - volume(part) == pytest.approx(expected, rel=rel)
        assert after.closed
        assert after.bodies == part.bodies
        assert review(after, PLA).air == ()
    assert no_sliver(after)
    return after


def made(part: Part) -> list[Face]:
    return [f for f in part.faces if f.edit]


# Chamfer -----------------------------------------------------------------------------------


def test_ledge_takes_half_d_squared_b(tmp_path: Path) -> None:
    before = shapes.read(shapes.ledge(10, 20, 14), tmp_path)
    after = check(shapes.ledge(10, 20, 14), tmp_path, "chamfer", "air/ledge", 1000.0, 2e-3)
    # The shelf's underside is gone, one plane at 45° is new.
    assert len(after.faces) == len(before.faces) == 8
    (slope,) = made(after)
    assert slope.surface is Surface.PLANE
    assert slope.normal == pytest.approx((math.sqrt(0.5), 0.0, -math.sqrt(0.5)))
    assert slope.area_mm2 == pytest.approx(20 * math.sqrt(200), rel=1e-6)


def test_ledge_leaving_a_lip(tmp_path: Path) -> None:
    # d less the lip of 0.6 mm: three quarters of the 0.8 mm that the process holds.
    after = check(shapes.ledge(10, 20, 14), tmp_path, "chamfer leaving a lip", "air/ledge",
                  0.5 * 9.4**2 * 20, 2e-3)
    assert len(after.faces) == 9  # the lip stays
    assert [f.surface for f in made(after)] == [Surface.PLANE]


def test_low_ledge_keeps_what_its_wall_cannot_carry(tmp_path: Path) -> None:
    """With only H = 4 mm of wall above the platform, d − H = 6 mm stay over air."""
    for part in both(shapes.ledge(10, 20, 4), tmp_path):
        chosen = option(part, "chamfer as deep as the wall", "air/ledge")
        after = applied(part, chosen)
        assert volume(after) - volume(part) == pytest.approx(0.5 * 16 * 20, rel=5e-3)
        (left,) = review(after, PLA).air
        assert left.kind == "air/ledge"
        # The layer below is cut half a layer, 0.1 mm, below the ledge.
        assert left.reach_mm == pytest.approx(6.1, abs=0.005)
        assert left.area_mm2 == pytest.approx(122.0, abs=0.2)
        assert "chamfer" in " ".join(all_options(seen(after)[1], left)[1])


def stairs() -> TopoDS_Shape:
    """Stairs upside down: a shelf 10 deep at z = 14 whose wall starts at z = 10, itself the end
    of a shelf 20 deep."""
    return fuse(box((-30, 0, 0), (-20, 20, 18)), box((-20, 0, 10), (0, 20, 18)),
                box((0, 0, 14), (10, 20, 18)))


def test_wall_that_ends_in_the_air(tmp_path: Path) -> None:
    part = shapes.read(stairs(), tmp_path)
    found, context = seen(part)
    upper = next(f for f in found.air if f.z_mm[0] > 13)
    place = place_of(context, [upper])
    assert place.wall.bottom_mm == pytest.approx(10.0, abs=1e-6)
    options, _ = all_options(context, upper)
    (only,) = [o for o in options if o.remedy.startswith("chamfer")]
    assert only.remedy == "chamfer as deep as the wall"
    assert only.volume_mm3 == pytest.approx(0.5 * 16 * 20, rel=5e-3)


def test_wedge_leans_only_on_wall_that_is_there(tmp_path: Path) -> None:
    """A window wider than the process bridges, 3 mm below the ledge: no piece of anchor above it
    carries a wedge that is deeper."""
    wall = cut(box((-6, 0, 0), (0, 60, 18)), box((-7, 15, 2), (1, 45, 11)))
    part = shapes.read(fuse(wall, box((-6, 0, 14), (8, 60, 18))), tmp_path)
    found, context = seen(part)
    ledge = next(f for f in found.air if f.kind == "air/ledge")
    place = place_of(context, [ledge])
    off = np.abs(place.wall.pieces.mean(axis=1)[:, 1] - 30)
    assert place.wall.bottom_mm[off < 14] == pytest.approx(11.0, abs=1e-6)
    assert place.wall.bottom_mm[off > 16] == pytest.approx(0.0)  # the platform
    for chosen in (o for o in all_options(context, ledge)[0] if o.remedy.startswith("chamfer")):
        new = applied(part, chosen)
        solid = to_manifold(new.mesh)
        assert solid is not None
        # In front of the middle of the window nothing was added at the height of its lintel.
        assert not inside(solid, np.array([0.5, 30.0, 10.0]))


def test_fillet_and_ledge_are_one_place_and_get_one_plane(tmp_path: Path) -> None:
    """The chamfer runs over a fillet of 3 mm to the wall: (½d² − r²(1 − π/4))·b."""
    shape = fillet(shapes.ledge(10, 20, 14), 3.0,
                   lambda e: abs(middle(e)[0]) < 1e-6 and abs(middle(e)[2] - 14) < 1e-6)
    part = shapes.read(shape, tmp_path)
    found, context = seen(part)
    assert {f.kind for f in found.air} == {"air/slope", "air/ledge"}
    assert members_of(context, found.air[0]) == members_of(context, found.air[1])
    expected = (50.0 - 9.0 * (1.0 - math.pi / 4.0)) * 20.0
    after = check(shape, tmp_path, "chamfer", "air/slope", expected, 2e-3)
    assert len(part.faces) == 9
    assert len(after.faces) == 8
    assert not any(f.surface is Surface.CYLINDER for f in after.faces)
    assert [f.surface for f in made(after)] == [Surface.PLANE]


def test_fillet_below_a_ledge_too_deep_for_the_wall(tmp_path: Path) -> None:
    """The fillet alone is cured: its wedge ends where it turns level; the ledge stays open."""
    shape = fillet(shapes.ledge(60, 20, 14), 4.0,
                   lambda e: abs(middle(e)[0]) < 1e-6 and abs(middle(e)[2] - 14) < 1e-6)
    part = shapes.read(shape, tmp_path)
    chosen = option(part, "chamfer", "air/slope")
    after = applied(part, chosen)
    # Run to where the fillet turns level it would take ½r² − r²(1 − π/4) in section (derived); it
    # ends a layer before, where the ledge's own finding begins.
    whole = (8.0 - 16.0 * (1.0 - math.pi / 4)) * 20
    assert 0.3 * whole < volume(after) - volume(part) < whole
    assert {f.kind for f in review(after, PLA).air} == {"air/ledge"}
    assert no_sliver(after)


def test_hole_in_a_ledge_stays_open(tmp_path: Path) -> None:
    """½d²b less the hole's own column, πr² times the depth at its middle."""
    shape = cut(shapes.ledge(10, 20, 14), cylinder((5, 10, 0), (0, 0, 1), 2, 20))
    expected = 1000.0 - math.pi * 4.0 * 5.0
    after = check(shape, tmp_path, "chamfer", "air/ledge", expected, 3e-3)
    solid = to_manifold(after.mesh)
    assert solid is not None
    for z in (1.0, 8.0, 9.5, 13.0, 16.0):
        assert not inside(solid, np.array([5.0, 10.0, z]))
        assert not inside(solid, np.array([6.8, 10.0, z]))
    # The column is the hole made longer, to the wedge's plane 5 mm below the ledge at its middle.
    assert [f.surface for f in made(after)] == [Surface.PLANE]
    (hole,) = [f for f in after.faces if f.surface is Surface.CYLINDER]
    assert hole.area_mm2 == pytest.approx(2 * math.pi * 2 * (4 + 5))


def test_sloping_underside_ends_the_wedge(tmp_path: Path) -> None:
    """A thin arm that rises at 30°: ½L²(1 − tan 30°)·b, and nothing comes out above the arm."""
    rise = 12 * math.tan(math.radians(30))
    arm = [(0, 0, 10), (12, 0, 10 + rise), (12, 0, 12 + rise), (0, 0, 12)]
    shape = fuse(box((-6, 0, 0), (0, 10, 12 + rise)), shapes.sweep(arm, (0, 10, 0)))
    expected = 0.5 * 144 * (1 - math.tan(math.radians(30))) * 10
    after = check(shape, tmp_path, "chamfer", "air/slope", expected, 1e-2)
    assert [f.surface for f in made(after)] == [Surface.PLANE]
    solid = to_manifold(after.mesh)
    assert solid is not None
    assert not inside(solid, np.array([1.0, 5.0, 13.5]))


def test_flange_round_a_shaft_gets_one_cone(tmp_path: Path) -> None:
    """Frustum from the shaft's radius 3 to the flange's 8, less the shaft."""
    shape = lathe([(0, 0), (3, 0), (3, 10), (8, 10), (8, 14), (0, 14)], (0, 0))
    expected = math.pi * 5 / 3 * (9 + 24 + 64) - math.pi * 9 * 5
    before = shapes.read(shape, tmp_path)
    after = check(shape, tmp_path, "chamfer", "air/ledge", expected, 1e-2)
    assert len(after.faces) == len(before.faces)
    (cone,) = made(after)
    assert cone.surface is Surface.CONE
    assert cone.area_mm2 == pytest.approx(math.pi * (8 + 3) * math.sqrt(50), rel=1e-6)


def test_ledge_with_round_corners_leaves_no_sliver(tmp_path: Path) -> None:
    shape = fillet(shapes.ledge(10, 20, 14), 3.0,
                   lambda e: abs(middle(e)[0] - 10) < 1e-6 and abs(middle(e)[2] - 16) < 1e-6)
    part = shapes.read(shape, tmp_path)
    chosen = option(part, "chamfer", "air/ledge")
    after = applied(part, chosen)
    assert no_sliver(after)
    # Depth 10 all over the corner squares less what the rounding cuts off there: derived.
    def cut_off(t: float) -> float:
        return 3.0 - math.sqrt(9.0 - t * t)

    t = np.linspace(0.0, 3.0, 20001)
    depth = 10.0 - (7.0 + t)
    lost = float(np.trapezoid([cut_off(float(v)) for v in t] * depth, t))
    assert volume(after) - volume(part) == pytest.approx(1000.0 - 2 * lost, rel=1e-4)
    assert review(after, PLA).air == ()


def test_fillet_is_no_crown_and_a_hole_is(tmp_path: Path) -> None:
    hole = shapes.read(shapes.cross_hole(6, 20), tmp_path)
    found, context = seen(hole)
    crown = next(f for f in found.air if f.kind == "air/slope")
    assert closes_a_hole(context, members_of(context, crown))
    assert any("crown" in reason for reason in all_options(context, crown)[1])
    foot = shapes.example("skid_foot")
    found, context = seen(foot)
    under = [f for f in found.air if f.z_mm[0] > 30]
    assert len(under) == 4
    assert not any(closes_a_hole(context, members_of(context, f)) for f in under)


def test_nothing_to_lean_on_is_said(tmp_path: Path) -> None:
    found, context = seen(shapes.read(shapes.ledge(10, 20, 0.4), tmp_path))
    low = next(iter(found.air), None)
    if low is not None:
        options, reasons = all_options(context, low)
        assert not [o for o in options if o.remedy.startswith("chamfer")]
        assert any("wall below is only" in reason for reason in reasons)


# Roof --------------------------------------------------------------------------------------


def test_slot_of_twelve(tmp_path: Path) -> None:
    # A bridge of 12 mm is within what PLA spans: let it span 10.
    part = shapes.read(shapes.slot(16, 20, 16), tmp_path)
    after = check(shapes.slot(16, 20, 16), tmp_path, "roof", "air/bridge", 16**2 / 4 * 20, 3e-3)
    # Ceiling gone, two planes new.
    assert len(after.faces) == len(part.faces) + 1
    assert [f.surface for f in made(after)] == [Surface.PLANE] * 2


def test_slot_leaving_a_bridge(tmp_path: Path) -> None:
    # Four fifths of 15 mm stay: 12 mm, so each slope is (16 − 12)/2 = 2 mm deep.
    after = check(shapes.slot(16, 20, 16), tmp_path, "roof leaving a bridge", "air/bridge",
                  2**2 * 20, 2e-2)
    assert [f.surface for f in made(after)] == [Surface.PLANE] * 2


def test_rectangular_blind_ceiling(tmp_path: Path) -> None:
    shape = shapes.blind_box(16, 30, 14)
    expected = 16 * 30 * 8 - 16**2 * (3 * 30 - 16) / 12
    part = shapes.read(shape, tmp_path)
    after = check(shape, tmp_path, "roof", "air/ceiling", expected, 3e-3)
    assert len(after.faces) == len(part.faces) + 3
    assert [f.surface for f in made(after)] == [Surface.PLANE] * 4


def test_round_blind_ceiling(tmp_path: Path) -> None:
    shape = shapes.blind_round(9, 14)
    part = shapes.read(shape, tmp_path)
    after = check(shape, tmp_path, "roof", "air/ceiling", 2 * math.pi * 9**3 / 3, 1e-2)
    assert len(after.faces) == len(part.faces)
    assert [f.surface for f in made(after)] == [Surface.CONE]


def test_low_slot_has_no_roof(tmp_path: Path) -> None:
    found, context = seen(shapes.read(shapes.slot(24, 20, 3), tmp_path))
    bridge = next(f for f in found.air if f.kind == "air/bridge")
    options, reasons = all_options(context, bridge)
    assert not [o for o in options if o.remedy.startswith("roof")]
    assert any("12.0 mm of wall are needed, the wall below is only 3.0 mm" in r for r in reasons)


# The whole way -----------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["ledge_bracket", "junction_block", "lamp_base", "ring_knob",
                                  "rain_funnel", "cable_duct", "button_cap"])
def test_examples_get_clean_and_without_slivers(name: str) -> None:
    done = shapes.resolved(name)
    assert done.clean, [o.reason for o in done.open]
    if done.produced.brep is not None:
        assert no_sliver(done.produced)


def test_both_kernels_add_the_same(tmp_path: Path) -> None:
    """A shape without symmetry, resolved with and without its B-rep: volumes agree to what chords
    of 0.02 mm explain."""
    part = shapes.read(cut(shapes.ledge(9, 21, 15), cylinder((4, 8, 0), (0, 0, 1), 1.7, 20)),
                       tmp_path)
    exact = resolve(part, PLA)
    mesh = resolve(replace(part, brep=None), PLA)
    assert exact.clean and mesh.clean
    gains = [volume(r.produced) - volume(r.received) for r in (exact, mesh)]
    assert gains[0] == pytest.approx(gains[1], rel=3e-3)
