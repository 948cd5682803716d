"""Cuts from below by planes at the limit: what the steeper cut and the crown cut share.

From each edge that holds a place a plane rises at the smallest angle that holds; what of the part
lies below all of them over the place, and a little past it, goes.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import manifold3d as m3
import numpy as np
import shapely

from soffit.layers.stack import GRID_MM, offset_of, plan_of
from soffit.part.mesh_solid import evaluate
from soffit.part.model import Floats
from soffit.part.solid import Difference, Prism, Solid
from soffit.part.topology import line_length
from soffit.remedies.anchor import rings_of
from soffit.remedies.context import Context
from soffit.remedies.patchwork import Patchwork, patchwork
from soffit.remedies.pieces import PAST_MM as GOES_ON_MM
from soffit.remedies.place import slope_of, upright_circles
from soffit.remedies.probe import hits
from soffit.remedies.trees import union
from soffit.remedies.wedge import slope_above

# Deepest cut, mm (from memory: what a customer may still take for the same shape).
MOST_MM = 2.0

# Share of the lip after which the cut starts (common practice, no source: a third, as the rest of
# the lip is kept as margin).
START_SHARE = 0.3

# A stretch of an anchor that is shorter, between others that are higher or lower, is a step in the
# outline of a layer and starts nothing, mm (derived: two lines).
SHORTEST_MM = 0.8

# A surface that rises by less over a share of the lip is level, mm (derived: five times the grid of
# the layers).
EVEN_MM = 5 * GRID_MM

# How far past the place a cut may have to go on until it leaves the part, mm, tried in turn (own
# choice).
PAST_MM = (0.5, 1.0, 2.0, 4.0)

# What cuts less cuts nothing, mm³ (derived: a hair deep and wide over a line's length).
NOTHING_MM3 = 1e-4

# A cut that still goes on in so wide a rim of its room has not come out, but for four times as much
# about what holds the place, mm (derived: an eighth of a line; half of one).
RIM_MM = 0.05

# Share of a cut over which less may remain than two lines (common practice, no source: at an edge
# that is round).
THIN_SHARE = 0.1


@dataclass(frozen=True)
class Side:
    """An anchor that a plane rises from, and how high it is there, mm."""

    patch: Patchwork
    low: float


@dataclass(frozen=True)
class Cut:
    """A solid to cut away: below planes, over a plan `room`, from `low` to `top` mm."""

    solid: Solid
    room: m3.CrossSection
    low: float
    top: float


def sides_of(
    context: Context, rings: Sequence[Floats], anchors: Sequence[Floats], first: int
) -> list[Side]:
    """The planes that meet the surface of a slope a share of the lip in from its `anchors` on layer
    `first`: one for each stretch of them that is level to half a layer, where it is lowest."""
    circles = upright_circles(context)
    whole = patchwork(rings, anchors, 0.0, circles)
    if whole is None:
        return []
    near = 0.5 * context.process.layer_mm
    found: list[tuple[Floats, float]] = []
    for chain in whole.chains:
        line = chain.polyline
        lows = _lows(context, line, first)
        if np.isnan(lows).all():
            continue
        ends = [0]
        for k in range(1, len(lows)):
            if not abs(lows[k] - lows[ends[-1]]) <= near:
                ends.append(k)
        runs = [(line[a : b + 1], lows[a:b]) for a, b in itertools.pairwise([*ends, len(lows)])]
        long = [run for run in runs if line_length(run[0]) >= SHORTEST_MM] or [(line, lows)]
        found += [(at, float(np.nanmin(low))) for at, low in long if not np.isnan(low).all()]
    sides = []
    for line, low in found:
        patch = patchwork(rings, [line], 0.0, circles)
        if patch is not None:
            sides.append(Side(patch, low))
    return sides


def _lows(context: Context, line: Floats, first: int) -> Floats:
    """How high the plane of each piece of an anchor on layer `first` is there, (n,) mm; NaN where
    the surface is not there, or does not rise away from the piece but along it, at an end of the
    place."""
    late, slope = START_SHARE * context.process.lip_mm, slope_of(context)
    way = np.diff(line, axis=0)
    way /= np.maximum(np.linalg.norm(way, axis=1), 1e-12)[:, None]
    # The place is on the left of its anchor.
    inner = np.column_stack([-way[:, 1], way[:, 0]])
    lows = np.full(len(way), np.nan)
    for k, (middle, a, n) in enumerate(
        zip(0.5 * (line[1:] + line[:-1]), way, inner, strict=True)
    ):
        there = _surface_at(context, middle + late * n, first)
        if there is None:
            continue
        lows[k] = there - late * slope
        beyond = _surface_at(context, middle + 2.0 * late * n, first)
        beside = [_surface_at(context, middle + late * (n + way), first) for way in (a, -a)]
        if beyond is not None and None not in beside:
            left, right = (z for z in beside if z is not None)
            if abs(right - left) > 2.0 * max(abs(beyond - there), EVEN_MM):
                lows[k] = np.nan
    return lows


def _surface_at(context: Context, at: Floats, first: int) -> float | None:
    """Height of the first surface met from below a layer, mm."""
    assert context.solid is not None  # `all_options` asks no remedy without one
    base = float(context.stack.cut_mm[first]) - context.process.layer_mm
    start = np.array([*at.tolist(), base])
    reach = 3.0 * (context.process.layer_mm + context.process.lip_mm)
    up = hits(context.solid, start, np.array([0.0, 0.0, 1.0]), reach)
    return next((base + h.at_mm for h in up if h.entering), None)


def cut_below(
    region: shapely.Geometry, held: shapely.Geometry, sides: Sequence[Side],
    past: float, slope: float, top: float,
) -> Cut | None:
    """All below the planes of `sides` and below `top`, over a plan `region` and `past` mm beside
    it, but not over `held`; None where nothing is left of it, or it has too many pieces."""
    room = _room(region, held, sides, past)
    if room.is_empty:
        return None
    above = [slope_above(replace(side.patch, region=room, behind_mm=past), top, top - side.low,
                         slope) for side in sides]
    tents = [tent for tent in above if tent is not None]
    if len(tents) < len(sides):
        return None
    rings, low = rings_of(room), min(side.low for side in sides)
    return Cut(Difference(Prism(rings, low, top), union(tents)), _section(room), low, top)


def least_past(
    context: Context, region: shapely.Geometry, held: shapely.Geometry, sides: Sequence[Side],
    slope: float, top_at: Callable[[float], float], ends_at: shapely.Geometry,
) -> float | None:
    """How far past its place a cut has to go on until it comes out of the part, or ends at
    `ends_at`, the least of `PAST_MM`; None where it does not. `top_at`: the top of a cut that goes
    on so far; the rest as of `cut_below`."""
    assert context.solid is not None  # `all_options` asks no remedy without one
    for most in reversed(PAST_MM):
        widest = cut_below(region, held, sides, most, slope, top_at(most))
        if widest is not None:
            break
    else:
        return None
    # Within the room of a lesser one the widest takes away the same.
    lost = evaluate(widest.solid) ^ context.solid
    for past in PAST_MM[: PAST_MM.index(most)]:
        room = _section(_room(region, held, sides, past))
        column = m3.Manifold.extrude(room, top_at(past) - widest.low)
        if comes_out(lost ^ column.translate((0.0, 0.0, widest.low)), room, sides, ends_at):
            return past
    return most if comes_out(lost, widest.room, sides, ends_at) else None


def _room(
    region: shapely.Geometry, held: shapely.Geometry, sides: Sequence[Side], past: float
) -> shapely.Geometry:
    """Plan of a cut over a region and `past` mm beside it, but not over `held`."""
    wide = shapely.buffer(region, past, join_style="mitre") if past else region
    if past > GOES_ON_MM:
        # Farther off only straight on from what holds the place: beside that no plane is.
        ahead = [_ahead(c.polyline, 2.0 * past + side.patch.reach_mm)
                 for side in sides for c in side.patch.chains]
        wide = wide.intersection(shapely.union_all(
            [shapely.buffer(region, GOES_ON_MM, join_style="mitre"), *ahead]))
    return shapely.union_all([
        p for p in shapely.get_parts(wide.difference(held))
        if p.geom_type == "Polygon" and shapely.intersects(p, region)
    ])


def _section(room: shapely.Geometry) -> m3.CrossSection:
    return m3.CrossSection(list(rings_of(room)), m3.FillRule.Positive)


def _inner(room: m3.CrossSection) -> m3.CrossSection:
    """A room without a rim `RIM_MM` wide."""
    return offset_of(room, -RIM_MM)


def _ahead(line: Floats, far: float) -> shapely.Geometry:
    """What lies straight on from an anchor, to its left."""
    way = np.diff(line, axis=0)
    left = np.column_stack([-way[:, 1], way[:, 0]])
    left *= far / np.maximum(np.linalg.norm(left, axis=1), 1e-12)[:, None]
    return shapely.union_all(shapely.polygons(
        np.stack([line[:-1], line[1:], line[1:] + left, line[:-1] + left], axis=1)))


def comes_out(
    lost: m3.Manifold, room: m3.CrossSection, sides: Sequence[Side], ends_at: shapely.Geometry
) -> bool:
    """Whether what a cut takes away ends within its room but where the place is held, or at a wall
    that stands there from below (`ends_at`)."""
    there = plan_of(lost.project() ^ (room - _inner(room)))
    chains = [shapely.LineString(c.polyline) for side in sides for c in side.patch.chains]
    beside = shapely.union_all([*chains, ends_at])
    left = there.difference(shapely.buffer(beside, 4.0 * RIM_MM))
    return bool(left.area < RIM_MM * RIM_MM)


def refused(context: Context, lost: m3.Manifold, deep_mm: float) -> str:
    """Why what a cut takes away, so deep, may not go; "" where it may."""
    if deep_mm > MOST_MM:
        return f"it would be deeper than {MOST_MM:.0f} mm"
    # Too little of the part would remain over it.
    wall = 2.0 * context.process.line_mm
    bare = (lost.translate((0.0, 0.0, wall)) - context.solid).volume()
    if bare > THIN_SHARE * lost.volume():
        return f"less than {wall:.2f} mm of wall would remain over it"
    return ""


def deepest_mm(lost: m3.Manifold, cut: Cut) -> float:
    """Greatest height of what a cut takes away, but for the rim of its room, to a hundredth of a
    mm; infinite above `MOST_MM`."""
    column = m3.Manifold.extrude(_inner(cut.room), cut.top - cut.low)
    inner = lost ^ column.translate((0.0, 0.0, cut.low))

    def is_over(height: float) -> bool:
        return bool((inner ^ inner.translate((0.0, 0.0, height))).volume() > NOTHING_MM3)

    low, high = 0.0, MOST_MM
    if is_over(high):
        return math.inf
    while high - low > 0.01:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if is_over(middle) else (low, middle)
    return high
