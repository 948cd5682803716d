"""Edges, bodies and volumes of a triangle mesh, all facets at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from soffit.part.model import Floats, Ints


@dataclass(frozen=True)
class Edges:
    """Edges between different vertices of a mesh.

    `ends` (e, 2), lower index first. `count` (e,): facets on each. `turn` (e,): facets that
    run along it upwards less those that run downwards; 0 where sides match. `start` (e,):
    where its facets begin in `facet`, (h,), which lists them edge by edge; `up` (h,) tells
    which of them run upwards.
    """

    ends: Ints
    count: Ints
    turn: Ints
    start: Ints
    facet: Ints
    up: Ints


def edges_of(triangles: Ints) -> Edges:
    """All edges of `triangles` (m, 3)."""
    a = triangles.reshape(-1)
    b = np.roll(triangles, -1, axis=1).reshape(-1)
    facet = np.repeat(np.arange(len(triangles)), 3)
    real = a != b
    a, b, facet = a[real], b[real], facet[real]
    low, high = np.minimum(a, b), np.maximum(a, b)
    span = np.int64(triangles.max() + 1) if len(triangles) else np.int64(1)
    key = low * span + high
    order = np.argsort(key, kind="stable")
    key, facet, up = key[order], facet[order], (a < b)[order]
    start = np.flatnonzero(np.diff(key, prepend=-1))
    count = np.diff(start, append=len(key))
    turn = (np.add.reduceat(np.where(up, 1, -1), start) if len(start)
            else np.empty(0, np.int64))
    ends = np.column_stack([key[start] // span, key[start] % span])
    return Edges(ends, count, turn, start, facet, up)


def pairs_up(triangles: Ints) -> tuple[bool, bool]:
    """Whether each edge is run along as often one way as the other, and whether any is run along
    the same way more than once."""
    start = triangles.astype(np.int64, copy=False).ravel()
    end = np.roll(triangles, -1, axis=1).astype(np.int64, copy=False).ravel()
    count = int(triangles.max(initial=0)) + 1
    runs = np.sort(start * count + end)
    return np.array_equal(runs, np.sort(end * count + start)), bool((runs[1:] == runs[:-1]).any())


def label(pairs: Ints, count: int) -> tuple[int, Ints]:
    """Connected groups of `count` things joined by `pairs` (k, 2): how many, and the group of
    each, numbered by first member."""
    graph = coo_array((np.ones(len(pairs), np.int8), (pairs[:, 0], pairs[:, 1])),
                      shape=(count, count))
    number, group = connected_components(graph, directed=False)
    _, first = np.unique(group, return_index=True)
    rank = np.empty(number, np.int64)
    rank[np.argsort(first, kind="stable")] = np.arange(number)
    return int(number), rank[group]


def shells(edges: Edges, count: int) -> tuple[int, Ints]:
    """Groups of facets joined by edges: number, and (m,) group of each facet."""
    same = np.repeat(np.arange(len(edges.start)), edges.count)
    joined = np.flatnonzero(same[1:] == same[:-1])
    return label(np.column_stack([edges.facet[joined], edges.facet[joined + 1]]), count)


def shell_volumes(vertices: Floats, triangles: Ints, shell: Ints, count: int) -> Floats:
    """Signed volume of each shell by the divergence theorem, (count,)."""
    if not len(triangles):
        return np.zeros(count)
    corners = vertices[triangles]
    # Each shell from a point of its own: far from the origin the products would cancel.
    first = np.unique(shell, return_index=True)[1]
    corners = corners - corners[first, 0][shell][:, None]
    products = np.einsum("ij,ij->i", corners[:, 0], np.cross(corners[:, 1], corners[:, 2]))
    volumes: Floats = np.bincount(shell, products, count) / 6.0
    return volumes


def ring_area(ring: Floats) -> float:
    """Signed area of a plan outline (n, 2), counter-clockwise positive (shoelace formula)."""
    # From its first point, so that the side back to it counts nothing.
    x, y = (ring - ring[0]).T
    return 0.5 * float(x[:-1] @ y[1:] - y[:-1] @ x[1:])


def line_length(line: Floats) -> float:
    """Length of a polyline (n, 2) or (n, 3)."""
    return float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())


def following(ring: Floats) -> Floats:
    """For each point (or value) of a closed ring the next one."""
    return np.concatenate([ring[1:], ring[:1]])


def turns(points: Floats, corners: Floats) -> Ints:
    """How often a closed surface winds round each point, by the facets that a ray straight up from
    it passes, (k,): 1 inside, 0 outside. A ray through an edge may count it twice or not at all:
    ask of several points.

    `points` (k, 3), `corners` (m, 3, 3).
    """
    answer = np.zeros(len(points), dtype=np.int64)
    low, high = corners.min(axis=1), corners.max(axis=1)
    for i, point in enumerate(points):
        near = ((low[:, 0] <= point[0]) & (high[:, 0] > point[0]) & (low[:, 1] <= point[1])
                & (high[:, 1] > point[1]) & (high[:, 2] > point[2]))
        v = corners[near] - point
        side = [v[:, a, 0] * v[:, b, 1] - v[:, b, 0] * v[:, a, 1]
                for a, b in ((1, 2), (2, 0), (0, 1))]
        area = side[0] + side[1] + side[2]
        for sign in (1, -1):
            inside = sign * area > 0.0
            for s in side:
                inside &= sign * s >= 0.0
            rise = sum(s[inside] * v[inside, a, 2] for a, s in enumerate(side))
            answer[i] += sign * int((sign * rise > 0.0).sum())
    return answer
