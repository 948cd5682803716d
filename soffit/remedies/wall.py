"""The wall below an anchor: how deep it goes, and where a slope that leans on it starts.

Along the anchor, each millimetre of it is followed down from layer to layer: as long as the
outline of the layer below draws back by no more than a layer may step out, the wall goes
on (a fillet draws back so); where it draws back farther, it ends: at the platform, at a
pocket or a window, at the next ledge. What a lip may reach it may draw back besides, so that a
fillet too small to be found is passed too.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import manifold3d as m3
import numpy as np
import shapely
from numpy.typing import NDArray

from soffit.layers.stack import GRID_MM, LayerStack
from soffit.part.model import Floats, Ints
from soffit.remedies.anchor import simplified
from soffit.remedies.probe import hits

# Length of anchor that is followed down as one piece, mm (derived: two lines and a half).
PIECE_MM = 1.0
# How far behind the outline material is asked for: an eighth of a line (derived).
SKIN_MM = 0.05
# Steps in which a layer's drawing back is measured, as a share of what is allowed (derived:
# 0.03 mm at Δ = 0.2).
STEPS = 8


@dataclass(frozen=True)
class Wall:
    """The wall below an anchor. `pieces` (m, 2, 2) mm, the patch on their left; `line_of` (m,)
    the anchor polyline that each is of. `back_mm` (m, k): how far each has drawn back at each of
    the heights `z_mm` (k,), highest first; NaN where the wall has ended. `bottom_mm` (m,):
    where it ends."""

    lines: tuple[Floats, ...]
    pieces: Floats
    line_of: Ints
    z_mm: Floats
    back_mm: Floats
    bottom_mm: Floats

    @property
    def length_mm(self) -> float:
        """Length of the anchor."""
        return float(_lengths(self.pieces).sum())

    def meets(self, foot_mm: float, slope: float) -> Floats:
        """How far behind the anchor a slope that stands at `foot_mm` there meets the wall, (m,)
        mm; NaN where the wall ends above it."""
        here = foot_mm - self.back_mm * slope
        inside = here >= self.z_mm - 1e-6
        # Below the last cut the wall goes on to its bottom.
        last = np.nanmax(np.where(np.isnan(self.back_mm), 0.0, self.back_mm), axis=1)
        ends = np.where(foot_mm - last * slope >= self.bottom_mm - 1e-6, last, np.nan)
        first = np.argmax(inside, axis=1)
        found = self.back_mm[np.arange(len(first)), first]
        return np.where(inside.any(axis=1), found, ends)

    def lowest_foot(self, slope: float) -> Floats:
        """The lowest foot for which each piece still carries, (m,) mm: of all heights down to its
        bottom, the one at which a slope from there comes out lowest at the anchor."""
        last = np.nanmax(np.where(np.isnan(self.back_mm), 0.0, self.back_mm), axis=1)
        at_cuts = np.where(np.isnan(self.back_mm), np.inf, self.z_mm + self.back_mm * slope)
        lowest = np.minimum(at_cuts.min(axis=1), self.bottom_mm + last * slope)
        return np.asarray(lowest)

    def bridged(self, good: NDArray[np.bool_], gap_mm: float) -> NDArray[np.bool_]:
        """The good pieces and those between two of them that are no more than `gap_mm` apart."""
        found = good.copy()
        for k in range(len(self.lines)):
            mine = np.flatnonzero(self.line_of == k)
            ends = mine[good[mine]]
            for a, b in itertools.pairwise(ends.tolist()):
                apart = np.linalg.norm(self.pieces[b, 0] - self.pieces[a, 1])
                if b > a + 1 and apart <= gap_mm:
                    found[a:b] = True
        return found

    def anchors(self, good: NDArray[np.bool_]) -> tuple[Floats, ...]:
        """The anchor polylines as far as their pieces are `good`."""
        lines: list[Floats] = []
        for k, whole in enumerate(self.lines):
            mine = np.flatnonzero(self.line_of == k)
            if good[mine].all():
                lines.append(whole)
                continue
            run: list[Floats] = []
            for i in mine.tolist():
                if good[i]:
                    run += [self.pieces[i, 1]] if run else [self.pieces[i, 0], self.pieces[i, 1]]
                elif run:
                    lines.append(np.array(run))
                    run = []
            if run:
                lines.append(np.array(run))
        return tuple(lines)


def wall_below(
    stack: LayerStack,
    solid: m3.Manifold,
    anchors: Sequence[Floats],
    layers: tuple[int, int],
    depth_mm: float,
    lip_mm: float = 0.0,
) -> Wall:
    """Follow the wall below `anchors` down, no farther than `depth_mm`; each is the outline of
    the highest of `layers` (first and last, inclusive) that has it. Within `lip_mm` of its anchor
    a wall may draw back at once."""
    lines = tuple(a for a in anchors if len(a) >= 2)
    cut = [_cut(simplified(line)) for line in lines]
    pieces = np.concatenate(cut) if cut else np.empty((0, 2, 2))
    line_of = np.repeat(np.arange(len(lines)), [len(c) for c in cut])
    middle = pieces.mean(axis=1)
    along = pieces[:, 1] - pieces[:, 0]
    along = along / np.maximum(np.linalg.norm(along, axis=1), 1e-12)[:, None]
    inward = np.column_stack([along[:, 1], -along[:, 0]])
    first, last = layers
    count = len(pieces)
    start = np.full(count, first)
    for k in range(first, last + 1):
        area = stack.plan(k)
        behind, ahead = middle + SKIN_MM * inward, middle - SKIN_MM * inward
        edge = _holds(area, behind) & ~_holds(area, ahead)
        start[edge] = k
    back = np.full((count, last + 1), np.nan)
    bottom = np.full(count, np.nan)
    here = np.zeros(count)
    alive = np.ones(count, dtype=bool)
    allowed = stack.step_mm + stack.slack_mm
    enough = float(stack.cut_mm[first]) - depth_mm
    for k in range(last, -1, -1):
        if stack.cut_mm[k] < enough:
            bottom[alive] = stack.cut_mm[k]
            alive[:] = False
            break
        active = alive & (start >= k)
        if not active.any():
            if not alive.any():
                break
            continue
        area = stack.plan(k)
        offset = np.full(count, np.nan)
        todo = active.copy()
        for step in np.arange(0.0, max(allowed, lip_mm) + 1e-9, allowed / STEPS).tolist():
            within_lip = (step <= allowed + 1e-9) | (here + step <= lip_mm + 1e-9)
            left = np.flatnonzero(todo & within_lip)
            if not len(left):
                break
            points = middle[left] + (here[left] + step + SKIN_MM)[:, None] * inward[left]
            found = left[_holds(area, points)]
            offset[found] = here[found] + step
            todo[found] = False
        back[active, last - k] = offset[active]
        for i in np.flatnonzero(todo).tolist():
            skin = middle[i] + (here[i] + SKIN_MM) * inward[i]
            bottom[i] = _bottom(solid, skin, stack, k)
        alive &= ~todo
        here = np.where(np.isnan(offset), here, offset)
    bottom[alive] = 0.0
    return Wall(lines, pieces, line_of, stack.cut_mm[last::-1], back, bottom)


def _cut(line: Floats) -> Floats:
    """The polyline in pieces of no more than `PIECE_MM`, (m, 2, 2)."""
    pieces = []
    for a, b in itertools.pairwise(line):
        count = max(1, int(np.ceil(float(np.linalg.norm(b - a)) / PIECE_MM)))
        at = a + np.linspace(0.0, 1.0, count + 1)[:, None] * (b - a)
        pieces.append(np.stack([at[:-1], at[1:]], axis=1))
    return np.concatenate(pieces)


def _bottom(solid: m3.Manifold, at: Floats, stack: LayerStack, layer: int) -> float:
    """Height at which the wall starts that layer `layer` no longer has and the next one does."""
    low = float(stack.cut_mm[layer])
    high = float(stack.cut_mm[min(layer + 1, len(stack) - 1)])
    found = hits(solid, np.array([*at, low]), np.array([0.0, 0.0, 1.0]), high - low + GRID_MM)
    return next((low + h.at_mm for h in found if h.entering), high)


def _holds(area: shapely.Geometry, points: Floats) -> NDArray[np.bool_]:
    return np.asarray(shapely.contains_xy(area, points[:, 0], points[:, 1]))


def _lengths(pieces: Floats) -> Floats:
    return np.asarray(np.linalg.norm(pieces[:, 1] - pieces[:, 0], axis=1))
