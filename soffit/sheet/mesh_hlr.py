"""Hidden lines of a mesh, exactly: each edge against each triangle that could cover it.

Along an edge, "inside the triangle's image" and "behind its plane" are linear in the position
on the edge, so that a triangle hides one interval of it (three edges and one depth, four
half-lines). The union of these intervals is what is hidden; nothing is sampled.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from soffit.part.model import Floats, Ints, Mesh
from soffit.sheet.lines import covered, uncovered
from soffit.sheet.view import Bools, Scene

# Where two facets meet at more than this, the edge is drawn, whatever face they belong to
# (common practice, no source: coarse round faces have up to 12 to 16 facets a half turn).
CREASE_DEG = 30.0
# Between two different faces a smaller angle already makes an edge (common practice, no source).
FACE_EDGE_DEG = 5.0
# Facets of one round face meet at less than this (derived: 24 to the full turn and more).
FACET_DEG = 16.0
_CHUNK = 400_000


@dataclass(frozen=True)
class Edges:
    """Drawn edges of a mesh: `ends` (n, 3) pairs in 3D as (n, 2, 3), mm; `smooth` (n,): faces
    meet there without a visible angle; `owner` (n,): body that the edge belongs to."""

    ends: Floats
    smooth: Bools
    owner: Ints


def drawn_edges(mesh: Mesh, scene: Scene, facets: tuple[int, ...] = ()) -> Edges:
    """Creases, face boundaries, open borders and the outline of `mesh` in this view.

    `facets`: ids of faces that may stand together for a curved one; between two of them only
    creases count.
    """
    welded, node = np.unique(np.round(mesh.vertices, 7), axis=0, return_inverse=True)
    tri = node.reshape(-1)[mesh.triangles]
    pairs = np.sort(np.concatenate([tri[:, [0, 1]], tri[:, [1, 2]], tri[:, [2, 0]]]), axis=1)
    side = np.tile(np.arange(len(tri)), 3)
    good = pairs[:, 0] != pairs[:, 1]
    pairs, side = pairs[good], side[good]
    order = np.lexsort((side, pairs[:, 1], pairs[:, 0]))
    pairs, side = pairs[order], side[order]
    first = np.flatnonzero(np.any(np.diff(pairs, axis=0, prepend=-1) != 0, axis=1))
    count = np.diff(np.append(first, len(pairs)))
    one = side[first]
    two = side[np.minimum(first + 1, len(side) - 1)]
    paired = count == 2

    area = np.linalg.norm(mesh.cross, axis=1)
    normal = mesh.cross / np.maximum(area, 1e-300)[:, None]
    cosine = np.einsum("ij,ij->i", normal[one], normal[two])
    sliver = (area[one] < 1e-12) | (area[two] < 1e-12)
    other_face = mesh.face_of[one] != mesh.face_of[two]
    crease = (cosine < np.cos(np.radians(CREASE_DEG))) & ~sliver
    loose = np.isin(mesh.face_of, np.asarray(facets, dtype=np.int64))
    faceted = loose[one] & loose[two] & (cosine > np.cos(np.radians(FACET_DEG)))
    face_edge = other_face & ~faceted & (cosine < np.cos(np.radians(FACE_EDGE_DEG))) & ~sliver
    outline = scene.front[one] != scene.front[two]
    sharp = ~paired | crease | face_edge | (outline & ~sliver)
    smooth = paired & other_face & ~sharp & ~faceted
    keep = sharp | smooth
    return Edges(welded[pairs[first[keep]]], smooth[keep], mesh.body_of[one[keep]])


def boundary_of(mesh: Mesh, faces: tuple[int, ...]) -> Floats:
    """Edges around a set of faces, (n, 2, 3) mm."""
    inside = np.isin(mesh.face_of, np.asarray(faces))
    node = np.unique(np.round(mesh.vertices, 7), axis=0, return_inverse=True)[1].reshape(-1)
    tri = mesh.triangles[inside]
    ends = np.concatenate([tri[:, [0, 1]], tri[:, [1, 2]], tri[:, [2, 0]]])
    key = np.sort(node[ends], axis=1)
    _, index, count = np.unique(key, axis=0, return_index=True, return_counts=True)
    found: Floats = mesh.vertices[ends[index[count == 1]]]
    return found


def split(scene: Scene, ends: Floats) -> tuple[Ints, Floats, Ints, Floats]:
    """Cut edges (n, 2, 3), mm in the build frame, where they pass behind the scene.

    Returns index of the edge and image segment of each visible piece, (v,), (v, 2, 2), then
    of each hidden piece.
    """
    images = scene.view.points(ends)
    eps = scene.lateral_mm
    length = np.linalg.norm(images[:, 1, :2] - images[:, 0, :2], axis=1)
    flat = np.flatnonzero(length > 10.0 * eps)
    images, length = images[flat], length[flat]
    owner, start, end = _hidden_intervals(scene, images)
    # In mm along the image, so that gaps and scraps are judged by what the eye sees.
    owner, start, end = covered(owner, start * length[owner], end * length[owner], 20.0 * eps)
    real = end - start > 20.0 * eps
    owner, start, end = owner[real], start[real], np.minimum(end[real], length[owner[real]])
    seen, seen_start, seen_end = uncovered(owner, start, end, length)
    real = seen_end - seen_start > 20.0 * eps
    seen, seen_start, seen_end = seen[real], seen_start[real], seen_end[real]

    def cut(who: Ints, low: Floats, high: Floats) -> Floats:
        t = np.stack([low, high], axis=1) / length[who][:, None]
        a, b = images[who, 0, :2], images[who, 1, :2]
        pieces: Floats = a[:, None, :] + t[:, :, None] * (b - a)[:, None, :]
        return pieces

    return (flat[seen], cut(seen, seen_start, seen_end), flat[owner], cut(owner, start, end))


def _hidden_intervals(scene: Scene, images: Floats) -> tuple[Ints, Floats, Floats]:
    """Edge index and interval 0..1 for every triangle that hides a piece of an edge."""
    if not len(images) or not len(scene.occluders):
        return np.empty(0, dtype=np.int64), np.empty(0), np.empty(0)
    eps = scene.lateral_mm
    boxes = scene.boxes
    tree = shapely.STRtree(shapely.box(boxes[:, 0] - eps, boxes[:, 1] - eps,
                                       boxes[:, 2] + eps, boxes[:, 3] + eps))
    low, high = images[:, :, :2].min(axis=1), images[:, :, :2].max(axis=1)
    edge_all, tri_all = tree.query(shapely.box(low[:, 0] - eps, low[:, 1] - eps,
                                               high[:, 0] + eps, high[:, 1] + eps))
    nearest = scene.occluders[:, :, 2].max(axis=1)
    farthest = images[:, :, 2].min(axis=1)
    could = nearest[tri_all] > farthest[edge_all] + scene.depth_mm
    edge_all, tri_all = edge_all[could], tri_all[could]
    found: list[tuple[Ints, Floats, Floats]] = []
    for begin in range(0, len(edge_all), _CHUNK):
        edge, tri = edge_all[begin:begin + _CHUNK], tri_all[begin:begin + _CHUNK]
        p, corners, plane = images[edge], scene.occluders[tri, :, :2], scene.planes[tri]
        t0, t1 = np.zeros(len(edge)), np.ones(len(edge))
        for k in range(3):
            a = corners[:, k]
            along = corners[:, (k + 1) % 3] - a
            # A side shorter than rounding has no direction; the other two decide.
            reach = np.maximum(np.linalg.norm(along, axis=1), 1e-12)
            inside = [(along[:, 0] * (p[:, e, 1] - a[:, 1]) - along[:, 1] * (p[:, e, 0] - a[:, 0]))
                      / reach + eps for e in (0, 1)]
            _clip(t0, t1, inside[0], inside[1])
        behind = [plane[:, 0] + plane[:, 1] * p[:, e, 0] + plane[:, 2] * p[:, e, 1] - p[:, e, 2]
                  - scene.depth_mm for e in (0, 1)]
        _clip(t0, t1, behind[0], behind[1])
        hit = t1 > t0
        found.append((edge[hit].astype(np.int64), t0[hit], t1[hit]))
    if not found:
        return np.empty(0, dtype=np.int64), np.empty(0), np.empty(0)
    owner, start, end = zip(*found, strict=True)
    return np.concatenate(owner), np.concatenate(start), np.concatenate(end)


def _clip(t0: Floats, t1: Floats, at0: Floats, at1: Floats) -> None:
    """Narrow [t0, t1] in place to where the linear function from at0 to at1 is positive."""
    slope = at1 - at0
    with np.errstate(divide="ignore", invalid="ignore"):
        zero = -at0 / slope
    rising, falling, level = slope > 0.0, slope < 0.0, slope == 0.0
    np.copyto(t0, np.maximum(t0, zero), where=rising)
    np.copyto(t1, np.minimum(t1, zero), where=falling)
    np.copyto(t1, -1.0, where=level & (at0 <= 0.0))
