"""Where gussets go, in plan: ridges from the edge of a place to what it hangs on.

Each starts at a point just inside the free edge and takes the shortest way to the anchor: at right
angles to a straight wall, radially about a round one. Strands then lie across them. Where that does
not hold the place, ways that go straight away from the edge until they meet the anchor are tried as
well; which of all are needed is looked for (`prop_cover`). Under a slope all stand.

Along a bent edge each tip has a bar, so long that a straight strand from bar to bar bulges from the
edge by less than a bead beside it covers.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely

from soffit.findings.model import Patch
from soffit.part.model import Floats
from soffit.process.model import Process
from soffit.remedies.context import BRIDGE_SHARE, LIP_SHARE
from soffit.remedies.prop_cover import LEAST_MM2, Cover
from soffit.remedies.prop_place import FLUSH_MM, as_raw, chords, polygon_of
from soffit.remedies.prop_row import row

# Spokes whose ends are both so near to another, in lines, are that one (derived: between them no
# bead fits).
SAME_LINES = 2.0
# How far the edge may bulge past a straight line between tips, as shares of the lip that are tried,
# largest first (own choice), and past one between bars, as a share of a line (derived: at 18 mm
# radius what bulges is a bead's width squared, which the bead beside it covers).
BULGES, HELD_SHARE = (1.5, 1.0, 0.5, 0.25), 0.15
# So far inside of a free edge a gusset ends, mm: flush with it, slivers would be left where faces
# coincide (derived: above rounding, a twentieth of a line).
INSET_MM = 0.02
# Shorter chords of an edge have no tips of their own, mm (derived: a bead's width).
LEAST_CHORD_MM = 0.4
# More are not looked through, each costs a review of the cells beside it (own choice).
MOST_SPOKES = 120
# A way meets an anchor squarely where it is so far off so much before, as a share (derived: within
# 20 degrees), mm (own choice).
SQUARE, SQUARE_MM = 0.94, 0.5
# A gusset more costs as much as so much plastic, mm³ (own choice: half of what one of 6 mm takes).
EACH_MM3 = 5.0
# One beside a row is given up before one of the row that takes so many times as much (own choice).
MENDS = 4.0
# A row is taken where it takes no more than so many times as much (own choice: it keeps more of the
# lip in hand).
MORE = 1.05
# Tips stand so many times as densely where some find no way (own choice).
DENSER = 3.0


@dataclass(frozen=True, eq=False)
class Spoke:
    """A ridge `line` (2, 2) from the anchor to the free edge, the length of the `bar` along the
    edge at its tip, how far that is set `back` from the tip where the edge is bent, and the breadth
    of its `flange`, mm."""

    line: Floats
    bar: float = 0.0
    back: float = 0.0
    flange: float = 0.0

    @property
    def reach(self) -> float:
        """Length of the ridge, mm."""
        return float(np.linalg.norm(self.line[1] - self.line[0]))

    def drawn(self, line_mm: float) -> shapely.Geometry:
        """The ridge and its bar in plan."""
        along = (self.line[1] - self.line[0]) / self.reach
        end = self.line[1] + (0.5 * line_mm + INSET_MM) * along
        ridge = shapely.buffer(shapely.LineString([self.line[0], end]), 0.5 * line_mm,
                               cap_style="flat")
        across = 0.5 * max(self.bar, line_mm) * np.array([-along[1], along[0]])
        tip = end - self.back * along
        low = tip - line_mm * along
        return shapely.union(ridge, shapely.Polygon(
            [tip - across, tip + across, low + across, low - across]))


# Breadth of the flange of a gusset under a ridge, 0 where it needs none; None where none can stand.
Breadth = Callable[[Floats], float | None]


def spokes(patch: Patch, process: Process, level: bool, breadth: Breadth) -> tuple[Spoke, ...]:
    """Ridges from the anchor to the free edge of a patch, sorted; none where it is held all round,
    or nowhere."""
    if not patch.anchors:
        return ()
    if not level:
        spacing = BRIDGE_SHARE * process.bridge_mm
        tips = _tips(patch, process, LIP_SHARE * process.lip_mm, spacing)
        return _distinct(_nearest(tips, Cover(patch, process), process), process)
    cover = Cover(patch, process)
    broad: dict[bytes, float | None] = {}

    def stands(spoke: Spoke) -> Spoke | None:
        key = np.round(spoke.line, 4).tobytes()
        if key not in broad:
            broad[key] = breadth(spoke.line)
        flange = broad[key]
        return None if flange is None else replace(
            spoke, bar=max(flange, spoke.bar), flange=flange)

    def among(found: list[Spoke]) -> tuple[Spoke, ...]:
        some = [s for spoke in _distinct(found, process) if (s := stands(spoke)) is not None]
        return tuple(sorted(some, key=lambda one: one.reach)[:MOST_SPOKES])

    spacing = BRIDGE_SHARE * process.bridge_mm
    ways = [among(_nearest(_tips(patch, process, share * process.lip_mm, spacing), cover, process))
            for share in BULGES]
    left = [_left_mm2(cover, some) for some in ways]
    rows = among(_rowed(cover, process, stands))
    if min(left) > LEAST_MM2:
        # Holes and walls are in the way of some: others beside them, and other ways, may do.
        tips = _tips(patch, process, BULGES[-1] * process.lip_mm, spacing / DENSER)
        some = among([*ways[left.index(min(left))], *_nearest(tips, cover, process),
                      *_straight(tips, cover, process)])
        ways, left = [*ways, some], [*left, _left_mm2(cover, some)]
    # Of those that leave as little in the air as any what takes least, by itself or to mend what a
    # row leaves, where that takes hardly more.
    enough = [k for k, mm2 in enumerate(left) if mm2 <= min(left) + LEAST_MM2]
    best = ways[min(enough, key=lambda k: _plastic_mm3(ways[k], process))]
    chosen = _needed(cover, best, ())
    if rows:
        mended = _needed(cover, best, rows)
        if _plastic_mm3(mended, process) <= MORE * _plastic_mm3(chosen, process):
            chosen = mended
    return tuple(sorted(chosen, key=lambda one: np.round(one.line, 6).tolist()))


def _needed(
    cover: Cover, some: tuple[Spoke, ...], rows: tuple[Spoke, ...]
) -> tuple[Spoke, ...]:
    """Which spokes of some and of a row it takes, those of the row rather."""
    every = _distinct([*rows, *some], cover.process)
    costs = [_plastic_mm3((one,), cover.process) * (MENDS if rows and one not in rows else 1.0)
             for one in every]
    kept = cover.needed([spoke.drawn(cover.process.line_mm) for spoke in every], costs)
    return tuple(every[k] for k in kept)


def _rowed(
    cover: Cover, process: Process, stands: Callable[[Spoke], Spoke | None]
) -> list[Spoke]:
    """The ridges of the cheapest row of tips along each free edge."""
    def spoke(tip: Floats, inward: Floats) -> Spoke | None:
        found = _nearest([_Tip(tip, inward, 0.0, 0.0)], cover, process)
        return stands(found[0]) if found else None

    def price(tip: Floats, inward: Floats) -> tuple[float, Floats] | None:
        found = spoke(tip, inward)
        if found is None:
            return None
        return _plastic_mm3((found,), process), found.line[0]

    made = []
    for edge in _edges(cover.patch, process):
        for tip in row(edge, cover.area, process, price):
            if (one := spoke(tip, np.zeros(2))) is not None:
                made.append(one)
    return made


def _plastic_mm3(some: Sequence[Spoke], process: Process) -> float:
    """About what gussets of ridges take: plates, flanges and bars, and each by itself."""
    return sum(EACH_MM3 + process.line_mm * (
        one.reach * (0.5 * one.reach + one.flange)
        + 0.25 * (one.bar - max(one.flange, process.line_mm))**2) for one in some)


def _left_mm2(cover: Cover, some: tuple[Spoke, ...]) -> float:
    return cover.left_mm2([spoke.drawn(cover.process.line_mm) for spoke in some])


def _distinct(found: list[Spoke], process: Process) -> tuple[Spoke, ...]:
    """The spokes, one each where several are nearly the same: the longest, of such the one with the
    longest bar."""
    found = sorted(found, key=lambda one: (-round(one.reach, 3), -round(one.bar, 3),
                                           np.round(one.line, 6).tolist()))
    kept: list[Spoke] = []
    for one in found:
        ends = shapely.points(one.line)
        if not any(float(shapely.distance(ends, shapely.LineString(other.line)).max())
                   <= SAME_LINES * process.line_mm for other in kept):
            kept.append(one)
    return tuple(sorted(kept, key=lambda one: np.round(one.line, 6).tolist()))


def _nearest(tips: list[_Tip], cover: Cover, process: Process) -> list[Spoke]:
    """From each tip the shortest way to the anchor, where that is within the patch."""
    found = []
    for tip in tips:
        root = np.asarray(shapely.shortest_line(cover.anchor, shapely.Point(tip.at)).coords)[0]
        way = shapely.LineString([root, tip.at])
        astray = shapely.difference(way, shapely.buffer(cover.area, FLUSH_MM)).length
        if way.length > LIP_SHARE * process.lip_mm and astray < FLUSH_MM:
            found.append(Spoke(np.array([root, tip.at]), tip.bar, tip.back))
    return found


def _straight(tips: list[_Tip], cover: Cover, process: Process) -> list[Spoke]:
    """From each tip straight away from its edge to where that meets the anchor."""
    x0, y0, x1, y1 = cover.area.bounds
    far, found = math.hypot(x1 - x0, y1 - y0), []
    for tip in tips:
        ray = shapely.LineString([tip.at, tip.at + far * tip.inward])
        within = shapely.intersection(ray, shapely.buffer(cover.area, FLUSH_MM))
        first = next((part for part in shapely.get_parts(within) if part.geom_type == "LineString"
                      and shapely.distance(part, shapely.Point(tip.at)) < FLUSH_MM), None)
        if first is None or first.length <= LIP_SHARE * process.lip_mm:
            continue
        end = tip.at + first.length * tip.inward
        off = shapely.distance(shapely.Point(end - SQUARE_MM * tip.inward), cover.anchor)
        if off >= SQUARE * SQUARE_MM and shapely.distance(
                shapely.Point(end), cover.anchor) <= 2.0 * FLUSH_MM:
            found.append(Spoke(np.array([end, tip.at]), tip.bar, tip.back))
    return found


@dataclass(frozen=True, eq=False)
class _Tip:
    """A point (2,) half a line inside the free edge, the unit way (2,) inward from there, and the
    bar of a spoke that starts there."""

    at: Floats
    inward: Floats
    bar: float
    back: float


def _tips(patch: Patch, process: Process, bulge_mm: float, spacing: float) -> list[_Tip]:
    """Tips at the corners of the free edge, and between them so that strands from one to the next
    are short enough."""
    area, tips = polygon_of(patch), []
    for part in _edges(patch, process):
        far = _along(part)
        for piece in chords(np.asarray(part.coords), bulge_mm):
            start, end = (part.project(shapely.Point(point)) for point in piece)
            end = end if end > start else far[-1]
            count = max(1, math.ceil((end - start) / spacing - 1e-9))
            at = np.linspace(start, end, count + 1)
            points = shapely.get_coordinates(shapely.line_interpolate_point(part, at))
            for k in range(count):
                chord = points[k : k + 2]
                mine = np.asarray(part.coords)[(far > at[k]) & (far < at[k + 1])]
                tips += _of_chord(chord, mine, area, HELD_SHARE * process.line_mm)
    return tips


def _edges(patch: Patch, process: Process) -> list[shapely.LineString]:
    """Lines half a bead inside of the free edges of a patch."""
    starts, ends, held = as_raw(patch).edges
    if held.all():
        return []
    inset = 0.5 * process.line_mm + INSET_MM
    free = shapely.union_all(shapely.linestrings(np.stack([starts[~held], ends[~held]], axis=1)))
    inner = shapely.buffer(polygon_of(patch), -inset, join_style="mitre")
    edge = shapely.intersection(shapely.boundary(inner), shapely.buffer(free, inset + FLUSH_MM))
    return [part for part in shapely.get_parts(shapely.line_merge(edge))
            if part.geom_type == "LineString"]


def _along(edge: shapely.LineString) -> Floats:
    """How far each corner of a line is along it, mm."""
    steps = np.linalg.norm(np.diff(np.asarray(edge.coords), axis=0), axis=1)
    return np.concatenate([[0.0], np.cumsum(steps)])


def _of_chord(
    chord: Floats, between: Floats, area: shapely.Geometry, held_mm: float
) -> list[_Tip]:
    """The tips at either end of a chord (2, 2) of an edge that has these corners between. Their
    bars leave what bulges past a line from bar to bar so high: arcs bulge as the square of their
    length."""
    long = float(np.linalg.norm(chord[1] - chord[0]))
    if long < LEAST_CHORD_MM:
        return []
    along = (chord[1] - chord[0]) / long
    inward = np.array([-along[1], along[0]])
    bulge = float(np.abs((between - chord[0]) @ inward).max(initial=0.0))
    # The chord lies half a line inside: farther off than that on one side is outside.
    middle = shapely.Point(chord.mean(axis=0) + (LEAST_CHORD_MM + bulge) * inward)
    inward = inward if shapely.contains(area, middle) else -inward
    share = 1.0 - math.sqrt(held_mm / bulge) if bulge > held_mm else 0.0
    return [_Tip(point, inward, share * long, share**2 * bulge) for point in chord]
