"""Sections through changes: where the plane runs, and what it cuts before and after."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import manifold3d as m3
import numpy as np
import shapely

from soffit.findings.model import Patch
from soffit.layers.slicer import slice_open_mesh
from soffit.layers.stack import offset_of, union_of
from soffit.part.model import Body, Floats, Mesh

Box = tuple[float, float, float, float]

# What rounding alone moves, as a share of the part (derived: as the cut's own rounding, tenfold).
HAIR = 2e-4
# What lies no farther off is the same place, mm (own choice: a quarter of a layer).
NEAR_MM = 0.05
# Widths closer than this are the same (derived: a circle of 16 chords differs by 2 %).
SAME_WIDTH = 0.02
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


@dataclass(frozen=True)
class Cut:
    """What a plane cuts: the part `before` and `after`, what is `added` and `removed`, and the
    props that stand there; first coordinate along `direction`, second z, mm.

    `over`: the underside that prints over air as received, as polylines (n, 2); `span`: from where
    to where along the section, None where the place is not cut.
    """

    direction: Floats
    point: Floats
    before: m3.CrossSection
    after: m3.CrossSection
    added: m3.CrossSection
    removed: m3.CrossSection
    props: m3.CrossSection
    over: tuple[Floats, ...] = ()
    span: tuple[float, float] | None = None

    @property
    def whole(self) -> Box:
        """What there is to see, x0, z0, x1, z1."""
        return _box([self.before, self.after, self.props])


def cut_at(received: Mesh, produced: Mesh, props: tuple[Body, ...], direction: Floats,
           point: Floats, patch: Patch) -> Cut | None:
    """The section through `point` along plan `direction`; None where it cuts nothing."""
    before, after = cut(received, direction, point), cut(produced, direction, point)
    if before.is_empty() and after.is_empty():
        return None
    # A hair off both, so that faces that only moved by rounding do not count as changed.
    hair = HAIR * float(np.ptp(received.bounds, axis=0).max())
    stood = union_of([cut(b.mesh, direction, point) for b in props]) if props \
        else m3.CrossSection()
    span = _span(patch, direction, point)
    over: tuple[Floats, ...] = ()
    if span is not None:
        over = underside(before, span, patch.z_mm)
    return Cut(direction, point, before, after, _real(after - before, hair),
               _real(before - after, hair), stood, over, span)


def underside(shape: m3.CrossSection, span: tuple[float, float], z_mm: tuple[float, float]
              ) -> tuple[Floats, ...]:
    """The lower outline of a section between two places along it and two heights, as polylines
    from left to right; a level one at the mean height where there is none."""
    low, high = z_mm[0] - NEAR_MM, z_mm[1] + NEAR_MM
    lines: list[shapely.LineString] = []
    for ring in rings_of(shape):
        for a, b in zip(ring, np.roll(ring, -1, axis=0), strict=True):
            # Rings have what they bound on their left: above an edge that runs right.
            if b[0] - a[0] <= 1e-9 or max(a[0], span[0]) >= min(b[0], span[1]):
                continue
            t = np.clip((np.array(span) - a[0]) / (b[0] - a[0]), 0.0, 1.0)
            ends = a + t[:, None] * (b - a)
            if low <= ends[:, 1].min() and ends[:, 1].max() <= high:
                lines.append(shapely.LineString(np.round(ends, 9)))
    if not lines:
        level = sum(z_mm) / 2.0
        return (np.array([[span[0], level], [span[1], level]]),)
    merged = shapely.line_merge(shapely.MultiLineString(lines))
    found = [np.asarray(line.coords) for line in getattr(merged, "geoms", [merged])]
    return tuple(sorted((line if line[0, 0] <= line[-1, 0] else line[::-1] for line in found),
                        key=lambda line: tuple(line[0].tolist())))


def traces(corners_mm: Floats, direction: Floats, point: Floats) -> Floats:
    """Where a plane cuts triangles (k, 3, 3): end points of the pieces along `direction` and in z,
    (n, 2), mm."""
    if not len(corners_mm):
        return np.empty((0, 2))
    normal = np.array([-direction[1], direction[0], 0.0])
    height = (corners_mm - point) @ normal
    found: list[Floats] = []
    for k in range(3):
        a, b = corners_mm[:, k], corners_mm[:, (k + 1) % 3]
        ha, hb = height[:, k], height[:, (k + 1) % 3]
        crossing = (ha <= 0.0) != (hb <= 0.0)
        t = ha[crossing] / (ha[crossing] - hb[crossing])
        found.append(a[crossing] + t[:, None] * (b[crossing] - a[crossing]))
    points = np.concatenate(found)
    return np.column_stack([points[:, :2] @ direction, points[:, 2]])


def rings_of(shape: m3.CrossSection) -> tuple[Floats, ...]:
    """The rings of a region, sorted."""
    rings = [np.asarray(r, dtype=np.float64) for r in shape.to_polygons()]
    return tuple(sorted(rings, key=lambda r: tuple(np.round(r.min(axis=0), 6).tolist())))


def _box(shapes: list[m3.CrossSection]) -> Box:
    bounds = np.array([s.bounds() for s in shapes if not s.is_empty()])
    low, high = bounds[:, :2].min(axis=0), bounds[:, 2:].max(axis=0)
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def _real(shape: m3.CrossSection, hair: float) -> m3.CrossSection:
    """What is wider than a hair; corners of more than 12 degrees are left as they are (derived:
    their tips lie 1 / sin 6° hairs away)."""
    return shape ^ offset_of(offset_of(shape, -hair, limit=10.0), hair, limit=10.0)


def _span(patch: Patch, direction: Floats, point: Floats) -> tuple[float, float] | None:
    """Stretch of the patch that the plane cuts, along the section."""
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
    return near[0] if near and near[0][1] - near[0][0] > NEAR_MM else None
