"""The visible part of an area of a mesh, as exact outlines in the drawing plane.

Triangles of one plane are taken together. Whatever lies in front of that plane (triangles
that cross it are clipped at it) is projected and subtracted from their image.
"""

from __future__ import annotations

import math

import manifold3d as m3
import numpy as np

from soffit.layers.stack import offset_of
from soffit.part.model import Floats, Ints
from soffit.sheet.view import EDGE_ON, Bools, Scene

# Above this number of planes (freeform areas) triangles are shown whole where their middle is
# seen: the exact outline of each would take seconds and look the same (derived from timing).
MAX_PLANES = 300
# Their longest side, as a share of the part, and how many pieces at most (from timing).
_PIECES, _MOST_PIECES = 40.0, 4000
# Points that are set against what may hide them at once (from timing).
_TOGETHER = 16


def visible_area(scene: Scene, corners_mm: Floats, plan: tuple[Floats, ...] = ()
                 ) -> tuple[Floats, ...]:
    """Outlines of what is seen of triangles (k, 3, 3), mm in the build frame: outer rings
    counter-clockwise and holes clockwise, each (n, 2) mm of the drawing plane.

    `plan`: rings seen from above that the triangles are first cut to; () takes them whole.
    """
    corners = scene.view.points(corners_mm)
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    corners = corners[cross[:, 2] > EDGE_ON * np.maximum(np.linalg.norm(cross, axis=1), 1e-300)]
    if not len(corners):
        return ()
    plane = _planes(scene, corners)
    if plane.max() >= MAX_PLANES:
        return _rings(scene, _whole_triangles(scene, corners))
    shown: list[m3.CrossSection] = []
    for k in range(int(plane.max()) + 1):
        group = corners[plane == k]
        image = m3.CrossSection(list(group[:, :, :2]), m3.FillRule.NonZero)
        if plan:
            image = image ^ _plan_in_view(scene, group, plan)
        cover = _in_front(scene, group)
        shown.append(image - cover if cover is not None else image)
    return _rings(scene, m3.CrossSection.batch_boolean(shown, m3.OpType.Add))


def _plan_in_view(scene: Scene, group: Floats, plan: tuple[Floats, ...]) -> m3.CrossSection:
    """Plan rings lifted to the plane of `group` and seen in the view; everything for a wall,
    which has no area in plan to be cut."""
    a, normal = _plane_of(group @ scene.view.axes)
    if abs(normal[2]) < 1e-3:
        return m3.CrossSection(list(group[:, :, :2]), m3.FillRule.NonZero)
    lifted = []
    for ring in plan:
        z = a[2] - ((ring - a[:2]) @ normal[:2]) / normal[2]
        lifted.append(scene.view.points(np.column_stack([ring, z]))[:, :2])
    return m3.CrossSection(lifted, m3.FillRule.EvenOdd)


def visible_middles(scene: Scene, points: Floats) -> Bools:
    """Whether nothing lies in front of each point (n, 3) in plane and depth, (n,)."""
    seen = np.ones(len(points), dtype=bool)
    boxes = scene.boxes
    for mine in _neighbourhoods(points[:, :2]):
        low, high = points[mine, :2].min(axis=0), points[mine, :2].max(axis=0)
        near = np.flatnonzero((boxes[:, 0] <= high[0]) & (boxes[:, 2] >= low[0])
                              & (boxes[:, 1] <= high[1]) & (boxes[:, 3] >= low[1]))
        x, y, depth = (points[mine, k, None] for k in range(3))
        plane, c = scene.planes[near], scene.occluders[near]
        hides = plane[:, 0] + plane[:, 1] * x + plane[:, 2] * y > depth + scene.depth_mm
        for i in range(3):
            a, along = c[:, i], c[:, (i + 1) % 3] - c[:, i]
            hides &= along[:, 0] * (y - a[:, 1]) - along[:, 1] * (x - a[:, 0]) >= 0.0
        seen[mine] = ~hides.any(axis=1)
    return seen


def _neighbourhoods(points: Floats) -> list[Ints]:
    """Numbers of points (n, 2) in small groups of near ones: rows of as many, cut up along x."""
    rows = max(1, math.ceil(math.sqrt(len(points) / _TOGETHER)))
    found = []
    for row in np.array_split(np.argsort(points[:, 1], kind="stable"), rows):
        along = row[np.argsort(points[row, 0], kind="stable")]
        found += np.array_split(along, max(1, math.ceil(len(along) / _TOGETHER)))
    return [group for group in found if len(group)]


def silhouette(scene: Scene) -> m3.CrossSection:
    """Everything that the part covers in the drawing plane."""
    return m3.CrossSection(list(scene.occluders[:, :, :2]), m3.FillRule.NonZero)


def _planes(scene: Scene, corners: Floats) -> Ints:
    """Number of the plane that each triangle lies in, (k,), from 0."""
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    offset = np.einsum("ij,ij->i", normal, corners[:, 0])
    key = np.column_stack([np.round(normal, 4), np.round(offset / (50.0 * scene.depth_mm))])
    number: Ints = np.unique(key, axis=0, return_inverse=True)[1].reshape(-1)
    return number


def _in_front(scene: Scene, group: Floats) -> m3.CrossSection | None:
    low, high = group[:, :, :2].min(axis=(0, 1)), group[:, :, :2].max(axis=(0, 1))
    a, normal = _plane_of(group)  # front-facing, so its depth component is positive
    boxes = scene.boxes
    near = np.flatnonzero((boxes[:, 0] < high[0]) & (boxes[:, 2] > low[0])
                          & (boxes[:, 1] < high[1]) & (boxes[:, 3] > low[1]))
    # A facet of a round face is a thin strip: what lies beside it does not cover it.
    side = np.roll(group, -1, axis=1)[..., :2] - group[..., :2]
    longest = side.reshape(-1, 2)[np.argmax(np.linalg.norm(side.reshape(-1, 2), axis=1))]
    across = np.array([-longest[1], longest[0]])
    mine, theirs = group[..., :2] @ across, scene.occluders[near][..., :2] @ across
    near = near[(theirs.min(axis=1) < mine.max()) & (theirs.max(axis=1) > mine.min())]
    tri = scene.occluders[near]
    height = (tri - a) @ normal - scene.depth_mm
    inside = height > 0.0
    whole = inside.all(axis=1)
    polygons = list(tri[whole][:, :, :2])
    for points, h in zip(tri[inside.any(axis=1) & ~whole], height[inside.any(axis=1) & ~whole],
                         strict=True):
        polygons.append(_clipped(points, h))
    return m3.CrossSection(polygons, m3.FillRule.NonZero) if polygons else None


def _plane_of(group: Floats) -> tuple[Floats, Floats]:
    """A point and the unit normal of the plane of coplanar triangles, from the largest one."""
    cross = np.cross(group[:, 1] - group[:, 0], group[:, 2] - group[:, 0])
    length = np.linalg.norm(cross, axis=1)
    largest = int(np.argmax(length))
    return group[largest, 0], cross[largest] / length[largest]


def _clipped(points: Floats, height: Floats) -> Floats:
    """The image of a triangle's piece with positive height, (3 or 4, 2)."""
    kept: list[Floats] = []
    for k in range(3):
        a, b, ha, hb = points[k], points[(k + 1) % 3], height[k], height[(k + 1) % 3]
        if ha > 0.0:
            kept.append(a[:2])
        if (ha > 0.0) != (hb > 0.0):
            kept.append((a + ha / (ha - hb) * (b - a))[:2])
    return np.array(kept)


def _whole_triangles(scene: Scene, corners: Floats) -> m3.CrossSection:
    # Long ones are quartered, so that none reaches far behind what hides its other end.
    for _ in range(4):
        sides = np.linalg.norm(np.roll(corners, -1, axis=1) - corners, axis=2).max(axis=1)
        long = sides > scene.size_mm / _PIECES
        if not long.any() or len(corners) > _MOST_PIECES:
            break
        a, b, c = (corners[long, k] for k in range(3))
        ab, bc, ca = (a + b) / 2.0, (b + c) / 2.0, (c + a) / 2.0
        quarters = [np.stack(t, axis=1) for t in
                    ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))]
        corners = np.concatenate([corners[~long], *quarters])
    seen = visible_middles(scene, corners.mean(axis=1))
    return m3.CrossSection(list(corners[seen][:, :, :2]), m3.FillRule.NonZero)


def _rings(scene: Scene, area: m3.CrossSection) -> tuple[Floats, ...]:
    """Rings without slivers that only rounding made."""
    hair = 20.0 * scene.lateral_mm
    opened = offset_of(offset_of(area, -hair), hair)
    rings = [np.asarray(r, dtype=np.float64) for r in opened.simplify(hair).to_polygons()]
    return tuple(sorted(rings, key=lambda r: tuple(np.round(r.min(axis=0), 6).tolist())))
