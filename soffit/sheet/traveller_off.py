"""How a prop comes off: the prop close up, with an arrow on the way out."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from soffit.part.model import Floats
from soffit.plan.model import Resolution
from soffit.remedies.model import Edit
from soffit.remedies.prop_way import angle_of
from soffit.sheet.crop import cropped
from soffit.sheet.drawings import best_view, fit_of, pictorial
from soffit.sheet.figure import Figure, Stroke, arrow
from soffit.sheet.marks import edit_mark
from soffit.sheet.project import project
from soffit.sheet.view import View

WIDTH_MM, HEIGHT_MM = 38.0, 26.0
# Room around a prop for what it stands in, and for arrows, mm of paper.
AROUND_MM = 6.5
ARROW_MM = 7.0
# A way that is seen shorter than this share of its length points at the eye: no arrow tells it.
SEEN = 0.3


def off_figure(result: Resolution, number: str, edit: Edit) -> Figure:
    """The bodies of a prop, seen from below where most of them is seen."""
    mark = edit_mark(number, edit, result)
    view = best_view(result.produced, (mark,))
    drawing = project(result.produced, view, result.props)
    corners = mark.corners_mm if len(mark.corners_mm) else np.array([[edit.at_mm]])
    image = view.points(corners.reshape(-1, 3))[:, :2]
    low, high = image.min(axis=0) - 1.0, image.max(axis=0) + 1.0
    ways = edit.prop.ways if edit.prop is not None else ()
    figure = Figure(f"off-{edit.id.lower()}", f"Off: {number}", "",
                    f"The prop of change {number} close up, seen from below; it leaves "
                    f"{' or '.join(ways) or 'as is written beside it'}.", WIDTH_MM, HEIGHT_MM)
    fit = fit_of(low, high, WIDTH_MM, HEIGHT_MM, AROUND_MM)
    # The part in thin lines, so that the prop stands out.
    drawn = cropped(pictorial(figure, drawing, fit, (), (mark,), result.produced, ()))
    thin = tuple(replace(s, pen="thin") if s.pen == "visible" else s for s in drawn.strokes)
    box = fit.points(np.array([low, high]))
    return replace(drawn, strokes=thin).plus(
        strokes=tuple(s for way in dict.fromkeys(ways) for s in _arrow(view, way, box)))


def _arrow(view: View, way: str, box: Floats) -> list[Stroke]:
    """An arrow out of a box (2, 2) of the paper on a way in words; none where it cannot be seen."""
    angle = angle_of(way)
    out = (0.0, 0.0, -1.0) if angle is None else (
        math.cos(math.radians(angle)), math.sin(math.radians(angle)), 0.0)
    seen = view.points(np.array([out]))[0, :2]
    length = float(np.linalg.norm(seen))
    if length < SEEN:
        return []
    along = seen / length
    # From where the way leaves the box; two mm inside, so that it stays in the figure.
    half = np.maximum((box[1] - box[0]) / 2.0, 1e-6)
    reach = float(np.min(half / np.maximum(np.abs(along), 1e-9)))
    tip = box.mean(axis=0) + along * (reach + AROUND_MM - 1.0)
    line = np.array([tip - along * ARROW_MM, tip])
    return [Stroke(line, "cut"), Stroke(arrow(tip, along, 2.6)[[1, 0, 2]], "cut")]
