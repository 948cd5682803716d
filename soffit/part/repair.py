"""Mending a mesh, only when it is asked for, each step with a `file/repaired` note.

In this order: corners that lie close together on open edges are welded; facets that say
nothing (equal corners, written twice, back to back) go; open edges are split at corners that
lie on them, which also heals where a facet without area goes; facets are turned to agree with
their neighbours; holes are filled; shells without volume go; inverted bodies are turned; bodies
that overlap are united. A step that would leave more open edges than it found is not done. What
cannot be mended stays as it is and is told by the examination that follows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from soffit.part.health import examine, flat_facets, hollow_shells
from soffit.part.holes import fill_holes, split_at_corners
from soffit.part.model import FileNote, Floats, Ints, Severity
from soffit.part.topology import edges_of, label
from soffit.part.unite import unite

Mask = NDArray[np.bool_]

WELD_MM = 0.02
"""Gaps up to this are cracks, not shape: no more than the mesh of a B-rep may lie from its
surface (derived: a tenth of a 0.2 mm layer)."""
_WELD_SHARE = 5e-4
"""The same as a share of the part's diagonal, which is less for small parts (own limit)."""
_HOLE_SHARE = 0.1
"""A hole that is not plane is filled up to a square of this share of the part's diagonal; larger
ones are a missing part of the shape, which nobody can guess (own limit)."""
_ROUNDS = 3
"""Passes of filling: a facet that stood alone in a hole goes in one, its hole is filled in the
next (own limit)."""
_STEPS = 8
"""Reaches of welding that are tried, each twice as long as the one before (own limit)."""


@dataclass(frozen=True)
class Repaired:
    """The mended mesh, (n, 3) mm and (m, 3), and what was done to it."""

    vertices: Floats
    triangles: Ints
    notes: tuple[FileNote, ...]


def repair(vertices: Floats, triangles: Ints) -> Repaired:
    """Mend a mesh as far as it goes.

    `vertices` (n, 3) float64, mm, exactly coincident ones welded; `triangles` (m, 3) int64.
    If nothing with a volume would be left, the mesh comes back as it was, with a note.
    """
    given = vertices, triangles
    used = vertices[triangles.reshape(-1)]
    diagonal = float(np.linalg.norm(used.max(axis=0) - used.min(axis=0)))
    tolerance = min(WELD_MM, _WELD_SHARE * diagonal)
    said: list[FileNote] = []

    triangles, notes = _weld(vertices, triangles, tolerance)
    said += notes
    triangles, notes = _drop_idle(triangles)
    said += notes
    triangles, notes = _stitch(vertices, triangles, tolerance)
    said += notes
    for _ in range(_ROUNDS):
        before = _unmatched(triangles)
        triangles, notes = _agree(vertices, triangles)
        said += notes
        triangles, notes = _fill(vertices, triangles, tolerance, (_HOLE_SHARE * diagonal)**2)
        said += notes
        triangles, notes = _drop_hollow(vertices, triangles)
        said += notes
        if not _unmatched(triangles) or _unmatched(triangles) == before:
            break
    if not len(triangles):
        return Repaired(*given, (_note(
            "asked for, but nothing that encloses a volume would be left: nothing was changed",
            0),))
    triangles, notes = _turn_inverted(vertices, triangles)
    said += notes
    vertices, triangles, notes = _unite(vertices, triangles, tolerance)
    return Repaired(vertices, triangles, (*said, *notes))


def _note(text: str, count: int, severity: Severity = "note") -> FileNote:
    return FileNote("file/repaired", severity, f"repair: {text}", count)


def _many(count: int, one: str, many: str) -> str:
    return f"{count} {one if count == 1 else many}"


def _unmatched(triangles: Ints) -> int:
    return int(np.abs(edges_of(triangles).turn).sum())


def _weld(vertices: Floats, triangles: Ints, tolerance: float) -> tuple[Ints, list[FileNote]]:
    """Join corners on open edges, by the shortest of several reaches that leaves fewest open."""
    edges = edges_of(triangles)
    loose = np.unique(edges.ends[edges.count == 1])
    best, fewest, reached = triangles, _open(triangles), np.arange(len(vertices))
    for step in reversed(range(_STEPS)):
        if not fewest:
            break
        into = np.arange(len(vertices))
        into[loose] = loose[_close_groups(vertices[loose], tolerance / 2**step)]
        after = into[triangles]
        if _open(after) < fewest:
            best, fewest, reached = after, _open(after), into
    joined = np.flatnonzero(reached != np.arange(len(vertices)))
    if not len(joined):
        return triangles, []
    furthest = np.linalg.norm(vertices[joined] - vertices[reached[joined]], axis=1).max()
    return best, [_note(f"{_many(len(joined), 'corner was', 'corners were')} welded with another "
                        f"up to {furthest:.2g} mm away", len(joined))]


def _close_groups(points: Floats, reach: float) -> Ints:
    """For each point the one that stands for its group: points that lie within half the reach of
    another of the group, if the whole group is no wider than twice the reach; else itself."""
    pairs = cKDTree(points).query_pairs(0.5 * reach, output_type="ndarray")
    number, group = label(pairs.astype(np.int64), len(points))
    low = np.full((number, 3), np.inf)
    high = np.full((number, 3), -np.inf)
    np.minimum.at(low, group, points)
    np.maximum.at(high, group, points)
    narrow = np.linalg.norm(high - low, axis=1) <= 2.0 * reach
    first = np.unique(group, return_index=True)[1]
    return np.where(narrow[group], first[group], np.arange(len(points)))


def _open(triangles: Ints) -> int:
    return int((edges_of(triangles).count == 1).sum())


def _drop_idle(triangles: Ints) -> tuple[Ints, list[FileNote]]:
    """Leave out facets with equal corners, and copies of facets that bound nothing.

    A patch of facets written more than once is judged by its rim: where an odd number of other
    facets meets the rim one copy closes the surface; where an even number does, the copies
    bound something only if they face the same way, and then each is needed.
    """
    notes: list[FileNote] = []
    empty = (triangles == np.roll(triangles, 1, axis=1)).any(axis=1)
    if empty.any():
        count = int(empty.sum())
        notes.append(_note(f"{_many(count, 'facet', 'facets')} with equal corners left out", count))
        triangles = triangles[~empty]
    ordered = np.sort(triangles, axis=1)
    shape, first, of, copies = np.unique(ordered, axis=0, return_index=True, return_inverse=True,
                                         return_counts=True)
    of = of.reshape(-1)
    if not (copies > 1).any():
        return triangles, notes
    side = np.where(_is_even(triangles), 1, -1)
    net = np.bincount(of, side, len(shape)).astype(np.int64)
    single = _one_is_enough(shape, copies > 1)
    wanted = np.where(copies == 1, 1, np.where(single, 1, np.abs(net)))
    # Of those wanted, the first that face the way the surplus faces.
    sign = np.where(net == 0, side[first], np.sign(net))
    fits = side == sign[of]
    order = np.lexsort((np.arange(len(of)), ~fits, of))
    begin = np.searchsorted(of[order], np.arange(len(shape)))
    rank = np.empty(len(of), np.int64)
    rank[order] = np.arange(len(of)) - begin[of[order]]
    keep = rank < wanted[of]
    twice = int((~keep & (wanted[of] > 0)).sum())
    backed = int((~keep & (wanted[of] == 0)).sum())
    if twice:
        notes.append(_note(f"{_many(twice, 'copy', 'copies')} of facets left out", twice))
    if backed:
        notes.append(_note(f"{_many(backed, 'facet', 'facets')} that lay back to back left out",
                           backed))
    return triangles[keep], notes


def _is_even(triangles: Ints) -> Mask:
    """Whether the corners of each facet are an even permutation of ascending order."""
    a, b, c = triangles.T
    even: Mask = ((a > b).astype(int) + (b > c) + (a > c)) % 2 == 0
    return even


def _one_is_enough(shape: Ints, repeated: Mask) -> Mask:
    """For each distinct facet (k, 3): whether its patch of repeated ones needs one copy only."""
    edges = edges_of(shape)
    edge = np.repeat(np.arange(len(edges.start)), edges.count)
    here = repeated[edges.facet]
    inside = np.bincount(edge[here], minlength=len(edges.start))
    which = np.flatnonzero(repeated)
    local = np.full(len(shape), -1, np.int64)
    local[which] = np.arange(len(which))
    on = edges.facet[here]
    same = np.flatnonzero(np.diff(edge[here]) == 0)
    number, patch = label(np.column_stack([local[on[same]], local[on[same + 1]]]), len(which))
    rim = here & (inside[edge] == 1)
    odd = (edges.count[edge] - 1) % 2 == 1
    votes = np.bincount(patch[local[edges.facet[rim]]], np.where(odd[rim], 1, -1), number)
    enough = np.zeros(len(shape), bool)
    enough[which] = (votes >= 0)[patch]  # no rim at all: a whole body written again
    return enough


def _stitch(vertices: Floats, triangles: Ints, tolerance: float) -> tuple[Ints, list[FileNote]]:
    """Split open edges at corners that lie on them; leave out facets without area, whose long
    edge is then open and is split at their middle corner."""
    notes: list[FileNote] = []
    before = _open(triangles)
    if before:
        split, count = split_at_corners(vertices, triangles, tolerance)
        if _open(split) < before:
            triangles = split
            notes.append(_note(f"{_many(count, 'open edge was', 'open edges were')} split at "
                               f"corners that lie on them", count))
    flat = flat_facets(vertices[triangles])
    if flat.any():
        triangles = _without_flat(vertices, triangles, flat, tolerance)
        # Neighbours are split for it, so there may be as many facets as before.
        count = int(flat.sum() - flat_facets(vertices[triangles]).sum())
        if count:
            notes.append(_note(f"{_many(count, 'facet', 'facets')} without area left out, their "
                               f"neighbours joined", count))
    return triangles, notes


def _without_flat(vertices: Floats, triangles: Ints, flat: Mask, tolerance: float) -> Ints:
    """The facets with those of no area left out, where the rest still meets as it did."""
    bad = _faults(triangles)
    corners = triangles[flat]
    length = np.linalg.norm(vertices[corners] - vertices[np.roll(corners, -1, axis=1)], axis=2)
    shortest = length.argmin(axis=1)
    rows = np.arange(len(corners))
    short = length[rows, shortest] <= tolerance
    a, b = corners[rows, shortest][short], corners[rows, (shortest + 1) % 3][short]
    into = np.arange(len(vertices))
    for low, high in sorted({(min(p), max(p)) for p in zip(a.tolist(), b.tolist(), strict=True)}):
        if into[low] == low and into[high] == high:
            into[high] = low
    merged_corners = into[triangles]
    merged_corners = merged_corners[(merged_corners != np.roll(merged_corners, 1, axis=1)
                                     ).all(axis=1)]
    if len(merged_corners) and _faults(merged_corners) <= bad:
        triangles = merged_corners
    flat = flat_facets(vertices[triangles])
    rest, _ = split_at_corners(vertices, triangles[~flat], tolerance)
    if len(rest) and _faults(rest) <= bad:
        triangles = rest
    return triangles


def _faults(triangles: Ints) -> tuple[int, int]:
    """Sides without a match, and facets on edges that more than two share."""
    edges = edges_of(triangles)
    return int(np.abs(edges.turn).sum()), int(edges.count[edges.count > 2].sum())


def _agree(vertices: Floats, triangles: Ints) -> tuple[Ints, list[FileNote]]:
    """Turn facets so that each agrees with its neighbours, by the side that has most area.

    The surface is covered twice, each facet once with either side out; where a patch falls into
    two covers each is one way to wind it, where it does not it has only one side.
    """
    count = len(triangles)
    edges = edges_of(triangles)
    pair = edges.count == 2
    if not (pair & (edges.turn != 0)).any():
        return triangles, []
    f, g = edges.facet[edges.start[pair]], edges.facet[edges.start[pair] + 1]
    other = np.where(edges.turn[pair] != 0, count, 0)
    links = np.concatenate([np.column_stack([f, g + other]),
                            np.column_stack([f + count, (g + other + count) % (2 * count)])])
    number, cover = label(links, 2 * count)
    as_is, turned = cover[:count], cover[count:]
    corners = vertices[triangles]
    area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]),
                          axis=1)
    # A cover's area is that of its facets as written; of a patch's two the larger is taken.
    size = np.bincount(as_is, area, number)
    flip = ((size[turned] > size[as_is]) | ((size[turned] == size[as_is]) & (turned < as_is)))
    flip &= as_is != turned
    if not flip.any():
        return triangles, []
    after = np.where(flip[:, None], triangles[:, ::-1], triangles)
    turns = int(flip.sum())
    return after, [_note(f"{_many(turns, 'facet was', 'facets were')} turned to agree with their "
                         f"neighbours", turns)]


def _fill(vertices: Floats, triangles: Ints, flat: float, largest: float
          ) -> tuple[Ints, list[FileNote]]:
    """Close loops of open edges; `largest` area of one that is not plane, mm²."""
    filled = fill_holes(vertices, triangles, flat, largest)
    if not len(filled.triangles):
        return triangles, []
    after = np.concatenate([triangles, filled.triangles])
    if _unmatched(after) >= _unmatched(triangles):
        return triangles, []
    c = vertices[filled.triangles]
    area = 0.5 * np.linalg.norm(np.cross(c[:, 1] - c[:, 0], c[:, 2] - c[:, 0]), axis=1).sum()
    count = len(filled.widths_mm)
    return after, [_note(f"{_many(count, 'hole was', 'holes were')} filled with "
                         f"{_many(len(c), 'facet', 'facets')}, {area:.3g} mm² in all, the largest "
                         f"{max(filled.widths_mm):.3g} mm wide: compare with the original", count,
                         "marginal")]


def _drop_hollow(vertices: Floats, triangles: Ints) -> tuple[Ints, list[FileNote]]:
    hollow, count = hollow_shells(vertices, triangles)
    if not count:
        return triangles, []
    return triangles[~hollow], [_note(
        f"{_many(count, 'shell', 'shells')} without volume "
        f"({_many(int(hollow.sum()), 'facet', 'facets')}) left out", count, "marginal")]


def _turn_inverted(vertices: Floats, triangles: Ints) -> tuple[Ints, list[FileNote]]:
    health = examine(vertices, triangles, contacts=False)
    if not health.flip.any():
        return triangles, []
    count = len(np.unique(health.body_of[health.flip]))
    after = np.where(health.flip[:, None], triangles[:, ::-1], triangles)
    return after, [_note(f"{_many(count, 'body that was', 'bodies that were')} inside out turned",
                         count)]


def _unite(vertices: Floats, triangles: Ints, tolerance: float
           ) -> tuple[Floats, Ints, list[FileNote]]:
    united = unite(vertices, triangles, tolerance)
    if not united.bodies:
        return vertices, triangles, []
    how = (f"overlap were united; {united.shared_mm3:.4g} mm³ had been counted more than once"
           if united.shared_mm3 else "touch were united")
    notes = [_note(f"{united.bodies} bodies that {how}", united.bodies, "marginal")]
    if united.slivers:
        notes.append(_note(f"{_many(united.slivers, 'shell', 'shells')} thinner than "
                           f"{tolerance:.2g} mm, left between surfaces that nearly coincide, left "
                           f"out", united.slivers))
    return united.vertices, united.triangles, notes
