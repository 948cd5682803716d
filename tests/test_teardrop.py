"""Teardrop against closed forms (derived: apex r/cos δ, area r²(tan δ − δ), level flat
2r(1 − cos δ)/sin δ), in both kernels, and on holes that are broken, stepped, blind or slanted."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace, BRepBuilderAPI_MakePolygon
from OCP.BRepPrimAPI import BRepPrimAPI_MakeCone, BRepPrimAPI_MakePrism
from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt, gp_Vec
from OCP.TopoDS import TopoDS_Shape

import soffit
from examples._cad import box, cut, cylinder, fillet, middle, move, turn
from soffit.part.model import Part, Surface
from soffit.part.quality import quality_change
from soffit.remedies import teardrop
from soffit.remedies.hole import find_crowns
from tests.shapes import cross_hole, process_with, read
from tests.trying import asked, done, gained, looked_at, over_air

PROCESS = process_with()


def polygon_area(outline: np.ndarray) -> float:
    x, y = outline.T
    return 0.5 * float(x @ np.roll(y, -1) - y @ np.roll(x, -1))


@pytest.mark.parametrize(("radius", "angle"), [(5.0, 45.0), (11.0, 45.0), (5.0, 40.0), (3.0, 52.0)])
def test_outline_has_apex_area_and_flat_of_the_closed_forms(radius: float, angle: float) -> None:
    delta = math.radians(angle)
    pointed = teardrop.profile(radius, delta, 1.5, 1.5, None)
    assert pointed[:, 1].max() == pytest.approx(radius / math.cos(delta), rel=1e-12)
    segment = radius**2 * (delta - math.sin(delta) * math.cos(delta))
    above = polygon_area(pointed) - segment
    assert above == pytest.approx(radius**2 * (math.tan(delta) - delta), rel=1e-12)
    level = teardrop.profile(radius, delta, 1.5, 1.5, 100.0)
    flat = 2 * radius * (1 - math.cos(delta)) / math.sin(delta)
    assert np.ptp(level[2:, 0]) == pytest.approx(flat, rel=1e-12)
    assert level[2:, 1] == pytest.approx(radius, rel=1e-12)


def test_outline_of_oracle_5() -> None:
    """r = 5, 45°: 7.0711, 5.3650, 4.1421 (re-computed)."""
    pointed = teardrop.profile(5, math.pi / 4, 1.5, 1.5, None)
    assert pointed[:, 1].max() == pytest.approx(7.0711, abs=5e-5)
    segment = 25 * (math.pi / 4 - 0.5)
    assert polygon_area(pointed) - segment == pytest.approx(5.3650, abs=5e-5)
    level = teardrop.profile(5, math.pi / 4, 1.5, 1.5, 12.0)
    assert np.ptp(level[2:, 0]) == pytest.approx(4.1421, abs=5e-5)


def test_level_roof_is_no_wider_than_the_bridge() -> None:
    level = teardrop.profile(20, math.pi / 4, 1.5, 1.5, 8.0)
    assert np.ptp(level[2:, 0]) == pytest.approx(8.0)
    assert level[2:, 1] == pytest.approx(20 * math.sqrt(2) - 4.0)


@pytest.mark.parametrize("angle", [45.0, 52.0])
@pytest.mark.parametrize(("turned", "at"), [(0.0, (0, 0)), (33.0, (120.0, -70.0))])
def test_cut_of_a_through_hole_in_both_kernels(
    tmp_path: Path, angle: float, turned: float, at: tuple[float, float]
) -> None:
    process = process_with(angle_deg=angle)
    shape = move(turn(cross_hole(5, 16), turned), (*at, 0))
    part = read(shape, tmp_path)
    options, _ = asked(teardrop.options, part, process, "air/slope")
    delta = math.radians(process.angle_deg)
    pointed = 25 * (math.tan(delta) - delta) * 20
    tip = 5 / math.cos(delta) - 5
    level = pointed - tip**2 / math.tan(delta) * 20
    assert [o.op for o in options] == ["cut", "cut"]
    assert [o.volume_mm3 for o in options] == sorted(o.volume_mm3 for o in options)
    faceted = replace(part, brep=None)
    for option, area in zip(options, (level, pointed), strict=True):
        exact = done(part, option)
        assert gained(part, exact) == pytest.approx(-area, rel=1e-6)
        assert over_air(exact, process) == []
        in_mesh = done(faceted, option)
        # Chords of the mesh hang below the true crown: the cut takes them too. They are no
        # more than the deflection over the crown's width, and the hair above it.
        more = -area - gained(faceted, in_mesh)
        assert 0 <= more <= (part.deflection_mm + 0.01) * 2 * 5 * math.sin(delta) * 20
        assert over_air(in_mesh, process) == []
    planes = [f for f in done(part, options[1]).faces if f.edit]
    assert len(planes) == 2
    assert {round(math.degrees(math.acos(-f.normal[2])), 4) for f in planes} == {
        round(process.angle_deg, 4)
    }


def _slit(radius: float = 6) -> TopoDS_Shape:
    return cut(cross_hole(radius, 20), box((-1, -1, 14), (1, 21, 40)))


def _stepped() -> TopoDS_Shape:
    block = box((-12, 0, 0), (12, 30, 30))
    return cut(block, cylinder((0, -1, 14), (0, 1, 0), 7, 16),
               cylinder((0, 0, 14), (0, 1, 0), 5, 40))


def test_a_step_in_a_bore_stays_one_however_coarse_the_facets(tmp_path: Path) -> None:
    """Bores of 7.0 and 6.7 mm radius on one axis, read in facets of 0.3 mm sag: the step is less
    than those blur, and there are two crowns still, each with its own radius."""
    block = cut(box((-12, 0, 0), (12, 30, 30)), cylinder((0, -1, 14), (0, 1, 0), 7, 16),
                cylinder((0, 0, 14), (0, 1, 0), 6.7, 40))
    context = looked_at(read(block, tmp_path, deflection_mm=0.3), PROCESS)
    crowns = [crown for finding in context.review.air
              for crown in find_crowns(context.part, finding, context.solid)]
    assert {(round(c.radius, 6), round(c.high - c.low, 6)) for c in crowns} == {
        (6.7, 15.0), (7.0, 15.0)}


def _sunk(radius: float, mouth: float, half_deg: float) -> TopoDS_Shape:
    """A hole across, opened by a conical mouth on one side and plain on the other."""
    deep = (mouth - radius) / math.tan(math.radians(half_deg))
    return cut(box((-12, 0, 0), (12, 20, 30)), cylinder((0, -1, 14), (0, 1, 0), radius, 22),
               BRepPrimAPI_MakeCone(gp_Ax2(gp_Pnt(0, 0, 14), gp_Dir(0, 1, 0)), mouth, radius,
                                    deep).Shape())


def _drilled(radius: float) -> TopoDS_Shape:
    """A blind hole across with the tip of a 118° drill."""
    tip = radius / math.tan(math.radians(59))
    return cut(box((-12, 0, 0), (12, 20, 30)), cylinder((0, -1, 14), (0, 1, 0), radius, 13),
               BRepPrimAPI_MakeCone(gp_Ax2(gp_Pnt(0, 12, 14), gp_Dir(0, 1, 0)), radius, 0,
                                    tip).Shape())


ENDS = {
    # Name: shape, and how many planes a level and a pointed cut leave behind.
    "countersink of 90 degrees": (_sunk(4, 8, 45), 3, 2),
    "shallow countersink, lower than the point": (_sunk(4, 5, 45), 3, 2),
    "countersink of 120 degrees": (_sunk(4, 7, 60), 3, 2),
    "tip of a drill": (_drilled(4), 5, 3),
    "tip of a larger drill": (_drilled(6), 5, 3),
}


@pytest.mark.parametrize("name", ENDS)
def test_ends_of_a_cut_leave_no_small_faces(name: str, tmp_path: Path) -> None:
    """The roof runs out through all of a countersink and stops where a drill's tip begins: its
    planes, the wall at a blind end and nothing else, none too small to pick."""
    shape, *planes = ENDS[name]
    part = read(shape, tmp_path)
    options, _ = asked(teardrop.options, part, PROCESS, "air/slope")
    assert len(options) == 2
    for option, count in zip(options, planes, strict=True):
        after = done(part, option)
        assert [f.surface for f in after.faces if f.edit] == [Surface.PLANE] * count
        assert quality_change(part, after, 1).faults == ()


def _blind() -> TopoDS_Shape:
    return cut(box((-12, 0, 0), (12, 30, 30)), cylinder((0, -1, 14), (0, 1, 0), 6, 21))


def _crossed() -> TopoDS_Shape:
    block = box((-20, -20, 0), (20, 20, 30))
    return cut(block, cylinder((0, -30, 14), (0, 1, 0), 6, 60),
               cylinder((-30, 0, 14), (1, 0, 0), 6, 60))


def _lugs() -> TopoDS_Shape:
    block = box((-12, 0, 0), (12, 30, 30))
    return cut(block, box((-20, 10, 4), (20, 20, 40)), cylinder((0, -1, 14), (0, 1, 0), 6, 40))


def _slanted(rise: float) -> TopoDS_Shape:
    tilt = math.radians(rise)
    along = (0.0, math.cos(tilt), math.sin(tilt))
    start = (0.0, 10 - 60 * along[1], 30 - 60 * along[2])
    return cut(box((-12, 0, 0), (12, 20, 60)), cylinder(start, along, 6, 120))


BROKEN = {
    "slit through the crown": _slit(),
    "stepped bore": _stepped(),
    "blind": _blind(),
    "crossing": _crossed(),
    "two lugs": _lugs(),
    "rising by 15 degrees": _slanted(15),
    "rising by 35 degrees": _slanted(35),
}


def cured(part: Part) -> Part:
    """The part with the first option that leaves nothing at each place taken in turn."""
    for _ in range(6):
        context = looked_at(part, PROCESS)
        if not context.review.air:
            return part
        finding = context.review.air[0]
        options, reasons = teardrop.options(context, finding)
        assert options, (finding.message, reasons)
        trials = [done(part, o) for o in options]
        left = [sum(area for _, area in over_air(t, PROCESS)) for t in trials]
        assert min(left) < context.review.over_air_mm2 - 0.9 * finding.area_mm2
        part = trials[int(np.argmin(left))]
    return part


@pytest.mark.parametrize("name", BROKEN)
@pytest.mark.parametrize("kernel", ["brep", "mesh"])
def test_broken_hole_is_clean_after_the_cut(name: str, kernel: str, tmp_path: Path) -> None:
    part = read(BROKEN[name], tmp_path)
    if kernel == "mesh":
        part = replace(part, brep=None)
    assert over_air(part, PROCESS)
    assert over_air(cured(part), PROCESS) == []


def test_slit_crown_gets_the_point_only(tmp_path: Path) -> None:
    part = read(_slit(), tmp_path)
    (option,), reasons = asked(teardrop.options, part, PROCESS, "air/slope")
    assert "to a point" in option.why
    assert any("open at the top" in r for r in reasons)
    delta = math.pi / 4
    # Of the pointed cut the slit already took |x| < 1, from the circle to the two planes.
    half, _ = _strip(6.0, 1.0)
    whole = 36 * (math.tan(delta) - delta) - 2 * half
    assert gained(part, done(part, option)) == pytest.approx(-whole * 20, rel=1e-6)


def _strip(radius: float, width: float) -> tuple[float, float]:
    """Area between circle and roof for 0 < x < width (derived), and the roof's height there."""
    roof = radius * math.sqrt(2) * width - 0.5 * width**2
    circle = 0.5 * (width * math.sqrt(radius**2 - width**2)
                    + radius**2 * math.asin(width / radius))
    return roof - circle, radius * math.sqrt(2) - width


def test_a_roof_through_the_outside_is_refused(tmp_path: Path) -> None:
    shape = cut(box((-20, 0, 0), (20, 20, 24)), cylinder((0, -1, 14), (0, 1, 0), 9, 22))
    part = read(shape, tmp_path)
    options, reasons = asked(teardrop.options, part, PROCESS, "air/slope")
    # 1 mm stays over the level roof, where 0.8 are needed; the point would come out.
    assert ["level" in o.why for o in options] == [True]
    assert any("only 0.00 mm of wall would remain" in r for r in reasons)


def test_a_fillet_is_no_hole(tmp_path: Path) -> None:
    from tests.shapes import rounded_bottom

    part = read(rounded_bottom(), tmp_path)
    context = looked_at(part, PROCESS)
    for finding in context.review.air:
        assert find_crowns(context.part, finding, context.solid) == []


def test_axis_at_the_limit_needs_no_roof() -> None:
    limit = math.radians(45)
    assert teardrop.roof_angle(limit, limit) == 0.0
    assert teardrop.roof_angle(limit, 0.0) == pytest.approx(limit)
    phi = teardrop.roof_angle(limit, math.radians(30))
    assert math.cos(phi) * math.cos(math.radians(30)) == pytest.approx(math.cos(limit))


def test_a_rounded_mouth_belongs_to_its_hole(tmp_path: Path) -> None:
    """A hole of 5 mm holds by itself; its rounded mouths, which are wider, do not."""
    block = cross_hole(2.5, 12, 4)
    shape = fillet(block, 1.0, lambda e: abs(middle(e)[0]) < 4 and 5 < middle(e)[2] < 14)
    part = read(shape, tmp_path)
    assert {f.kind for f in soffit.review(part).air} == {"air/slope"}
    result = soffit.resolve(part, forbid=["prop", "drilled hole", "crown cut", "steeper cut"])
    assert result.clean
    assert {e.remedy for e in result.edits} == {"teardrop"}


def _drawn_for_another_way_up(radius: float, tilt_deg: float) -> TopoDS_Shape:
    """A hole with a roof of 45° of its own, leaning by `tilt_deg` to one side."""
    block = box((-12, 0, 0), (12, 20, 30))
    side, turned = radius / math.sqrt(2.0), math.radians(tilt_deg)
    roof = [(side, side), (0.0, 2.0 * side), (-side, side), (0.0, 0.0)]
    prism = BRepBuilderAPI_MakePolygon()
    for x, y in roof:
        prism.Add(gp_Pnt(x * math.cos(turned) + y * math.sin(turned), -1.0,
                         14.0 - x * math.sin(turned) + y * math.cos(turned)))
    prism.Close()
    face = BRepBuilderAPI_MakeFace(prism.Wire()).Face()
    return cut(block, cylinder((0, -1, 14), (0, 1, 0), radius, 22),
               BRepPrimAPI_MakePrism(face, gp_Vec(0.0, 22.0, 0.0)).Shape())


@pytest.mark.parametrize(("radius", "tilt"), [(5.0, 6.0), (2.7, 6.0), (5.0, -15.0), (4.0, 30.0)])
def test_a_roof_drawn_for_another_way_up_is_part_of_the_new_one(
    tmp_path: Path, radius: float, tilt: float
) -> None:
    """Its point is at r √2 (sin t, cos t); the new roof has one plane through that and one that
    touches the circle, both at 45°. What is cut is what of that the hole did not have (areas by
    shapely), and nothing hangs between two points."""
    part = read(_drawn_for_another_way_up(radius, tilt), tmp_path)
    (option,), _ = asked(teardrop.options, part, PROCESS, "air/slope")
    turned = math.radians(tilt)
    side = radius / math.sqrt(2.0)
    old = np.array([[side, side], [0, 2 * side], [-side, side], [0, 0]]) @ np.array(
        [[math.cos(turned), -math.sin(turned)], [math.sin(turned), math.cos(turned)]])
    hole = shapely.union(shapely.Point(0, 0).buffer(radius, quad_segs=720), shapely.Polygon(old))
    x, y = old[1]
    # The planes: y + x and y - x of the circle's own are 2 side; one of them is the old point's.
    falls, rises = max(2 * side, y + x), max(2 * side, y - x)
    apex = ((falls - rises) / 2, (falls + rises) / 2)
    whole = shapely.convex_hull(shapely.MultiPoint([(-side, side), (side, side), (x, y), apex]))
    area = whole.difference(hole).area
    for one in (part, replace(part, brep=None)):
        after = done(one, option)
        assert gained(one, after) == pytest.approx(-20.0 * area, rel=5e-3)
        assert over_air(after, PROCESS) == []
