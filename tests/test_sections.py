"""Sections are true: areas and dimensions are those of the model, within a hundredth."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path

import manifold3d as m3
import numpy as np
import pytest
import shapely
import trimesh

import soffit
from examples._cad import box, cut, cylinder, fillet, middle
from soffit.findings.model import NO_PATCH
from soffit.plan.model import Resolution
from soffit.sheet.figure import Figure
from soffit.sheet.sections import cut as cut_mesh
from soffit.sheet.sections import cut_at, rings_of, traces, underside
from tests.shapes import EXAMPLES, example, ledge, read
from tests.test_sheet import scale_of, sheet_of

TOLERANCE = 0.01


def area_of(figure: Figure, kind: str, panel: str) -> float:
    """Area of a kind of hatch in one panel, mm² of the part; the panels are left and right of the
    middle of their gap."""
    middle = 45.5
    rings = [ring for area in figure.areas if area.kind == kind for ring in area.rings
             if (ring[:, 0].mean() > middle) == (panel == "detail")]
    shape = shapely.Polygon()
    for ring in rings:
        shape = shape.symmetric_difference(shapely.Polygon(ring))
    return float(shape.area) / scale_of(figure, panel) ** 2


def dimensions(figure: Figure) -> list[float]:
    return [float(label.text) for label in figure.labels if re.fullmatch(r"[\d.]+", label.text)]


def sheet_figure(result: Resolution) -> Figure:
    (figure,) = sheet_of(result).sections
    return figure


def test_chamfer_has_the_area_and_legs_of_its_closed_form(tmp_path: Path) -> None:
    """Ledge of 6 mm: 6 − lip long and, at 45°, as high; half the square of that in section. The
    lip is the profile's 0.8 mm less the quarter of it that is kept in hand."""
    result = soffit.resolve(read(ledge(6, 8, 12), tmp_path), "pla-04")
    (edit,) = result.edits
    assert edit.remedy.startswith("chamfer")
    figure = sheet_figure(result)
    leg = math.sqrt(2.0 * edit.volume_mm3 / 8.0)  # a prism as wide as the ledge
    for panel in ("section", "detail"):
        assert area_of(figure, "added", panel) == pytest.approx(0.5 * leg**2, abs=TOLERANCE)
    assert sorted(dimensions(figure)) == pytest.approx([6.0, leg, leg][::-1] if leg > 6 else
                                                       [leg, leg, 6.0], abs=TOLERANCE)
    assert any(label.text == "45°" for label in figure.labels)


def test_teardrop_has_the_width_of_its_chord_though_it_leaves_the_circle_flat(
    tmp_path: Path
) -> None:
    """Round hole of radius 6: 45° planes touch it at ±6 sin 45°, and meet 6 √2 above its axis."""
    body = cut(box((-15, 0, 0), (15, 20, 34)), cylinder((0, -1, 15), (0, 1, 0), 6, 22))
    result = soffit.resolve(read(body, tmp_path), "pla-04", only=["teardrop"])
    (edit,) = result.edits
    figure = sheet_figure(result)
    width = 2.0 * 6.0 * math.sin(math.radians(45.0))
    points = np.concatenate([result.produced.mesh.corners[result.produced.triangles_of(
        [f.id for f in result.produced.faces if f.edit == edit.id])].reshape(-1, 3)])
    height = float(np.ptp(points[:, 2]))
    found = dimensions(figure)
    assert any(value == pytest.approx(width, abs=TOLERANCE) for value in found)
    assert any(value == pytest.approx(height, abs=TOLERANCE) for value in found)
    # What is cut away, over the length of the hole: its volume. The hair along the circle where
    # the planes touch it is too thin to be drawn: 0.1 mm² here.
    assert area_of(figure, "removed", "detail") == pytest.approx(edit.volume_mm3 / 20.0, abs=0.1)


def test_prop_is_as_high_as_it_stands(tmp_path: Path) -> None:
    result = soffit.resolve(read(ledge(6, 8, 12), tmp_path), "pla-04", only=["props"])
    figure = sheet_figure(result)
    body, = result.props
    low, high = body.mesh.bounds
    assert any(v == pytest.approx(high[2] - low[2], abs=TOLERANCE) for v in dimensions(figure))
    assert {a.kind for a in figure.areas} >= {"prop", "material"}


@pytest.mark.parametrize("name", sorted(p.stem for p in EXAMPLES.glob("*.st*")))
def test_sections_agree_with_a_second_engine(name: str) -> None:
    """Of each example as received, upright planes in the middle and at a third: area and outline
    as the general mesh library cuts them."""
    mesh = example(name).mesh
    other = trimesh.Trimesh(mesh.vertices, mesh.triangles, process=True)
    low, high = mesh.bounds
    for share, direction in ((0.5, (1.0, 0.0)), (0.34, (0.0, 1.0)), (0.4, (0.8, 0.6))):
        along = np.array(direction)
        normal = np.array([-along[1], along[0], 0.0])
        point = low + share * (high - low) + 1e-3
        shape = cut_mesh(mesh, along, point)
        path = other.section(normal, point)
        assert path is not None
        flat, _ = path.to_2D()
        due = shapely.Polygon()
        for outline in flat.polygons_closed:
            due = due.symmetric_difference(outline)
        assert shape.area() == pytest.approx(due.area, abs=TOLERANCE, rel=1e-5)
        length = sum(shapely.LinearRing(ring).length for ring in rings_of(shape))
        assert length == pytest.approx(flat.length, abs=TOLERANCE, rel=1e-5)


def test_underside_follows_a_slope_and_is_level_where_there_is_none() -> None:
    ring = np.array([[0.0, 0.0], [10.0, 2.0], [20.0, 2.0], [20.0, 9.0], [0.0, 9.0]])
    shape = m3.CrossSection([ring])
    (line,) = underside(shape, (2.0, 18.0), (0.0, 2.0))
    assert line == pytest.approx(np.array([[2.0, 0.4], [10.0, 2.0], [18.0, 2.0]]))
    (line,) = underside(shape, (2.0, 18.0), (30.0, 32.0))
    assert line == pytest.approx(np.array([[2.0, 31.0], [18.0, 31.0]]))


def test_traces_are_where_the_plane_meets_triangles() -> None:
    triangle = np.array([[[0.0, 0.0, 0.0], [4.0, 0.0, 8.0], [0.0, 4.0, 0.0]]])
    found = traces(triangle, np.array([1.0, 0.0]), np.array([0.0, 1.0, 0.0]))
    assert sorted(map(tuple, found.tolist())) == [(0.0, 0.0), (3.0, 6.0)]
    assert len(traces(triangle, np.array([1.0, 0.0]), np.array([0.0, 9.0, 0.0]))) == 0


def test_what_only_rounding_moved_is_not_drawn_and_corners_stay_sharp(tmp_path: Path) -> None:
    """A shell of two microns all around is no change; a wedge keeps its point."""
    part = read(box((0, 0, 0), (20, 20, 10)), tmp_path)
    grown = replace(part.mesh, vertices=part.mesh.vertices * (1.0 + 2e-4))
    found = cut_at(part.mesh, grown, (), np.array([1.0, 0.0]), np.array([9.0, 9.0, 5.0]), NO_PATCH)
    assert found is not None and found.added.is_empty() and found.removed.is_empty()


def test_bottom_edge_is_dimensioned_by_its_chamfer(tmp_path: Path) -> None:
    """A rounded bottom edge of radius 5 gets its tangent chamfer of 45°: legs r (2 − √2). What is
    added reaches farther, ever thinner, to where the rounding began."""
    legs = 5.0 * (2.0 - math.sqrt(2.0))
    body = fillet(box((0, 0, 0), (30, 20, 20)), 5,
                  lambda edge: middle(edge) == pytest.approx((0, 10, 0), abs=1e-6))
    result = soffit.resolve(read(body, tmp_path), "pla-04")
    (edit,) = result.edits
    assert edit.remedy == "bottom edge"
    found = dimensions(sheet_figure(result))
    assert sum(value == pytest.approx(legs, abs=TOLERANCE) for value in found) == 2
