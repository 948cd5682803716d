"""Triangles as a file gave them, before anyone has looked at them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from soffit.part.model import FileNote, Floats, Ints

MAX_TRIANGLES = 20_000_000
"""Most triangles that are read: about 3 GB of arrays and indices (derived: 150 bytes each)."""


@dataclass(frozen=True)
class RawMesh:
    """Numbers as they stand in the file. `vertices` (n, 3) float64 in `unit`, or in a unit
    that the file does not state (None). `triangles` (m, 3) int64. `single` is true where the
    file holds 32-bit numbers."""

    format: str
    vertices: Floats
    triangles: Ints
    unit: str | None = None
    notes: tuple[FileNote, ...] = ()
    single: bool = False


def exact_ids(points: Floats) -> tuple[Ints, Ints]:
    """Number points so that exactly equal ones share a number, in order of first appearance.

    `points` (n, 3) float64. Returns `first` (k,), index of the first point with each number,
    and `ids` (n,), the number of each point. -0.0 equals 0.0.
    """
    if not len(points):
        return np.empty(0, np.int64), np.empty(0, np.int64)
    bits = np.ascontiguousarray(points + 0.0).view(np.uint64)
    mixed = bits[:, 0] * np.uint64(0x9E3779B97F4A7C15)
    for column in (1, 2):
        mixed ^= mixed >> np.uint64(29)
        mixed = (mixed + bits[:, column]) * np.uint64(0xBF58476D1CE4E5B9)
    mixed ^= mixed >> np.uint64(32)
    _, first, ids = np.unique(mixed, return_index=True, return_inverse=True)
    if not np.array_equal(bits[first][ids], bits):  # two points with one hash: sort in full
        _, first, ids = np.unique(bits, axis=0, return_index=True, return_inverse=True)
    order = np.argsort(first, kind="stable")
    rank = np.empty_like(order)
    rank[order] = np.arange(len(order))
    return first[order].astype(np.int64), rank[ids.reshape(-1)].astype(np.int64)


def weld_exact(vertices: Floats, triangles: Ints) -> tuple[Floats, Ints]:
    """Give exactly coincident vertices one index and leave out vertices that no triangle uses.

    STL has no topology, so this is part of reading it. Vertices that differ in the last bit
    stay apart. Same shapes as given: (n, 3) float64 and (m, 3) int64.
    """
    corners = vertices[triangles.reshape(-1)]
    first, ids = exact_ids(corners)
    return corners[first] + 0.0, ids.reshape(-1, 3)
