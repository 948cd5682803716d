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
from scipy.ndimage import binary_dilation, distance_transform_edt, find_objects, label
from scipy.spatial import cKDTree

from tests.pixel_columns import Bools, Floats, Grid, Ints, Outline, around, components

if TYPE_CHECKING:
    from tests.pixel_engine import Rules

# A surface flatter than this on the mean is one level ceiling (the product's own definition).
LEVEL_DEG = 2.0

# Share of the length of all strands that must hold (derived: the last one at a corner may miss).
HELD_SHARE = 0.985

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
WORTH_SPANNING, MOST_DIRECTIONS, LEFT_SHARE = 0.3, 4, 0.4

# Whose the edge of a layer is, where it is not a strip of a slope: of nothing that ran, of a ledge.
NOTHING, LEDGE = -1, -2

# What a pixel is to the patch that is looked at: held by the layer below, or beside it in its own
# layer and held because it steps out by no more than is allowed.
AIR, HELD, BESIDE, PATCH = 0, 1, 2, 3
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
    slope: bool = False
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
            tags = self.tag[flat]
            solid = self.below[flat] & self.region[flat]
            return np.where(tags == tag, PATCH, np.where(tags == -1, BESIDE, solid)).astype(
                np.int8)

        return state


def judge(layer: Layer, tag: int, pixels: Ints, step: Floats, angle_deg: float) -> View:
    """Kind, reach, run and pieces of one patch. `step` (n,): how far each pixel steps out."""
    rules, grid = layer.rules, layer.grid
    area = len(pixels) * grid.pixel_mm**2
    anchors, rim = layer.anchors(tag), layer.rim(tag)
    sides = [pixels + move for move in (1, -1, grid.columns, -grid.columns)]
    if not any(layer.holds(at).any() for at in sides):
        return View(math.inf, math.inf, pieces=[Piece("island", area, math.inf, 0.0)])
    if math.isnan(angle_deg):
        strands = _single_strands(layer, tag, pixels, step)
        if strands is not None:
            return View(float(step.max()), 0.0, pieces=strands)
    beside = np.concatenate([0.5 * (grid.centres(pixels[m]) + grid.centres(at[m]))
                             for at in sides for m in [layer.tag[at] == -1]])
    points = np.concatenate([layer.own.points[rim[::2]], _inside(layer, pixels)])
    sloped = not math.isnan(angle_deg) and angle_deg >= LEVEL_DEG
    distance, run = _distances(layer, anchors, beside, points, rules.step_mm if sloped else 0.0)
    reach, most = float(distance.max()), max(float(run.max()), 0.0)
    tried = directions(layer, anchors, rim, sloped)
    edge_run = np.repeat(run[: (len(rim) + 1) // 2], 2)[: len(rim)]
    if sloped:
        best = _span(layer.look(tag), *np.divmod(pixels, grid.columns), grid.pixel_mm, rules,
                     tried)
        if math.isfinite(best):
            return View(reach, most, pieces=[Piece("bridge", area, best, rules.bridge_mm)])
        strips = np.unique(layer.under.strip[anchors])
        return View(reach, most, True, [], rim, edge_run, strips[strips >= 0])
    lip = Piece("ledge", area, most, rules.lip_mm)
    ceiling = Ceiling(layer, tag, pixels)
    best = ceiling.span(tried)
    if best <= rules.bridge_mm + 1e-3:
        return View(reach, most, pieces=[Piece("bridge", area, best, rules.bridge_mm)])
    pierced = ceiling.pierced()
    whole = lip
    if math.isfinite(best):
        whole = Piece("bridge", area, best, rules.bridge_mm)
    elif pierced:
        whole = Piece("pierced", area, reach, rules.lip_mm)
    if math.isfinite(best) or reach > rules.lip_mm + 1e-3:
        spanned, left, branched = ceiling.cover(tried)
        far = [ceiling.reach(part, layer, anchors, beside) for part in left]
        open_mm2 = math.fsum(ceiling.area(part) for part, (r, _) in zip(left, far, strict=True)
                             if r > rules.lip_mm + 1e-3)
        most_open = 1.0
        if pierced or math.isfinite(best):
            most_open = LEFT_SHARE if pierced or branched else 0.0
        if spanned and open_mm2 <= most_open * area:
            pieces = [Piece("bridge", size, span, rules.bridge_mm) for size, span in spanned]
            edges = []
            for part, (r, gathered) in zip(left, far, strict=True):
                kind, measure, limit = "ledge", gathered, rules.lip_mm
                alone = ceiling.span(tried, part)
                if pierced and ceiling.at_hole(part):
                    kind, measure = "pierced", r
                elif math.isfinite(alone) and r > rules.lip_mm + 1e-3:
                    kind, measure, limit = "bridge", alone, rules.bridge_mm
                else:
                    edges.append(ceiling.near(part, layer.own.points[rim]))
                pieces.append(Piece(kind, ceiling.area(part), measure, limit))
            some = np.any(edges, axis=0) if edges else np.zeros(len(rim), dtype=bool)
            return View(reach, most, False, pieces, rim[some], edge_run[some])
    if whole is lip:
        return View(reach, most, False, [lip], rim, edge_run)
    return View(reach, most, pieces=[whole])


def _single_strands(layer: Layer, tag: int, pixels: Ints, step: Floats) -> list[Piece] | None:
    """Pieces of a patch under no flat facet, as where steep faces meet in a flatter edge. None
    where a part of it must be judged as a ledge.

    A part past the step that is no wider than a line is one strand if its ends are held; a
    part narrower than half a line is none; another must not reach past the lip.
    """
    rules, grid = layer.rules, layer.grid
    beyond = np.flatnonzero(step > rules.step_mm)
    count, which = components(pixels[beyond], grid.columns)
    pieces = []
    for k in range(count):
        part = pixels[beyond[which == k]]
        far = float(step[beyond[which == k]].max())
        picture, _ = _window(part, grid)
        width = 2 * float(distance_transform_edt(picture).max()) * grid.pixel_mm
        span = _strand(layer, tag, part) if width <= rules.line_mm + grid.pixel_mm else math.inf
        if math.isfinite(span):
            pieces.append(Piece("bridge", len(part) * grid.pixel_mm**2, span, rules.bridge_mm))
        elif width >= 0.5 * rules.line_mm and far > rules.lip_mm:
            return None
    return pieces


def _strand(layer: Layer, tag: int, part: Ints) -> float:
    """Length of a narrow piece whose two tips meet what the layer below holds; inf if not."""
    grid = layer.grid
    row, column = np.divmod(part, grid.columns)
    points = np.stack([row, column], axis=1).astype(float)
    if len(points) < 3:
        return math.inf
    away = points - points.mean(axis=0)
    main = np.linalg.svd(away, full_matrices=False)[2][0]
    along, across = away @ main, away @ np.array([-main[1], main[0]])
    length = float(np.ptp(along)) * grid.pixel_mm
    if float(np.ptp(across)) * grid.pixel_mm > layer.rules.line_mm or length == 0.0:
        return math.inf
    look = layer.look(tag)
    ends = 0
    for sign in (1, -1):
        tip = points[np.argmax(sign * along)]
        # What lies between it and the layer below is held: a step, and a pixel for the tip.
        steps = np.arange(layer.rules.step_mm / grid.pixel_mm + 2)
        ahead = np.rint(tip + sign * steps[:, None] * main).astype(np.int64)
        ends += bool((look(ahead[:, 0], ahead[:, 1]) != AIR).all())
    return length if ends == 2 else math.inf


def _window(pixels: Ints, grid: Grid) -> tuple[Bools, tuple[int, int]]:
    """A picture of some pixels with an empty one all round, and its first row and column."""
    row, column = np.divmod(pixels, grid.columns)
    r0, c0 = int(row.min()) - 1, int(column.min()) - 1
    picture = np.zeros((int(row.max()) - r0 + 2, int(column.max()) - c0 + 2), dtype=bool)
    picture[row - r0, column - c0] = True
    return picture, (r0, c0)


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


def _distances(layer: Layer, anchors: Ints, beside: Floats, points: Floats, free_mm: float
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

    def area(self, part: Bools) -> float:
        """Area of a part of the picture, mm²."""
        return float(np.count_nonzero(part)) * self._each

    def span(self, tried: list[float], part: Bools | None = None) -> float:
        """The shortest span of the patch, or of a part of it, where all strands are held."""
        row, column, whole = self.row, self.column, self._picture
        if part is not None:
            self._picture = np.where(part, PATCH, np.where(whole == PATCH, AIR, whole))
            row, column = np.nonzero(part)
        best = _span(self.look, row, column, self.pixel_mm, self._rules, tried)
        self._picture = whole
        return best

    def cover(self, tried: list[float]) -> tuple[list[tuple[float, float]], list[Bools], bool]:
        """The patch piece by piece, each covered by strands of one direction within the limit:
        area and span of each, what is left, and whether more than one direction was needed."""
        rules = self._rules
        spanned: list[tuple[float, float]] = []
        ways: set[float] = set()
        left: list[Bools] = []
        whole = self._picture == PATCH
        todo = [whole]
        for _ in range(MOST_DIRECTIONS):
            pieces, todo = todo, []
            for piece in pieces:
                self._picture[whole] = AIR
                self._picture[piece] = PATCH
                row, column = np.nonzero(piece)
                walks = [Walks(self.look, row, column, turn, self.pixel_mm, rules.line_mm)
                         for turn in tried]
                sizes = [w.length_held(rules.bridge_mm) for w in walks]
                best = int(np.argmax(sizes))
                mask, longest = walks[best].covered(rules.bridge_mm)
                under = np.zeros_like(piece)
                under[row[mask], column[mask]] = True
                new = self._wide(under, rules.line_mm)
                if np.count_nonzero(mask) < WORTH_SPANNING * len(row) or not new:
                    left.append(piece)
                    continue
                ways.add(tried[best])
                spanned += [(self.area(part), longest) for part in new]
                todo += self._wide(piece & ~under, 0.5 * rules.line_mm)
        self._picture[whole] = PATCH
        return spanned, left + todo, len(ways) > 1

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

    def _points(self, part: Bools) -> Floats:
        return np.asarray(np.argwhere(part)[:, ::-1] * self.pixel_mm + self._corner)

    def near(self, part: Bools, points: Floats) -> Bools:
        """Which points (n, 2) mm lie on a part of the picture or beside it."""
        if not len(points):
            return np.zeros(0, dtype=bool)
        at = np.rint((points - self._corner) / self.pixel_mm).astype(int)
        grown = binary_dilation(part, structure=np.ones((3, 3), dtype=bool))
        at = np.clip(at, 0, np.array(part.shape)[::-1] - 1)
        return np.asarray(grown[at[:, 1], at[:, 0]])

    def reach(self, part: Bools, layer: Layer, anchors: Ints, beside: Floats
              ) -> tuple[float, float]:
        """Greatest distance of a part from what holds it, or else the patch, and its run."""
        mine = anchors[self.near(part, layer.under.points[anchors])]
        aside = beside[self.near(part, beside)]
        if not len(mine) and not len(aside):
            mine, aside = anchors, beside
        distance, run = _distances(layer, mine, aside, self._points(part), 0.0)
        return float(distance.max()), float(run.max())

    def at_hole(self, part: Bools) -> bool:
        """Whether a part borders on the air."""
        beside = binary_dilation(part) & ~part
        return bool((self._picture[beside] == AIR).any())

    def pierced(self) -> bool:
        """Whether it is held all round while the wall of a hole in it stands in the air."""
        whole = self._picture == PATCH
        outside, count = label(~whole)
        held, free = np.zeros(count + 1), np.zeros(count + 1)
        for axis in (0, 1):
            for shift in (1, -1):
                border = whole & ~np.roll(whole, shift, axis=axis)
                other = np.roll(outside, shift, axis=axis)[border]
                holds = np.roll(self._picture, shift, axis=axis)[border] != AIR
                np.add.at(held, other[holds], 1)
                np.add.at(free, other[~holds], 1)
        outer = outside[0, 0]
        inner = [k for k in range(1, count + 1) if k != outer]
        return bool(free[outer] <= 0.01 * held[outer] and any(held[k] == 0 for k in inner))
