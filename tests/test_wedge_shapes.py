"""Wedges of walls that bend: slots of L and T shape, blind ceilings, walls on a free curve.

Derived, at 45°: what is added below a ceiling of area A is A·T − ∫ dist, with dist the distance in
plan to the walls and T the greatest. A blind rectangle a × b (a ≤ b) has T = a/2 and
∫ = a²(3b − a)/12. Where a slot w wide goes over into one u wide at a right angle, the farthest
point is as far from both outer walls as from the inner corner, T = u + w − √(2uw); where it meets a
stem u wide, it is as far from the wall across as from both inner corners, T = w/2 + u²/8w. The
integral is summed up over a grid, by the midpoint rule.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from OCP.BRepBuilderAPI import (
    BRepBuilderAPI_MakeEdge,
    BRepBuilderAPI_MakeFace,
    BRepBuilderAPI_MakeWire,
)
from OCP.BRepPrimAPI import BRepPrimAPI_MakePrism
from OCP.collections import Array1_gp_Pnt
from OCP.Geom import Geom_BezierCurve
from OCP.gp import gp_Pnt, gp_Vec
from OCP.TopoDS import TopoDS_Shape
from scipy.spatial import cKDTree

from examples._cad import box, cut, fuse, mirror_x, move, sweep, turn
from soffit.remedies import chamfer, roof
from tests import shapes
from tests.trying import done, gained, looked_at, over_air

# Nothing is bridged over such slots; what is asked for is the whole wedge.
PROCESS = shapes.process_with(bridge_mm=4.0)
GRID = 200

Curve = list[tuple[float, float]]


def integral(region: shapely.Geometry, away: Callable[[np.ndarray], np.ndarray]) -> float:
    """∫ dist over a plan region, mm³, to about 1e-4 of it; `away` of points (n, 2) is dist."""
    x0, y0, x1, y1 = shapely.bounds(region).tolist()
    x, y = np.meshgrid(x0 + (np.arange(GRID) + 0.5) * (x1 - x0) / GRID,
                       y0 + (np.arange(GRID) + 0.5) * (y1 - y0) / GRID)
    inside = shapely.contains_xy(region, x, y)
    return float(away(np.column_stack([x[inside], y[inside]])).mean() * region.area)


def slotted(name: str, w: float) -> tuple[shapely.Geometry, shapely.Geometry, float]:
    """A ceiling, the block that it lies in and its T; `w` the width of its longer arm."""
    u = w if name[-1] != "n" else 0.8 * w
    along = shapely.box(0, 0, 20, w)
    if name.startswith("L"):
        region = shapely.union(along, shapely.box(0, 0, u, 15))
        ends = (23, 18) if "blind" in name else (20, 15)
        return region, shapely.box(-3, -3, *ends), u + w - math.sqrt(2 * u * w)
    if name.startswith("T"):
        region = shapely.union(along, shapely.box(7, -9, 7 + u, 1))
        return region, shapely.box(0, -9, 20, w + 3), w / 2 + u * u / (8 * w)
    region = shapely.box(0, 0, w, 1.7 * w)
    return region, shapely.box(-3, -3, w + 3, 1.7 * w + 3), w / 2


def hollowed(region: shapely.Geometry, block: shapely.Geometry, high: float) -> TopoDS_Shape:
    """The block with a hollow below the ceiling, which runs out where the two share a border."""
    x0, y0, x1, y1 = shapely.bounds(block).tolist()
    ring = shapely.get_coordinates(shapely.normalize(region).exterior)[:-1]
    past = np.column_stack([(ring[:, 0] > x1 - 1e-9) * 1.0 - (ring[:, 0] < x0 + 1e-9),
                            (ring[:, 1] > y1 - 1e-9) * 1.0 - (ring[:, 1] < y0 + 1e-9)])
    outline = [(x, y, -1.0) for x, y in (ring + past).tolist()]
    return cut(box((x0, y0, 0), (x1, y1, high + 3)), sweep(outline, (0, 0, high + 1)))


def check(shape: TopoDS_Shape, due: float, folder: Path, exact: bool, chord: float = 0.02) -> None:
    """The whole wedge below the one place of a shape, in the mesh and, if asked, the B-rep."""
    part = shapes.read(shape, folder, deflection_mm=chord)
    for one in (replace(part, brep=None), part)[: 2 if exact else 1]:
        context = looked_at(one, PROCESS)
        (place,) = context.review.air
        offered = roof.options(context, place)[0] + chamfer.options(context, place)[0]
        whole = next(o for o in offered if o.remedy in ("roof", "chamfer"))
        after = done(one, whole)
        assert gained(one, after) == pytest.approx(due, rel=5e-3)
        assert after.bodies == 1 and after.closed
        assert over_air(after, PROCESS) == []


POSES = [(6.0, 0.0, False), (7.0, 90.0, False), (6.2, 31.0, True), (6.5, -48.0, False),
         (8.0, 12.0, True), (5.5, 180.0, True)]
SLOTS = [(("L", "L blind", "L, one thin")[k % 3], *pose) for k, pose in enumerate(POSES)]
SLOTS += [(("T", "T, stem thin")[k % 2], *pose) for k, pose in enumerate(POSES)]
SLOTS += [("rectangle", *pose) for pose in POSES]


@pytest.mark.parametrize(("name", "w", "turned", "mirrored"), SLOTS)
def test_slot(name: str, w: float, turned: float, mirrored: bool, tmp_path: Path) -> None:
    region, block, top = slotted(name, w)
    walls = shapely.intersection(region.boundary, block.buffer(-1e-6))
    due = top * region.area - integral(
        region, lambda points: shapely.distance(shapely.points(points), walls))
    if name == "rectangle":
        b = 1.7 * w
        assert due == pytest.approx(w * b * w / 2 - w**2 * (3 * b - w) / 12, rel=1e-4)
    shape = hollowed(region, block, math.ceil(top) + 2)
    shape = move(turn(mirror_x(shape) if mirrored else shape, turned), (9 * turned, -40, 0))
    check(shape, due, tmp_path, exact=True)


def points_on(poles: Curve, count: int = 2001) -> np.ndarray:
    """Points of a Bézier curve (de Casteljau)."""
    t = np.linspace(0.0, 1.0, count)[:, None]
    rows = [np.repeat(np.array([pole]), count, axis=0) for pole in poles]
    while len(rows) > 1:
        rows = [(1 - t) * a + t * b for a, b in itertools.pairwise(rows)]
    return rows[0]


def curved_wall(poles: Curve, high: float) -> TopoDS_Shape:
    """A wall from y = −6 to a Bézier curve, which begins at x = 0."""
    array = Array1_gp_Pnt(1, len(poles))
    for index, (x, y) in enumerate(poles, start=1):
        array.SetValue(index, gp_Pnt(x, y, 0.0))
    wire = BRepBuilderAPI_MakeWire()
    wire.Add(BRepBuilderAPI_MakeEdge(Geom_BezierCurve(array)).Edge())
    corners = [poles[-1], (poles[-1][0], -6.0), (0.0, -6.0), poles[0]]
    for (ax, ay), (bx, by) in itertools.pairwise(corners):
        wire.Add(BRepBuilderAPI_MakeEdge(gp_Pnt(ax, ay, 0.0), gp_Pnt(bx, by, 0.0)).Edge())
    face = BRepBuilderAPI_MakeFace(wire.Wire()).Face()
    return BRepPrimAPI_MakePrism(face, gp_Vec(0.0, 0.0, high)).Shape()


BULGE: Curve = [(0, 0), (4, 5), (10, 5), (14, 0)]
WAVE: Curve = [(0, 0), (5, 6), (9, -6), (14, 1)]
THREE: Curve = [(0, 0), (3, 4), (7, -3), (11, 5), (14, 0)]


@pytest.mark.parametrize(("poles", "ends", "size", "turned", "mirrored", "exact"), [
    (BULGE, (9, 9), 1.0, 0.0, False, True), (BULGE, (7, 9), 0.7, 27.0, True, False),
    (WAVE, (7, 7), 1.0, 90.0, False, False), (WAVE, (7, 6), 0.7, -51.0, True, False),
    (THREE, (8, 6.5), 1.0, 13.0, False, False), (THREE, (6, 6), 1.3, 0.0, True, False),
])
def test_ledge_on_a_free_curve(
    poles: Curve, ends: tuple[float, float], size: float, turned: float, mirrored: bool,
    exact: bool, tmp_path: Path,
) -> None:
    """Drawn with chords within 0.005 mm, the volume is right to 0.5 %."""
    poles = [(size * x, size * y) for x, y in poles]
    wide, (first, last) = poles[-1][0], (size * e for e in ends)
    curve = points_on(poles)
    region = shapely.Polygon([*curve[::5].tolist(), (wide, last), (0, first)])
    tree = cKDTree(curve)
    edge = shapely.get_coordinates(shapely.segmentize(region.exterior, 0.02))
    top = float(tree.query(edge)[0].max())
    high = math.ceil(top) + 1
    shelf = sweep([(0, -6, high), (wide, -6, high), (wide, last, high), (0, first, high)],
                  (0, 0, 3))
    shape = fuse(curved_wall(poles, high + 1), shelf)
    shape = move(turn(mirror_x(shape) if mirrored else shape, turned), (3 * turned, 20, 0))
    due = top * region.area - integral(region, lambda points: tree.query(points)[0])
    check(shape, due, tmp_path, exact, chord=0.02 if exact else 0.005)
