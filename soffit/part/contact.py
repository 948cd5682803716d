"""Where a surface runs through itself, or lies on itself.

Broad phase: large facets are cut into pieces; pieces are sorted into grids of doubling cell
size by the extent of their bounding box, so that each covers at most eight cells of its own
grid; each is then looked up in its own grid and in all coarser ones. Narrow phase: separating
axes (Gottschalk,
Lin & Manocha 1996). Facets that share a corner are neighbours and are not compared.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from soffit.part.model import Floats, Ints

MAX_PAIRS = 120_000_000
"""Most pairs of neighbouring cells looked at, so that time and memory stay bounded (measured:
about 3 s on one core)."""
MAX_CLOSE = 6_000_000
"""Most pairs with overlapping boxes that are compared exactly."""


@dataclass(frozen=True)
class Contacts:
    """Pairs of facets (k, 2) that run through each other, and that lie in one plane and
    overlap. `complete` is false where a cap stopped the search."""

    crossing: Ints
    coplanar: Ints
    complete: bool


def find_contacts(vertices: Floats, triangles: Ints) -> Contacts:
    """Facets of a mesh that touch others than their neighbours by more than rounding.

    `vertices` (n, 3) float64, `triangles` (m, 3) int64. A depth below four steps of a 32-bit
    number at the largest coordinate counts as touching without crossing.
    """
    none = np.empty((0, 2), np.int64)
    if len(triangles) < 2:
        return Contacts(none, none, True)
    corners = vertices[triangles]
    reach = max(float(np.abs(corners).max()), 1e-9)
    slack = 4.0 * reach * 2.0**-23
    pairs, complete = _close_pairs(corners, triangles)
    crossing, coplanar = _judge(corners, pairs, slack)
    return Contacts(pairs[crossing], pairs[coplanar], complete)


def _pieces(corners: Floats, target: float) -> tuple[Floats, Ints]:
    """Halve facets across their longest edge until each piece's box is at most `target` wide, so
    that a long or slanted facet does not claim all the space in its box. Pieces (k, 3, 3), and
    the facet that each is of; fewer halvings where they would be too many."""
    done: list[Floats] = []
    done_of: list[Ints] = []
    piece, of = corners, np.arange(len(corners))
    total = len(corners)
    while len(piece):
        wide = (piece.max(axis=1) - piece.min(axis=1)).max(axis=1) > target
        total += int(wide.sum())
        if total > 3 * len(corners) + 200_000:
            wide[:] = False
        done.append(piece[~wide])
        done_of.append(of[~wide])
        piece, of = piece[wide], of[wide]
        if not len(piece):
            break
        length = np.linalg.norm(np.roll(piece, -1, axis=1) - piece, axis=2)
        first = length.argmax(axis=1)
        rows = np.arange(len(piece))
        a, b, c = (piece[rows, (first + k) % 3] for k in range(3))
        middle = 0.5 * (a + b)
        piece = np.concatenate([np.stack([a, middle, c], axis=1),
                                np.stack([middle, b, c], axis=1)])
        of = np.concatenate([of, of])
    return np.concatenate(done), np.concatenate(done_of)


def _close_pairs(corners: Floats, triangles: Ints) -> tuple[Ints, bool]:
    """Pairs (k, 2), first < second, of facets that come near and share no corner."""
    full = (corners.max(axis=1) - corners.min(axis=1)).max(axis=1)
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    mean = float(np.sqrt(0.5 * np.linalg.norm(cross, axis=1).mean()))
    size = float((corners.max(axis=(0, 1)) - corners.min(axis=(0, 1))).max())
    target = max(4.0 * float(np.median(full)), 2.0 * mean, 1e-4 * size, 1e-12)
    pieces, of = _pieces(corners, target)
    low, high = pieces.min(axis=1), pieces.max(axis=1)
    extent = (high - low).max(axis=1)
    finest = max(float(np.percentile(extent, 25)), 1e-5 * size, 1e-12)
    level = np.ceil(np.log2(np.maximum(extent / finest, 1.0))).astype(np.int64)
    origin = low.min(axis=0)
    found: list[Ints] = []
    looked, complete = 0, True
    for step in np.unique(level):
        cell = finest * 2.0 ** int(step)
        own = np.flatnonzero(level == step)
        other = np.flatnonzero(level <= step)
        own_cells, own_index = _cells(low[own], high[own], origin, cell)
        cells, index = _cells(low[other], high[other], origin, cell)
        order = np.argsort(own_cells, kind="stable")
        own_cells, own_index = own_cells[order], own[own_index[order]]
        first = np.searchsorted(own_cells, cells, "left")
        count = np.searchsorted(own_cells, cells, "right") - first
        for part in _slices(count, 4_000_000):
            n = count[part]
            total = int(n.sum())
            looked += total
            if looked > MAX_PAIRS:
                complete = False
                break
            if not total:
                continue
            left = np.repeat(other[index[part]], n)
            offset = np.arange(total) - np.repeat(np.cumsum(n) - n, n)
            right = own_index[np.repeat(first[part], n) + offset]
            keep = of[left] != of[right]
            keep &= (level[left] < step) | (left < right)  # both own: once is enough
            left, right = left[keep], right[keep]
            for axis in range(3):
                near = ((low[left, axis] <= high[right, axis])
                        & (low[right, axis] <= high[left, axis]))
                left, right = left[near], right[near]
            left, right = of[left], of[right]
            found.append(np.column_stack([np.minimum(left, right), np.maximum(left, right)]))
        if not complete:
            break
    pairs = np.concatenate(found) if found else np.empty((0, 2), np.int64)
    key = np.unique(pairs[:, 0] * np.int64(len(triangles)) + pairs[:, 1])
    pairs = np.column_stack([key // len(triangles), key % len(triangles)])
    shared = np.zeros(len(pairs), bool)
    for i in range(3):
        for j in range(3):
            shared |= triangles[pairs[:, 0], i] == triangles[pairs[:, 1], j]
    pairs = pairs[~shared]
    if len(pairs) > MAX_CLOSE:
        return pairs[:MAX_CLOSE], False
    return pairs, complete


def _slices(count: Ints, size: int) -> list[slice]:
    """Cut into runs whose counts sum to about `size`."""
    ends = np.cumsum(count)
    if not len(ends):
        return []
    cuts = np.searchsorted(ends, np.arange(size, int(ends[-1]), size)) + 1
    edges = [0, *cuts.tolist(), len(count)]
    return [slice(a, b) for a, b in itertools.pairwise(edges) if b > a]


def _cells(low: Floats, high: Floats, origin: Floats, cell: float) -> tuple[Ints, Ints]:
    """Cells that each box covers (at most two per axis), as keys, with the box of each."""
    a = np.floor((low - origin) / cell).astype(np.int64)
    b = np.minimum(np.floor((high - origin) / cell).astype(np.int64), a + 1)
    keys, boxes = [], []
    index = np.arange(len(low))
    for corner in range(8):
        pick = [(corner >> axis) & 1 for axis in range(3)]
        use = np.ones(len(low), bool)
        for axis in range(3):
            if pick[axis]:
                use &= b[:, axis] > a[:, axis]
        at = (a + pick)[use]
        keys.append((at[:, 0] << 42) | (at[:, 1] << 21) | at[:, 2])
        boxes.append(index[use])
    return np.concatenate(keys), np.concatenate(boxes)


def _judge(corners: Floats, pairs: Ints, slack: float) -> tuple[NDArray[np.bool_],
                                                               NDArray[np.bool_]]:
    """Which pairs cross, and which overlap in one plane."""
    crossing = np.zeros(len(pairs), bool)
    coplanar = np.zeros(len(pairs), bool)
    edges = np.roll(corners, -1, axis=1) - corners
    normal = np.cross(edges[:, 0], edges[:, 1])
    length = np.linalg.norm(normal, axis=1)
    solid = length > slack * np.linalg.norm(edges, axis=2).max(axis=1)  # taller than the slack
    normal /= np.maximum(length, 1e-300)[:, None]
    for begin in range(0, len(pairs), 500_000):
        index = np.arange(begin, min(begin + 500_000, len(pairs)))
        index = index[solid[pairs[index]].all(axis=1)]
        flat = np.ones(len(index), bool)
        apart = np.zeros(len(index), bool)
        for one, two in ((0, 1), (1, 0)):
            a, b = pairs[index, one], pairs[index, two]
            height = np.einsum("pij,pj->pi", corners[b] - corners[a][:, :1], normal[a])
            apart |= (height.min(axis=1) >= -slack) | (height.max(axis=1) <= slack)
            flat &= np.abs(height).max(axis=1) <= slack
        for chosen, answer, lying in ((index[~apart], crossing, False),
                                      (index[flat], coplanar, True)):
            a, b = pairs[chosen, 0], pairs[chosen, 1]
            gap = _separated(corners[a], corners[b], edges[a], edges[b], normal[a], normal[b],
                             slack, lying)
            answer[chosen[~gap]] = True
    return crossing, coplanar


def _separated(p: Floats, q: Floats, pe: Floats, qe: Floats, pn: Floats, qn: Floats,
               slack: float, lying: bool) -> NDArray[np.bool_]:
    """Whether some axis of the edges has the two facets apart, or deeper by no more than slack."""
    origin = p[:, :1]
    p, q = p - origin, q - origin
    apart = np.zeros(len(p), bool)
    if lying:
        axes = [np.cross(n, e[:, i]) for n, e in ((pn, pe), (qn, qe)) for i in range(3)]
    else:
        axes = [np.cross(pe[:, i], qe[:, j]) for i in range(3) for j in range(3)]
    for axis in axes:
        size = np.linalg.norm(axis, axis=1)
        axis = axis / np.maximum(size, 1e-300)[:, None]
        a = np.einsum("pij,pj->pi", p, axis)
        b = np.einsum("pij,pj->pi", q, axis)
        depth = np.minimum(a.max(axis=1) - b.min(axis=1), b.max(axis=1) - a.min(axis=1))
        apart |= (depth <= slack) & (size > 1e-9 * np.linalg.norm(pe[:, 0], axis=1))
    return apart
