"""What holds a patch: a layer and the one below it, by pixels and by distances between points."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tests.pixel_columns import Bools, Floats, Grid, Ints, Outline, around

if TYPE_CHECKING:
    from tests.pixel_engine import Rules

# What a pixel is to the patch that is looked at: held by the layer below, or beside it in its own
# layer and held because it steps out by no more than is allowed; of the patch, or so near the wall
# of a hole in the air that this is printed there.
AIR, HELD, BESIDE, PATCH, WALL = 0, 1, 2, 3, 4

Look = Callable[[Ints, Ints], Ints]

# Whose the edge of a layer is, where it is not a strip of a slope: of nothing that ran, of a ledge.
NOTHING, LEDGE = -1, -2

# Runs are told apart by this much, mm, and not at all where they are well past the lip (derived).
RUN_CLASS_MM, WELL_PAST = 0.03, 1.25


@dataclass(frozen=True)
class Layer:
    """One layer and the one below it. `tag`: 1… the patches, -1 what is fresh and held, -2 what
    is fresh and no patch, 0 all else. `below`, `region`: solid in the layer below and in this."""

    grid: Grid
    tag: NDArray[np.int32]
    below: Bools
    region: Bools
    under: Outline
    own: Outline
    rules: Rules

    @cached_property
    def _under_pairs(self) -> tuple[Ints, Ints]:
        near = np.zeros(len(self.under.pixel), dtype=bool)
        for at in around(self.under.pixel, self.grid.columns):
            near |= self.below[at] & self.region[at]
        return self._pairs(self.under.pixel, near)

    @cached_property
    def _own_pairs(self) -> tuple[Ints, Ints]:
        return self._pairs(self.own.pixel, np.ones(len(self.own.pixel), dtype=bool))

    def _pairs(self, pixel: Ints, wanted: Bools) -> tuple[Ints, Ints]:
        """Tags beside outline points and the points, sorted by tag."""
        which = np.flatnonzero(wanted)
        pairs = []
        for at in around(pixel[which], self.grid.columns):
            tags = self.tag[at]
            some = tags > 0
            pairs.append(tags[some].astype(np.int64) * len(pixel) + which[some])
        both = np.unique(np.concatenate(pairs)) if pairs else np.empty(0, dtype=np.int64)
        return both // max(len(pixel), 1), both % max(len(pixel), 1)

    def anchors(self, tag: int) -> Ints:
        """Points of the outline below along which the patch is held."""
        tags, points = self._under_pairs
        return points[slice(*np.searchsorted(tags, [tag, tag + 1]))]

    def rim(self, tag: int) -> Ints:
        """Points of the layer's own outline on the patch."""
        tags, points = self._own_pairs
        return points[slice(*np.searchsorted(tags, [tag, tag + 1]))]

    def holds(self, flat: Ints) -> Bools:
        """Whether pixels rest on the layer below, or step out no farther than is allowed."""
        return np.asarray((self.below[flat] & self.region[flat]) | (self.tag[flat] == -1))

    def look(self, tag: int) -> Look:
        """What pixels are to a patch."""

        def state(row: Ints, column: Ints) -> Ints:
            r = np.clip(row, 0, self.grid.rows - 1)
            flat = r.astype(np.int64) * self.grid.columns + np.clip(
                column, 0, self.grid.columns - 1)
            tags = self.tag[flat]
            solid = self.below[flat] & self.region[flat]
            return np.where(tags == tag, PATCH, np.where(tags == -1, BESIDE, solid)).astype(
                np.int8)

        return state


def distances(layer: Layer, anchors: Ints, beside: Floats, points: Floats, free_mm: float
               ) -> tuple[Floats, Floats]:
    """Distance of points (n, 2) from what holds a patch, and the run there, (n,) mm each.

    `anchors` index the outline below; `beside` (m, 2) are held in the layer itself. `free_mm`
    is taken off where nothing has been gathered yet.
    """
    under, rules = layer.under, layer.rules
    held = np.concatenate([under.points[anchors], beside])
    carried = np.where(under.strip[anchors] == NOTHING, -np.inf, under.run[anchors])
    gathered = np.concatenate([carried, np.full(len(beside), -np.inf)])
    gathered = np.maximum(gathered, -free_mm)
    if not len(held):
        return np.full(len(points), np.inf), np.full(len(points), np.inf)
    distance, which = cKDTree(held).query(points)
    run = distance + gathered[which]
    # An edge farther away but with less of a run may hold better: one narrow class of runs after
    # the other is asked, where it can.
    classes = np.floor(np.minimum(gathered, WELL_PAST * rules.lip_mm) / RUN_CLASS_MM)
    for value in np.unique(classes):
        mine = classes == value
        least = float(gathered[mine].min())
        asked = np.flatnonzero(distance + least < run - 0.2 * RUN_CLASS_MM)
        if len(asked):
            bound = float((run[asked] - least).max())
            far, which = cKDTree(held[mine]).query(points[asked], distance_upper_bound=bound)
            some = np.isfinite(far)
            run[asked[some]] = np.minimum(run[asked[some]],
                                          far[some] + gathered[mine][which[some]])
    return distance, run
