"""Findings against closed forms (all derived here; 45 degrees unless said)."""

from __future__ import annotations

import itertools
import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
import trimesh

import soffit
from docs import holes
from soffit.errors import InputError
from soffit.findings.model import Finding, Review
from soffit.findings.review import review
from soffit.layers.stack import GRID_MM, cut_layers
from soffit.part.place import place
from tests import shapes
from tests.shapes import process_with, read


def kinds(found: Review) -> list[str]:
    return [f.kind for f in found.findings]


def one(found: Review) -> Finding:
    (finding,) = found.findings
    return finding


# A step that exceeds what is allowed by less than eleven grids of the polygon kernel may be
# missed (derived: one grid of offset, five of margin on either side).
BLIND_MM = 11 * GRID_MM


def strips(radius: float, h: float, angle_deg: float = 45.0,
           more_mm: float = 0.0) -> list[tuple[float, float]]:
    """Half-widths (before, after) of the layers of a round belly that step out by more than
    h / tan δ: layer i is cut at z = (i + ½) h, where its half-width is √(2Rz − z²)."""
    widths = [math.sqrt(2 * radius * z - z * z)
              for z in (h * (i + 0.5) for i in range(int(radius / h)))]
    step = h / math.tan(math.radians(angle_deg)) + more_mm
    return [(a, b) for a, b in itertools.pairwise(widths) if b - a > step]


def bracket(radius: float, h: float, deflection_mm: float,
            angle_deg: float = 45.0) -> tuple[list[tuple[float, float]], list[tuple[float, float]]]:
    """Fewest and most strips that a facetted belly may have: half a degree from the limit
    counts as at the limit, a facet has one angle over its whole width, 2 arccos(1 − d/R), its
    outline lies off the circle by up to d, so that a strip is cut where its step appears to
    be held, and one strip more or less (derived)."""
    facet_deg = math.degrees(2 * math.acos(1 - deflection_mm / radius))
    lenient = strips(radius, h, angle_deg - 0.5 - facet_deg / 2)
    fewest = min(lenient, strips(radius, h, angle_deg, BLIND_MM + deflection_mm), key=len)
    return fewest[:-1], strips(radius, h, angle_deg)


# Oracle 1: plan area π R² sin² δ of what is flatter than δ: 157.080 for 45 degrees. The first
# layer lies on the platform, and a strip belongs to it when its step is too wide, so at layer
# height h the closed form is the sum of the strips; that tends to the plan area.
@pytest.mark.parametrize(("h", "off"), [(0.2, 0.07), (0.1, 0.04), (0.02, 0.01)])
def test_sphere_area_over_air(tmp_path: Path, h: float, off: float) -> None:
    radius, deflection = 10.0, 0.001
    fewest, most = bracket(radius, h, deflection)
    least, greatest = (math.pi * sum(b * b - a * a for a, b in s) for s in (fewest, most))
    limit = math.pi * radius**2 * math.sin(math.radians(45)) ** 2
    assert limit == pytest.approx(157.080, abs=1e-3)
    assert greatest == pytest.approx(limit, rel=off)
    part = read(shapes.ball(radius), tmp_path, deflection_mm=deflection)
    found = one(review(part, process_with(h)))
    assert found.kind == "air/slope" and found.severity == "blocker"
    assert least * 0.999 <= found.area_mm2 <= greatest * 1.001
    # The run: from one step past the rim of the first layer to where 45 degrees is reached.
    start = most[0][0] + h
    assert fewest[-1][1] - start - 0.01 <= (found.reach_mm or 0) <= most[-1][1] - start + 0.01


def test_sphere_area_at_another_limit(tmp_path: Path) -> None:
    """Plan area for 30 degrees: π 10² sin² 30° = 78.540 mm² (derived), less the first layer."""
    h, deflection = 0.05, 0.001
    fewest, most = bracket(10, h, deflection, 30)
    least, greatest = (math.pi * sum(b * b - a * a for a, b in s) for s in (fewest, most))
    assert greatest == pytest.approx(78.540, rel=0.04)
    found = one(review(read(shapes.ball(), tmp_path, deflection_mm=deflection),
                       process_with(h, angle_deg=30)))
    assert least * 0.999 <= found.area_mm2 <= greatest * 1.001


# Oracle 2: horizontal cylinder R = 10, L = 50: plan 2 R sin 45° L = 707.107 (derived).
@pytest.mark.parametrize(("h", "off"), [(0.1, 0.20), (0.02, 0.08)])
def test_lying_cylinder_area_over_air(tmp_path: Path, h: float, off: float) -> None:
    fewest, most = bracket(10, h, 0.0005)
    least, greatest = (2 * 50 * (s[-1][1] - s[0][0]) for s in (fewest, most))
    assert greatest == pytest.approx(707.107, rel=off)
    found = review(read(shapes.log(), tmp_path, deflection_mm=0.0005), process_with(h))
    assert kinds(found) == ["air/slope", "air/slope"]
    assert least * 0.999 <= found.over_air_mm2 <= greatest * 1.001


# Oracle 3: closing chord 2√(2rh − h²) of a horizontal hole at h below its crown:
# r = 2.5, h = 0.2 → 1.9596 mm (derived).
def test_closing_chord_of_a_horizontal_hole(tmp_path: Path) -> None:
    h, length = 0.2, 20.0
    crown = 40 * h + h / 2 - 1e-4  # just below the middle of layer 40, so layer 39 is h lower
    part = read(shapes.cross_hole(2.5, crown, length), tmp_path, deflection_mm=0.0005)
    stack = cut_layers(part, process_with(h))
    chord = (stack.regions[40].area() - stack.regions[39].area()) / length
    assert chord == pytest.approx(1.9596, abs=0.004)
    found = review(part, process_with(h))
    closing = [f for f in found.findings if f.kind == "air/bridge"]
    assert [f.severity for f in closing] == ["note"]
    assert closing[0].span_mm == pytest.approx(1.9596, abs=0.004)
    assert closing[0].area_mm2 == pytest.approx(1.9596 * length, abs=0.1)


@pytest.mark.parametrize(("diameter", "clean"), [(3, True), (4, True), (5, True), (8, False),
                                                 (12, False)])
def test_small_horizontal_holes_close_by_themselves(
    tmp_path: Path, diameter: float, clean: bool
) -> None:
    """Up to 5 or 6 mm they come out fine (common practice): it follows from lip and bridge."""
    part = read(shapes.cross_hole(diameter / 2, diameter + 6.04), tmp_path)
    assert review(part, process_with()).clean is clean


# Oracle 4.
@pytest.mark.parametrize("h", [0.2, 0.1])
def test_cone_at_exactly_45_degrees_passes(tmp_path: Path, h: float) -> None:
    assert review(read(shapes.cone_on_apex(45), tmp_path), process_with(h)).findings == ()


@pytest.mark.parametrize("h", [0.2, 0.1])
def test_cone_at_46_degrees_from_its_axis_fails(tmp_path: Path, h: float) -> None:
    found = one(review(read(shapes.cone_on_apex(46), tmp_path), process_with(h)))
    assert found.kind == "air/slope" and found.severity == "blocker"
    assert found.angle_deg == pytest.approx(44, abs=0.1)
    outer = 15 * math.tan(math.radians(46))
    assert found.area_mm2 == pytest.approx(math.pi * outer**2, rel=0.04)


# Oracle 6 seen from the finding: depth and width of a ledge.
@pytest.mark.parametrize("under", [14, 9.93])
def test_ledge(tmp_path: Path, under: float) -> None:
    found = one(review(read(shapes.ledge(10, 20, under), tmp_path), process_with()))
    assert found.kind == "air/ledge" and found.severity == "blocker"
    assert found.area_mm2 == pytest.approx(200, abs=1e-3)
    assert found.reach_mm == pytest.approx(10, abs=1e-3)
    assert found.z_mm == pytest.approx((under, under), abs=1e-6)
    assert found.limit == pytest.approx(0.8) and found.angle_deg == pytest.approx(0, abs=1e-6)


def test_t_and_t_upside_down(tmp_path: Path) -> None:
    found = review(read(shapes.tee(), tmp_path), process_with())
    assert kinds(found) == ["air/ledge", "air/ledge"]
    assert [f.area_mm2 for f in found.findings] == pytest.approx([80, 80], abs=1e-3)
    flipped = shapes.turn(shapes.tee(), 180, axis=(1, 0, 0))
    assert review(read(flipped, tmp_path, "flipped"), process_with()).findings == ()


# Oracle 7 seen from the finding: spans of a slot and of blind ceilings.
@pytest.mark.parametrize(("span", "clean"), [(12, True), (15, True), (15.5, False), (40, False)])
def test_bridge_span(tmp_path: Path, span: float, clean: bool) -> None:
    found = review(read(shapes.slot(span, 20), tmp_path), process_with())
    assert kinds(found) == ["air/bridge"]
    assert one(found).span_mm == pytest.approx(span, abs=0.01)
    assert one(found).area_mm2 == pytest.approx(span * 20, abs=0.01)
    assert found.clean is clean
    assert found.over_air_mm2 == pytest.approx(0 if clean else span * 20, abs=0.01)


@pytest.mark.parametrize(("deep", "clean"), [(0.3, True), (0.8, True), (1.0, False)])
def test_a_strip_held_along_its_side_need_not_span(
    tmp_path: Path, deep: float, clean: bool
) -> None:
    """A strip between two pillars 30 mm apart that is also held along its whole side: as a ledge
    it is within the lip of 0.8 mm, though as a bridge it would be too long."""
    made = shapes.box((0, deep, 0), (40, 20, 30))
    for x in (0, 35):
        made = shapes.fuse(made, shapes.box((x, 0, 0), (x + 5, deep, 30)))
    made = shapes.fuse(made, shapes.box((0, 0, 26), (40, deep, 30)))
    found = review(read(made, tmp_path), process_with())
    assert found.clean is clean
    assert found.over_air_mm2 == pytest.approx(0 if clean else 30 * deep, abs=0.01)


def test_blind_ceiling_spans_its_least_width(tmp_path: Path) -> None:
    found = one(review(read(shapes.blind_box(18, 30), tmp_path), process_with()))
    assert found.kind == "air/ceiling" and found.severity == "blocker"
    assert found.span_mm == pytest.approx(18, abs=0.01)
    assert found.area_mm2 == pytest.approx(540, abs=0.01)


def test_round_blind_ceiling(tmp_path: Path) -> None:
    found = one(review(read(shapes.blind_round(9), tmp_path, deflection_mm=0.002),
                       process_with()))
    assert found.kind == "air/ceiling" and found.severity == "blocker"
    assert found.span_mm == pytest.approx(18, rel=0.003)
    assert found.area_mm2 == pytest.approx(math.pi * 81, rel=0.001)


def test_pierced_ceiling_is_never_a_bridge(tmp_path: Path) -> None:
    """Counterbore 12 over a bore 6 mm wide: ring of π(6² − 3²) = 84.823 mm² (derived)."""
    found = one(review(read(shapes.counterbore(), tmp_path, deflection_mm=0.002), process_with()))
    assert found.kind == "air/ceiling" and found.severity == "blocker" and found.patch.pierced
    assert found.area_mm2 == pytest.approx(84.823, rel=0.001)
    assert found.reach_mm == pytest.approx(3, abs=0.01)
    assert found.z_mm == pytest.approx((6, 6), abs=1e-6)


def test_island(tmp_path: Path) -> None:
    """A tongue 4 × 8 starts at z = 6; the arm above it spans 20 − 6 = 14 mm to it."""
    found = review(read(shapes.hanging_tongue(), tmp_path), process_with())
    assert kinds(found) == ["air/island", "air/bridge"]
    island, arm = found.findings
    assert island.severity == "blocker" and island.area_mm2 == pytest.approx(32, abs=1e-3)
    assert island.z_mm[0] == pytest.approx(6, abs=1e-6)
    assert arm.span_mm == pytest.approx(14, abs=0.01)


# Oracle 8 seen from the finding: a rounded bottom edge r = 5, the first layers step out.
@pytest.mark.parametrize(("h", "off"), [(0.1, 0.25), (0.02, 0.12)])
def test_rounded_bottom_edge(tmp_path: Path, h: float, off: float) -> None:
    """Plan area r sin 45° · length on each side = 3.5355 · 30 (derived), as h gets thin."""
    fewest, most = bracket(5, h, 0.0005)
    least, greatest = (30 * (s[-1][1] - s[0][0]) for s in (fewest, most))
    assert greatest == pytest.approx(5 * math.sin(math.radians(45)) * 30, rel=off)
    found = review(read(shapes.rounded_bottom(), tmp_path, deflection_mm=0.0005),
                   process_with(h))
    assert kinds(found) == ["air/slope", "air/slope"]
    for finding in found.findings:
        assert least * 0.999 <= finding.area_mm2 <= greatest * 1.001


@pytest.mark.parametrize("angle_deg", [10, 20, 30, 40, 44])
def test_ramp_is_a_slope_with_its_run(tmp_path: Path, angle_deg: float) -> None:
    found = one(review(read(shapes.ramp(angle_deg), tmp_path), process_with()))
    assert found.kind == "air/slope" and found.severity == "blocker"
    assert found.angle_deg == pytest.approx(angle_deg, abs=0.01)
    # The edge at each layer, cut at its middle; a first strip within the allowed step is held.
    slope = math.tan(math.radians(angle_deg))
    edge = [min(12.0, 0.2 * (k + 0.5) / slope) for k in range(70)]
    steps = [b - a for a, b in zip([0.0, *edge], edge, strict=False) if b - a > 0.2 + 1e-4]
    # The run starts where the last held edge could still hold: one step of 0.2 further out.
    assert found.reach_mm == pytest.approx(sum(steps) - 0.2, abs=0.005)
    assert found.area_mm2 == pytest.approx(10 * sum(steps), abs=0.05)


@pytest.mark.parametrize("angle_deg", [45, 46, 60, 80])
def test_ramp_at_the_limit_or_steeper_passes(tmp_path: Path, angle_deg: float) -> None:
    assert review(read(shapes.ramp(angle_deg), tmp_path), process_with()).findings == ()


def test_a_facet_of_a_mesh_leans_as_far_as_its_corners_may_lie_off(tmp_path: Path) -> None:
    """Of a 45 degree ramp read from a mesh file one corner is 0.01 mm off: the facets at it,
    0.7 mm high, lean by up to 0.8 degrees. Known to 0.02 mm they may be at the limit; where
    nothing is known of the deflection they are too flat."""
    mesh = read(shapes.ramp(45.0, run=6), tmp_path).mesh
    normal = np.array([math.sqrt(0.5), 0.0, -math.sqrt(0.5)])
    vertices, triangles = mesh.vertices, mesh.triangles
    for _ in range(3):
        vertices, triangles = trimesh.remesh.subdivide(vertices, triangles)
    middle = int(np.argmin(np.linalg.norm(vertices - [3.0, 5.0, 7.0], axis=1)))
    vertices[middle] += 0.01 * normal
    rough = soffit.read(trimesh.Trimesh(vertices, triangles, process=False), unit="mm")
    rough = place(rough, "keep")
    process = process_with(0.2)
    known = review(replace(rough, deflection_mm=0.02), process, from_surface=False)
    assert kinds(known) == [] and kinds(review(rough, process)) == ["air/slope"]


def test_a_facet_whose_arc_ends_at_the_limit_is_too_flat() -> None:
    """The roof of a bore in facets of 6 degrees, read from a mesh file: one at 42 degrees stands
    for the arc from 39 to 45, which is too flat up to its very end; that at 48 for none of it."""
    radius, middle = 20.0, 30.0
    turns = np.radians(np.arange(3, 363, 6))
    bore = radius * np.column_stack([np.sin(turns), np.cos(turns)]) + [0.0, middle]
    outline = shapely.Polygon([(-30, 0), (30, 0), (30, 60), (-30, 60)], [bore])
    bar = trimesh.creation.extrude_polygon(outline, 10.0)
    bar.apply_transform([[1, 0, 0, 0], [0, 0, -1, 0], [0, 1, 0, 0], [0, 0, 0, 1]])
    part = place(soffit.read(bar, unit="mm"), "keep")
    for process in (process_with(0.2), process_with(0.12)):
        lowest = min(f.z_mm[0] for f in review(part, process).findings)
        assert lowest == pytest.approx(middle + radius * math.cos(math.radians(45)),
                                       abs=process.layer_mm)


def test_a_part_of_far_too_many_layers_is_one_clear_error(tmp_path: Path) -> None:
    """A column of 5 m: its unit is wrong, and cutting it would take minutes."""
    part = read(shapes.box((0, 0, 0), (10, 10, 5000)), tmp_path)
    with pytest.raises(InputError, match="check the unit"):
        review(part, process_with())


# A quarter of a circle of radius r is π r/2 long, its flatter half π r/4.
@pytest.mark.parametrize("radius", [2.0, 5.0])
def test_how_much_of_an_arc_is_too_flat(tmp_path: Path, radius: float) -> None:
    half, whole = math.pi * radius / 4, math.pi * radius / 2
    words = re.compile(r"the last ([\d.]+) mm of its ([\d.]+) mm arc of ([\d.]+) mm radius$")
    bar = read(shapes.rounded_bottom(radius), tmp_path)
    disc = read(shapes.fillet(shapes.cylinder((0, 0, 0), (0, 0, 1), 15, 10), radius,
                              lambda e: shapes.middle(e)[2] < 0.1), tmp_path)
    hole = read(shapes.cross_hole(radius + 4, 30), tmp_path)
    for part in (bar, disc):
        slopes = [f for f in review(part, process_with()).findings if f.kind == "air/slope"]
        assert slopes
        for slope in slopes:
            found = words.search(slope.message)
            assert found is not None
            # One decimal is shown, and the facets lie 0.02 mm within the arc (derived).
            assert [float(v) for v in found.groups()] == pytest.approx(
                [half, whole, radius], abs=0.05 + 0.02 * math.pi / 2)
    crown = next(f for f in review(hole, process_with()).findings if f.kind == "air/slope")
    assert f"of its {math.pi * (radius + 4) / 2:.1f} mm arc" in crown.message
    straight = one(review(read(shapes.ramp(30), tmp_path), process_with()))
    assert "arc" not in straight.message


@pytest.mark.parametrize("diameter", [3.0, 5.0, 8.0])
def test_run_of_a_hole_is_that_of_its_layers(tmp_path: Path, diameter: float) -> None:
    for crown in (12.05, 12.1, 12.15):
        due = holes.closed_form(diameter, crown, 0.2, 0.2)
        # Chords of the circle lie up to 0.02 mm within it on either side (derived).
        assert holes.product(diameter, crown, tmp_path) == pytest.approx(due, abs=0.04)
