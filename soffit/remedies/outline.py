"""Outlines of places: regions of layers put together, so that a solid with few faces fits them.

Strips of layers give the outline of a slope. On the way it gets stretches that start a layer
higher than the rest, notches and teeth where strips end one after another, and a saw-tooth along
a side where the surface turns steeper; none of them is a shape of the part.
"""

from __future__ import annotations

from collections.abc import Sequence

import manifold3d as m3
import numpy as np
import shapely

from soffit.layers.stack import GRID_MM, offset_of, plan_of
from soffit.part.model import Floats
from soffit.remedies.anchor import rings_of
from soffit.remedies.context import Context

# Two strips this near are one place (derived: twice the layer engine's probe).
TOUCH_MM = 2e-3
# Gaps between strands that are looked at are narrower than twice this (derived: half a line).
STRANDS_MM = 0.2
# A layer that steps out by this share of what it may nearly starts a slope, and of so many layers
# each may start it somewhere (derived: chords within 0.01 mm of a surface move an outline by a
# tenth of a step of 0.2 mm, and the next one by another).
NEARLY, STARTS = 0.8, 3
# A mesh moves the outline of a slope by as much, mm (derived: chords within 0.02 mm of it, to both
# sides).
WAVES_MM = 0.04
# Notches and teeth in the outline of a slope that are smaller do no harm, and teeth that are larger
# are no teeth, mm² (derived: a quarter of a line, and a line, square).
NOTCH_MM2, MOST_TOOTH_MM2 = 0.01, 0.16
# What lies within this of the chord over it, mm, and under a chord no longer than that is a notch
# of a saw (derived: half a line; a strip of the flattest slope that steps of 0.2 mm are told from a
# ledge by, at 15°, is 0.75 mm wide).
SAW_MM, SAW_CHORD_MM = 0.2, 1.0


def levelled(
    context: Context, region: shapely.Geometry, anchors: list[Floats], first: int
) -> tuple[shapely.Geometry, list[Floats]]:
    """The region of a slope, and its anchors, that start in the lowest layer all along: where the
    surface there is as steep as may be, a mesh starts some stretches a layer higher than others."""
    stack = context.stack
    step, below = stack.step_mm, stack.plan(first)
    half = 0.5 * NEARLY * step
    whole, lower = region, shapely.Polygon()
    for layer in range(min(first + STARTS, len(stack) - 1), first, -1):
        # By the layer engine, for an outline that touches itself is no valid polygon.
        new = stack.regions[layer] - stack.regions[layer - 1]
        fresh, wide = plan_of(new), plan_of(offset_of(offset_of(new, -half), half))
        here = m3.CrossSection(list(rings_of(whole)), m3.FillRule.Positive)
        above = plan_of(here - stack.regions[layer])
        near = wide.intersection(above.buffer((2.0 - NEARLY) * step, join_style="mitre"))
        near = near.buffer(TOUCH_MM, join_style="mitre").intersection(fresh)
        more = shapely.union_all([p for p in shapely.get_parts(near)
                                  if shapely.distance(p, above) <= TOUCH_MM])
        lower, whole = lower.union(more), whole.union(more)
    if lower.difference(region).buffer(-0.25 * step).is_empty:
        return region, anchors
    whole = whole.buffer(TOUCH_MM, join_style="mitre").buffer(-TOUCH_MM, join_style="mitre")
    lower = lower.buffer(TOUCH_MM, join_style="mitre").buffer(-TOUCH_MM, join_style="mitre")
    lines = held_by(lower, below)
    near = lower.buffer(2.0 * TOUCH_MM)
    lines += [part for line in anchors for part in away_from(line, near)]
    return whole, [_straight(line) for line in lines]


def evened(
    region: shapely.Geometry, anchors: Sequence[Floats], below: shapely.Geometry,
    above: shapely.Geometry,
) -> shapely.Geometry:
    """The region of a slope without the teeth of its outline where its strips end one after
    another, as it turns steeper: notches filled up to the surface, and what still stands out, away
    from what holds it, left to the strips beside. Nothing narrower than a line is printed there."""
    near = region.buffer(STRANDS_MM, join_style="mitre").buffer(-STRANDS_MM, join_style="mitre")
    new = near.difference(region).intersection(above).difference(below)
    notches = [p for p in shapely.get_parts(new) if p.area > NOTCH_MM2]
    whole = region
    if notches:
        wide = [p.buffer(TOUCH_MM, join_style="mitre").intersection(near) for p in notches]
        whole = shapely.union_all([region, *wide]).intersection(above).difference(below)
    inner = whole.buffer(-STRANDS_MM, join_style="mitre").buffer(STRANDS_MM, join_style="mitre")
    held = shapely.union_all([shapely.linestrings(line) for line in anchors])
    teeth = [p for p in shapely.get_parts(whole.difference(inner))
             if NOTCH_MM2 < p.area < MOST_TOOTH_MM2 and p.distance(held) > TOUCH_MM
             and p.distance(inner) <= TOUCH_MM]
    if teeth:
        off = shapely.union_all([p.buffer(TOUCH_MM, join_style="mitre") for p in teeth])
        whole = whole.difference(off.difference(inner))
    filled = without_saws(whole, held)
    return whole if filled is whole else filled.intersection(above).difference(below)


def without_saws(region: shapely.Geometry, held: shapely.Geometry) -> shapely.Geometry:
    """A region without the small notches of saws in its outlines (`without_saw`); itself where it
    has none."""
    parts = shapely.get_parts(region)
    filled = [_filled(part, held) for part in parts]
    if all(new is old for new, old in zip(filled, parts, strict=True)):
        return region
    return shapely.union_all(filled)


def _filled(part: shapely.Polygon, held: shapely.Geometry) -> shapely.Polygon:
    rings = rings_of(part)
    outer, *holes = filled = [without_saw(ring, held) for ring in rings]
    if all(new is old for new, old in zip(filled, rings, strict=True)):
        return part
    whole = shapely.Polygon(outer, holes)
    return whole if whole.is_valid else part


def without_saw(ring: Floats, held: shapely.Geometry) -> Floats:
    """A ring (n, 2), the region on its left, without the small notches of a saw, filled up to the
    chords of its tips; corners that lie on `held` stay. The very ring where it has none."""
    # Nothing is at no distance, which is neither less nor more.
    there, keep = ring, ~(shapely.distance(shapely.points(ring), held) <= TOUCH_MM)
    deepest = 0.0
    while len(there) > 3:
        before, after = np.roll(there, 1, axis=0), np.roll(there, -1, axis=0)
        chord, to = after - before, there - before
        long = np.maximum(np.hypot(chord[:, 0], chord[:, 1]), GRID_MM)
        # How far each corner lies to the left of the chord over it: inside, where it is a notch.
        deep = (chord[:, 0] * to[:, 1] - chord[:, 1] * to[:, 0]) / long
        notch = keep & (long <= SAW_CHORD_MM) & (deep > -GRID_MM) & (deep <= SAW_MM)
        first = np.where(notch, deep, np.inf)
        # The shallowest of neighbours first, so that each is filled from its tips.
        gone = notch & (first <= np.roll(first, 1)) & (first < np.roll(first, -1))
        if not gone.any():
            break
        deepest = max(deepest, float(deep[gone].max()))
        there, keep = there[~gone], keep[~gone]
    # Corners that rounding alone puts off a straight line are no saw.
    return there if deepest > TOUCH_MM else ring


def with_bridged(
    region: shapely.Geometry, below: shapely.Geometry
) -> tuple[shapely.Geometry, list[Floats]]:
    """A region put together with what strands bridge beside it, without the gaps between strands,
    and its anchors: where its edge lies on the layer below."""
    whole = region.buffer(STRANDS_MM, join_style="mitre").buffer(-STRANDS_MM, join_style="mitre")
    whole = whole.difference(below)
    return whole, held_by(whole, below)


def held_by(region: shapely.Geometry, below: shapely.Geometry) -> list[Floats]:
    """Where the edge of a region lies on the layer below."""
    free = shapely.boundary(region).difference(below.buffer(2.0 * TOUCH_MM))
    closed = [np.concatenate([ring, ring[:1]]) for ring in rings_of(region)]
    return [line for ring in closed for line in away_from(ring, free)]


def _straight(line: Floats) -> Floats:
    """A line without the waves of a mesh, if hardly any corner is left then: else it is a curve."""
    straight = np.asarray(shapely.simplify(shapely.LineString(line), WAVES_MM).coords)
    return straight if len(straight) <= max(2, len(line) // 4) else line


def away_from(line: Floats, rest: shapely.Geometry) -> list[Floats]:
    """The parts of a polyline that do not border on `rest`."""
    middle = 0.5 * (line[1:] + line[:-1])
    apart = shapely.distance(shapely.points(middle), rest) if not rest.is_empty else None
    if apart is None or (apart > TOUCH_MM).all():
        return [line]
    lines: list[Floats] = []
    run: list[int] = []
    for k, away in enumerate((apart > TOUCH_MM).tolist()):
        if away:
            run = run or [k]
            run.append(k + 1)
        elif run:
            lines.append(line[run])
            run = []
    return [*lines, line[run]] if run else lines
