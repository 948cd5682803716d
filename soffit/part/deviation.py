"""How far faces have moved between two states of a part.

Points spread over each face of the first part are measured against the whole surface of
the second, both in the build frame. A face that was moved, cut away or covered shows a
distance; one that merely became larger or lost a corner elsewhere does not.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import cast

import numpy as np

from soffit.part import kernel
from soffit.part.model import Floats, Ints, Mesh, Part

# Points a face is sampled with: one for each 0.5 mm square, about one line wide, and at most
# as many as keep the measurement of a face under a second (measured).
SPACING_MM = 0.5
MOST_POINTS = 1500

# Steps of the plane's most even additive sequence: powers of 1/g, g³ = g + 1 (M. Roberts 2018).
_STEPS = np.array([0.7548776662466927, 0.5698402909980532])


def face_deviation(
    before: Part, after: Part, face_ids: Sequence[int], *, timeout_s: float = 300.0
) -> dict[int, float]:
    """Largest distance of each face of `before` from the surface of `after`, mm, by face id.

    Exact between two B-reps; where one is a mesh, the mesh is measured, and the distance
    includes up to both deflections. Raises KernelError where the kernel fails.
    """
    ids = sorted(set(face_ids))
    if before.brep is None or after.brep is None:
        return {i: mesh_distance(face_points(before, i), after.mesh) for i in ids}
    to_file = np.linalg.inv(before.placement)
    samples = [
        (i, face_points(before, i) @ to_file[:3, :3].T + to_file[:3, 3]) for i in ids
    ]
    found = kernel.call(
        "soffit.part.brep.measure:largest_distances",
        before.brep,
        samples,
        after.brep,
        np.linalg.inv(after.placement) @ before.placement,
        timeout_s=timeout_s,
        doing=f"measuring the protected faces of {before.source.file}",
    )
    return cast("dict[int, float]", found)


def face_points(part: Part, face_id: int) -> Floats:
    """Points spread over the triangles of a face, (k, 3), corners first; the same every time."""
    rows = part.triangles_of([face_id])
    mesh = part.mesh
    corners = mesh.vertices[np.unique(mesh.triangles[rows])]
    counts = np.ceil(mesh.areas[rows] / SPACING_MM**2).astype(np.int64)
    share = min(1.0, MOST_POINTS / max(int(counts.sum()), 1))
    counts = np.maximum((counts * share).astype(np.int64), 1)
    triangle = np.repeat(np.arange(len(rows)), counts)
    first = np.repeat(np.cumsum(counts) - counts, counts)
    inside = _within(mesh.corners[rows][triangle], np.arange(len(triangle)) - first)
    return np.concatenate([_thinned(corners), _thinned(inside)])


def spread_points(corners: Floats, count: int) -> Floats:
    """So many points spread over triangles (m, 3, 3) by area, (count, 3); the same every time."""
    return spread_over(corners, count)[0]


def spread_over(corners: Floats, count: int) -> tuple[Floats, Ints]:
    """The same, and the triangle that each point lies in, (count,); none where they have no
    area."""
    area = 0.5 * np.linalg.norm(
        np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    reached = np.cumsum(area)
    if not len(reached) or reached[-1] <= 0.0:
        return np.empty((0, 3)), np.empty(0, np.int64)
    triangle = np.searchsorted(reached, (np.arange(count) + 0.5) / count * reached[-1])
    return _within(corners[triangle], np.arange(count)), triangle


def _within(corners: Floats, number: Ints) -> Floats:
    """A point within each of some triangles (k, 3, 3), by its number (k,) in the sequence."""
    weights = (0.5 + np.outer(number, _STEPS)) % 1.0
    over = weights.sum(axis=1) > 1
    weights[over] = 1 - weights[over]
    a, b, c = np.moveaxis(corners, 1, 0)
    return np.asarray(a + weights[:, :1] * (b - a) + weights[:, 1:] * (c - a))


def mesh_distance(points: Floats, mesh: Mesh) -> float:
    """Largest distance of `points` (k, 3) from the surface of a mesh, mm; 0 without points."""
    if not len(points):
        return 0.0
    # No point is farther from the surface than from a corner of it.
    at_most, _ = mesh.nodes.query(points)
    farthest = float(at_most.max()) * (1 + 1e-9)
    low, high = mesh.boxes
    near = ((low <= points.max(axis=0) + farthest) & (high >= points.min(axis=0) - farthest)).all(
        axis=1)
    low, high, corners = low[near], high[near], mesh.corners[near]
    largest = 0.0
    for k in np.argsort(-at_most, kind="stable"):
        if at_most[k] <= largest:
            break  # none that follows can be the largest
        outside = np.maximum(np.maximum(low - points[k], points[k] - high), 0.0)
        candidates = np.einsum("ij,ij->i", outside, outside) <= at_most[k] ** 2 * (1 + 1e-9)
        largest = max(largest, float(_triangle_distance(points[k], corners[candidates]).min()))
    return largest


def comes_near(points: Floats, corners: Floats, within_mm: float) -> bool:
    """Whether any of `points` (k, 3) lies within a distance of the triangles (m, 3, 3)."""
    low, high = corners.min(axis=(0, 1)) - within_mm, corners.max(axis=(0, 1)) + within_mm
    around = points[((points >= low) & (points <= high)).all(axis=1)]
    return any(float(_triangle_distance(p, corners).min()) <= within_mm for p in around)


def _triangle_distance(point: Floats, corners: Floats) -> Floats:
    """Distance of a point from each triangle, (m,): to its plane where the foot lies inside,
    else to the nearest edge."""
    best = np.full(len(corners), np.inf)
    edges = np.roll(corners, -1, axis=1) - corners
    normal = np.cross(edges[:, 0], edges[:, 1])
    length = np.linalg.norm(normal, axis=1)
    inside = length > 0
    for i in range(3):
        to_point = point - corners[:, i]
        edge = edges[:, i]
        square = np.einsum("ij,ij->i", edge, edge)
        t = np.einsum("ij,ij->i", to_point, edge) / np.where(square > 0, square, 1.0)
        gap = to_point - np.clip(t, 0.0, 1.0)[:, None] * edge
        best = np.minimum(best, np.linalg.norm(gap, axis=1))
        inside &= np.einsum("ij,ij->i", np.cross(edge, to_point), normal) >= 0
    height = np.abs(np.einsum("ij,ij->i", point - corners[:, 0], normal))
    return np.where(inside, height / np.where(length > 0, length, 1.0), best)


def _thinned(points: Floats) -> Floats:
    step = -(-len(points) // MOST_POINTS)
    return points[:: max(step, 1)]
