"""Where the ridges of props go under a patch, in plan.

Strands are laid side by side in one direction. Every strand must be held where it ends and at
least every `spacing_mm` between: where an end is not held by the part, a ridge runs along that
edge, one line inside it; where a strand is longer than the spacing, ridges divide it. A strip of
span S held at both ends so needs ⌈S/B⌉ − 1 ridges between (derived). What lies beyond the last
ridge is half a line. A patch with one free edge gets one ridge along it, an island one along
each of two opposite edges, or a single one in its middle where it is no wider than the lip on
both sides; where a ridge would be shorter than a line it is a point.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import shapely

from soffit.findings.bridging import directions, strands
from soffit.findings.model import Patch
from soffit.findings.patches import RawPatch
from soffit.layers.stack import GRID_MM
from soffit.part.model import Floats
from soffit.process.model import Process
from soffit.remedies.anchor import rings_of
from soffit.remedies.context import BRIDGE_SHARE

# Times that what is between ridges is divided again (derived: more than any outline needed).
MOST_ROUNDS = 3

# An edge of the patch counts as held where its middle is this near to an anchor (derived: ten
# grids of the layer engine).
HELD_MM = 1e-3

# Strands looked at across a patch at most (derived: 0.4 mm apart over 100 mm).
MOST_STRANDS = 250

# A ridge along a free edge counts as along it within this, and follows a curve within that
# (derived: a twentieth and all of a line, half the lip).
FLUSH_MM, CORNER_MM, CHORD_MM = 0.02, 0.05, 0.4


@dataclass(frozen=True)
class Comb:
    """Ridges for one direction of strands: `lines` (2, 2) plan segments, sorted; `strand` is
    the unit direction (2,) of the strands."""

    lines: tuple[Floats, ...]
    strand: Floats

    @property
    def length_mm(self) -> float:
        """Length of all ridges, mm."""
        return float(sum(np.linalg.norm(line[1] - line[0]) for line in self.lines))


def rim(patch: Patch, process: Process) -> tuple[Floats, ...]:
    """Ridges along every free edge, their outer side flush with it, and across where what they
    enclose is wider than the spacing: for outlines that no set of parallel strands suits."""
    raw = as_raw(patch)
    line = process.line_mm
    starts, ends, held = raw.edges
    area = polygon_of(patch)
    free = shapely.union_all(shapely.linestrings(np.stack([starts[~held], ends[~held]], axis=1)))
    inner = shapely.buffer(area, -0.5 * line, join_style="mitre")
    if shapely.is_empty(inner):
        return spine(area, line)
    edge = shapely.intersection(
        shapely.boundary(inner), shapely.buffer(free, 0.5 * line + FLUSH_MM)
    )
    lines: list[Floats] = []
    for part in shapely.get_parts(shapely.line_merge(edge)):
        lines += chords(np.asarray(part.coords), CHORD_MM)
    return _sorted(lines + dividers(area, process))


def chords(points: Floats, tolerance_mm: float) -> list[Floats]:
    """Straight pieces, (2, 2) each, from point to point of a polyline that keep within a
    tolerance of it: as few as possible, and on a curve about equally long."""
    corners = np.asarray(shapely.simplify(shapely.LineString(points), CORNER_MM).coords)
    count = 1
    while True:
        pick = np.unique(np.round(np.linspace(0, len(corners) - 1, count + 1)).astype(int))
        pieces = list(itertools.pairwise(pick.tolist()))
        off = max(
            (float(shapely.distance(shapely.points(corners[a + 1 : b]),
                                    shapely.LineString(corners[[a, b]])).max())
             for a, b in pieces if b - a > 1), default=0.0)
        if off <= tolerance_mm or len(pick) == len(corners):
            return [corners[[a, b]] for a, b in pieces
                    if np.linalg.norm(corners[b] - corners[a]) > GRID_MM]
        count += 1


def spine(area: shapely.Geometry, line_mm: float) -> tuple[Floats, ...]:
    """One ridge along the middle of something small; a line long at least."""
    box = shapely.minimum_rotated_rectangle(area)
    if not isinstance(box, shapely.Polygon):
        return ()
    a, b, c = np.asarray(box.exterior.coords)[:3]
    sides = sorted((b - a, c - b), key=lambda v: float(np.linalg.norm(v)))
    length = float(np.linalg.norm(sides[1]))
    middle = np.array([box.centroid.x, box.centroid.y])
    half = 0.5 * max(length, line_mm) * sides[1] / max(length, 1e-9)
    return (np.array([middle - half, middle + half]),)


def dividers(area: shapely.Geometry, process: Process) -> list[Floats]:
    """Ridges across the shortest strands of each cell whose border holds, until in some
    direction no strand of it is longer than the spacing."""
    spacing = BRIDGE_SHARE * process.bridge_mm
    lines: list[Floats] = []
    cells = list(shapely.get_parts(area))
    for _ in range(MOST_ROUNDS):
        left: list[shapely.Geometry] = []
        for cell in cells:
            new = _across(cell, spacing, process.line_mm)
            lines += new
            if new:
                drawn = shapely.buffer(shapely.multilinestrings(new), 0.5 * process.line_mm)
                left += list(shapely.get_parts(shapely.difference(cell, drawn)))
        cells = left
    return lines


def _across(cell: shapely.Geometry, spacing_mm: float, line_mm: float) -> list[Floats]:
    """Parallel ridges through one cell, none where it is narrow enough in some direction."""
    if not isinstance(cell, shapely.Polygon) or cell.area < line_mm**2:
        return []
    rings = rings_of(cell)
    held = tuple(np.ones(len(ring), dtype=bool) for ring in rings)
    raw = RawPatch(0, rings, held, 0.0, np.empty(0, dtype=np.int64))
    best: tuple[float, float] | None = None
    for angle in directions(raw, edges=4, around=0, stretches=0):
        found = strands(raw, angle, line_mm).length
        longest = float(found.max()) if len(found) else 0.0
        if best is None or longest < best[0] - 1e-6:
            best = (longest, angle)
    if best is None or best[0] <= spacing_mm:
        return []
    turn = math.radians(best[1])
    extent = float(np.ptp(shapely.get_coordinates(cell) @ [math.cos(turn), math.sin(turn)]))
    return parallels(cell, best[1] + 90.0, between(extent, spacing_mm), line_mm)


def parallels(
    area: shapely.Geometry, angle_deg: float, count: int, line_mm: float
) -> list[Floats]:
    """`count` evenly spaced lines within `area` that run at an angle."""
    turn = math.radians(angle_deg)
    along = np.array([math.cos(turn), math.sin(turn)])
    across = np.array([-along[1], along[0]])
    points = shapely.get_coordinates(area)
    v, u = points @ across, points @ along
    lines: list[Floats] = []
    for t in np.linspace(v.min(), v.max(), count + 2)[1:-1].tolist():
        ray = shapely.LineString([(u.min() - 1.0) * along + t * across,
                                  (u.max() + 1.0) * along + t * across])
        for piece in shapely.get_parts(shapely.intersection(ray, area)):
            if piece.length > line_mm:
                lines.append(np.asarray(piece.coords)[[0, -1]])
    return lines


def polygon_of(patch: Patch) -> shapely.Geometry:
    """The plan region of a patch."""
    region = shapely.Polygon()
    for ring in patch.rings:
        region = shapely.symmetric_difference(region, shapely.make_valid(shapely.Polygon(ring)))
    return region


def _sorted(lines: list[Floats]) -> tuple[Floats, ...]:
    return tuple(sorted(lines, key=lambda p: np.round(p, 6).tolist()))


@dataclass(frozen=True)
class _Strand:
    """A strand: row, place across, both ends and whether each is held."""

    row: int
    s: float
    low: float
    high: float
    held_low: bool
    held_high: bool

    def meets(self, other: _Strand) -> bool:
        """Whether two strands of neighbouring rows lie side by side."""
        return self.low < other.high and other.low < self.high


def between(span_mm: float, limit_mm: float) -> int:
    """Ridges needed inside a strip held at both ends: ⌈S/B⌉ − 1 (derived)."""
    return max(0, math.ceil(span_mm / limit_mm - 1e-9) - 1)


def as_raw(patch: Patch) -> RawPatch:
    """The plan outline with each edge marked held or free."""
    anchors = shapely.union_all([shapely.linestrings(a) for a in patch.anchors])
    held = []
    for ring in patch.rings:
        middle = shapely.points(0.5 * (ring + np.roll(ring, -1, axis=0)))
        # The distance to nothing is not a number, which compares as false.
        held.append(np.asarray(shapely.distance(middle, anchors) <= HELD_MM, dtype=bool))
    return RawPatch(patch.layers[0], patch.rings, tuple(held), 0.0, patch.triangles)


def combs(patch: Patch, process: Process, contour: Floats | None) -> list[Comb]:
    """Ways to hold a patch, shortest ridges first. `contour`: the only direction in which
    strands can lie, for a surface that slopes; else all along and across its longest edges."""
    raw = as_raw(patch)
    if contour is not None:
        tried = [math.degrees(math.atan2(contour[1], contour[0])) % 180.0]
    else:
        tried = directions(raw, edges=4, around=0, stretches=0)
        if patch.bridge_dir is not None:
            tried.insert(0, math.degrees(math.atan2(patch.bridge_dir[1], patch.bridge_dir[0])))
    found: list[Comb] = []
    for angle in tried:
        turn = math.radians(angle)
        comb = _comb(raw, np.array([math.cos(turn), math.sin(turn)]), process)
        if comb.lines:
            found.append(comb)
    cost = process.line_mm  # a point takes about as much as a ridge of its foot's width
    return sorted(found, key=lambda c: (round(c.length_mm + 8 * cost * len(c.lines), 6),
                                        len(c.lines), c.strand.tolist()))


def _comb(raw: RawPatch, strand: Floats, process: Process) -> Comb:
    across = np.array([-strand[1], strand[0]])
    rows, spacing = _strands(raw, strand, across, process.line_mm)
    # From the middle of the outermost strands a little past their outer side: the patch
    # itself ends the ridge.
    past = 0.5 * spacing + process.line_mm
    lines: list[Floats] = []
    for chain in _chains(rows):
        for run in _supports(chain, process):
            points = np.array(run)
            if run[0][0] == chain[0].s:
                points = np.vstack([[chain[0].s - past, run[0][1]], points])
            if run[-1][0] == chain[-1].s:
                points = np.vstack([points, [chain[-1].s + past, run[-1][1]]])
            lines += _straight(points, 0.25 * process.lip_mm, process.line_mm)
    plan = [np.outer(line[:, 0], across) + np.outer(line[:, 1], strand) for line in lines]
    return Comb(tuple(sorted(plan, key=lambda p: np.round(p, 6).tolist())), strand)


def _strands(
    raw: RawPatch, strand: Floats, across: Floats, line_mm: float
) -> tuple[list[list[_Strand]], float]:
    """Strands row by row, and the distance between rows."""
    starts, ends, held = raw.edges
    v0, v1, u0, u1 = starts @ across, ends @ across, starts @ strand, ends @ strand
    low, high = float(v0.min()), float(v0.max())
    count = int(np.clip(math.ceil((high - low) / line_mm), 8, MOST_STRANDS))
    spacing = (high - low) / count
    rows: list[list[_Strand]] = []
    for k in range(count):
        s = low + (k + 0.5) * spacing
        cut = np.flatnonzero((v0 <= s) != (v1 <= s))
        share = (s - v0[cut]) / (v1[cut] - v0[cut])
        u = u0[cut] + share * (u1[cut] - u0[cut])
        order = np.argsort(u, kind="stable")
        u, ok = u[order], held[cut[order]]
        rows.append([
            _Strand(k, s, float(u[j]), float(u[j + 1]), bool(ok[j]), bool(ok[j + 1]))
            for j in range(0, len(u) - 1, 2) if u[j + 1] - u[j] > 1e-6
        ])
    return rows, spacing


def _chains(rows: list[list[_Strand]]) -> list[list[_Strand]]:
    """Strands that lie side by side one to one from row to row."""
    done: list[list[_Strand]] = []
    open_: list[list[_Strand]] = []
    for row in rows:
        still: list[list[_Strand]] = []
        taken: set[int] = set()
        for chain in open_:
            mine = [k for k, s in enumerate(row) if s.meets(chain[-1])]
            if len(mine) == 1 and sum(c[-1].meets(row[mine[0]]) for c in open_) == 1:
                chain.append(row[mine[0]])
                taken.add(mine[0])
                still.append(chain)
            else:
                done.append(chain)
        open_ = still + [[s] for k, s in enumerate(row) if k not in taken]
    return done + open_


def _supports(chain: list[_Strand], process: Process) -> list[list[tuple[float, float]]]:
    """Runs of (across, along) points that must be held, for one chain of strands."""
    line, lip = process.line_mm, process.lip_mm
    spacing = max(line, BRIDGE_SHARE * process.bridge_mm)

    def needs(s: _Strand) -> bool:
        length = s.high - s.low
        if s.held_low and s.held_high:
            return length > process.bridge_mm
        return not ((s.held_low or s.held_high) and length <= lip)

    def centre_only(s: _Strand) -> bool:
        return not s.held_low and not s.held_high and s.high - s.low <= 2.0 * lip

    def low_end(s: _Strand) -> float:
        return s.low if s.held_low else s.low + line

    def high_end(s: _Strand) -> float:
        return s.high if s.held_high else s.high - line

    picks: list[Callable[[_Strand], float | None]] = [
        lambda s: 0.5 * (s.low + s.high) if centre_only(s) else
        (None if s.held_low else low_end(s)),
        lambda s: None if s.held_high or centre_only(s) else high_end(s),
    ]
    wanted = [s for s in chain if needs(s)]
    if not wanted:
        return []
    first, last = min(low_end(s) for s in wanted), max(high_end(s) for s in wanted)
    count = between(last - first, spacing)
    for j in range(1, count + 1):
        t = first + (last - first) * j / (count + 1)

        def divide(s: _Strand, t: float = t) -> float | None:
            if high_end(s) - low_end(s) <= spacing:
                return None
            return t if low_end(s) + line < t < high_end(s) - line else None

        picks.append(divide)
    runs: list[list[tuple[float, float]]] = []
    for pick in picks:
        run: list[tuple[float, float]] = []
        for strand in chain:
            at = pick(strand) if needs(strand) else None
            if at is None:
                if run:
                    runs.append(run)
                run = []
            else:
                run.append((strand.s, at))
        if run:
            runs.append(run)
    return runs


def _straight(points: Floats, tolerance: float, line_mm: float) -> list[Floats]:
    """A run of points as straight ridges, (2, 2) each; one shorter than a line is a point,
    given as a ridge one line long about it."""
    simple = np.asarray(shapely.simplify(shapely.LineString(points), tolerance).coords) \
        if len(points) > 1 else np.repeat(points, 2, axis=0)
    made = []
    for a, b in itertools.pairwise(simple):
        length = float(np.linalg.norm(b - a))
        if length < line_mm:
            way = (b - a) / length if length > 1e-9 else np.array([1.0, 0.0])
            middle = 0.5 * (a + b)
            a, b = middle - 0.5 * line_mm * way, middle + 0.5 * line_mm * way
        made.append(np.array([a, b]))
    return made
