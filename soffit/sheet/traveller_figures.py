"""The pictures of the floor traveller: the way up, the platform, and from below what is done by
hand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import manifold3d as m3
import numpy as np
import shapely

from soffit.layers.stack import LayerStack
from soffit.part.model import Floats
from soffit.plan.model import Resolution
from soffit.process.model import Process
from soffit.production.platform import Layout, layout, shadow_of
from soffit.sheet.balloons import CLEARANCE_MM
from soffit.sheet.drawings import (
    Fit,
    balloon_radius,
    best_view,
    common_fit,
    fit_of,
    line_strokes,
    pictorial,
)
from soffit.sheet.figure import INK, SOFT, Figure, Label, Stroke, arrow, text_width_mm
from soffit.sheet.fills import silhouette
from soffit.sheet.marks import edit_mark, numbered_and_rest
from soffit.sheet.places import Place, edit_number
from soffit.sheet.project import project
from soffit.sheet.view import View

WIDTH_MM, HEIGHT_MM = 60.0, 48.0
# From above, as a person at the machine sees it (a designer's habit: front and right side).
ABOVE = View("seen from above", (0.5, -0.8, 0.55))
# How far the platform is drawn beyond the part, as a share of its length.
AROUND = 0.12
NUMBER_MM = 2.4


def standing_figure(result: Resolution) -> Figure:
    """The part and its props on the platform, as they are printed."""
    drawing = project(result.produced, ABOVE, result.props)
    corners = np.concatenate([result.produced.mesh.bounds,
                              *(body.mesh.bounds for body in result.props)])
    low, high = corners.min(axis=0), corners.max(axis=0)
    out = AROUND * float(max(high[:2] - low[:2]))
    x0, y0, x1, y1 = low[0] - out, low[1] - out, high[0] + out, high[1] + out
    ring = np.array([(x0, y0, 0.0), (x1, y0, 0.0), (x1, y1, 0.0), (x0, y1, 0.0), (x0, y0, 0.0)])
    floor = ABOVE.points(ring)[:, :2]
    ends = np.concatenate([drawing.bounds, floor])
    fit = fit_of(ends.min(axis=0), ends.max(axis=0), WIDTH_MM - 8.0, HEIGHT_MM, 2.0)
    # Of a surface with gaps an outline may cross itself.
    covered = shapely.union_all([
        shapely.make_valid(shapely.Polygon(r)) for r in silhouette(drawing.scene).to_polygons()
        if len(r) > 2]).buffer(0.6 / fit.scale)
    seen = shapely.LineString(floor).difference(covered)
    strokes = [Stroke(fit.points(np.asarray(line.coords)), "fine")
               for line in getattr(seen, "geoms", [seen]) if not line.is_empty]
    x = WIDTH_MM - 5.0
    strokes += _arrow((x, 14.0), (x, 30.0))
    labels = [Label("up", x, 31.2, 2.6, "middle"), Label("z", x, 10.6, 2.6, "middle", SOFT)]
    # From the foremost corner along the edges of the platform, by which pushes are told.
    corner, middle = fit.points(floor[:1])[0], fit.points(floor[:4]).mean(axis=0)
    for name, end in (("+x", floor[1]), ("+y", floor[3])):
        along = fit.points(end[None])[0] - corner
        tip = corner + along * min(1.0, 9.0 / float(np.linalg.norm(along)))
        strokes += _arrow(corner, tip)
        away = (corner + tip) / 2.0 - middle
        at = (corner + tip) / 2.0 + 3.6 * away / np.linalg.norm(away)
        labels.append(Label(name, float(at[0]), float(at[1]) - 0.8, 2.6, "middle", SOFT))
    size = " × ".join(f"{v:.1f}" for v in (high - low).tolist())
    figure = Figure("standing", "Way up", ABOVE.name,
                    f"The part as it stands on the platform, seen from above; {size} mm.",
                    WIDTH_MM, HEIGHT_MM)
    return figure.plus(strokes=(*line_strokes(drawing, fit, hidden=False), *strokes),
                       labels=tuple(labels))


def _arrow(start: Sequence[float] | Floats, tip: Sequence[float] | Floats) -> list[Stroke]:
    """A line with a head at its tip."""
    a, b = np.asarray(start, dtype=np.float64), np.asarray(tip, dtype=np.float64)
    return [Stroke(np.array([a, b]), "thin"), Stroke(arrow(b, b - a, 2.4)[[1, 0, 2]], "thin")]


def platform_figure(stack: LayerStack, process: Process) -> tuple[Figure, Layout]:
    """A full platform from above, the parts numbered in the order in which they leave it."""
    outline = shadow_of(stack.regions)
    room = process.platform
    wide, deep, gap = room.width_mm.value, room.depth_mm.value, room.gap_mm.value
    found = layout(outline, wide, deep, gap)
    count = len(found.spots)
    figure = Figure("platform", "Platform", f"{wide:g} × {deep:g} mm, seen from above",
                    f"Outlines of {count} parts on a platform of {wide:g} by {deep:g} mm.",
                    WIDTH_MM, HEIGHT_MM)
    fit = fit_of(np.zeros(2), np.array([wide, deep]), WIDTH_MM, HEIGHT_MM, 2.0)
    edge = np.array([(0.0, 0.0), (wide, 0.0), (wide, deep), (0.0, deep), (0.0, 0.0)])
    strokes = [Stroke(fit.points(edge), "visible")]
    labels: list[Label] = []
    shapes = [_turned(outline, quarters) for quarters in range(4)]
    for k, spot in enumerate(found.spots, start=1):
        placed = shapes[spot.quarters].translate((spot.x_mm, spot.y_mm))
        rings = [np.asarray(ring) for ring in placed.simplify(0.1 / fit.scale).to_polygons()]
        strokes += [Stroke(fit.points(np.vstack([r, r[:1]])), "thin") for r in rings]
        x0, y0, x1, y1 = placed.bounds()
        text = str(k)
        # A number that is wider than its part would be taken for that of another.
        if text_width_mm(text, NUMBER_MM) < (x1 - x0) * fit.scale - 0.4 and (
                y1 - y0) * fit.scale > NUMBER_MM + 0.4:
            x, y = fit.points(np.array([[(x0 + x1) / 2.0, (y0 + y1) / 2.0]]))[0]
            labels.append(Label(text, float(x), float(y) - 0.34 * NUMBER_MM, NUMBER_MM, "middle"))
    return figure.plus(strokes=tuple(strokes), labels=tuple(labels)), found


def _turned(outline: m3.CrossSection, quarters: int) -> m3.CrossSection:
    region = outline.rotate(90.0 * quarters)
    x0, y0, _, _ = region.bounds()
    return region.translate((-x0, -y0))


def below_figure(result: Resolution, numbered: tuple[Place, ...]) -> Figure | None:
    """Props and what is drilled out, numbered, seen from below; None where there are none."""
    marks = tuple(edit_mark(edit_number(place, k), edit, result) for place in numbered
                  for k, edit in enumerate(place.edits) if edit.after)
    if not marks:
        return None
    view = best_view(result.produced, marks)
    drawing = project(result.produced, view, result.props)
    figure = Figure("by-hand", "By hand", "seen from below",
                    f"The part as produced, seen from below; {len(marks)} numbered places to be "
                    "worked on after printing.", WIDTH_MM, HEIGHT_MM)
    margin = CLEARANCE_MM + 2.0 * balloon_radius(len(marks)) + 1.0
    fit: Fit = common_fit((drawing,), WIDTH_MM, HEIGHT_MM, margin)
    drawn = pictorial(figure, drawing, fit, *numbered_and_rest(marks), result.produced, ())
    return replace(drawn, balloons=tuple(replace(b, color=INK) for b in drawn.balloons))
