"""One section through each change: what was there, what is added, what is taken away."""

from __future__ import annotations

import math
from dataclasses import replace

import manifold3d as m3
import numpy as np
import shapely

from soffit.findings.model import Patch
from soffit.layers.slicer import slice_open_mesh
from soffit.layers.stack import offset_of
from soffit.part.model import Body, Floats, Mesh
from soffit.sheet.drawings import Fit, dimension, drawing_scale
from soffit.sheet.figure import ADDED, AIR, Area, AreaKind, Figure, Label, Stroke

WIDTH_MM, HEIGHT_MM = 72.0, 58.0
_FOOT_MM, _HEAD_MM, _SIDE_MM = 9.0, 3.0, 10.0
# Widths closer than this are the same (derived: a circle of 16 chords differs by 2 %).
SAME_WIDTH = 0.02
# What is thinner on paper is drawn this thick and its thickness is written beside it (a hatch
# of 1.3 mm needs as much).
_THIN_MM = 1.4
# Planes tried where the first one misses the change (from timing).
_TRIED = 9


def across(patch: Patch) -> Floats:
    """Plan direction in which a patch is best cut, unit (2,): along the strands of a bridge,
    else at right angles to the edges that hold it; along x or y where that is as good."""
    if patch.bridge_dir is not None:
        along = np.asarray(patch.bridge_dir, dtype=np.float64)
        along = along / np.linalg.norm(along)
        # A round place is as wide every way, so the one found first means nothing.
        wide = _width(patch, along)
        for axis in (np.array([1.0, 0.0]), np.array([0.0, 1.0])):
            if _width(patch, axis) <= (1.0 + SAME_WIDTH) * wide:
                return axis
        return _positive(along)
    held = [np.diff(line, axis=0) for line in patch.anchors if len(line) > 1]
    if not held:
        return np.array([1.0, 0.0])
    steps = np.concatenate(held)
    length = np.linalg.norm(steps, axis=1)
    angle = np.arctan2(steps[:, 1], steps[:, 0])
    # Doubled angles, because an edge has no sense of direction.
    c, s = float((length * np.cos(2 * angle)).sum()), float((length * np.sin(2 * angle)).sum())
    if math.hypot(c, s) < 0.2 * float(length.sum()):
        return np.array([1.0, 0.0])
    main = 0.5 * math.atan2(s, c)
    return _positive(np.array([-math.sin(main), math.cos(main)]))


def _width(patch: Patch, along: Floats) -> float:
    """Extent of a patch along a plan direction, mm."""
    return float(np.ptp(np.concatenate(patch.rings) @ along)) if patch.rings else 0.0


def _positive(direction: Floats) -> Floats:
    """The same line, pointing towards +x (or +y)."""
    clean = np.where(np.abs(direction) < 1e-9, 0.0, direction)
    first = clean[0] if clean[0] != 0.0 else clean[1]
    return clean if first > 0 else -clean


def cut(mesh: Mesh, direction: Floats, point: Floats) -> m3.CrossSection:
    """Section of a mesh by the upright plane through `point` along plan `direction`; first
    coordinate along `direction`, second z, mm."""
    d = np.array([direction[0], direction[1], 0.0])
    axes = np.array([d, [0.0, 0.0, 1.0], np.cross(d, (0.0, 0.0, 1.0))])
    turned = replace(mesh, vertices=mesh.vertices @ axes.T)
    return slice_open_mesh(turned, np.array([float(axes[2] @ point)]))[0]


def where_to_cut(received: Mesh, produced: Mesh, props: tuple[Body, ...], direction: Floats,
                 point: Floats, corners_mm: Floats) -> Floats:
    """`point`, where the section through it shows a change; else the point beside it, within
    what `corners_mm` (k, 3, 3) of the change reach, where it shows most of one."""
    def shown_mm2(at: Floats) -> float:
        before, after = cut(received, direction, at), cut(produced, direction, at)
        stood = sum(cut(b.mesh, direction, at).area() for b in props)
        return float((after - before).area() + (before - after).area() + stood)

    # What rounding alone makes of two cuts of the same face (derived: as the hair below).
    if not len(corners_mm) or shown_mm2(point) > 1e-3 * float(np.ptp(received.bounds)):
        return point
    normal = np.array([-direction[1], direction[0], 0.0])
    reach = corners_mm @ normal
    offsets = np.linspace(float(reach.min()), float(reach.max()), _TRIED + 2)[1:-1]
    points = [point + (k - float(point @ normal)) * normal for k in offsets.tolist()]
    return max(points, key=shown_mm2)


def section_figure(key: str, number: str, received: Mesh, produced: Mesh,
                   props: tuple[Body, ...], direction: Floats, point: Floats,
                   patch: Patch, focus: tuple[float, float, float, float]
                   ) -> Figure | None:
    """Draw the section at `point`; `focus`: bounds of the change along the section and in z, as
    x0, z0, x1, z1. None where the plane cuts nothing."""
    before, after = cut(received, direction, point), cut(produced, direction, point)
    # A hair off both, so that faces that only moved by rounding do not count as changed.
    hair = 2e-4 * float(np.ptp(received.bounds, axis=0).max())
    added = _open(after - before, hair)
    removed = _open(before - after, hair)
    stood = m3.CrossSection.batch_boolean([cut(b.mesh, direction, point) for b in props],
                                          m3.OpType.Add) if props else m3.CrossSection()
    over = _over_air(patch, direction, point)
    frame = _window(before + after, added + removed + stood, focus, over)
    if frame is None:
        return None
    x0, y0, x1, y1 = frame
    room_w, room_h = WIDTH_MM - 2 * _SIDE_MM, HEIGHT_MM - _FOOT_MM - _HEAD_MM
    scale, words = drawing_scale(min(room_w / (x1 - x0), room_h / (y1 - y0)))
    fit = Fit(scale, WIDTH_MM / 2.0 - scale * (x0 + x1) / 2.0,
              _FOOT_MM + (room_h - scale * (y1 - y0)) / 2.0 - scale * y0)
    window = m3.CrossSection([np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])])
    kinds: tuple[tuple[m3.CrossSection, AreaKind, str], ...] = (
        (before ^ after, "material", ""), (added, "added", "added"),
        (removed, "removed", "removed"), (stood, "prop", "prop"))
    areas = []
    for shape, kind, edge in kinds:
        rings = fit.rings(_rings(shape ^ window))
        if rings:
            areas.append(Area(rings, kind, edge if kind != "removed" else "removed"))
    strokes = [Stroke(fit.points(line), "visible")
               for line in _outline(after, frame)]
    if y0 <= 0.0 <= y1:
        ground = fit.points(np.array([[x0, 0.0], [x1, 0.0]]))
        strokes.append(Stroke(ground + np.array([[-4.0, 0.0], [4.0, 0.0]]), "axis"))
    axis, value = ("y", point[1]) if abs(direction[0]) > 0.999 else (
        ("x", point[0]) if abs(direction[1]) > 0.999 else ("", 0.0))
    place = f"at {axis} = {value:.1f}" if axis else (
        f"through {point[0]:.1f}, {point[1]:.1f} at "
        f"{math.degrees(math.atan2(direction[1], direction[0])):.0f}° to x")
    figure = Figure(key, f"Section at {number}", f"{place} · {words}",
                    f"Section {place} through change {number}: material kept, added and removed.",
                    WIDTH_MM, HEIGHT_MM, tuple(areas), tuple(strokes))
    figure = _thin_sheets(figure, added ^ window, fit)
    if over is not None and over[1] - over[0] > 0.05:
        ends = fit.points(np.array([[over[0], over[2]], [over[1], over[2]]]))
        figure = figure.plus(strokes=(Stroke(ends, "air-edge"),))
        line = float(min(fit.points(np.array([[0.0, y0]]))[0, 1], ends[0, 1])) - 4.0
        figure = dimension(figure, ends[0], ends[1], line, f"{over[1] - over[0]:.1f}", AIR)
    return _slope_label(figure, added, fit, frame)


def _thin_sheets(figure: Figure, added: m3.CrossSection, fit: Fit) -> Figure:
    """Draw level sheets of added material that are too thin for a hatch, such as membranes, as
    a solid band, the thickness beside it."""
    for ring in _rings(added):
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
                          float(middle[1]) - 4.2, 2.5, "middle", ADDED),))
    return figure


def _open(shape: m3.CrossSection, hair: float) -> m3.CrossSection:
    return offset_of(offset_of(shape, -hair), hair)


def _rings(shape: m3.CrossSection) -> tuple[Floats, ...]:
    rings = [np.asarray(r, dtype=np.float64) for r in shape.to_polygons()]
    return tuple(sorted(rings, key=lambda r: tuple(np.round(r.min(axis=0), 6).tolist())))


def _over_air(patch: Patch, direction: Floats, point: Floats
              ) -> tuple[float, float, float] | None:
    """Stretch of the patch that the plane cuts, along the section, and its height."""
    if not patch.rings:
        return None
    area = shapely.Polygon()
    for ring in patch.rings:
        area = area.symmetric_difference(shapely.Polygon(ring).buffer(0))
    far = 1e5
    line = shapely.LineString([point[:2] - far * direction, point[:2] + far * direction])
    hit = area.intersection(line)
    pieces = [g for g in getattr(hit, "geoms", [hit]) if g.geom_type == "LineString"]
    spans = sorted((min(e), max(e)) for e in
                   ([float(np.asarray(c) @ direction) for c in g.coords] for g in pieces) if e)
    here = float(point[:2] @ direction)
    near = [s for s in spans if s[0] - 1e-6 <= here <= s[1] + 1e-6] or spans
    if patch.pierced and spans:  # its two sides belong together
        near = [(spans[0][0], spans[-1][1])]
    if not near or patch.z_mm[1] - patch.z_mm[0] > 0.3 * (near[0][1] - near[0][0]):
        return None  # a steep place has no level stretch to dimension
    return near[0][0], near[0][1], sum(patch.z_mm) / 2.0


def _window(whole: m3.CrossSection, changed: m3.CrossSection,
            focus: tuple[float, float, float, float], over: tuple[float, float, float] | None
            ) -> tuple[float, float, float, float] | None:
    """What to show: the change where the plane cuts it, the place over air, and some of the part
    around them."""
    if whole.is_empty():
        return None
    wx0, wy0, wx1, wy1 = whole.bounds()
    boxes = []
    for ring in _rings(changed):
        (rx0, ry0), (rx1, ry1) = ring.min(axis=0), ring.max(axis=0)
        if rx0 <= focus[2] and rx1 >= focus[0] and ry0 <= focus[3] and ry1 >= focus[1]:
            boxes.append((rx0, ry0, rx1, ry1))
    if over is not None:
        boxes.append((over[0], over[2], over[1], over[2]))
    if not boxes:
        boxes.append(focus)
    every = np.array(boxes)
    low, high = every[:, :2].min(axis=0), every[:, 2:].max(axis=0)
    margin = max(0.35 * float((high - low).max()), 0.08 * (wx1 - wx0), 3.0)
    # Nothing is shown beyond what there is.
    x0, x1 = max(low[0] - margin, min(wx0, low[0])), min(high[0] + margin, max(wx1, high[0]))
    y0, y1 = max(low[1] - margin, min(wy0, low[1])), min(high[1] + margin, max(wy1, high[1]))
    if x1 - x0 < 1e-6 or y1 - y0 < 1e-6:
        return None
    return float(x0), float(y0), float(x1), float(y1)


def _outline(shape: m3.CrossSection, frame: tuple[float, float, float, float]
             ) -> tuple[Floats, ...]:
    """Outline of a section inside the window, without the window's own sides."""
    window = shapely.box(*frame).buffer(1e-6)
    lines: list[Floats] = []
    for ring in _rings(shape):
        hit = shapely.LinearRing(ring).intersection(window)
        parts = [g for g in getattr(hit, "geoms", [hit]) if not g.is_empty]
        lines.extend(np.asarray(g.coords) for g in parts if g.geom_type in ("LineString",
                                                                            "LinearRing"))
    return tuple(lines)


def _slope_label(figure: Figure, added: m3.CrossSection, fit: Fit,
                 frame: tuple[float, float, float, float]) -> Figure:
    """Angle of the longest slanting edge of what is added, from the platform."""
    best: tuple[float, Floats, Floats] | None = None
    for ring in _rings(added):
        for a, b in zip(ring, np.roll(ring, -1, axis=0), strict=True):
            dx, dz = abs(b - a)
            middle = (a + b) / 2.0
            inside = frame[0] < middle[0] < frame[2] and frame[1] < middle[1] < frame[3]
            # Outer rings run counter-clockwise: material above an edge that runs right.
            if inside and dx > 0.2 * dz and dz > 0.2 * dx and b[0] > a[0]:
                size = float(np.hypot(dx, dz))
                if best is None or size > best[0]:
                    best = (size, a, b)
    if best is None or best[0] * fit.scale < 8.0:
        return figure
    _, a, b = best
    along = (b - a) / np.linalg.norm(b - a)
    outward = np.array([along[1], -along[0]])
    at = fit.points(((a + b) / 2.0)[None])[0] + outward * 2.0
    angle = math.degrees(math.atan2(abs(b[1] - a[1]), abs(b[0] - a[0])))
    anchor = "start" if outward[0] > 0.1 else "end"
    return figure.plus(labels=(Label(f"{angle:.0f}°", float(at[0]), float(at[1]) - 1.6, 2.5,
                                     "start" if anchor == "start" else "end", ADDED),))
