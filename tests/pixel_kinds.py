"""How each patch is held, by pixels: runs by distances, spans by straight walks over pixels.

A walk (a strand) is held where the pixels before its first and after its last pixel of the patch
both rest on the layer below.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from scipy.ndimage import distance_transform_edt, find_objects, label
from scipy.spatial import cKDTree

from tests.pixel_columns import Bools, Floats, Grid, Ints, Outline, around

if TYPE_CHECKING:
    from tests.pixel_engine import Rules

# A surface flatter than this on the mean is one level ceiling (the product's own definition).
LEVEL_DEG = 2.0

# Share of the length of all strands that must hold (derived: the last one at a corner may miss).
HELD_SHARE = 0.985

# Strands and walks of one direction, at most.
MOST_LINES, MOST_STEPS = 128, 1500

# A level patch is walked over pixels of about this size, a quarter of a line, and no more of them
# than this (derived: spans are some millimetres).
COARSE_MM = 0.1
MOST_PIXELS = 100_000

# What a pixel is to the patch that is looked at.
AIR, HELD, PATCH = 0, 1, 2
Look = Callable[[Ints, Ints], Ints]

# Pixels of a patch from which its reach is measured, besides all points of its outline.
INSIDE = 2000

# Runs are told apart by this much, mm, and not at all where they are well past the lip (derived).
RUN_CLASS_MM, WELL_PAST = 0.1, 1.25


@dataclass(frozen=True)
class Piece:
    """A part of a patch that is held in one way. `measure_mm`: span of a bridge or ceiling,
    reach of all else, compared with `limit_mm`."""

    kind: str
    area_mm2: float
    measure_mm: float
    limit_mm: float

    @property
    def held(self) -> bool:
        """Whether the process holds it; a micrometre over is rounding."""
        return self.measure_mm <= self.limit_mm + 1e-3


@dataclass
class View:
    """What `judge` says: `edge` (k,) indices into the layer's own outline with the run there."""

    reach_mm: float
    run_mm: float
    slope: bool
    pieces: list[Piece] = field(default_factory=list)
    edge: Ints = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    edge_run: Floats = field(default_factory=lambda: np.empty(0))
    strips_below: Ints = field(default_factory=lambda: np.empty(0, dtype=np.int64))


@dataclass(frozen=True)
class Layer:
    """One layer and the one below it. `tag`: 1… the patches, -1 what is fresh and held, -2 what
    is fresh and no patch, 0 all else. `below`, `region`: solid in the layer below and in this."""

    grid: Grid
    tag: Ints
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
            return np.where(self.tag[flat] == tag, PATCH, self.holds(flat)).astype(np.int8)

        return state


def judge(layer: Layer, tag: int, pixels: Ints, angle_deg: float) -> View:
    """Kind, reach, run and pieces of one patch."""
    rules, grid = layer.rules, layer.grid
    area = len(pixels) * grid.pixel_mm**2
    anchors = layer.anchors(tag)
    sides = [pixels + step for step in (1, -1, grid.columns, -grid.columns)]
    held = sum(int(np.count_nonzero(layer.holds(at))) for at in sides)
    if held == 0:
        return View(math.inf, math.inf, False, [Piece("island", area, math.inf, 0.0)])
    rim = layer.rim(tag)
    points = np.concatenate([layer.own.points[rim[::2]], _inside(layer, pixels)])
    beside = np.concatenate([0.5 * (grid.centres(pixels[m]) + grid.centres(at[m]))
                             for at in sides for m in [layer.tag[at] == -1]])
    distance, run = _distances(layer, anchors, beside, points)
    most = float(run.max())
    follows = bool((layer.under.strip[anchors] >= 0).any())
    reach = most if follows else float(distance.max())
    sloped = not math.isnan(angle_deg) and angle_deg >= LEVEL_DEG
    tried = directions(layer, anchors, rim, sloped)
    free = sum(int(np.count_nonzero(~layer.holds(at) & (layer.tag[at] != tag))) for at in sides)
    kind = "ceiling" if free <= 0.01 * held else "bridge"
    if sloped:
        best = _span(layer.look(tag), *np.divmod(pixels, grid.columns), grid.pixel_mm, rules,
                     tried)
        if math.isfinite(best):
            return View(reach, most, False, [Piece(kind, area, best, rules.bridge_mm)])
        strips = np.unique(layer.under.strip[anchors])
        return View(reach, max(most, 0.0), True, [], rim,
                    np.repeat(run[: (len(rim) + 1) // 2], 2)[: len(rim)], strips[strips >= 0])
    if reach <= rules.lip_mm + 1e-3:
        return View(reach, most, False, [Piece("lip", area, reach, rules.lip_mm)])
    ceiling = Ceiling(layer, tag, pixels)
    best = _span(ceiling.look, ceiling.row, ceiling.column, ceiling.pixel_mm, rules, tried)
    if best <= rules.bridge_mm + 1e-3:
        return View(reach, most, False, [Piece(kind, area, best, rules.bridge_mm)])
    spanned = f"wide {kind}" if math.isfinite(best) else ""
    pieces = ceiling.cover(tried, layer.under.points[anchors], reach, best, spanned)
    return View(reach, most, False, pieces)


def _span(look: Look, row: Ints, column: Ints, pixel_mm: float, rules: Rules,
          tried: list[float]) -> float:
    """The shortest span of the directions in which all strands are held; inf if none."""
    best = math.inf
    for turn in tried:
        walks = Walks(look, row, column, turn, pixel_mm, rules.line_mm)
        if walks.held_share >= HELD_SHARE:
            best = min(best, walks.span_mm)
    return best


def _inside(layer: Layer, pixels: Ints) -> Floats:
    """Centres of an even choice of pixels, (n, 2) mm."""
    return layer.grid.centres(pixels[:: max(1, len(pixels) // INSIDE)])


def _distances(layer: Layer, anchors: Ints, beside: Floats, points: Floats
               ) -> tuple[Floats, Floats]:
    """Distance of points (n, 2) from what holds a patch, and the run there, (n,) mm each.

    `anchors` index the outline below; `beside` (m, 2) are held in the layer itself.
    """
    under, rules = layer.under, layer.rules
    held = np.concatenate([under.points[anchors], beside])
    gathered = np.concatenate([under.run[anchors], np.full(len(beside), -rules.step_mm)])
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


def directions(layer: Layer, anchors: Ints, rim: Ints, sloped: bool) -> list[float]:
    """Directions to try, radians: along and across the straight edges of a patch, and all round.
    A strip of a slope is long and narrow: only its own edges count."""
    ways = []
    for outline, points in ((layer.under, anchors), (layer.own, rim)):
        segment = outline.segments[outline.segment[points]]
        along = segment[:, 1] - segment[:, 0]
        ways.append(np.degrees(np.arctan2(along[:, 1], along[:, 0])) % 180.0)
    way = np.concatenate(ways)
    if not len(way):
        return [math.pi / 24 * k for k in range(24)]
    histogram = np.bincount(way.astype(np.int64) % 180, minlength=180)
    tried: list[float] = []
    for peak in np.argsort(-histogram, kind="stable")[: 2 if sloped else 4].tolist():
        if histogram[peak]:
            mean = float(np.median(way[way.astype(np.int64) == peak]))
            tried += [mean, mean + 90.0]
    if not sloped:
        tried += [tried[0] + 7.5 * k for k in range(1, 24)]
    return [math.radians(t) for t in tried]


class Walks:
    """Straight walks over a patch in one direction, from edge to edge.

    `look(row, column)` tells what pixels are; `row`, `column` (n,) are those of the patch.
    """

    def __init__(self, look: Look, row: Ints, column: Ints, turn: float, pixel_mm: float,
                 line_mm: float) -> None:
        cos, sin = math.cos(turn), math.sin(turn)
        self._u, self._v = column * cos + row * sin, row * cos - column * sin
        low, high = float(self._v.min()) - 0.5, float(self._v.max()) + 0.5
        lines = int(np.clip(math.ceil((high - low) * pixel_mm / line_mm), 8, MOST_LINES))
        self._low, self._spacing = low, (high - low) / lines
        reach = float(self._u.max() - self._u.min())
        self._step = max(1.0, reach / MOST_STEPS)
        self._begin = float(self._u.min()) - 2 * self._step
        u = self._begin + self._step * np.arange(math.ceil(reach / self._step) + 5)[None, :]
        v = low + self._spacing * (np.arange(lines)[:, None] + 0.5)
        state = look((u * sin + (v * cos + 0.5)).astype(np.int32),
                     (u * cos - (v * sin - 0.5)).astype(np.int32))
        inside = state == PATCH
        inside[:, 0] = inside[:, -1] = False
        self._row, first = np.nonzero(inside[:, 1:] & ~inside[:, :-1])
        _, last = np.nonzero(inside[:, :-1] & ~inside[:, 1:])
        self._first, self._last = first + 1, last + 1
        self._shape = inside.shape
        self.length_mm = (self._last - self._first) * (self._step * pixel_mm)
        self.held = ((state[self._row, first] == HELD) & (state[self._row, self._last] == HELD))

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
        """Length of all strands that are held and no longer than the limit, times their spacing,
        in pixels' area."""
        good = self.held & (self.length_mm <= limit_mm)
        return float((self._last - self._first)[good].sum()) * self._step * self._spacing

    def covered(self, limit_mm: float) -> tuple[Bools, float]:
        """Which pixels lie under such a strand, and the longest of them, mm."""
        good = self.held & (self.length_mm <= limit_mm)
        change = np.zeros(self._shape, dtype=np.int8)
        change[self._row[good], self._first[good]] += 1
        change[self._row[good], self._last[good]] -= 1
        on = np.cumsum(change, axis=1) > 0
        row = np.clip(((self._v - self._low) / self._spacing).astype(int), 0, self._shape[0] - 1)
        step = np.rint((self._u - self._begin) / self._step).astype(int)
        return np.asarray(on[row, step]), float(self.length_mm[good].max(initial=0.0))


class Ceiling:
    """A level patch in a picture of its own, coarse enough to walk it in many directions."""

    def __init__(self, layer: Layer, tag: int, pixels: Ints) -> None:
        grid, self._rules = layer.grid, layer.rules
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

    def look(self, row: Ints, column: Ints) -> Ints:
        """What the pixels of the picture are; what lies outside is air."""
        rows, columns = self._picture.shape
        inside = (row >= 0) & (row < rows) & (column >= 0) & (column < columns)
        return np.asarray(self._picture[np.where(inside, row, 0), np.where(inside, column, 0)])

    def cover(self, tried: list[float], anchors: Floats, reach: float, span: float,
              spanned: str) -> list[Piece]:
        """The patch piece by piece, each covered by strands of one direction within the limit."""
        rules = self._rules
        pieces: list[Piece] = []
        rests: list[Bools] = []
        whole = self._picture == PATCH
        left = [whole]
        while left:
            piece = left.pop()
            self._picture[whole] = AIR
            self._picture[piece] = PATCH
            row, column = np.nonzero(piece)
            walks = [Walks(self.look, row, column, turn, self.pixel_mm, rules.line_mm)
                     for turn in tried]
            best = max(walks, key=lambda w: w.length_held(rules.bridge_mm))
            mask, longest = best.covered(rules.bridge_mm)
            size = float(np.count_nonzero(mask)) * self._each
            if size < rules.line_mm**2:
                rests.append(piece)
                continue
            pieces.append(Piece("bridge", size, longest, rules.bridge_mm))
            rest = piece.copy()
            rest[row[mask], column[mask]] = False
            parts, _ = label(rest, structure=np.ones((3, 3)))
            for k, window in enumerate(find_objects(parts), start=1):
                part = np.zeros_like(whole)
                part[window] = parts[window] == k
                if 2 * self.pixel_mm * distance_transform_edt(np.pad(part[window], 1)).max() > (
                        0.5 * rules.line_mm):
                    left.append(part)
        self._picture[whole] = PATCH
        for part in rests:
            size = float(np.count_nonzero(part)) * self._each
            if not pieces and spanned:
                pieces.append(Piece(spanned, size, span, rules.bridge_mm))
            elif len(rests) == 1 and not pieces:
                kind = "pierced" if self._pierced() else "ledge"
                pieces.append(Piece(kind, size, reach, rules.lip_mm))
            else:
                points = np.argwhere(part)[:, ::-1] * self.pixel_mm + self._corner
                far = float(cKDTree(anchors).query(points)[0].max())
                pieces.append(Piece("ledge", size, far, rules.lip_mm))
        return pieces

    def _pierced(self) -> bool:
        """Whether it is held all round while the wall of a hole in it stands in the air."""
        whole = self._picture == PATCH
        outside, count = label(~whole)
        held, free = np.zeros(count + 1), np.zeros(count + 1)
        for axis in (0, 1):
            for shift in (1, -1):
                border = whole & ~np.roll(whole, shift, axis=axis)
                other = np.roll(outside, shift, axis=axis)[border]
                holds = np.roll(self._picture, shift, axis=axis)[border] == HELD
                np.add.at(held, other[holds], 1)
                np.add.at(free, other[~holds], 1)
        outer = outside[0, 0]
        inner = [k for k in range(1, count + 1) if k != outer]
        return bool(free[outer] <= 0.01 * held[outer] and any(held[k] == 0 for k in inner))
