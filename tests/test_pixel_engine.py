"""The pixel-column referee against closed forms, before it is trusted with anything."""

from __future__ import annotations

import math

import manifold3d as m3
import numpy as np
import pytest

from tests.pixel_engine import PixelPatch, over_air

STEP = 0.22  # demo: 0.2 mm (45 degrees at h = 0.2) and a slack of 0.02


def block(low: tuple[float, float, float], high: tuple[float, float, float]) -> m3.Manifold:
    size = [b - a for a, b in zip(low, high, strict=True)]
    return m3.Manifold.cube(size).translate(low)


def judge(solid: m3.Manifold, pixel_mm: float = 0.1, layer_mm: float = 0.2,
          step_mm: float = STEP, span_from_mm: float = math.inf) -> list[PixelPatch]:
    raw = solid.to_mesh64()
    return over_air(np.asarray(raw.vert_properties)[:, :3], np.asarray(raw.tri_verts),
                    layer_mm=layer_mm, first_layer_mm=layer_mm, step_mm=step_mm,
                    pixel_mm=pixel_mm, span_from_mm=span_from_mm)


def test_ledge_area_reach_and_height() -> None:
    """A ledge 10 deep and 20 wide at z = 8: 200 mm², reach 10 (derived: it is a rectangle)."""
    solid = block((0, 0, 0), (10, 20, 12)) + block((5, 0, 8), (20, 20, 12))
    (patch,) = judge(solid)
    assert patch.area_mm2 == pytest.approx(200, abs=0.05 * 60)
    assert patch.reach_mm == pytest.approx(10, abs=0.1)
    assert patch.z_mm == pytest.approx(8, abs=1e-9)
    assert patch.touches and not patch.held_all_round
    assert patch.centre_mm == pytest.approx((15, 10), abs=0.1)


def test_t_has_two_ledges_and_none_upside_down() -> None:
    stem, bar = block((10, 0, 0), (16, 8, 10)), block((0, 0, 10), (26, 8, 14))
    patches = judge(stem + bar)
    assert [p.area_mm2 for p in patches] == pytest.approx([80, 80], abs=0.05 * 36)
    assert judge((stem + bar).rotate((180, 0, 0)).translate((0, 0, 14))) == []


def test_island_touches_nothing() -> None:
    """A tongue 4 x 6 below an arm starts at z = 5: 24 mm² that rest on nothing."""
    solid = (block((0, 0, 0), (6, 6, 12)) + block((0, 0, 12), (24, 6, 16))
             + block((20, 0, 5), (24, 6, 12)))
    first = judge(solid)[0]
    assert not first.touches
    assert first.area_mm2 == pytest.approx(24, abs=0.05 * 20)
    assert first.z_mm == pytest.approx(5, abs=1e-9)
    # Only the tongue is below it, 4 mm wide: the far end is held, so the arm spans 14 mm.
    (arm,) = judge(solid)[1:]
    assert arm.touches and arm.area_mm2 == pytest.approx(84, abs=0.05 * 40)
    assert arm.reach_mm == pytest.approx(7, abs=0.1)


def test_ceiling_of_a_blind_pocket_is_held_all_round() -> None:
    solid = block((0, 0, 0), (30, 20, 10)) - block((5, 5, -1), (25, 15, 6))
    (patch,) = judge(solid)
    assert patch.held_all_round and patch.touches
    assert patch.area_mm2 == pytest.approx(200, abs=0.05 * 60)
    assert patch.reach_mm == pytest.approx(5, abs=0.1)


def test_pierced_ceiling_counts_the_ring_only() -> None:
    """A counterbore 12 wide over a bore 6 wide: π(6² − 3²) = 84.823 mm² (derived)."""
    bore = m3.Manifold.cylinder(14, 3, circular_segments=256).translate((15, 15, -1))
    wide = m3.Manifold.cylinder(7, 6, circular_segments=256).translate((15, 15, -1))
    (patch,) = judge(block((0, 0, 0), (30, 30, 12)) - bore - wide)
    assert patch.area_mm2 == pytest.approx(math.pi * 27, rel=0.01)
    assert patch.reach_mm == pytest.approx(3, abs=0.1)


@pytest.mark.parametrize("angle_deg", [20, 30])
def test_slope_is_the_sum_of_its_strips(angle_deg: float) -> None:
    """A ramp that rises from the wall at z = 4 over 12 mm: plan 12 · 10, run 12 (derived)."""
    rise = 12 * math.tan(math.radians(angle_deg))
    ramp = m3.Manifold.hull_points([(x, y, z) for y in (0, 10) for x, z in (
        (0, 4), (12, 4 + rise), (12, 8 + rise), (0, 8 + rise))])
    patches = judge(block((-6, 0, 0), (0, 10, 8 + rise)) + ramp, pixel_mm=0.05)
    assert sum(p.area_mm2 for p in patches) == pytest.approx(120, rel=0.05)
    assert patches[-1].run_mm == pytest.approx(12, rel=0.08)


@pytest.mark.parametrize("pixel_mm", [0.1, 0.05, 0.03])
def test_exactly_45_degrees_passes_at_any_pixel(pixel_mm: float) -> None:
    ramp = m3.Manifold.hull_points([(x, y, z) for y in (0, 10) for x, z in (
        (0, 4), (12, 16), (12, 20), (0, 20))])
    assert judge(block((-6, 0, 0), (0, 10, 20)) + ramp, pixel_mm=pixel_mm) == []


def test_sphere_tends_to_the_plan_area_of_its_flat_cap() -> None:
    """Sphere R on its pole: all that is flatter than the limit, π R² sin² δ (derived), where the
    limit lies between the step allowed and two pixels more; less what its first layer covers."""
    radius, h, pixel, step = 5.0, 0.2, 0.02, 0.2
    ball = m3.Manifold.sphere(radius, 256).translate((0, 0, radius))
    patches = judge(ball, pixel_mm=pixel, layer_mm=h, step_mm=step)
    first = math.pi * (radius * h - (h / 2) ** 2)
    total = sum(p.area_mm2 for p in patches) + first
    most, least = (math.pi * radius**2 * math.sin(math.atan(h / s)) ** 2
                   for s in (step, step + 2 * pixel))
    assert least < total < most * 1.01


@pytest.mark.parametrize("turn_deg", [0, 30, 45])
def test_span_of_a_tunnel_and_none_of_a_ledge(turn_deg: float) -> None:
    """A roof 12 wide and 20 long spans 12; a ledge spans nothing in any direction."""
    tunnel = block((-4, 0, 0), (16, 20, 10)) - block((0, -1, -1), (12, 21, 7))
    (roof,) = judge(tunnel.rotate((0, 0, turn_deg)), span_from_mm=1)
    assert roof.span_mm == pytest.approx(12, abs=0.3)
    shelf = block((0, 0, 0), (10, 20, 12)) + block((5, 0, 8), (20, 20, 12))
    (ledge,) = judge(shelf.rotate((0, 0, turn_deg)), span_from_mm=1)
    assert ledge.span_mm == math.inf
