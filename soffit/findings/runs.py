"""Runs: how far a surface has come, layer by layer, since it was last properly held.

The run at a point of a patch is the least, over what holds the patch, of the distance to it
plus the run there. Where the layer below was held properly that is −Δ, one step being free,
for a sloping surface, and 0 for a level one, of which no step is free. Where it was not, it is
the run that the patch below had at the same edge.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import NDArray

from soffit.findings.patches import LONG_MM, PROBE_MM, RawPatch, cut_edges, distances
from soffit.part.model import Floats, Ints
from soffit.part.topology import following

Lines = NDArray[np.object_]

# Runs at the ends of a long free edge and between them that differ by more are kept apart
# (derived: a hundredth of a line).
SAME_RUN_MM = 0.004

# Edges whose runs differ by less than this hold alike, so that the nearest of them counts (derived:
# a sixteenth of the lip that is allowed).
LEVEL_MM = 0.05

# A run cannot grow faster along an edge than the way along it (derived).
STEEPEST = 0.999

# So many pairs of a point and an edge are all asked; of more the nearest of each run (own choice: a
# third of a millisecond).
MOST_PAIRS = 4000


@dataclass(frozen=True)
class Edges:
    """Free edges of the patches of one layer: (n,) lines, the run at the two ends of each, (n, 2)
    mm, and whose it is."""

    lines: Lines
    run_mm: Floats
    owner: Ints

    @cached_property
    def tree(self) -> shapely.STRtree:
        """Tree of the lines."""
        return shapely.STRtree(self.lines)

    @cached_property
    def box(self) -> Floats:
        """Least and greatest x and y, (4,)."""
        points = shapely.get_coordinates(self.lines)
        return np.concatenate([points.min(axis=0), points.max(axis=0)])

    def same(self, other: Edges) -> bool:
        """Whether runs are the same along the same edges, of the same owners."""
        return len(self.lines) == len(other.lines) and bool(
            (self.owner == other.owner).all() and (self.run_mm == other.run_mm).all()
            and shapely.equals_exact(self.lines, other.lines).all())


@dataclass(frozen=True)
class Asked:
    """A patch of a layer, whether it is of a sloping surface, and whose its free edges are."""

    patch: RawPatch
    sloping: bool
    owner: int

    @property
    def key(self) -> tuple[int, bool, int]:
        """What tells it from others that live."""
        return (id(self.patch), self.sloping, self.owner)


@dataclass(frozen=True)
class PatchRuns:
    """The greatest run of a patch, mm, inf where nothing holds it, and the owners of the patches
    below on whose free edges it lies. `below`: all free edges that it might lie on; `edges`: its
    own free edges."""

    run_mm: float
    owners: list[int]
    below: tuple[Edges, ...]
    edges: Edges | None


# What was found of patches, by what tells them apart.
Known = dict[tuple[int, bool, int], PatchRuns]


class Runs:
    """The run along the free edges of each layer, from layer to layer. `known`: what was found of
    patches before; one of which nothing below it differs is not worked out again. `found`: what was
    found of each."""

    def __init__(self, step_mm: float, known: Known) -> None:
        self._step_mm = step_mm
        self._known = known
        self._layer = -1
        self._below: list[Edges] = []
        self.found: Known = {}

    def of_layer(self, layer: int, asked: Sequence[Asked]) -> list[PatchRuns]:
        """What is found of patches of a layer. Layers come in order."""
        below = self._below if layer == self._layer + 1 else []
        boxes = np.array([e.box for e in below]).reshape(-1, 4)
        joined: Edges | None = None
        made = []
        for one in asked:
            near = [below[k] for k in _near(one.patch, boxes).tolist()]
            was = self._known.get(one.key)
            if was is None or list(map(id, was.below)) != list(map(id, near)):
                if near and joined is None:
                    joined = _joined(below)
                new = self._of(one, joined if near else None, tuple(near))
                if was is not None and new.edges and was.edges and new.edges.same(was.edges):
                    # What is above need not be worked out again either.
                    new = replace(new, edges=was.edges)
                was = new
            self.found[one.key] = was
            made.append(was)
        self._layer = layer
        self._below = [m.edges for m in made if m.edges is not None and len(m.edges.lines)]
        return made

    def _of(self, asked: Asked, below: Edges | None, near: tuple[Edges, ...]) -> PatchRuns:
        patch = asked.patch
        kept = np.concatenate(patch.kept)
        starts, ends, _ = patch.edges
        if not kept.any():
            return PatchRuns(float("inf"), [], near, None)
        free_of_charge = self._step_mm if asked.sloping else 0.0
        a, b = starts[kept], ends[kept]
        run = np.full((len(a), 2), -free_of_charge)
        owners: list[int] = []
        if below is not None:
            a, b, run, owners = _carried(below, a, b, run)
        value = _run_at(patch.asked, a, b, run)
        edges = _free(patch, kept, value, asked.owner)
        return PatchRuns(max(0.0, float(value.max())), owners, near, edges)


def _near(patch: RawPatch, boxes: Floats) -> Ints:
    """Which of `boxes` (n, 4) a patch may lie on."""
    outer = patch.rings[0]
    low, high = outer.min(axis=0) - PROBE_MM, outer.max(axis=0) + PROBE_MM
    meets = (boxes[:, :2] <= high).all(axis=1) & (boxes[:, 2:] >= low).all(axis=1)
    return np.flatnonzero(meets)


def _joined(parts: Sequence[Edges]) -> Edges:
    """All edges together."""
    return Edges(
        np.concatenate([e.lines for e in parts]),
        np.concatenate([e.run_mm for e in parts]),
        np.concatenate([e.owner for e in parts]),
    )


def _carried(
    below: Edges, a: Floats, b: Floats, run: Floats
) -> tuple[Floats, Floats, Floats, list[int]]:
    """Holding edges from `a` to `b`, (n, 2), cut where what they lie on changes, with the
    run that each has from below at its two ends, (n, 2), and the owners of that."""
    lines = shapely.linestrings(np.stack([a, b], axis=1))
    mine, theirs = below.tree.query(lines, predicate="dwithin", distance=PROBE_MM)
    if not len(mine):
        return a, b, run, []
    touched = np.unique(mine)
    ends = shapely.get_coordinates(below.lines[np.unique(theirs)])
    a2, b2 = cut_edges(a[touched], b[touched], ends)
    middle = shapely.points(0.5 * (a2 + b2))
    rest = np.setdiff1d(np.arange(len(a)), touched)
    run2 = np.full((len(a2), 2), run[0, 0])
    which, nearest = below.tree.query_nearest(middle, max_distance=PROBE_MM, all_matches=False)
    start, end = below.run_mm[nearest].T
    for side, points in enumerate((a2, b2)):
        along = shapely.line_locate_point(
            below.lines[nearest], shapely.points(points[which]), normalized=True)
        run2[which, side] = np.maximum(start + along * (end - start), run[0, 0])
    owners = [int(k) for k in np.unique(below.owner[nearest])]
    return (
        np.concatenate([a[rest], a2]),
        np.concatenate([b[rest], b2]),
        np.concatenate([run[rest], run2]),
        owners,
    )


def _free(patch: RawPatch, kept: NDArray[np.bool_], value: Floats, owner: int) -> Edges:
    """The free edges of a patch, with the run at their two ends."""
    starts, ends, _ = patch.edges
    count = len(starts)
    free = ~kept
    at_start = value[:count]
    by_ring = np.split(at_start, np.cumsum([len(r) for r in patch.rings])[:-1])
    at_end = np.concatenate([following(v) for v in by_ring])
    long = np.flatnonzero(free & (np.linalg.norm(ends - starts, axis=1) > LONG_MM))
    between = value[count:].reshape(3, -1)
    uneven = np.zeros(0, dtype=bool)
    if len(long):
        all_five = np.vstack([at_start[long], between, at_end[long]])
        uneven = np.ptp(all_five, axis=0) > SAME_RUN_MM
    whole = free.copy()
    whole[long[uneven]] = False
    lines = [np.stack([starts[whole], ends[whole]], axis=1)]
    runs = [np.column_stack([at_start[whole], at_end[whole]])]
    for k in range(4):
        at = long[uneven]
        s, e = starts[at], ends[at]
        lines.append(np.stack([s + 0.25 * k * (e - s), s + 0.25 * (k + 1) * (e - s)], axis=1))
        if len(at):
            runs.append(all_five[k : k + 2, uneven].T)
    joined = np.concatenate(lines)
    return Edges(
        shapely.linestrings(joined),
        np.concatenate(runs),
        np.full(len(joined), owner, dtype=np.int64),
    )


def _run_at(points: Floats, a: Floats, b: Floats, run: Floats) -> Floats:
    """Run at each of `points` (k, 2) that edges from `a` to `b`, (n, 2), hold; `run` (n, 2) is that
    at their two ends."""
    if len(points) * len(a) <= MOST_PAIRS:
        which = np.tile(np.arange(len(a)), len(points))
        value = _least(np.repeat(points, len(a), axis=0), a[which], b[which], run[which])
        return np.asarray(value.reshape(len(points), len(a)).min(axis=1))
    lines = shapely.linestrings(np.stack([a, b], axis=1))
    value = np.full(len(points), np.inf)
    # The nearest edge of each run: one that is farther may have come less far itself.
    level = np.round(run.mean(axis=1) / LEVEL_MM)
    for of_level in np.unique(level):
        group = np.flatnonzero(level == of_level)
        which = group[distances(points, lines[group])[1]]
        value = np.minimum(value, _least(points, a[which], b[which], run[which]))
    return value


def _least(points: Floats, a: Floats, b: Floats, run: Floats) -> Floats:
    """Least of distance and run for each of `points` (k, 2) over an edge of its own from `a` to
    `b`, (k, 2), whose run goes evenly from `run[:, 0]` to `run[:, 1]`.

    With the distance h from the edge's line and a run that grows by g for each millimetre along it,
    √(h² + t²) + g t is least at t = −h g/√(1 − g²) from the foot (derived)."""
    length = np.maximum(np.linalg.norm(b - a, axis=1), 1e-12)
    along = (b - a) / length[:, None]
    foot = np.einsum("ij,ij->i", points - a, along)
    away = np.abs((points - a)[:, 0] * along[:, 1] - (points - a)[:, 1] * along[:, 0])
    grows = np.clip((run[:, 1] - run[:, 0]) / length, -STEEPEST, STEEPEST)
    at = np.clip(foot - away * grows / np.sqrt(1.0 - grows**2), 0.0, length)
    share = at / length
    return np.asarray(np.hypot(away, at - foot) + run[:, 0] + share * (run[:, 1] - run[:, 0]))
