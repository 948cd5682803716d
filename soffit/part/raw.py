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


def weld_rounding(vertices: Floats, triangles: Ints) -> tuple[Floats, Ints, FileNote | None]:
    """Join corners on open edges that lie within half a step of a 32-bit number at the largest
    coordinate (a few millionths of a millimetre): writers leave noise such as 6e-17 for 0, which
    no mesh file means. Returns the mesh, and a note if anything was joined.
    """
    from scipy.spatial import cKDTree

    from soffit.part.topology import edges_of, label

    edges = edges_of(triangles)
    loose = np.unique(edges.ends[edges.count == 1])
    if not len(loose):
        return vertices, triangles, None
    step = 2.0**-24 * float(np.abs(vertices).max())
    pairs = cKDTree(vertices[loose]).query_pairs(step, output_type="ndarray")
    if not len(pairs):
        return vertices, triangles, None
    number, group = label(pairs.astype(np.int64), len(loose))
    first = np.unique(group, return_index=True)[1]
    target = np.arange(len(vertices))
    target[loose] = loose[first[group]]
    joined = len(loose) - number
    vertices, triangles = weld_exact(vertices, target[triangles])
    return vertices, triangles, FileNote(
        "file/rounding", "note", f"{joined} corners that differ from another by less than the "
        f"rounding of the file's numbers ({step:.1g}) were joined with it", joined)
