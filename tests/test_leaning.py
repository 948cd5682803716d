"""How the surface over a patch leans, and the ways in which strands may run under its free edge."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from soffit.findings.bridging import directions
from soffit.findings.facets import FlatFacets
from soffit.findings.leaning import mean_angle_deg, mostly_level
from soffit.findings.patches import RawPatch
from soffit.findings.places import level_places
from soffit.part.model import Floats, Mesh
from soffit.process.load import load_process

PLA = load_process("pla-04")


def facets(run: float, angle_deg: float) -> FlatFacets:
    """An underside 100 mm long at z = 10: level for 4 mm across, then rising over a run."""
    rise = run * np.tan(np.radians(angle_deg))
    x, y = np.meshgrid([0.0, 100.0], [0.0, 4.0, 4.0 + run], indexing="ij")
    vertices = np.stack([x.ravel(), y.ravel(), np.tile([10.0, 10.0, 10.0 + rise], 2)], axis=1)
    triangles = np.array([[0, 1, 4], [0, 4, 3], [1, 2, 5], [1, 5, 4]])
    slope = np.radians(angle_deg)
    normals = np.array([[0.0, 0.0, -1.0]] * 2 + [[0.0, np.sin(slope), -np.cos(slope)]] * 2)
    mesh = Mesh(vertices, triangles, np.ones(4, dtype=np.int64), normals,
                np.zeros(4, dtype=np.int64))
    corners = vertices[triangles]
    weight = 0.5 * 100.0 * np.array([4.0, 4.0, run, run])
    z = corners[:, :, 2]
    return FlatFacets(mesh, np.full(4, 50), np.arange(4), corners[:, :, :2].mean(axis=1), weight,
                      np.array([0.0, 0.0, angle_deg, angle_deg]),
                      np.stack([z.min(axis=1), z.max(axis=1)], axis=1))


def ring(x0: float, x1: float, y1: float) -> Floats:
    return np.array([[x0, 0.0], [x1, 0.0], [x1, y1], [x0, y1]])


@pytest.mark.parametrize(("x0", "x1"), [(0.0, 3.0), (40.0, 45.0), (97.0, 100.0)])
@pytest.mark.parametrize(("run", "level"), [(3.9, True), (4.1, False)])
def test_a_facet_counts_with_what_of_it_is_over_the_patch(
    x0: float, x1: float, run: float, level: bool
) -> None:
    """Level where 4 mm are more than what rises, wherever along the long facets it is cut, and
    whichever of them has its sample there."""
    found = facets(run, 10.0)
    outline = ring(x0, x1, 4.0 + run)
    area = (x1 - x0) * (4.0 + run)
    for samples in ([0], [1, 2], [2, 3], [0, 1, 2, 3]):
        mine = np.array(samples)
        assert mostly_level((outline,), area, mine, found, found.of_layer(50)) is level
    assert mean_angle_deg(np.array([0, 1, 2, 3]), found) == pytest.approx(10 * run / (4 + run))


def test_what_lies_in_one_layer_of_a_facet_has_the_plan_of_that_layer() -> None:
    """Of a slope of 30 degrees over 8 mm the band from 11 to 12 mm is 1 / tan 30° wide
    (derived)."""
    found = facets(8.0, 30.0)
    z = np.tile([11.0, 12.0], (2, 1))
    band = FlatFacets(found.mesh, np.full(2, 50), np.array([2, 3]), found.xy[2:], found.weight[2:],
                      found.angle_deg[2:], z)
    drawn = band.bands(np.array([0, 1]))
    wide = 1.0 / np.tan(np.radians(30.0))
    assert shapely.area(shapely.union_all(drawn)) == pytest.approx(100.0 * wide)
    assert shapely.bounds(shapely.union_all(drawn))[1] == pytest.approx(4.0 + wide)


def sector(chord: float, deep: float, bulge: float) -> RawPatch:
    """A place between two ridges that part by 20 degrees, on a wall; its free edge is an arc over
    a chord that lies askew to everything else."""
    half, spread = np.radians(10.0), np.radians(33.3)
    outer = chord / (2.0 * np.sin(half))
    at = np.linspace(half, -half, 41)
    middle = np.cos(at) - np.cos(half)
    arc = np.stack([np.sin(at) * outer, np.cos(half) * outer + bulge * middle / middle.max()],
                   axis=1)[::-1]
    inner = (outer - deep) * np.array([[np.sin(half), np.cos(half)], [-np.sin(half), np.cos(half)]])
    points = np.concatenate([arc, inner])
    c, s = np.cos(spread), np.sin(spread)
    points = points @ np.array([[c, s], [-s, c]])
    points = points[::-1] if shapely.LinearRing(points).is_ccw is False else points
    middles = 0.5 * (points + np.roll(points, -1, axis=0))
    free = shapely.distance(shapely.points(middles),
                            shapely.LineString(arc @ np.array([[c, s], [-s, c]]))) < 1e-9
    area = float(shapely.Polygon(points).area)
    return RawPatch(50, (points,), (~free,), area, np.empty(0, dtype=np.int64))


def test_the_outermost_strand_runs_from_end_to_end_of_the_free_edge() -> None:
    patch = sector(9.0, 8.0, 0.5)
    assert min(abs(d - 33.3) for d in directions(patch)) < 0.01


def test_what_bulges_past_it_by_less_than_the_lip_is_held() -> None:
    """Beside a strand along the chord 0.5 mm are left, of a lip of 0.8 mm; 1.2 mm are too many."""
    places = level_places(sector(9.0, 8.0, 0.5), PLA)
    assert all(p.shape == "bridge" or (p.reach_mm or 0.0) <= PLA.lip_mm for p in places)
    assert sum(p.patches[0].area_mm2 for p in places) > 0.95 * sector(9.0, 8.0, 0.5).area_mm2
    places = level_places(sector(9.0, 8.0, 1.2), PLA)
    assert any(p.shape != "bridge" and (p.reach_mm or 0.0) > PLA.lip_mm for p in places)
