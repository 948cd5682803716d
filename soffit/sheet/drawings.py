"""The figures of the first page: the part before and after, seen from below, and its elevation
beside the height profile."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely

from soffit.part.model import Floats, Part, Vec3
from soffit.sheet.balloons import place_balloons
from soffit.sheet.figure import (
    INK,
    SOFT,
    Area,
    AreaKind,
    Balloon,
    Figure,
    Label,
    Stroke,
    arrow,
    text_width_mm,
)
from soffit.sheet.fills import silhouette, visible_area, visible_middles
from soffit.sheet.lines import length_mm
from soffit.sheet.mesh_hlr import boundary_of, split
from soffit.sheet.profile import Bar, add_profile
from soffit.sheet.project import Drawing
from soffit.sheet.view import Scene, View, below

# Of two turns that show nearly the same, the earlier one of this list (a designer's habit:
# front and right side first).
AZIMUTHS_DEG = (30.0, 60.0, -30.0, -60.0, 120.0, 150.0, -120.0, -150.0)
# Flat enough that the part reads as standing; steeper only where places lie deep in recesses.
ELEVATIONS_DEG = (26.0, 40.0, 55.0)
_SAMPLES = 100


@dataclass(frozen=True)
class Mark:
    """One numbered place or change on a drawing.

    `corners_mm` (k, 3, 3): the triangles that show it, cut to the `plan` rings; where there
    are none or none is seen, the balloon points at `at_mm`. `kind` gives colour and hatch.
    """

    number: str
    kind: AreaKind
    color: str
    at_mm: Vec3
    corners_mm: Floats
    plan: tuple[Floats, ...] = ()


@dataclass(frozen=True)
class Fit:
    """From the drawing plane to paper: `scale` times mm, then moved by (dx, dy)."""

    scale: float
    dx: float
    dy: float

    def points(self, points: Floats) -> Floats:
        """Points (n, 2) on paper, mm."""
        return points * self.scale + (self.dx, self.dy)

    def rings(self, rings: tuple[Floats, ...]) -> tuple[Floats, ...]:
        """Rings on paper."""
        return tuple(self.points(r) for r in rings)


def best_view(part: Part, marks: tuple[Mark, ...]) -> View:
    """The view from below that shows most of what the marks name."""
    shown = [m.corners_mm for m in marks if len(m.corners_mm)]
    if not shown:
        return below(AZIMUTHS_DEG[0])
    corners = np.concatenate(shown)
    area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0],
                                   corners[:, 2] - corners[:, 0]), axis=1)
    largest = np.argsort(-area, kind="stable")[:_SAMPLES]
    corners, area = corners[largest], area[largest]
    # Four points per triangle, so that a large face that is half hidden counts half.
    middle = corners.mean(axis=1)
    samples = np.concatenate([middle, *(0.6 * corners[:, k] + 0.4 * middle for k in range(3))])
    weight = np.tile(area, 4)
    best: list[tuple[float, View]] = []
    for elevation in ELEVATIONS_DEG:
        scores = []
        for azimuth in AZIMUTHS_DEG:
            view = below(azimuth, elevation)
            seen = visible_middles(Scene.of(part.mesh, view), view.points(samples))
            facing = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
            scores.append(float(weight[seen & np.tile(facing @ view.axes[2] > 0.0, 4)].sum()))
        first = next(k for k, s in enumerate(scores) if s >= 0.93 * max(scores))
        best.append((max(scores), below(AZIMUTHS_DEG[first], elevation)))
    most = max(score for score, _ in best)
    return next(view for score, view in best if score >= 0.7 * most)


def common_fit(drawings: tuple[Drawing, ...], width_mm: float, height_mm: float,
               margin_mm: float) -> Fit:
    """One fit for several drawings of the same frame, centred."""
    low = np.min([d.bounds[0] for d in drawings], axis=0)
    high = np.max([d.bounds[1] for d in drawings], axis=0)
    return fit_of(low, high, width_mm, height_mm, margin_mm)


def fit_of(low: Floats, high: Floats, width_mm: float, height_mm: float, margin_mm: float) -> Fit:
    """The largest fit of a box of the drawing plane, from `low` (2,) to `high`, centred."""
    size = np.maximum(high - low, 1e-9)
    scale = float(min((width_mm - 2 * margin_mm) / size[0], (height_mm - 2 * margin_mm) / size[1]))
    dx, dy = (np.array([width_mm, height_mm]) - scale * (low + high)) / 2.0
    return Fit(scale, float(dx), float(dy))


def balloon_radius(count: int) -> float:
    """Radius of balloons, mm: smaller where there are many (common practice, no source)."""
    return 3.0 if count <= 16 else 2.4 if count <= 36 else 2.0


def line_strokes(drawing: Drawing, fit: Fit, hidden: bool) -> tuple[Stroke, ...]:
    """The lines of a drawing on paper."""
    groups = [(drawing.visible, "visible"), (drawing.smooth, "smooth"), (drawing.props, "prop")]
    if hidden:
        groups.append((drawing.hidden, "hidden"))
    return tuple(Stroke(fit.points(line), pen) for lines, pen in groups for line in lines)


def pictorial(figure: Figure, drawing: Drawing, fit: Fit, marks: tuple[Mark, ...],
              fills: tuple[Mark, ...], part: Part, protected: tuple[int, ...]) -> Figure:
    """Draw a part in an axonometric view with its areas, protected faces and balloons.

    `marks` are filled and numbered, `fills` only filled; `protected`: face ids outlined.
    """
    scene = drawing.scene
    areas, targets, hidden = [], [], []
    for mark in fills + marks:
        rings = fit.rings(visible_area(scene, mark.corners_mm, mark.plan)) \
            if len(mark.corners_mm) else ()
        if rings:
            areas.append(Area(rings, mark.kind))
        if mark in marks:
            targets.append(_inner_point(rings) if rings
                           else fit.points(scene.view.points(np.array([mark.at_mm]))[:, :2])[0])
            hidden.append(not rings)
    strokes = line_strokes(drawing, fit, hidden=False)
    if protected:
        _, seen, _, _ = split(scene, boundary_of(part.mesh, protected))
        strokes += tuple(Stroke(fit.points(s), "protected") for s in seen)
    radius = balloon_radius(len(marks))
    outline = silhouette(scene).scale((fit.scale, fit.scale)).translate((fit.dx, fit.dy))
    at = place_balloons(outline, np.array(targets).reshape(-1, 2), radius,
                        (0.0, 0.0, figure.width_mm, figure.height_mm))
    balloons = tuple(
        Balloon(m.number, float(c[0]), float(c[1]), radius, (float(t[0]), float(t[1])), m.color, h)
        for m, c, t, h in zip(marks, at, targets, hidden, strict=True))
    return figure.plus(areas=tuple(areas), strokes=strokes, balloons=balloons)


def _inner_point(rings: tuple[Floats, ...]) -> Floats:
    """A point well inside the largest outline."""
    polygons = [shapely.Polygon(r) for r in rings]
    largest = max(polygons, key=lambda p: p.area)
    holes = [p.exterior for p in polygons if p is not largest and largest.contains(p)]
    whole = shapely.Polygon(largest.exterior, holes).buffer(0)
    point = shapely.maximum_inscribed_circle(whole, tolerance=0.05).coords[0]
    return np.array(point)


# ISO 5455 gives 1, 2, 5 times powers of ten; it allows steps between where room demands.
_SCALES = (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0)


def drawing_scale(largest: float) -> tuple[float, str]:
    """The largest preferred scale that is not above `largest`, and how it is written."""
    options = [(v * 10.0**p, f"{v * 10.0**p:g} : 1") for v in _SCALES for p in range(3)]
    options += [(1.0 / (v * 10.0**p), f"1 : {v * 10.0**p:g}") for v in _SCALES for p in range(4)]
    fitting = [o for o in options if o[0] <= largest * (1 + 1e-9)]
    return max(fitting, default=min(options))


@dataclass(frozen=True)
class Elevations:
    """What the elevation figure shows: both drawings in one view, and their bars."""

    before: Drawing
    after: Drawing
    bars_before: tuple[Bar, ...]
    bars_after: tuple[Bar, ...]
    edges_before: tuple[tuple[Floats, ...], ...]


_AXIS_MM, _PROFILE_MM, _HEAD_MM, _FOOT_MM = 9.0, 44.0, 6.0, 9.0


def elevation_figure(figure: Figure, shown: Elevations) -> Figure:
    """Elevations as received and as produced with the height profile at the same scale: side
    by side with the profile between them, or one above the other where that is larger."""
    low = np.minimum(shown.before.bounds[0], shown.after.bounds[0])
    high = np.maximum(shown.before.bounds[1], shown.after.bounds[1])
    wide, tall = np.maximum(high - low, 1e-9).tolist()  # a part may be one flat triangle
    w, h = figure.width_mm, figure.height_mm
    beside = min((w - _AXIS_MM - _PROFILE_MM - 10.0) / (2.0 * wide),
                 (h - _HEAD_MM - _FOOT_MM) / tall)
    stacked = min((w - _AXIS_MM - _PROFILE_MM - 4.0) / wide,
                  (h / 2.0 - _HEAD_MM - _FOOT_MM) / tall)
    scale, words = drawing_scale(max(beside, stacked))
    ground = float(-low[1])
    if beside >= stacked:
        y = (h - tall * scale) / 2.0 + ground * scale
        fit = Fit(scale, float(-low[0]) * scale, y)
        axis = wide * scale + _AXIS_MM + 3.0
        figure = _elevation(figure, shown.before, fit, "as received", shown.edges_before, scale)
        figure = add_profile(figure, axis, y, scale, float(high[1]), _PROFILE_MM,
                             shown.bars_before, shown.bars_after)
        right = Fit(scale, axis + _PROFILE_MM + 6.0 - float(low[0]) * scale, y)
        figure = _elevation(figure, shown.after, right, "as produced", (), 0.0)
    else:
        for row, (drawing, name, bars, left) in enumerate((
                (shown.before, "as received", shown.bars_before, ()),
                (shown.after, "as produced", (), shown.bars_after))):
            base = h / 2.0 * (1 - row)
            y = base + _FOOT_MM + ground * scale
            fit = Fit(scale, float(-low[0]) * scale, y)
            edges = shown.edges_before if row == 0 else ()
            figure = _elevation(figure, drawing, fit, name, edges, 0.0 if row else scale)
            figure = add_profile(figure, wide * scale + _AXIS_MM + 3.0, y, scale, float(high[1]),
                                 _PROFILE_MM, bars, left,
                                 shown.bars_before + shown.bars_after)
    return replace(figure, remark=f"scale {words}, heights in mm")


def _elevation(figure: Figure, drawing: Drawing, fit: Fit, name: str,
               edges: tuple[tuple[Floats, ...], ...], dimension_scale: float) -> Figure:
    # More hidden than visible lines explain nothing (common practice: ISO 128 leaves out
    # hidden edges that a reader does not need).
    hidden = length_mm(drawing.hidden) <= length_mm(drawing.visible)
    strokes = line_strokes(drawing, fit, hidden)
    strokes += tuple(Stroke(fit.points(e), "air-edge") for group in edges for e in group)
    low, high = fit.points(drawing.bounds)
    labels: tuple[Label, ...] = (Label(name, float(low[0]), float(high[1]) + 2.2, 2.5, "start",
                                       SOFT),)
    figure = figure.plus(strokes=strokes, labels=labels)
    if dimension_scale:
        width = (high[0] - low[0]) / dimension_scale
        figure = dimension(figure, low, np.array([high[0], low[1]]), float(low[1]) - 5.0,
                           f"{width:.1f}")
    return figure


def dimension(figure: Figure, a: Floats, b: Floats, y: float, text: str, color: str = INK
              ) -> Figure:
    """A horizontal dimension (ISO 129-1) from point a to point b with its line at `y`."""
    x0, x1 = sorted((float(a[0]), float(b[0])))
    side = 1.0 if y > max(a[1], b[1]) else -1.0
    strokes = [Stroke(np.array([[float(p[0]), float(p[1]) + side * 0.8], [float(p[0]),
                                                                        y + side * 1.0]]), "fine")
               for p in (a, b)]
    strokes.append(Stroke(np.array([[x0, y], [x1, y]]), "fine"))
    inside = x1 - x0 > text_width_mm(text, 2.5) + 1.0
    heads = ((x0, -1.0), (x1, 1.0)) if inside else ((x0, 1.0), (x1, -1.0))
    strokes.extend(Stroke(arrow(np.array([x, y]), np.array([d, 0.0]))[[1, 0, 2]], "fine")
                   for x, d in heads)
    at, anchor = ((x0 + x1) / 2.0, "middle") if inside else (x1 + 2.5, "start")
    label = Label(text, at, y + 0.7 if inside else y - 0.8, 2.5,
                  "middle" if anchor == "middle" else "start", color)
    return figure.plus(strokes=tuple(strokes), labels=(label,))


def upright_dimension(figure: Figure, a: Floats, b: Floats, x: float, text: str, color: str = INK
                      ) -> Figure:
    """An upright dimension (ISO 129-1) from point a up to point b with its line at `x`, right of
    both; the figure stands level beside it."""
    y0, y1 = sorted((float(a[1]), float(b[1])))
    strokes = [Stroke(np.array([[float(p[0]) + 0.8, float(p[1])], [x + 1.0, float(p[1])]]), "fine")
               for p in (a, b)]
    strokes.append(Stroke(np.array([[x, y0], [x, y1]]), "fine"))
    inside = y1 - y0 > 4.5
    heads = ((y0, -1.0), (y1, 1.0)) if inside else ((y0, 1.0), (y1, -1.0))
    strokes.extend(Stroke(arrow(np.array([x, y]), np.array([0.0, d]))[[1, 0, 2]], "fine")
                   for y, d in heads)
    label = Label(text, x + 1.2, (y0 + y1) / 2.0 - 0.85, 2.5, "start", color)
    return figure.plus(strokes=tuple(strokes), labels=(label,))


def dimension_text(value: float) -> str:
    """A dimension to a hundredth, a last zero left out."""
    return f"{value:.2f}".removesuffix("0")


def flat_edges(corners_mm: Floats, view: View, flat_mm: float) -> tuple[Floats, ...]:
    """A flat area over air as it appears edge-on in an elevation: its stretches, each (2, 2)."""
    if not len(corners_mm) or np.ptp(corners_mm[:, :, 2]) > flat_mm:
        return ()
    image = view.points(corners_mm)[:, :, :2]
    z = float(image[:, :, 1].mean())
    spans = shapely.union_all([shapely.LineString([(float(t[:, 0].min()), z),
                                                   (float(t[:, 0].max()) + 1e-9, z)])
                               for t in image])
    merged = shapely.line_merge(spans) if spans.geom_type != "LineString" else spans
    lines = list(merged.geoms) if hasattr(merged, "geoms") else [merged]
    return tuple(np.array(line.coords)[[0, -1]] for line in lines)
