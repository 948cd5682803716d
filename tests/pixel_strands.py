"""Spans: straight walks over the pixels of a patch, and a level patch covered piece by piece.

A walk (a strand) is held where the pixels before its first and after its last pixel of the patch
both rest on the layer below; in a patch that is somewhere a line wide (`beside`) they may also step
out from it by no more than is allowed.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.ndimage import binary_dilation, distance_transform_edt, find_objects, label
from scipy.spatial import cKDTree

from tests.pixel_columns import Bools, Floats, Ints
from tests.pixel_held import AIR, BESIDE, HELD, PATCH, WALL, Layer, Look, distances

# Share of the length of all strands that must hold (derived: the last one at a corner may miss).
HELD_SHARE = 0.99

# Walks in one direction, and steps of one of them.
FEWEST_LINES, MOST_LINES, MOST_STEPS = 24, 128, 1500

# Pixels by which the edge of a patch may be ragged along a walk (derived: half a diagonal).
RAGGED = 0.75

# A level patch is walked over pixels of about this size, a quarter of a line, and no more of them
# than this (derived: spans are some millimetres).
COARSE_MM = 0.1
MOST_PIXELS = 100_000

# Share of a piece that strands of one direction must cover, directions taken one after the other,
# and share of a ceiling that may be left open before it counts as one (the product's own rules).
WORTH_SPANNING, MOST_DIRECTIONS, LEFT_SHARE = 0.2, 4, 0.4

# Share of the most that can be covered which is as good, if strands are shorter (as the product).
NEARLY = 0.9


class Walks:
    """Straight walks over a patch in one direction, from edge to edge.

    `look(row, column)` tells what pixels are; `row`, `column` (n,) are those of the patch.
    """

    def __init__(self, look: Look, row: Ints, column: Ints, turn: float, pixel_mm: float,
                 line_mm: float, beside: bool) -> None:
        cos, sin = math.cos(turn), math.sin(turn)
        self._u, self._v = column * cos + row * sin, row * cos - column * sin
        # Along an edge pixels are ragged: no walk within a pixel of the outermost.
        low, high = float(self._v.min()), float(self._v.max())
        trim = min(RAGGED, 0.45 * (high - low))
        low, high = low + trim, high - trim
        lines = math.ceil((high - low) * pixel_mm / line_mm)
        lines = int(np.clip(lines, FEWEST_LINES, MOST_LINES))
        self._low, self._spacing = low, max((high - low) / lines, 1e-6)
        reach = float(self._u.max() - self._u.min())
        self._step = max(1.0, reach / MOST_STEPS)
        self._begin = float(self._u.min()) - 2 * self._step
        u = self._begin + self._step * np.arange(math.ceil(reach / self._step) + 5)[None, :]
        v = low + self._spacing * (np.arange(lines)[:, None] + 0.5)
        state = look((u * sin + (v * cos + 0.5)).astype(np.int32),
                     (u * cos - (v * sin - 0.5)).astype(np.int32))
        inside = state >= PATCH
        inside[:, 0] = inside[:, -1] = False
        self._row, first = np.nonzero(inside[:, 1:] & ~inside[:, :-1])
        _, last = np.nonzero(inside[:, :-1] & ~inside[:, 1:])
        self._first, self._last = first + 1, last + 1
        self._shape = inside.shape
        self.length_mm = (self._last - self._first) * (self._step * pixel_mm)
        ends = (state[self._row, first], state[self._row, self._last])
        self.held = np.all([(end == HELD) | (beside & (end == BESIDE)) for end in ends], axis=0)
        walls = np.cumsum(state == WALL, axis=1, dtype=np.int32)
        self._clear = walls[self._row, self._last] == walls[self._row, first]

    @property
    def held_share(self) -> float:
        """Share of the length of all strands that is held."""
        total = float(self.length_mm.sum())
        return float(self.length_mm[self.held].sum()) / total if total else 0.0

    @property
    def span_mm(self) -> float:
        """The longest strand that is held."""
        held = self.length_mm[self.held]
        return float(held.max()) if len(held) else math.inf

    def length_held(self, limit_mm: float) -> float:
        """Length of all strands that are held, no longer than the limit and clear of the walls of
        holes, times their spacing, in pixels' area."""
        good = self.held & self._clear & (self.length_mm <= limit_mm)
        return float((self._last - self._first)[good].sum()) * self._step * self._spacing

    def longest(self, limit_mm: float) -> float:
        """The longest strand that is held and no longer than the limit."""
        return float(self.length_mm[self.held & (self.length_mm <= limit_mm)].max(initial=0.0))

    def covered(self, limit_mm: float) -> tuple[Bools, float]:
        """Which pixels lie under such a strand, and the longest of them, mm."""
        good = self.held & self._clear & (self.length_mm <= limit_mm)
        change = np.zeros(self._shape, dtype=np.int8)
        change[self._row[good], self._first[good]] += 1
        change[self._row[good], self._last[good]] -= 1
        on = np.cumsum(change, axis=1) > 0
        row = np.clip(((self._v - self._low) / self._spacing).astype(int), 0, self._shape[0] - 1)
        step = np.rint((self._u - self._begin) / self._step).astype(int)
        return np.asarray(on[row, step]), float(self.length_mm[good].max(initial=0.0))


def shortest_span(look: Look, row: Ints, column: Ints, pixel_mm: float, line_mm: float,
                  tried: list[float], beside: bool) -> tuple[float, float]:
    """The shortest span of the directions in which all strands are held, inf if none, and the
    largest share of strands that is held in any."""
    best, most = math.inf, 0.0
    for turn in tried:
        walks = Walks(look, row, column, turn, pixel_mm, line_mm, beside)
        share = walks.held_share
        most = max(most, share)
        if share >= HELD_SHARE:
            best = min(best, walks.span_mm)
    return best, most


class Ceiling:
    """A level patch in a picture of its own, coarse enough to walk it in many directions."""

    def __init__(self, layer: Layer, tag: int, pixels: Ints, beside: bool) -> None:
        grid, self._rules, self._beside = layer.grid, layer.rules, beside
        row, column = np.divmod(pixels, grid.columns)
        fewer = math.sqrt(len(pixels) / MOST_PIXELS)
        every = max(1, round(COARSE_MM / grid.pixel_mm), round(fewer))
        low = np.array([row.min(), column.min()]) - 2 * every
        high = np.array([row.max(), column.max()]) + 2 * every + 1
        r = np.clip(np.arange(low[0], high[0], every), 0, grid.rows - 1)
        c = np.clip(np.arange(low[1], high[1], every), 0, grid.columns - 1)
        self._picture = layer.look(tag)(r[:, None], c[None, :])
        self._corner = grid.centres(np.array([r[0] * grid.columns + c[0]]))[0]
        self.pixel_mm = every * grid.pixel_mm
        self.row, self.column = np.nonzero(self._picture == PATCH)
        area = len(pixels) * grid.pixel_mm**2
        self._each = area / max(len(self.row), 1)
        self.pierced, in_air = self._rings()
        self.loose = bool(in_air.any())
        away = distance_transform_edt(~in_air) if in_air.any() else np.full(in_air.shape, np.inf)
        self._wall = away * self.pixel_mm <= self._rules.line_mm

    def look(self, row: Ints, column: Ints) -> Ints:
        """What the pixels of the picture are; what lies outside is air."""
        rows, columns = self._picture.shape
        inside = (row >= 0) & (row < rows) & (column >= 0) & (column < columns)
        row, column = np.where(inside, row, 0), np.where(inside, column, 0)
        state = self._picture[row, column]
        return np.where((state == PATCH) & self._wall[row, column], WALL, state)

    def area(self, part: Bools) -> float:
        """Area of a part of the picture, mm²."""
        return float(np.count_nonzero(part)) * self._each

    def span(self, tried: list[float], part: Bools | None = None) -> tuple[float, float]:
        """`shortest_span` of the patch, or of a part of it."""
        row, column, whole = self.row, self.column, self._picture
        if part is not None:
            self._picture = np.where(part, PATCH, np.where(whole == PATCH, AIR, whole))
            row, column = np.nonzero(part)
        best = shortest_span(self.look, row, column, self.pixel_mm, self._rules.line_mm, tried,
                             self._beside)
        self._picture = whole
        return best

    def cover(
        self, tried: list[float], nearly: float = NEARLY
    ) -> tuple[list[tuple[float, float, Bools]], list[Bools]]:
        """The patch piece by piece, each covered by strands of one direction within the limit:
        area, span and picture of each, and what is left."""
        rules = self._rules
        spanned: list[tuple[float, float, Bools]] = []
        left: list[Bools] = []
        whole = self._picture == PATCH
        todo = [whole]
        for _ in range(MOST_DIRECTIONS):
            pieces, todo = todo, []
            for piece in pieces:
                self._picture[whole] = AIR
                self._picture[piece] = PATCH
                row, column = np.nonzero(piece)
                walks = [Walks(self.look, row, column, turn, self.pixel_mm, rules.line_mm,
                               self._beside) for turn in tried]
                sizes = [w.length_held(rules.bridge_mm) for w in walks]
                enough = [k for k, size in enumerate(sizes) if size >= nearly * max(sizes)]
                best = min(enough, key=lambda k: walks[k].longest(rules.bridge_mm))
                mask, longest = walks[best].covered(rules.bridge_mm)
                under = np.zeros_like(piece)
                under[row[mask], column[mask]] = True
                new = self._wide(under, rules.line_mm)
                if np.count_nonzero(mask) < WORTH_SPANNING * len(row) or not new:
                    left.append(piece)
                    continue
                spanned += [(self.area(part), longest, part) for part in new]
                todo += self._wide(piece & ~under, 0.5 * rules.line_mm)
        self._picture[whole] = PATCH
        return spanned, left + todo

    def _wide(self, region: Bools, least_mm: float) -> list[Bools]:
        """Connected parts of a region that are somewhere as wide as `least_mm`."""
        parts, _ = label(region, structure=np.ones((3, 3)))
        found = []
        for k, window in enumerate(find_objects(parts), start=1):
            part = np.zeros_like(region)
            part[window] = parts[window] == k
            deep = float(distance_transform_edt(np.pad(part[window], 1)).max())
            if (2 * deep - 0.5) * self.pixel_mm >= least_mm:
                found.append(part)
        return found

    def points(self, part: Bools) -> Floats:
        """Centres of the pixels of a part, (n, 2) mm."""
        return np.asarray(np.argwhere(part)[:, ::-1] * self.pixel_mm + self._corner)

    def near(self, part: Bools, points: Floats) -> Bools:
        """Which points (n, 2) mm lie on a part of the picture or beside it."""
        if not len(points):
            return np.zeros(0, dtype=bool)
        at = np.rint((points - self._corner) / self.pixel_mm).astype(int)
        grown = binary_dilation(part, structure=np.ones((3, 3), dtype=bool))
        at = np.clip(at, 0, np.array(part.shape)[::-1] - 1)
        return np.asarray(grown[at[:, 1], at[:, 0]])

    def reach(self, part: Bools, layer: Layer, anchors: Ints, beside: Floats,
              beads: Floats | None) -> tuple[float, float]:
        """Greatest distance of a part from what holds it, or else the patch, and its run.

        What lies within the lip of a spanned piece (its points are `beads`) is laid beside it.
        """
        points = self.points(part)
        distance, run = distances(layer, anchors, beside, points, 0.0)
        if beads is not None:
            near = np.minimum(distance, cKDTree(beads).query(points)[0])
            if near.max() <= layer.rules.lip_mm + self.pixel_mm:
                more = max(float((run - distance).max()), 0.0)
                return float(near.max()), float(near.max()) + more
        mine = anchors[self.near(part, layer.under.points[anchors])]
        aside = beside[self.near(part, beside)]
        if len(mine) or len(aside):
            distance, run = distances(layer, mine, aside, points, 0.0)
        return float(distance.max()), float(run.max())

    def at_hole(self, part: Bools) -> bool:
        """Whether a part borders on the air."""
        beside = binary_dilation(part) & ~part
        return bool((self._picture[beside] == AIR).any())

    def _rings(self) -> tuple[bool, Bools]:
        """Whether it is held all round while the wall of a hole in it stands in the air, and the
        air at edges of it that nothing holds."""
        whole = self._picture == PATCH
        outside, count = label(~whole, structure=np.ones((3, 3)))
        held, free = np.zeros(count + 1), np.zeros(count + 1)
        for axis in (0, 1):
            for shift in (1, -1):
                border = whole & ~np.roll(whole, shift, axis=axis)
                other = np.roll(outside, shift, axis=axis)[border]
                holds = np.roll(self._picture, shift, axis=axis)[border] != AIR
                np.add.at(held, other[holds], 1)
                np.add.at(free, other[~holds], 1)
        loose = (held == 0) & (free > 0)
        outer = outside[0, 0]
        round_held = free[outer] <= 0.01 * held[outer]
        return bool(round_held and loose.any()), loose[outside]
