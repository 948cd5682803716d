"""The chamfer tangent to fillets and rounded edges, in both kernels, against closed forms.

Derived: with θ the limit angle, arc and tangents enclose A = r²(tan(θ/2) − θ/2); about the arc's
centre that has the moment M = ⅓r³·sin(θ/2)·tan²(θ/2). A ring of it round a rectangle a × b, mitred,
has A(2(a + b) − 8r) + 8M·sin(θ/2); with a ball in each corner four quarter turns come in place of
the second term. Below a ledge d deep whose edge is rounded the wedge adds
½(d − r + r·tan(θ/2))²·tan θ to A, or a frustum of that depth round a shaft.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
import trimesh
from OCP.TopoDS import TopoDS_Edge, TopoDS_Shape

import soffit
from examples._cad import (
    box,
    cut,
    cylinder,
    direction,
    fillet,
    fuse,
    lathe,
    middle,
    mirror_x,
    move,
    sweep,
    turn,
)
from soffit.part.blends import blend_of
from soffit.part.edit import apply
from soffit.part.model import Change, Part, Surface
from soffit.part.place import place
from soffit.part.solid import Fitted
from soffit.remedies import fillet as remedy
from soffit.remedies.tangent import round_of, section_mm2, solids, turned_mm3
from tests import shapes
from tests.trying import done, gained, looked_at, over_air

PROCESS = shapes.process_with()
LIMIT = math.radians(45.0)
# So fine that the chords of the smallest arc here take less than 0.7 % of its section (derived:
# two thirds of the sagitta over the arc, by r²·0.0215).
FINE_MM = 1e-3


@dataclass(frozen=True)
class Pose:
    """Where and how large a shape is drawn."""

    size: float = 1.0
    turned: float = 0.0
    at: tuple[float, float] = (0.0, 0.0)
    mirrored: bool = False

    def __call__(self, shape: TopoDS_Shape) -> TopoDS_Shape:
        shape = mirror_x(shape) if self.mirrored else shape
        return move(turn(shape, self.turned), (*self.at, 0.0))


POSES = [
    Pose(), Pose(turned=90.0), Pose(turned=33.0, at=(150.0, -90.0)), Pose(size=1.4),
    Pose(size=0.8, turned=-71.0, mirrored=True), Pose(size=1.15, at=(-40.0, 7.0), mirrored=True),
]


def corner(x: float, z: float) -> Callable[[TopoDS_Edge], bool]:
    """The edges along y through a point."""
    return lambda e: abs(middle(e)[0] - x) < 1e-6 and abs(middle(e)[2] - z) < 1e-6


def slot(span: float, radius: float, height: float = 9) -> TopoDS_Shape:
    """A tunnel 9 long whose ceiling goes over into both walls by fillets."""
    return shapes.filleted_slot(span, radius, 9, height)


def ledge(depth: float, radius: float, width: float = 9, under: float = 9) -> TopoDS_Shape:
    """A ledge whose lower edge is rounded."""
    return fillet(shapes.ledge(depth, width, under), radius, corner(depth, under))


def pocket(wide: float, radius: float, height: float = 8) -> TopoDS_Shape:
    """A round pocket open to below, its ceiling filleted."""
    return fillet(shapes.blind_round(wide, height), radius,
                  lambda e: abs(middle(e)[2] - height) < 1e-6)


def mushroom(shaft: float, cap: float, radius: float, under: float = 9) -> TopoDS_Shape:
    """A cap on a shaft, its lower edge rounded."""
    body = lathe([(0, 0), (shaft, 0), (shaft, under), (cap, under), (cap, under + 6),
                  (0, under + 6)], (0, 0))
    return fillet(body, radius, lambda e: abs(middle(e)[2] - under) < 1e-6
                  and math.hypot(*middle(e)[:2]) > 0.5 * (shaft + cap))


def bare(part: Part) -> Part:
    """The part as its triangles alone, faces recognised among them."""
    mesh = trimesh.Trimesh(part.mesh.vertices, part.mesh.triangles, process=False)
    return place(soffit.read(mesh, unit="mm"), "keep")


def cured(part: Part) -> tuple[Part, float]:
    """The part with the remedy's last option at each slope taken in turn, and what it gained."""
    before = part
    for _ in range(4):
        context = looked_at(part, PROCESS)
        slope = next((f for f in context.review.air if f.kind == "air/slope"), None)
        if slope is None:
            break
        options, reasons = remedy.options(context, slope)
        assert options, (slope.message, reasons)
        part = done(part, options[-1])
    return part, gained(before, part)


def check(
    shape: TopoDS_Shape, due: float, folder: Path, mesh_rel: float = 0.01, chord: float = FINE_MM
) -> Part:
    """Volume gained (lost where `due` is below 0) in both kernels, in the mesh drawn with chords so
    near to its arcs; nothing over air after either. The edited B-rep part."""
    part = shapes.read(shape, folder)
    mesh = replace(shapes.read(shape, folder, deflection_mm=chord), brep=None, deflection_mm=0.0)
    for one, rel in ((mesh, mesh_rel), (part, 1e-4)):
        after, gain = cured(one)
        assert gain == pytest.approx(due, rel=rel)
        assert after.closed and after.bodies == 1
        assert over_air(after, PROCESS) == []
    return after


def bowed(theta: float, count: int = 400_000) -> float:
    """Section between a unit arc over `theta` and the tangents at its ends, by summing up."""
    x = (np.arange(count) + 0.5) * math.sin(theta) / count
    arc = 1.0 - np.sqrt(1.0 - x**2)
    tangent = (x - math.tan(theta / 2)) * math.tan(theta)
    return float((arc - np.maximum(0.0, tangent)).sum() * math.sin(theta) / count)


@pytest.mark.parametrize("degrees", [30.0, 45.0, 50.0, 70.0])
def test_section_is_what_lies_between_arc_and_tangents(degrees: float) -> None:
    theta = math.radians(degrees)
    assert section_mm2(3.0, theta) == pytest.approx(9.0 * bowed(theta), rel=1e-5)


def test_a_turn_of_it_is_the_cone_of_a_ball() -> None:
    # 52.624 mm³: a ball of 10 mm on its tangent cone at 45° (the frustum less the cap).
    assert turned_mm3(10.0, LIMIT, 0.0, 1.0) == pytest.approx(52.624, abs=1e-3)


@pytest.mark.parametrize("pose", POSES)
def test_fillet_of_a_ceiling_is_cut_back(pose: Pose, tmp_path: Path) -> None:
    span, r = 12.0 * pose.size, 4.0 * pose.size
    after = check(pose(slot(span, r)), -2 * 9 * section_mm2(r, LIMIT), tmp_path)
    assert sorted(f.surface.value for f in after.faces if f.edit) == ["plane", "plane"]
    assert sum(1 for f in after.faces if f.surface is Surface.CYLINDER) == 2  # the rest stays


@pytest.mark.parametrize("pose", POSES)
def test_fillet_of_a_round_ceiling_is_cut_back(pose: Pose, tmp_path: Path) -> None:
    wide, r = 8.0 * min(pose.size, 1.15), 3.0 * pose.size
    due = turned_mm3(r, LIMIT, wide - r, 1.0)
    after = check(pose(pocket(wide, r)), -due, tmp_path)
    assert [f.surface for f in after.faces if f.edit] == [Surface.CONE]


@pytest.mark.parametrize("pose", POSES)
def test_ledge_with_a_rounded_edge_gets_one_plane(pose: Pose, tmp_path: Path) -> None:
    depth, r = 6.0 * pose.size, 2.5 * pose.size
    flat = depth - r + r * math.tan(LIMIT / 2)
    after = check(pose(ledge(depth, r)), 9 * (0.5 * flat**2 + section_mm2(r, LIMIT)), tmp_path,
                  chord=0.01)
    (plane,) = (f for f in after.faces if f.edit)
    # From the wall to where it touches the arc, r(1 − cos θ) above the ledge.
    high = flat + r * (1 - math.cos(LIMIT))
    assert plane.area_mm2 == pytest.approx(9 * high * math.sqrt(2), rel=1e-6)


@pytest.mark.parametrize("pose", POSES)
def test_cap_with_a_rounded_edge_gets_one_cone(pose: Pose, tmp_path: Path) -> None:
    shaft, cap, r = 4.0, 4.0 + 5.0 * pose.size, 3.0 * pose.size
    foot = cap - r + r * math.tan(LIMIT / 2)
    high = foot - shaft
    due = (math.pi * high / 3 * (shaft**2 + shaft * foot + foot**2) - math.pi * shaft**2 * high
           + turned_mm3(r, LIMIT, cap - r, 1.0))
    after = check(pose(mushroom(shaft, cap, r)), due, tmp_path, chord=0.01)
    assert [f.surface for f in after.faces if f.edit] == [Surface.CONE]


def blind(a: float, b: float, upright: float, radius: float) -> TopoDS_Shape:
    """A pocket a × b open to below, its upright edges and its ceiling filleted."""
    body = cut(box((-4, -4, 0), (a + 4, b + 4, 11)), box((0, 0, -1), (a, b, 8)))

    def is_upright(e: TopoDS_Edge) -> bool:
        x, y, _ = middle(e)
        return abs(direction(e)[2]) > 0.99 and -1 < x < a + 1 and -1 < y < b + 1

    def is_top(e: TopoDS_Edge) -> bool:
        return abs(middle(e)[2] - 8) < 1e-6
    if upright == radius:
        return fillet(body, radius, lambda e: is_upright(e) or is_top(e))
    return fillet(fillet(body, upright, is_upright) if upright else body, radius, is_top)


@pytest.mark.parametrize(("upright", "mirrored"), [(0.0, False), (2.5, True), (5.5, False)])
def test_fillets_that_meet_in_corners(upright: float, mirrored: bool, tmp_path: Path) -> None:
    """Mitred, over balls and over parts of a ring."""
    a, b, r = 12.0, 14.0, 2.5
    section, half = section_mm2(r, LIMIT), LIMIT / 2
    moment = r**3 / 3 * math.sin(half) * math.tan(half) ** 2
    if upright:
        due = section * (2 * (a + b) - 8 * upright) + turned_mm3(r, LIMIT, upright - r, 1.0)
    else:
        due = section * (2 * (a + b) - 8 * r) + 8 * moment * math.sin(half)
    after = check(Pose(turned=20.0, mirrored=mirrored)(blind(a, b, upright, r)), -due, tmp_path,
                  mesh_rel=0.015)
    new = sorted(f.surface.value for f in after.faces if f.edit)
    assert new == (["cone"] * 4 if upright else []) + ["plane"] * 4


def test_fillet_that_ends_at_a_wall_and_is_pierced(tmp_path: Path) -> None:
    """A slot closed at one end; a window in its wall takes a bite of one fillet below z = 7, where
    it still holds: what is cut starts at 8 − 3(1 − cos 45°) = 7.12."""
    body = cut(box((-4, 0, 0), (16, 12, 12)), box((0, 3, -1), (12, 13, 8)))
    body = fillet(body, 3.0, lambda e: corner(0, 8)(e) or corner(12, 8)(e))
    section = section_mm2(3.0, LIMIT)
    check(body, -2 * 9 * section, tmp_path)
    check(cut(body, box((-5, 6, 4), (1, 8, 7))), -2 * 9 * section, tmp_path)


def test_a_rising_fillet_reaches_the_limit_sooner(tmp_path: Path) -> None:
    """cos φc = cos δc / cos ε; upright ends make L / cos ε of it."""
    rise, r, length = math.radians(20.0), 3.0, 9.0
    tool = fillet(box((0, -40, -40), (12, 40, 0)), r,
                  lambda e: corner(0, 0)(e) or corner(12, 0)(e))
    tool = move(turn(tool, 20.0, axis=(1, 0, 0)), (0, 0, 8))
    part = shapes.read(cut(box((-4, 0, 0), (16, length, 16)), tool), tmp_path,
                       deflection_mm=FINE_MM)
    context = looked_at(part, PROCESS)
    theta = math.acos(math.cos(LIMIT) / math.cos(rise))
    due = 2 * section_mm2(r, theta) * length / math.cos(rise)
    for one, rel in ((replace(part, brep=None, deflection_mm=0.0), 0.01), (part, 1e-4)):
        rounds = [round_of(one, b, LIMIT) for b in (blend_of(one, f.id) for f in one.faces) if b]
        assert len(rounds) == 2 and all(k and k.theta == pytest.approx(theta) for k in rounds)
        mesh, forms = solids(context, [k for k in rounds if k])
        after = apply(one, [Change("cut", Fitted(mesh, forms), "E1", "E1 fillet")])
        assert gained(one, after) == pytest.approx(-due, rel=rel)


def test_mesh_without_cad_is_cured_alike(tmp_path: Path) -> None:
    """Rounds that are recognised among triangles alone."""
    for shape, due in (
        (slot(12, 4), -18 * section_mm2(4, LIMIT)),
        (Pose(turned=25.0)(ledge(6, 2.5)),
         9 * (0.5 * (3.5 + 2.5 * math.tan(LIMIT / 2)) ** 2 + section_mm2(2.5, LIMIT))),
    ):
        after, gain = cured(bare(shapes.read(shape, tmp_path, deflection_mm=FINE_MM)))
        assert gain == pytest.approx(due, rel=0.01)
        assert over_air(after, PROCESS) == []


def test_upright_fillets_and_those_that_hold_are_kept(tmp_path: Path) -> None:
    """An upright fillet, one at exactly the limit, and a bore are none that pass it."""
    upright = fillet(box((0, 0, 0), (9, 9, 9)), 3, lambda e: abs(direction(e)[2]) > 0.99)
    arm = fuse(box((-6, 0, 0), (0, 9, 20)), sweep(
        [(0, 0, 5), (9, 0, 14), (9, 0, 20), (0, 0, 20)], (0, 9, 0)))
    for shape in (upright, fillet(arm, 3, corner(0, 5)), shapes.cross_hole(3, 12)):
        part = shapes.read(shape, tmp_path)
        blends = [b for b in (blend_of(part, f.id) for f in part.faces) if b]
        assert [round_of(part, b, LIMIT) for b in blends] == [None] * len(blends)
        if shape is not upright:
            assert len(blends) <= 1
        for finding in looked_at(part, PROCESS).review.air:
            assert remedy.options(looked_at(part, PROCESS), finding)[0] == []


def test_run_within_the_lip_is_no_finding(tmp_path: Path) -> None:
    """r·sin θ less the last Δ is what counts as run; at the lip it is held."""
    part = shapes.read(slot(12, 1.0), tmp_path)
    assert over_air(part, PROCESS) == []


def test_a_ceiling_that_hangs_anyway_is_left_to_the_roof(tmp_path: Path) -> None:
    part = shapes.read(slot(26, 4, height=14), tmp_path)
    context = looked_at(part, PROCESS)
    slope = next(f for f in context.review.air if f.kind == "air/slope")
    options, reasons = remedy.options(context, slope)
    assert options == []
    assert reasons == ["fillet: what it runs out into hangs by itself, with it or without"]


@pytest.mark.parametrize(("depth", "radius"), [(8.0, 3.0), (10.0, 3.5), (5.0, 1.2)])
def test_narrow_planes_beside_a_rounding_are_no_strips_of_it(
    depth: float, radius: float, tmp_path: Path
) -> None:
    """In a mesh the planes on both sides of a rounding are tangent to it: they once counted."""
    part = bare(shapes.read(ledge(depth, radius), tmp_path))
    (round_,) = (f for f in part.faces if f.surface is not Surface.PLANE)
    assert round_.radius_mm == pytest.approx(radius, rel=1e-6)
    assert round_.area_mm2 == pytest.approx(0.5 * math.pi * radius * 9, rel=2e-3)
    assert len(part.faces) == 9


def test_bores_of_a_block_are_no_blends(tmp_path: Path) -> None:
    shape = cut(box((0, 0, 0), (20, 20, 12)), cylinder((10, -1, 6), (0, 1, 0), 3, 30))
    part = shapes.read(shape, tmp_path)
    assert [b for b in (blend_of(part, f.id) for f in part.faces) if b] == []
