"""The pixel-column referee against closed forms, before it is trusted with anything."""

from __future__ import annotations

import math

import manifold3d as m3
import numpy as np
import pytest

from tests.pixel_columns import Grid, components, crossings, filled, turned
from tests.pixel_engine import Judged, Rules, over_air

STEP, SLACK = 0.2, 0.02  # demo: 45 degrees at h = 0.2


def block(low: tuple[float, float, float], high: tuple[float, float, float]) -> m3.Manifold:
    size = [b - a for a, b in zip(low, high, strict=True)]
    return m3.Manifold.cube(size).translate(low)


def judge(solid: m3.Manifold, pixel_mm: float = 0.05, layer_mm: float = 0.2,
          lip_mm: float = 0.8) -> Judged:
    raw = solid.to_mesh64()
    vertices = np.asarray(raw.vert_properties)[:, :3]
    triangles = np.asarray(raw.tri_verts).astype(np.int64)
    corner = vertices[triangles]
    normal = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    downskin = np.degrees(np.arccos(np.clip(
        -normal[:, 2] / np.maximum(np.linalg.norm(normal, axis=1), 1e-12), -1, 1)))
    rules = Rules(layer_mm, layer_mm, layer_mm, SLACK, 0.4, lip_mm, 15.0)
    return over_air(vertices, triangles, rules, pixel_mm, downskin, downskin < 44.5)


def kinds(judged: Judged) -> list[str]:
    return [q.kind for p in judged.patches for q in p.pieces]


def test_rays_through_a_turned_cube_balance_and_count_its_plan() -> None:
    """Each ray goes in as often as out; plan area 100 mm² (derived)."""
    solid = block((0, 0, 0), (10, 10, 1)).rotate((0, 0, 17))
    raw = solid.to_mesh64()
    at = np.asarray(raw.vert_properties)[:, :3]
    grid = Grid(-10.013, -10.017, 520, 520, 0.05)
    spans = crossings(at, np.asarray(raw.tri_verts).astype(np.int64), grid,
                      np.array([0.5, 1.5]))
    winding = np.zeros(grid.rows * grid.columns, dtype=int)
    pixel, sign, _ = spans.of_layer(0)
    np.add.at(winding, pixel, sign)
    assert set(np.unique(winding)) == {0, 1}
    assert winding.sum() * 0.05**2 == pytest.approx(100, rel=0.002)
    pixel, sign, _ = spans.of_layer(1)
    np.add.at(winding, pixel, sign)
    assert not winding.any()


def test_components_join_over_corners_and_no_farther() -> None:
    """Rows of 10: 3, 4 and 15 touch at a corner, 17 is two away, 35 lies two rows up."""
    count, which = components(np.array([3, 4, 15, 17, 35]), 10)
    assert count == 3
    assert which[0] == which[1] == which[2]
    assert len({which[0], which[3], which[4]}) == 3


def test_filled_ring_with_a_hole() -> None:
    """8 x 6 with a hole of 2 x 2: 44 mm² (derived)."""
    outer = np.array([(0, 0), (8, 0), (8, 6), (0, 6)], dtype=float)
    hole = np.array([(3, 2), (3, 4), (5, 4), (5, 2)], dtype=float)
    grid = Grid(-10.003, -10.007, 500, 500, 0.05)
    assert len(filled([outer, hole], grid)) * 0.05**2 == pytest.approx(44, rel=0.003)
    assert turned(turned(outer), back=True) == pytest.approx(outer)


def test_ledge_area_reach_and_height() -> None:
    """A ledge 10 deep and 20 wide at z = 8: 200 mm², reach 10 (derived: it is a rectangle)."""
    solid = block((0, 0, 0), (10, 20, 12)) + block((5, 0, 8), (20, 20, 12))
    judged = judge(solid)
    (patch,) = judged.patches
    assert patch.area_mm2 == pytest.approx(200, rel=0.002)
    assert patch.reach_mm == pytest.approx(10, abs=0.01)
    assert patch.z_mm == pytest.approx(8, abs=1e-9)
    assert patch.centre_mm == pytest.approx((15, 10), abs=0.02)
    assert judged.over_air_mm2 == pytest.approx(200, rel=0.01)


def test_t_has_two_ledges_and_none_upside_down() -> None:
    stem, bar = block((10, 0, 0), (16, 8, 10)), block((0, 0, 10), (26, 8, 14))
    patches = judge(stem + bar).patches
    assert [p.area_mm2 for p in patches] == pytest.approx([80, 80], rel=0.003)
    assert judge((stem + bar).rotate((180, 0, 0)).translate((0, 0, 14))).patches == []


def test_island_touches_nothing() -> None:
    """A tongue 4 x 6 below an arm starts at z = 5: 24 mm² that rest on nothing."""
    solid = (block((0, 0, 0), (6, 6, 12)) + block((0, 0, 12), (24, 6, 16))
             + block((20, 0, 5), (24, 6, 12)))
    judged = judge(solid)
    assert kinds(judged) == ["island", "bridge"]
    first, arm = judged.patches
    assert first.area_mm2 == pytest.approx(24, rel=0.005)
    assert first.z_mm == pytest.approx(5, abs=1e-9)
    # Only the tongue is below it, 4 mm wide: the far end is held, so the arm spans 14 mm.
    assert arm.area_mm2 == pytest.approx(84, rel=0.003)
    assert arm.pieces[0].measure_mm == pytest.approx(14, abs=0.15)
    assert judged.over_air_mm2 == pytest.approx(24, rel=0.005)


def test_ceiling_of_a_blind_pocket_spans_its_narrow_side() -> None:
    judged = judge(block((0, 0, 0), (30, 20, 10)) - block((5, 5, -1), (25, 15, 6)))
    assert kinds(judged) == ["bridge"]
    assert judged.patches[0].area_mm2 == pytest.approx(200, rel=0.003)
    assert judged.patches[0].pieces[0].measure_mm == pytest.approx(10, abs=0.15)
    assert judged.over_air_mm2 == 0


def test_pierced_ceiling_counts_the_ring_only() -> None:
    """A counterbore 12 wide over a bore 6 wide: π(6² − 3²) = 84.823 mm² (derived)."""
    bore = m3.Manifold.cylinder(14, 3, circular_segments=256).translate((15, 15, -1))
    wide = m3.Manifold.cylinder(7, 6, circular_segments=256).translate((15, 15, -1))
    judged = judge(block((0, 0, 0), (30, 30, 12)) - bore - wide)
    (patch,) = judged.patches
    assert patch.area_mm2 == pytest.approx(math.pi * 27, rel=0.003)
    assert patch.reach_mm == pytest.approx(3, abs=0.01)
    # The wall of the hole stands in the air, and more than 0.4 of the ring is spanned by nothing.
    assert kinds(judged) == ["pierced"]
    assert judged.over_air_mm2 == patch.area_mm2


def test_ledges_above_each_other_add_up() -> None:
    """Two steps of 0.6 in consecutive layers: neither passes the lip alone, both do (derived)."""
    steps = block((0, 0, 0), (10, 20, 12))
    for k in (1, 2):
        steps += block((5, 0, 8 + 0.2 * (k - 1)), (10 + 0.6 * k, 20, 12))
    first, second = judge(steps).patches
    assert first.run_mm == pytest.approx(0.6, abs=0.01) and first.pieces[0].held
    assert second.run_mm == pytest.approx(1.2, abs=0.01) and not second.pieces[0].held


@pytest.mark.parametrize("angle_deg", [20, 30])
def test_slope_is_the_sum_of_its_strips(angle_deg: float) -> None:
    """A ramp that rises from the wall at z = 4 over 12 mm: plan 12 · 10 less the last half step,
    run 12 less that and the step that is free (derived)."""
    rise = 12 * math.tan(math.radians(angle_deg))
    ramp = m3.Manifold.hull_points([(x, y, z) for y in (0, 10) for x, z in (
        (0, 4), (12, 4 + rise), (12, 8 + rise), (0, 8 + rise))])
    judged = judge(block((-6, 0, 0), (0, 10, 8 + rise)) + ramp)
    step = 0.2 / math.tan(math.radians(angle_deg))
    assert judged.too_far_mm2 == pytest.approx(120, abs=10 * step)
    (run,) = judged.runs_mm.values()
    assert run == pytest.approx(12 - STEP, abs=step)
    assert judged.over_air_mm2 == judged.too_far_mm2


def test_short_slope_is_a_lip() -> None:
    """A ramp of 30 degrees over 0.9 mm runs 0.9 − 0.2 at most (derived): allowed."""
    rise = 0.9 * math.tan(math.radians(30))
    ramp = m3.Manifold.hull_points([(x, y, z) for y in (0, 10) for x, z in (
        (0, 4), (0.9, 4 + rise), (0.9, 8 + rise), (0, 8 + rise))])
    judged = judge(block((-6, 0, 0), (0, 10, 8 + rise)) + ramp)
    assert judged.too_far_mm2 > 3
    assert judged.over_air_mm2 == 0


def test_patch_ends_a_step_past_its_core() -> None:
    """A ledge 10 wide beside a 45° ramp 20 wide, one component: of the ramp's strip only what is
    within a step of the ledge belongs to the patch (derived: 5 · 10 + Δ²)."""
    shelf = block((0, 0, 4), (5, 10, 12))
    ramp = m3.Manifold.hull_points([(x, y, z) for y in (10, 30) for x, z in (
        (0, 4), (8, 12), (0, 12))])
    judged = judge(block((-6, 0, 0), (0, 30, 12)) + shelf + ramp)
    lowest = [p for p in judged.patches if p.layer == judged.patches[0].layer]
    assert sum(p.area_mm2 for p in lowest) == pytest.approx(50, abs=0.15)
    # Above it the ledge holds the ramp's flank.
    assert judged.too_far_mm2 == pytest.approx(50, abs=0.15)


@pytest.mark.parametrize("pixel_mm", [0.1, 0.05, 0.03])
def test_exactly_45_degrees_passes_at_any_pixel(pixel_mm: float) -> None:
    ramp = m3.Manifold.hull_points([(x, y, z) for y in (0, 10) for x, z in (
        (0, 4), (12, 16), (12, 20), (0, 20))])
    assert judge(block((-6, 0, 0), (0, 10, 20)) + ramp, pixel_mm=pixel_mm).patches == []


@pytest.mark.parametrize("pixel_mm", [0.1, 0.04])
def test_corner_of_two_steep_sides_is_no_overhang(pixel_mm: float) -> None:
    """A pyramid on its tip, all sides at 45.6°: its edges in plan lie √2 steps out."""
    solid = m3.Manifold.hull_points([(x * s, y * s, z) for x in (-1, 1) for y in (-1, 1)
                                     for s, z in ((3, 0), (13, 10.2))])
    assert judge(solid, pixel_mm).patches == []


@pytest.mark.parametrize("layer_mm", [0.2, 0.1])
def test_sphere_tends_to_the_plan_area_of_its_flat_cap(layer_mm: float) -> None:
    """Sphere R on its pole: all that is flatter than 45°, π R² / 2 (derived), less what its first
    layer covers; one strip more or less at the limit."""
    radius = 5.0
    ball = m3.Manifold.sphere(radius, 256).translate((0, 0, radius))
    judged = judge(ball, 0.03, layer_mm)
    first = math.pi * (radius * layer_mm - (layer_mm / 2) ** 2)
    strip = 2 * math.pi * radius * math.sqrt(0.5) * layer_mm
    assert judged.too_far_mm2 + first == pytest.approx(math.pi * radius**2 / 2, abs=strip)


@pytest.mark.parametrize("turn_deg", [0, 30, 45])
def test_span_of_a_tunnel_and_none_of_a_ledge(turn_deg: float) -> None:
    """A roof 12 wide and 20 long spans 12; a ledge spans nothing in any direction."""
    tunnel = block((-4, 0, 0), (16, 20, 10)) - block((0, -1, -1), (12, 21, 7))
    (piece,) = judge(tunnel.rotate((0, 0, turn_deg))).patches[0].pieces
    assert piece.kind == "bridge" and piece.measure_mm == pytest.approx(12, abs=0.15)
    shelf = block((0, 0, 0), (10, 20, 12)) + block((5, 0, 8), (20, 20, 12))
    judged = judge(shelf.rotate((0, 0, turn_deg)))
    assert "ledge" in kinds(judged)
    assert judged.over_air_mm2 == pytest.approx(200, rel=0.01)


def test_bodies_that_overlap_count_once() -> None:
    """Two blocks of one mesh that overlap: their inner walls hold and step nowhere."""
    a, b = block((0, 0, 0), (10, 10, 5)), block((5, 5, 0), (15, 15, 8))
    parts = [s.to_mesh64() for s in (a, b)]
    vertices = [np.asarray(m.vert_properties)[:, :3] for m in parts]
    triangles = [np.asarray(m.tri_verts).astype(np.int64) for m in parts]
    both = np.concatenate([triangles[0], triangles[1] + len(vertices[0])])
    rules = Rules(0.2, 0.2, 0.2, SLACK, 0.4, 0.8, 15.0)
    assert over_air(np.concatenate(vertices), both, rules, 0.05).patches == []
