"""Patches that are of several kinds at once, and the run at each edge, against closed forms."""

from __future__ import annotations

import math

import manifold3d as m3
import numpy as np
import pytest

from soffit.findings.model import Finding
from soffit.findings.review import review
from soffit.layers.stack import components, offset_of, tidy
from soffit.process.load import load_process
from tests.shapes import process_with
from tests.solids import block, part_of

PROCESS = load_process("pla-04")


def air(solid: m3.Manifold, layer_mm: float = 0.2) -> list[Finding]:
    found = review(part_of(solid), process_with(layer_mm)).findings
    return [f for f in found if f.kind.startswith("air/")]


def extruded(outline: list[tuple[float, float]], bottom: float, top: float) -> m3.Manifold:
    return m3.CrossSection([np.array(outline, dtype=float)]).extrude(top - bottom).translate(
        (0, 0, bottom))


def opening_down(opening: m3.CrossSection, depth: float = 4.0) -> m3.Manifold:
    """A block of 100 x 100 x 8 mm with a pocket in its underside."""
    return block(-50, -50, 0, 50, 50, 8) - opening.extrude(depth + 1).translate((0, 0, -1))


def test_a_ledge_beside_a_chamfer_is_measured_alone() -> None:
    """A foot that leans out at 45 degrees on three sides and has a shelf of 6 x 20 mm at mid
    height on the fourth: the shelf alone is over air, with its own reach."""
    foot = m3.Manifold.hull_points([(x, y, 0) for x in (-10, 10) for y in (-10, 10)]
                                   + [(x, y, 12) for x in (-22, 10) for y in (-22, 22)])
    shelf = block(9, -10, 6, 16, 10, 9)
    (found,) = air(foot + shelf)
    assert (found.kind, found.severity) == ("air/ledge", "blocker")
    assert found.area_mm2 == pytest.approx(6 * 20, rel=0.01)
    assert found.reach_mm == pytest.approx(6.0, abs=0.01)
    assert found.z_mm[0] == pytest.approx(6.0)


@pytest.mark.parametrize("lean_deg", [20.0, 30.0])
def test_area_of_a_leaning_round_bar_is_what_is_flatter_than_the_limit(lean_deg: float) -> None:
    """The underside of a round bar of radius R that leans by t, L long in plan: flatter than 45
    degrees where cos φ cos t > cos 45°, so 2 R L sin φ in plan. Its strips change along their
    length from too flat to held."""
    radius, length = 5.0, 12.0
    bar = m3.Manifold.cylinder(80, radius, circular_segments=360).translate((0, 0, -40))
    bar = bar.rotate((0, 90 - lean_deg, 0)).translate((6, 0, 14))
    solid = block(-20, -8, 0, 0, 8, 30) + (bar ^ block(-1, -8, 0, length, 8, 30))
    found = air(solid, layer_mm=0.05)
    turn = math.acos(math.cos(math.radians(45)) / math.cos(math.radians(lean_deg)))
    expected = 2 * radius * length * math.sin(turn)
    assert {f.kind for f in found if f.severity == "blocker"} == {"air/slope"}
    assert sum(f.area_mm2 for f in found) == pytest.approx(expected, rel=0.04)


def test_the_run_of_a_ramp_is_its_length_less_the_step_that_is_free() -> None:
    """An underside of 30 degrees, 20 mm long in plan: all of it but Δ at its start."""
    rise = math.tan(math.radians(30))
    ramp = m3.Manifold.hull_points([(x, y, z) for y in (0.0, 40.0) for x, z in (
        (0, 2), (20, 2 + 20 * rise), (0, 40), (20, 40))])
    (slope,) = air(block(-5, 0, 0, 0, 40, 40) + ramp)
    assert slope.kind == "air/slope"
    assert slope.reach_mm == pytest.approx(20 - 0.2, abs=0.2 / rise)


def test_a_face_within_half_a_degree_of_the_limit_passes_beside_one_that_does_not() -> None:
    """An upturned hipped foot with two undersides at 40 degrees and two at 44.7: the strips of all
    four join at the hips. What is over air are the first two, in plan a trapezium each, and no more
    of the others than three steps from each hip."""
    high, half = 6.0, 10.0
    far, near = (half + high / math.tan(math.radians(deg)) for deg in (40.0, 44.7))
    foot = m3.Manifold.hull_points(
        [(x, y, 0) for x in (-half, half) for y in (-half, half)]
        + [(x, y, high) for x in (-far, far) for y in (-near, near)])
    found = air(foot)
    assert {f.kind for f in found} == {"air/slope"}
    area = sum(f.area_mm2 for f in found)
    flat = 2 * (far - half) * (half + near)
    hips = 4 * (3 * 0.2) * (near - half)
    assert 0.98 * flat < area < flat + hips


def test_a_ceiling_that_leans_within_one_layer_is_a_ceiling() -> None:
    """A pocket of 6 x 6 mm whose roof rises by 0.15 mm to a point, between the middles of two
    layers: too steep to be level, but in one layer and held all round, so that no edge has a
    run."""
    rise, wide = 0.15, 6.0
    pocket = m3.Manifold.hull_points(
        [(x, y, z) for x in (-3, 3) for y in (-3, 3) for z in (-1, 2.95)] + [(0, 0, 2.95 + rise)])
    process = process_with(0.2, bridge_mm=4.0)
    (found,) = (f for f in review(part_of(block(-9, -9, 0, 9, 9, 6) - pocket), process).findings
                if f.kind.startswith("air/"))
    assert (found.kind, found.severity) == ("air/ceiling", "blocker")
    assert (found.angle_deg or 0.0) > 2.0
    assert found.span_mm == pytest.approx(wide, abs=0.01)


def test_the_run_is_held_by_what_the_slope_adjoins() -> None:
    """A ramp of 30 degrees, 20 mm long, between two walls 24 mm apart: too wide for a bridge. Its
    last points are 20 mm from where it starts, and the middle of them 12 mm from the walls: the
    nearer counts, less the step that is free."""
    rise = math.tan(math.radians(30))
    ramp = m3.Manifold.hull_points([(x, y, z) for y in (0.0, 24.0) for x, z in (
        (0, 2), (20, 2 + 20 * rise), (0, 40), (20, 40))])
    walls = block(-5, -4, 0, 20, 0, 40) + block(-5, 24, 0, 20, 28, 40)
    (slope,) = air(block(-5, 0, 0, 0, 24, 40) + ramp + walls)
    assert slope.kind == "air/slope"
    assert slope.area_mm2 == pytest.approx(24 * 20, rel=0.03)
    assert slope.reach_mm == pytest.approx(12 - 0.2, abs=0.01)


def test_a_stair_of_lips_adds_up() -> None:
    """Each layer reaches 0.6 mm farther, level: one is a lip, two are 1.2 mm from the wall."""
    stair = block(-10, 0, 0, 0, 20, 12)
    for k in range(3):
        stair += block(-1, 0, 5 + 0.2 * k, 0.6 * (k + 1), 20, 10)
    reaches = sorted(round(f.reach_mm or 0.0, 3) for f in air(stair))
    assert reaches == pytest.approx([0.6, 1.2, 1.8], abs=1e-3)
    assert sorted(f.severity for f in air(stair)) == ["blocker", "blocker", "note"]


@pytest.mark.parametrize(("outer", "inner"), [(8.0, 5.0), (10.0, 6.0)])
def test_ring_spans_its_longest_chord(outer: float, inner: float) -> None:
    """Straight strands over a ring-shaped groove: the longest just misses the inner wall,
    2 √(R² − r²)."""
    ring = (m3.CrossSection.circle(outer, 180) - m3.CrossSection.circle(inner, 180))
    (found,) = air(opening_down(ring))
    chord = 2 * math.sqrt(outer**2 - inner**2)
    assert found.kind == "air/ceiling"
    # Strands are a line apart, so the longest may pass half a line from the inner wall.
    shorter = 2 * math.sqrt(outer**2 - (inner + 0.2) ** 2)
    assert shorter - 0.01 <= (found.span_mm or 0.0) <= chord + 0.01
    assert found.severity == ("note" if chord <= PROCESS.bridge_mm else "blocker")


@pytest.mark.parametrize("width", [5.0, 6.0])
def test_a_tee_is_spanned_askew(width: float) -> None:
    """A bar of 60 mm and a stem of 40 mm: strands at 45 degrees hold all over; the longest pass
    through the joint, 2 √2 w."""
    bar = m3.CrossSection.square((60, width)).translate((-30, 0))
    tee = bar + m3.CrossSection.square((width, 40)).translate((-width / 2, -40))
    (found,) = air(opening_down(tee))
    assert found.kind == "air/ceiling"
    assert found.span_mm == pytest.approx(2 * math.sqrt(2) * width, abs=0.01)
    assert found.severity == ("note" if width == 5.0 else "blocker")


def test_branches_are_spanned_each_across_its_own_width() -> None:
    """A roof round a corner: 14 x 20 mm between walls left and right, 14 x 14 mm between walls in
    front and behind, and where they meet 14 x 14 mm with a wall behind and air to the left, of
    which the middle of the left edge is 7 mm from the nearest wall."""
    walls = (block(-4, 0, 0, 0, 20, 14) + block(14, 0, 0, 28, 20, 14)
             + block(0, 34, 0, 28, 38, 14))
    roof = block(-4, 0, 10, 28, 20, 14) + block(0, 19, 10, 28, 38, 14)
    found = air(walls + roof)
    bridges = [f for f in found if f.kind == "air/bridge"]
    assert [f.severity for f in bridges] == ["note"] * 2
    assert all(14.0 <= (f.span_mm or 0.0) <= PROCESS.bridge_mm for f in bridges)
    assert min(f.span_mm or 0.0 for f in bridges) == pytest.approx(14.0, abs=0.01)
    assert sum(f.area_mm2 for f in found) == pytest.approx(14 * 14 * 2 + 14 * 20, rel=0.002)
    (joint,) = [f for f in found if f.severity == "blocker"]
    assert joint.kind == "air/ledge"
    # Strands at a slight angle take a little of the joint too.
    assert 0.8 * 14 * 14 <= joint.area_mm2 <= 14 * 14 * 1.01
    assert joint.reach_mm == pytest.approx(7.0, abs=0.02)


def test_what_is_spanned_is_no_anchor_for_its_neighbour() -> None:
    """A roof of 10 x 20 mm between two walls with a tab of 5 x 5 mm at its free end: the roof is
    spanned, the tab hangs on strands in the air; what holds it are the ends of the walls."""
    walls = block(-4, 0, 0, 0, 20, 14) + block(10, 0, 0, 14, 20, 14)
    roof = block(-4, 0, 10, 14, 20, 14) + block(2.5, 19, 10, 7.5, 25, 14)
    found = air(walls + roof)
    bridge, ledge = sorted(found, key=lambda f: f.kind)
    assert (bridge.kind, bridge.severity) == ("air/bridge", "note")
    assert bridge.area_mm2 == pytest.approx(200, rel=0.01)
    assert bridge.span_mm == pytest.approx(10.0, abs=0.01)
    assert (ledge.kind, ledge.severity) == ("air/ledge", "blocker")
    assert ledge.area_mm2 == pytest.approx(25, rel=0.05)
    assert ledge.reach_mm == pytest.approx(math.hypot(5.0, 5.0), abs=0.06)


def test_a_small_hole_in_a_long_ceiling_pierces_a_strip_of_it() -> None:
    """A slot of 10 x 60 mm closed at its ends, with a hole of 3 mm in the middle of its ceiling:
    strands more than a line beside the hole are a bridge; those that meet it are not. The wall of
    the hole is 5 mm from what holds it."""
    slot = opening_down(m3.CrossSection.square((10, 60), center=True))
    found = air(slot - m3.Manifold.cylinder(20, 1.5, circular_segments=90))
    (pierced,) = [f for f in found if f.severity == "blocker"]
    assert pierced.kind == "air/ceiling" and pierced.patch.pierced
    least = 10 * 3.8 - math.pi * 1.5**2
    assert least - 0.1 <= pierced.area_mm2 <= least + 2 * 10 * 60 / 96
    assert pierced.reach_mm == pytest.approx(5.0, abs=0.02)
    bridges = [f for f in found if f.kind == "air/bridge"]
    assert len(bridges) == 2 and all(f.severity == "note" for f in bridges)
    assert [f.span_mm for f in bridges] == pytest.approx([10.0] * 2, abs=0.01)
    assert sum(f.area_mm2 for f in found) == pytest.approx(600 - math.pi * 1.5**2, rel=0.002)


def test_a_counterbore_stays_one_pierced_ceiling() -> None:
    """11 mm over a hole of 5.5 mm: the wall of the hole is 2.75 mm from what holds."""
    solid = opening_down(m3.CrossSection.circle(5.5, 180)) - m3.Manifold.cylinder(
        20, 2.75, circular_segments=180)
    (found,) = air(solid)
    assert found.kind == "air/ceiling" and found.patch.pierced
    assert found.area_mm2 == pytest.approx(math.pi * (5.5**2 - 2.75**2), rel=0.01)
    assert found.reach_mm == pytest.approx(2.75, abs=0.01)


@pytest.mark.parametrize("steep", [0.1, 0.4, 0.8])
def test_a_pointed_tip_in_mid_air_is_an_island(steep: float) -> None:
    """A cone that hangs point down under an arm, from z = 10: its first layers are too small to be
    printed and so hold nothing; the first one that is printed starts in mid-air."""
    cone = m3.Manifold.cylinder(20, 0, 20 * steep, 48).translate((30, 0, 10))
    arm = block(-5, -5, 0, 5, 5, 36) + block(-5, -5, 29, 35, 5, 36)
    (island,) = [f for f in air(arm + cone) if f.kind == "air/island"]
    assert island.severity == "blocker"
    # A quarter of a line squared, 0.04 mm², is reached at r = 0.113 mm.
    height = 10 + math.sqrt(0.04 / math.pi) / steep
    assert height - 0.3 <= island.z_mm[0] <= height + 0.3


def test_a_ring_of_rounding_is_not_its_whole_inside() -> None:
    """What is left of a square less nearly the same square: nothing, not 1200 mm² of it. The
    corners are those of a layer of a turned example, where the kernel parts outline and hole."""
    square = m3.CrossSection.square((40.0, 30.0), center=True).rotate(56.3)
    for k in range(40):
        turned = square.rotate(0.37 * k)
        opened = turned.offset(-0.3996, m3.JoinType.Miter, 2.0).offset(
            0.3996, m3.JoinType.Miter, 2.0)
        assert sum(abs(part.area()) for part in components(turned - opened)) < 1e-3


def test_an_outline_as_thin_as_rounding_does_not_make_a_region_vanish() -> None:
    """A square of 20 mm and above it a sliver 1e-7 mm wide, as differences of layers have: shrunk
    by a grid the kernel leaves nothing of both. Without the sliver, (20 − 2 · 1e-4)²."""
    square = np.array([[0.0, 0.0], [20, 0], [20, 20], [0, 20]])
    sliver = np.array([[0.17683133, 22.31095354], [0.04849348, 22.39440762],
                       [0.04849341, 22.39440767]])
    region = m3.CrossSection([square, sliver])
    assert region.offset(-1e-4, m3.JoinType.Miter, 2.0).is_empty()  # the defect is still there
    left = tidy(region).offset(-1e-4, m3.JoinType.Miter, 2.0)
    assert left.area() == pytest.approx((20 - 2e-4) ** 2, rel=1e-6)
    assert offset_of(region, -1e-4).area() == pytest.approx((20 - 2e-4) ** 2, rel=1e-6)
    grown = region.offset(0.4, m3.JoinType.Miter, 2.0)
    assert grown.area() < region.area()  # and this one
    assert offset_of(region, 0.4).area() == pytest.approx(20.8**2, abs=1.0)
    assert offset_of(region, -11.0).is_empty()
