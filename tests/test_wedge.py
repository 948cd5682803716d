"""The wedge against closed forms (all derived, 45° unless said)."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from examples._cad import box as block
from soffit.part.brep_edit import solid_volume
from soffit.part.mesh_solid import evaluate
from soffit.part.solid import Cone, Hull, Polyhedron
from soffit.part.step import read_shape
from soffit.remedies import trees, wedge
from soffit.remedies.anchor import Arc, Edge, chains_of, polygon
from soffit.remedies.patchwork import patchwork


def rect(x0: float, y0: float, x1: float, y1: float) -> np.ndarray:
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], dtype=float)


def circle(r: float, n: int = 96, centre: tuple[float, float] = (0.0, 0.0)) -> np.ndarray:
    a = 2 * np.pi * np.arange(n) / n
    return np.column_stack([centre[0] + r * np.cos(a), centre[1] + r * np.sin(a)])


def closed(ring: np.ndarray) -> np.ndarray:
    return np.concatenate([ring, ring[:1]])


def made(rings, anchors, ceiling=20.0, depth=None, slope=1.0, behind=0.0, hair=0.0):
    patch = patchwork(rings, anchors, behind)
    assert patch is not None
    depth = patch.reach_mm * slope if depth is None else depth
    return patch, wedge.wedge(patch, ceiling, depth, slope, hair)


def height_field_volume(rings, anchors, depth, slope, n=300):
    """Referee: the wedge's volume by summing columns, straight from its definition."""
    region = polygon(rings)
    x0, y0, x1, y1 = shapely.bounds(region)
    xs = x0 + (np.arange(n) + 0.5) * (x1 - x0) / n
    ys = y0 + (np.arange(n) + 0.5) * (y1 - y0) / n
    gx, gy = np.meshgrid(xs, ys)
    points = np.column_stack([gx.ravel(), gy.ravel()])
    points = points[shapely.contains_xy(region, points[:, 0], points[:, 1])]
    lines = shapely.union_all([shapely.LineString(a) for a in anchors])
    d = shapely.distance(shapely.points(points), lines)
    return float(np.maximum(depth - d * slope, 0).sum() * (x1 - x0) * (y1 - y0) / n**2)


def test_ledge_is_one_hull_of_half_d_squared_b() -> None:
    patch, solid = made([rect(0, 0, 10, 20)], [np.array([[0.0, 0], [0, 20]])])
    assert isinstance(solid, Hull)
    assert patch.reach_mm == pytest.approx(10, abs=1e-9)
    assert evaluate(solid).volume() == pytest.approx(1000, rel=1e-9)
    assert evaluate(solid).bounding_box() == (0, 0, 10, 10, 20, 20)


@pytest.mark.parametrize("turned", [0.0, 0.3, 2.0])
@pytest.mark.parametrize("angle", [40.0, 45.0, 52.0])
def test_ledge_turned_and_at_other_angles(turned: float, angle: float) -> None:
    c, s = math.cos(turned), math.sin(turned)
    turn = np.array([[c, s], [-s, c]])
    slope = math.tan(math.radians(angle))
    _, solid = made([rect(0, 0, 10, 20) @ turn], [np.array([[0.0, 20], [0, 0]]) @ turn],
                    slope=slope)
    assert evaluate(solid).volume() == pytest.approx(1000 * slope, rel=1e-6)


def test_ledge_leaving_a_lip() -> None:
    _, solid = made([rect(0, 0, 10, 20)], [np.array([[0.0, 0], [0, 20]])], depth=9.2)
    assert evaluate(solid).volume() == pytest.approx(0.5 * 9.2**2 * 20, rel=1e-9)


def test_slot_two_wedges_meet_at_half_the_span() -> None:
    sides = [np.array([[0.0, 0], [0, 30]]), np.array([[12.0, 30], [12, 0]])]
    patch, solid = made([rect(0, 0, 12, 30)], sides)
    assert patch.reach_mm == pytest.approx(6, abs=1e-9)
    assert evaluate(solid).volume() == pytest.approx(36 * 30, rel=1e-9)
    _, solid = made([rect(0, 0, 12, 30)], sides, depth=6 - 2)
    assert evaluate(solid).volume() == pytest.approx(4 * 4 * 30, rel=1e-9)


def test_rectangular_blind_ceiling() -> None:
    ring = rect(0, 0, 10, 20)
    patch, solid = made([ring], [closed(ring)])
    assert patch.reach_mm == pytest.approx(5, abs=1e-6)
    # The prism less the hip roof a²(3b − a)/12 that stays open.
    assert evaluate(solid).volume() == pytest.approx(200 * 5 - 100 * (60 - 10) / 12, rel=1e-6)


def test_round_blind_ceiling_is_a_cylinder_without_a_cone() -> None:
    ring = circle(5.0)
    patch, solid = made([ring], [closed(ring)])
    (chain,) = patch.chains
    assert len(chain.elements) == 1
    arc = chain.elements[0]
    assert isinstance(arc, Arc) and arc.full and arc.inside
    assert patch.reach_mm == pytest.approx(5, abs=1e-6)
    assert trees.nodes(solid) <= 4
    # The cylinder less the cone πr³/3 that stays open, with true circles by the B-rep kernel;
    # in the mesh the cylinder is a prism over n chords, n/2·sin(2π/n) for π, and what is taken
    # out is no more than the true cone.
    part = read_shape(block((0, 0, 0), (1, 1, 1)))
    full = 2 * math.pi * 125 / 3
    assert solid_volume(solid, part) == pytest.approx(full, rel=1e-6)
    n = trees.segments_for(5.0)
    chords = n / 2 * math.sin(2 * math.pi / n)
    assert 125 * (chords - math.pi / 3) < evaluate(solid).volume() < full
    _, solid = made([ring], [closed(ring)], depth=3.0)
    bridge = math.pi * (25 * 3 - (5**3 - 2**3) / 3)
    assert solid_volume(solid, part) == pytest.approx(bridge, rel=1e-6)
    lost = (math.pi - chords) * 25 * 3
    assert bridge - lost < evaluate(solid).volume() < bridge


def test_ring_ledge_round_a_shaft() -> None:
    outer, inner = circle(8.0), circle(3.0)[::-1]
    patch, solid = made([outer, inner], [closed(inner)])
    assert patch.reach_mm == pytest.approx(5, abs=0.01)
    assert trees.nodes(solid) <= 6
    # Frustum from r = 3 to r = 8 over 5 mm, less the shaft.
    true = math.pi * 5 / 3 * (9 + 24 + 64) - math.pi * 9 * 5
    assert evaluate(solid).volume() == pytest.approx(true, rel=5e-3)
    assert any(isinstance(p, Cone) for p in _leaves(solid))


def test_ring_ledge_in_a_bore() -> None:
    outer, inner = circle(8.0), circle(3.0)[::-1]
    patch, solid = made([outer, inner], [closed(outer)])
    assert patch.reach_mm == pytest.approx(5, abs=0.01)
    true = math.pi * 64 * 5 - math.pi * 5 / 3 * (9 + 24 + 64)
    assert evaluate(solid).volume() == pytest.approx(true, rel=5e-3)


def test_square_flange_round_a_shaft_reaches_its_corners() -> None:
    outer, inner = rect(-8, -8, 8, 8), circle(3.0)[::-1]
    patch, solid = made([outer, inner], [closed(inner)])
    assert patch.reach_mm == pytest.approx(8 * math.sqrt(2) - 3, abs=1e-6)
    referee = height_field_volume([outer, inner], [closed(inner)], patch.reach_mm, 1.0)
    assert evaluate(solid).volume() == pytest.approx(referee, rel=5e-3)


def test_convex_corner_gets_one_cone_and_concave_none() -> None:
    # An L of air around a square post: anchor with one convex corner.
    ring = np.array([[0, 0], [10, 0], [10, 10], [4, 10], [4, 4], [0, 4.0]])[::-1]
    ring = np.array([[0.0, 4], [4, 4], [4, 0], [10, 0], [10, 10], [0, 10]])
    anchor = np.array([[0.0, 4], [4, 4], [4, 0]])
    patch, solid = made([ring], [anchor])
    assert patch.reach_mm == pytest.approx(6 * math.sqrt(2), abs=1e-6)
    assert sum(isinstance(p, Cone) for p in _leaves(solid)) == 1
    referee = height_field_volume([ring], [anchor], patch.reach_mm, 1.0)
    assert evaluate(solid).volume() == pytest.approx(referee, rel=2e-3)
    # Two walls in an inner corner.
    patch, solid = made([rect(0, 0, 10, 10)], [np.array([[10.0, 10], [0, 10], [0, 0]])])
    assert sum(isinstance(p, Cone) for p in _leaves(solid)) == 0
    referee = height_field_volume([rect(0, 0, 10, 10)], [patch.chains[0].polyline], 10.0, 1.0)
    assert evaluate(solid).volume() == pytest.approx(referee, rel=2e-3)


def test_anchor_shorter_than_the_patch_gets_cones_at_its_ends() -> None:
    ring, anchor = rect(0, 0, 6, 20), np.array([[0.0, 14], [0, 6]])
    patch, solid = made([ring], [anchor])
    assert patch.reach_mm == pytest.approx(math.hypot(6, 6), abs=1e-6)
    assert sum(isinstance(p, Cone) for p in _leaves(solid)) == 2
    referee = height_field_volume([ring], [anchor], patch.reach_mm, 1.0)
    assert evaluate(solid).volume() == pytest.approx(referee, rel=2e-3)


def test_freeform_anchor_becomes_a_polyhedron_of_the_same_volume() -> None:
    y = np.linspace(0, 40, 400)
    wall = np.column_stack([np.sin(y) + 0.05 * np.sin(7 * y), y])
    ring = np.concatenate([[[9.0, 0.0], [9.0, 40.0]], wall[::-1]])
    patch, solid = made([ring], [wall[::-1]])
    assert isinstance(solid, Polyhedron)
    referee = height_field_volume([ring], [wall], patch.reach_mm, 1.0, 300)
    assert evaluate(solid).volume() == pytest.approx(referee, rel=3e-3)


def test_hair_reaches_into_wall_and_ceiling_only() -> None:
    _patch, solid = made([rect(0, 0, 10, 20)], [np.array([[0.0, 20], [0, 0]])], behind=0.01,
                        hair=0.01)
    low_x, low_y, _low_z, high_x, high_y, high_z = evaluate(solid).bounding_box()
    assert (low_x, high_z) == pytest.approx((-0.01, 20.01))
    assert (low_y, high_y, high_x) == pytest.approx((0, 20, 10), abs=1e-9)
    assert evaluate(solid).volume() == pytest.approx(1000, rel=5e-3)


def test_wedge_is_never_flatter_than_its_angle() -> None:
    """Each layer of the wedge steps out no more than its height."""
    outer, inner = rect(-8, -8, 8, 8), circle(3.0)[::-1]
    _, solid = made([outer, inner], [closed(inner)], ceiling=12.0)
    body = evaluate(solid)
    shaft = shapely.Point(0, 0).buffer(3.0, quad_segs=64)
    last = None
    for z in np.arange(4.0, 12.0, 0.2):
        rings = [np.asarray(r) for r in body.slice(float(z)).to_polygons()]
        here = polygon(rings).union(shaft) if rings else shaft
        if last is not None:
            assert here.difference(last.buffer(0.2 + 0.005, quad_segs=64)).area < 1e-6
        last = here


def test_anchor_recognition() -> None:
    ring = circle(5.0, 64)
    half = closed(ring)[:33]
    region = polygon([ring])
    (chain,) = chains_of([half], region)
    (arc,) = chain.elements
    assert isinstance(arc, Arc) and not arc.full
    assert abs(arc.turn) == pytest.approx(math.pi, abs=1e-6)
    square = rect(0, 0, 4, 4)
    (chain,) = chains_of([closed(square)], polygon([square]))
    assert [type(e) for e in chain.elements] == [Edge] * 4
    hexagon = circle(5.0, 6)
    (chain,) = chains_of([closed(hexagon)], polygon([hexagon]))
    assert [type(e) for e in chain.elements] == [Edge] * 6


@pytest.mark.parametrize("start", [0, 5, 17, 34, 67])
def test_a_ring_without_a_corner_has_each_of_its_arcs_once(start: int) -> None:
    """A rectangle of 10 × 6 with corners rounded by 2, drawn from any of its vertices: four
    edges, and four arcs of a quarter turn that meet them."""
    corner = np.linspace(0, math.pi / 2, 17)
    ring = np.concatenate([
        np.array([x, y]) + 2 * np.column_stack([np.cos(corner + t), np.sin(corner + t)])
        for x, y, t in [(8, 4, 0), (2, 4, math.pi / 2), (2, 2, math.pi), (8, 2, 1.5 * math.pi)]])
    ring = np.roll(ring, -start, axis=0)
    (chain,) = chains_of([closed(ring)], polygon([ring]))
    arcs = [e for e in chain.elements if isinstance(e, Arc)]
    assert (len(chain.elements), len(arcs)) == (8, 4)
    assert [a.turn for a in arcs] == pytest.approx([math.pi / 2] * 4, abs=1e-3)
    for one, other in zip(chain.elements, [*chain.elements[1:], chain.elements[0]], strict=True):
        assert one.end == pytest.approx(other.start, abs=1e-3)


def _leaves(solid):
    parts = getattr(solid, "parts", None)
    if parts is not None:
        return [leaf for p in parts for leaf in _leaves(p)]
    if hasattr(solid, "base") and hasattr(solid, "tool"):
        return _leaves(solid.base) + _leaves(solid.tool)
    return [solid]
