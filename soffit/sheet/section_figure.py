"""The drawing of a change: a section through the whole part, and beside it the change enlarged,
with its dimensions."""

from __future__ import annotations

import math

import manifold3d as m3
import numpy as np
import shapely

from soffit.findings.model import Op
from soffit.part.model import Floats
from soffit.sheet.crop import clipped
from soffit.sheet.drawings import Fit, dimension, dimension_text, drawing_scale, upright_dimension
from soffit.sheet.figure import ADDED, AIR, PROP, REMOVED, Area, AreaKind, Figure, Label, Stroke
from soffit.sheet.sections import NEAR_MM, Box, Cut, rings_of

# Three side by side on A3, two on A4 and Letter, and three tables beside one (see sheet.typ).
WIDTH_MM, HEIGHT_MM = 118.0, 48.0
_SPLIT_MM, _GAP_MM = 52.0, 3.0
_FOOT_MM, _HEAD_MM, _SIDE_MM, _TEXT_MM = 10.0, 6.0, 3.0, 2.5
# Room right of the enlarged change for its height.
_HEIGHT_ROOM_MM = 12.0
# How much of what is around a change is shown with it, as a share of its size, and at least.
_AROUND, _LEAST_MM = 0.22, 0.5
# What is thinner on paper is drawn this thick and its thickness is written beside it (a hatch
# of 1.3 mm needs as much).
_THIN_MM = 1.4
# Wider than so many times its height is flat (own choice).
_FLAT = 6.0
_COLORS: dict[Op, str] = {"add": ADDED, "cut": REMOVED, "prop": PROP}


def section_figure(key: str, number: str, found: Cut, op: Op, focus: Box, made: Floats
                   ) -> Figure | None:
    """Draw a section; `op` says what the change does, `focus` bounds it along the section and in
    z, `made` (n, 2) are points on the surface that the change made, which is what is dimensioned.
    None where there is nothing to see."""
    own = {"add": found.added, "cut": found.removed, "prop": found.props}[op]
    every = _near(own, focus) or _near(found.added + found.removed, focus)
    rings = _closer(every)
    extent = _extent(rings, made if len(rings) == len(every) else made[:0])
    window = _window(np.concatenate([*rings, extent]), found, focus)
    whole = found.whole
    if whole[2] - whole[0] < 1e-6 or whole[3] - whole[1] < 1e-6:
        return None
    left = (_SIDE_MM, _FOOT_MM, _SPLIT_MM - _SIDE_MM, HEIGHT_MM - _HEAD_MM)
    right = (_SPLIT_MM + _GAP_MM, _FOOT_MM, WIDTH_MM - _HEIGHT_ROOM_MM, HEIGHT_MM - _HEAD_MM)
    small, small_words = _fit(whole, left)
    large, large_words = _fit(window, right)
    place = _place(found)
    figure = Figure(key, f"Section at {number}", place,
                    f"Section {place} through change {number}: material kept, added and removed, "
                    f"and the change enlarged{_said(extent)}.", WIDTH_MM, HEIGHT_MM)
    figure = _drawn(figure, found, small, whole)
    figure = figure.plus(
        strokes=(Stroke(_closed(small.points(_corners(window))), "thin"),),
        labels=(Label(f"section {small_words}", left[0], HEIGHT_MM - 3.6, _TEXT_MM),
                Label(f"detail {large_words}", right[0], HEIGHT_MM - 3.6, _TEXT_MM)))
    if found.span is not None:
        ends = [small.points(np.array([[x, _height_at(found.over, x)]]))[0] for x in found.span]
        base = float(small.points(np.array([[0.0, whole[1]]]))[0, 1])
        figure = dimension(figure, ends[0], ends[1], base - 4.5,
                           dimension_text(found.span[1] - found.span[0]), AIR)
    figure = _drawn(figure, found, large, window)
    figure = _thin_sheets(figure, found.added ^ _box_of(window), large)
    figure = _slope_label(figure, rings, large, window, _COLORS[op])
    return _dimensioned(figure, extent, large, window, _COLORS[op])


def _near(shape: m3.CrossSection, focus: Box) -> tuple[Floats, ...]:
    """The rings of a region that reach into a box."""
    return tuple(ring for ring in rings_of(shape)
                 if ring[:, 0].min() <= focus[2] and ring[:, 0].max() >= focus[0]
                 and ring[:, 1].min() <= focus[3] and ring[:, 1].max() >= focus[1])


def _extent(rings: tuple[Floats, ...], made: Floats) -> Floats:
    """Points that bound what is dimensioned: the new surface, which ends where it touches the old
    one; where that is level or upright alone, as of a membrane, all that came or went."""
    if len(made) and np.ptp(made, axis=0).min() > NEAR_MM:
        return made
    return np.concatenate([*rings, made])


def _closer(rings: tuple[Floats, ...]) -> tuple[Floats, ...]:
    """Of a change in several pieces that is far wider than high, as the steps on both sides of a
    hole are, the largest piece: all of it together would be drawn too small to be seen."""
    if len(rings) < 2:
        return rings
    size = np.ptp(np.concatenate(rings), axis=0)
    if size[0] < _FLAT * size[1]:
        return rings
    return (max(rings, key=lambda ring: (float(np.prod(np.ptp(ring, axis=0))),
                                         -float(ring[0, 0]))),)


def _window(extent: Floats, found: Cut, focus: Box) -> Box:
    """What to enlarge: the change where the plane cuts it and some of the part around it, no more
    than there is."""
    every = extent
    if not len(every):
        every = np.concatenate(found.over) if found.over else np.array(focus).reshape(2, 2)
    low, high = every.min(axis=0), every.max(axis=0)
    margin = max(_AROUND * float((high - low).max()), _LEAST_MM)
    whole = found.whole
    x0, x1 = max(low[0] - margin, min(whole[0], low[0])), min(high[0] + margin,
                                                              max(whole[2], high[0]))
    z0, z1 = max(low[1] - margin, min(whole[1], low[1])), min(high[1] + margin,
                                                              max(whole[3], high[1]))
    return float(x0), float(z0), float(max(x1, x0 + _LEAST_MM)), float(max(z1, z0 + _LEAST_MM))


def _fit(shown: Box, room: Box) -> tuple[Fit, str]:
    """A preferred scale at which a box fits into its room, in its middle."""
    wide, tall = shown[2] - shown[0], shown[3] - shown[1]
    scale, words = drawing_scale(min((room[2] - room[0]) / wide, (room[3] - room[1]) / tall))
    return Fit(scale, (room[0] + room[2]) / 2.0 - scale * (shown[0] + shown[2]) / 2.0,
               (room[1] + room[3]) / 2.0 - scale * (shown[1] + shown[3]) / 2.0), words


def _drawn(figure: Figure, found: Cut, fit: Fit, window: Box) -> Figure:
    """What the plane cuts within a window."""
    inside = _box_of(window)
    kinds: tuple[tuple[m3.CrossSection, AreaKind, str], ...] = (
        (found.before ^ found.after, "material", ""), (found.added, "added", "added"),
        (found.removed, "removed", "removed"), (found.props, "prop", "prop"))
    areas = []
    for shape, kind, edge in kinds:
        rings = fit.rings(rings_of(shape ^ inside))
        if rings:
            areas.append(Area(rings, kind, edge))
    strokes = [Stroke(fit.points(line), "visible") for line in _outline(found.after, window)]
    strokes += [Stroke(fit.points(piece), "air-edge") for line in found.over
                for piece in clipped(shapely.LineString(line), window)]
    if window[1] <= 1e-6 <= window[3] + 1e-6:
        ground = fit.points(np.array([[window[0], 0.0], [window[2], 0.0]]))
        strokes.append(Stroke(ground + np.array([[-2.5, 0.0], [2.5, 0.0]]), "axis"))
    return figure.plus(areas=tuple(areas), strokes=tuple(strokes))


def _dimensioned(figure: Figure, extent: Floats, fit: Fit, window: Box, color: str) -> Figure:
    """Width and height of the change."""
    if not len(extent):
        return figure
    low, high = extent.min(axis=0), extent.max(axis=0)
    a, b = fit.points(np.array([low, high]))
    base = float(fit.points(np.array([[window[0], window[1]]]))[0, 1])
    figure = dimension(figure, a, np.array([b[0], a[1]]), base - 4.5,
                       dimension_text(float(high[0] - low[0])), color)
    if float(b[1] - a[1]) < _THIN_MM:
        return figure  # its thickness stands beside it
    side = float(fit.points(np.array([[window[2], window[1]]]))[0, 0])
    return upright_dimension(figure, np.array([b[0], a[1]]), b, side + 4.0,
                             dimension_text(float(high[1] - low[1])), color)


def _said(extent: Floats) -> str:
    """Width and height of a change in words."""
    if not len(extent):
        return ""
    size = np.ptp(extent, axis=0)
    return (f", {dimension_text(float(size[0]))} mm wide and {dimension_text(float(size[1]))} mm "
            "high in the section")


def _place(found: Cut) -> str:
    """Where the section runs."""
    direction, point = found.direction, found.point
    if abs(direction[0]) > 0.999:
        return f"at y = {_signed(point[1])}"
    if abs(direction[1]) > 0.999:
        return f"at x = {_signed(point[0])}"
    return (f"through {_signed(point[0])}, {_signed(point[1])} at "
            f"{math.degrees(math.atan2(direction[1], direction[0])):.0f}° to x")


def _signed(value: float) -> str:
    return f"{value:.1f}".replace("-", "\u2212")


def _height_at(lines: tuple[Floats, ...], x: float) -> float:
    """Height of the point of the polylines that is nearest to a place along the section."""
    points = np.concatenate(lines)
    return float(points[int(np.argmin(np.abs(points[:, 0] - x))), 1])


def _corners(box: Box) -> Floats:
    return np.array([[box[0], box[1]], [box[2], box[1]], [box[2], box[3]], [box[0], box[3]]])


def _closed(ring: Floats) -> Floats:
    return np.vstack([ring, ring[:1]])


def _box_of(box: Box) -> m3.CrossSection:
    return m3.CrossSection([_corners(box)])


def _outline(shape: m3.CrossSection, window: Box) -> tuple[Floats, ...]:
    """Outline of a section inside the window, without the window's own sides."""
    return tuple(piece for ring in rings_of(shape)
                 for piece in clipped(shapely.LinearRing(ring), window))


def _thin_sheets(figure: Figure, added: m3.CrossSection, fit: Fit) -> Figure:
    """Draw level sheets of added material that are too thin for a hatch, such as membranes, as
    a solid band, the thickness beside it."""
    for ring in rings_of(added):
        low, high = ring.min(axis=0), ring.max(axis=0)
        size = (high - low) * fit.scale
        if size[1] >= _THIN_MM or size[0] < 2.0 * size[1]:
            continue
        ends = fit.points(np.array([[low[0], (low[1] + high[1]) / 2.0],
                                    [high[0], (low[1] + high[1]) / 2.0]]))
        middle = ends.mean(axis=0)
        figure = figure.plus(
            # The pen's round ends reach half its width further.
            strokes=(Stroke(ends + np.array([[_THIN_MM / 2, 0.0], [-_THIN_MM / 2, 0.0]]),
                            "added-band"),),
            labels=(Label(f"{high[1] - low[1]:.2f} thick", float(middle[0]),
                          float(middle[1]) - 4.2, _TEXT_MM, "middle", ADDED),))
    return figure


def _slope_label(figure: Figure, rings: tuple[Floats, ...], fit: Fit, window: Box, color: str
                 ) -> Figure:
    """Angle of the longest slanting underside of the change, from the platform."""
    best: tuple[tuple[float, float], Floats, Floats] | None = None
    whole = np.empty((0, 2))
    for ring in rings:
        for a, b in zip(ring, np.roll(ring, -1, axis=0), strict=True):
            dx, dz = abs(b - a)
            middle = (a + b) / 2.0
            inside = window[0] < middle[0] < window[2] and window[1] < middle[1] < window[3]
            # What is added has its underside below it, what is taken away leaves one above it.
            down = b[0] > a[0] if color != REMOVED else b[0] < a[0]
            if inside and dx > 0.2 * dz and dz > 0.2 * dx and down:
                # Of two as long, the higher: farther from what is written below.
                size = round(float(np.hypot(dx, dz)), 2), float(middle[1])
                if best is None or size > best[0]:
                    best, whole = (size, a, b), ring
    if best is None or best[0][0] * fit.scale < 6.0:
        return figure
    _, a, b = best
    along = (b - a) / np.linalg.norm(b - a)
    outward = np.array([along[1], -along[0]])
    # Beside the line, in the free: past what was taken away.
    free = 2.0
    if color == REMOVED:
        free = -4.5 - fit.scale * float(((a + b) / 2.0 @ outward) - (whole @ outward).min())
    at = fit.points(((a + b) / 2.0)[None])[0] + outward * free
    angle = math.degrees(math.atan2(abs(b[1] - a[1]), abs(b[0] - a[0])))
    label = Label(f"{angle:.0f}°", float(at[0]), float(at[1]) - (1.6 if outward[1] < 0 else 0.0),
                  _TEXT_MM, "start" if outward[0] > 0.1 else "end", color)
    return figure.plus(labels=(label,))
