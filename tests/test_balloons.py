"""Balloons lie clear of the drawing, of each other and of what is written, on every example."""

from __future__ import annotations

from dataclasses import replace

import manifold3d as m3
import numpy as np
import pytest

import soffit
from soffit.part.model import Part
from soffit.sheet.balloons import conflicts, place_balloons
from soffit.sheet.drawings import (
    Mark,
    balloon_radius,
    common_fit,
    pictorial,
)
from soffit.sheet.figure import AIR, Figure
from soffit.sheet.fills import silhouette
from soffit.sheet.project import project
from soffit.sheet.view import below
from soffit.sheet.ways_up import ways_up_figure
from tests.overlaps import figure_faults
from tests.shapes import EXAMPLES, example
from tests.test_sheet import bracket_result, pillow_result, sheet_of

NAMES = sorted(p.stem for p in EXAMPLES.glob("*.st*"))
SIZE = 120.0, 110.0
# Faces that look down by more than this sine are marked (own choice: as a place over air would be).
DOWN = -0.3


def marks_of(part: Part, most: int) -> tuple[Mark, ...]:
    """A mark for each face that looks down, the largest first, at its middle; not filled, which
    takes longest and moves no balloon."""
    faces = sorted((f for f in part.faces if f.normal[2] < DOWN), key=lambda f: -f.area_mm2)
    return tuple(Mark(str(k), "air", AIR, face.centroid, np.empty((0, 3, 3)))
                 for k, face in enumerate(faces[:most], 1))


@pytest.mark.parametrize("name", NAMES)
def test_balloons_are_clear_of_the_part_and_of_each_other(name: str) -> None:
    """Drawn from the mesh, which gives the same outline and is quick."""
    part = replace(example(name), brep=None)
    marks = marks_of(part, 12)
    assert marks
    drawing = project(part, below(30.0))
    margin = 1.8 + 2.0 * balloon_radius(len(marks)) + 1.0
    fit = common_fit((drawing,), *SIZE, margin)
    figure = pictorial(Figure("t", "", "", "", *SIZE), drawing, fit, marks, (), part, ())
    assert len(figure.balloons) == len(marks)
    assert figure_faults(figure) == []
    outline = silhouette(drawing.scene).scale((fit.scale, fit.scale)).translate((fit.dx, fit.dy))
    for b in figure.balloons:
        circle = m3.CrossSection.circle(b.radius_mm + 0.5, 48).translate((b.x, b.y))
        assert (outline ^ circle).area() == 0.0, b.text


def test_an_overlap_would_be_noticed() -> None:
    """The check of the check: two balloons at one place, over a word."""
    figure = sheet_of(pillow_result()).views[0]
    one = figure.balloons[0]
    assert figure_faults(figure) == []
    both = replace(figure, balloons=(*figure.balloons, replace(one, text="9", x=one.x + 1.0)))
    assert any("meets 9" in fault for fault in figure_faults(both))


def test_figures_of_the_sheets_have_no_overlap() -> None:
    for result in (bracket_result(), pillow_result()):
        sheet = sheet_of(result)
        for figure in (*sheet.views, *sheet.sections):
            assert figure_faults(figure) == [], figure.key


def test_maps_of_ways_up_have_no_overlap() -> None:
    found = soffit.ways_up(example("lamp_base"), "pla-04")
    assert figure_faults(ways_up_figure(found)) == []


@pytest.mark.parametrize("count", [4, 16, 36, 48])
def test_many_balloons_keep_apart(count: int) -> None:
    """Around a disc with targets in rows, as many as a drawing ever has."""
    rng = np.random.default_rng(3)
    targets = 30.0 + 20.0 * rng.uniform(0.0, 1.0, (count, 2)) + (15.0, 15.0)
    outline = m3.CrossSection.circle(25.0, 90).translate((55.0, 55.0))
    radius = balloon_radius(count)
    centres = place_balloons(outline, targets, radius, (0.0, 0.0, 110.0, 110.0))
    apart = np.linalg.norm(centres[:, None] - centres[None], axis=2) + 1e3 * np.eye(count)
    assert apart.min() >= 2.0 * radius + 1.0
    assert np.linalg.norm(centres - 55.0, axis=1).min() >= 25.0 + radius + 1.0
    assert conflicts(centres, targets, radius) == []
