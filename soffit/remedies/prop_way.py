"""Whether a prop comes out: its outline swept along straight ways, on layers.

Sideways, no section of the prop may sweep over a section of the part in the same layer; down,
what lies higher in the prop must not pass over the part lower down. Where no straight way
leads out, aside by the prop's own size and then up is tried: up is down turned over. Sections
are taken a little smaller, so that touching does not count as meeting.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import manifold3d as m3
import numpy as np

from soffit.layers.stack import offset_of
from soffit.part.model import Floats
from soffit.remedies.context import Context

# Outlines are taken this coarsely, mm (derived: less than half of the skin below).
COARSE_MM = 0.02

# By this the sections of a prop are taken smaller (derived: an eighth of a line).
SKIN_MM = 0.05

# Sections that share less do not meet, mm² (derived: a square micrometre).
MEETS_MM2 = 1e-6

# Directions in plan that are tried (own choice: a twelfth of a turn).
TURN_DEG = 30

# Sections looked at along a prop's height at most (derived: 2 mm apart on a prop of 60 mm).
MOST_SECTIONS = 30


@dataclass(frozen=True)
class Around:
    """A body and the part about it in section: at `heights` (n,), evenly from its lowest point to
    its highest, `mine` a little smaller and `theirs`."""

    part: m3.Manifold
    heights: Floats
    mine: tuple[m3.CrossSection, ...]
    theirs: tuple[m3.CrossSection, ...]
    low: float
    high: float

    @cached_property
    def above(self) -> tuple[m3.CrossSection, ...]:
        """The part over it in section: few bodies need that."""
        ceiling = float(self.part.bounding_box()[5])
        if ceiling <= self.high:
            return ()
        heights = np.linspace(self.high, ceiling, MOST_SECTIONS + 2)[1:-1]
        return tuple(self.part.slice(z) for z in heights.tolist())


def around(context: Context, body: m3.Manifold) -> Around:
    """The sections of a body and of the part about it."""
    assert context.solid is not None
    _, _, low, _, _, high = body.bounding_box()
    count = int(np.clip((high - low) / context.process.layer_mm, 2, MOST_SECTIONS))
    step = (high - low) / count
    heights = low + step * (np.arange(count) + 0.5)
    return Around(
        context.solid, heights,
        tuple(offset_of(body.slice(z), -SKIN_MM).simplify(COARSE_MM) for z in heights.tolist()),
        tuple(context.solid.slice(z).simplify(COARSE_MM) for z in heights.tolist()), low, high)


def way_out(context: Context, body: Around) -> str | None:
    """In words, the way on which a prop leaves without meeting the part; None if it is
    trapped."""
    assert context.solid is not None
    mine, theirs = body.mine, body.theirs
    if body.low <= context.process.layer_mm and _falls(mine, theirs):
        return "straight down, off the platform"
    far = float(np.ptp(np.array(context.solid.bounding_box()).reshape(2, 3)[:, :2], axis=0).max())
    for angle in range(0, 360, TURN_DEG):
        along = 2.0 * (far + 1.0) * unit(angle)
        if all(_clear(a, along, b) for a, b in zip(mine, theirs, strict=True)):
            return f"sideways, {angle}° from x"
    return _aside_and_up(body)


_SIDEWAYS = re.compile(r"sideways, (\d+)° from x(.*)")


def angle_of(way: str) -> float | None:
    """The angle from x of a way told by `way_out`, degrees; None where it leads down."""
    told = _SIDEWAYS.fullmatch(way)
    return None if told is None else float(told[1])


def ways_words(ways: Sequence[str]) -> str:
    """Several ways in one phrase: of those that differ by their angle alone the angles are told."""
    angles: dict[str, list[str]] = {}
    for way in dict.fromkeys(ways):
        told = _SIDEWAYS.fullmatch(way)
        angles.setdefault(way if told is None else told[2], []).extend(
            [] if told is None else [f"{told[1]}°"])
    said = []
    for rest, found in angles.items():
        several = f"{', '.join(found[:-1])} and {found[-1]}" if len(found) > 1 else "".join(found)
        said.append(f"sideways, {several} from x{rest}" if found else rest)
    return ", or ".join(said)


def unit(angle_deg: float) -> Floats:
    """A direction in plan, (2,)."""
    turn = math.radians(angle_deg)
    return np.array([math.cos(turn), math.sin(turn)])


def _aside_and_up(body: Around) -> str | None:
    """Out from under what the prop holds by its own size, then straight up."""
    mine, theirs = body.mine, body.theirs
    whole = m3.CrossSection.batch_boolean(list(mine), m3.OpType.Add)
    x0, y0, x1, y1 = whole.bounds()
    for angle in range(0, 360, TURN_DEG):
        way = unit(angle)
        along = (abs(way[0]) * (x1 - x0) + abs(way[1]) * (y1 - y0) + 1.0) * way
        if not all(_clear(a, along, b) for a, b in zip(mine, theirs, strict=True)):
            continue
        there = whole.translate(tuple(along.tolist()))
        moved = [a.translate(tuple(along.tolist())) for a in mine]
        if _falls(moved[::-1], theirs[::-1]) and all(
                (there ^ b).area() <= MEETS_MM2 for b in body.above):
            return f"sideways, {angle}° from x, then up"
    return None


def _falls(mine: Sequence[m3.CrossSection], theirs: Sequence[m3.CrossSection]) -> bool:
    above = m3.CrossSection()
    for a, b in zip(reversed(mine), reversed(theirs), strict=True):
        above = above + a
        if (above ^ b).area() > MEETS_MM2:
            return False
    return True


def _clear(region: m3.CrossSection, along: Floats, other: m3.CrossSection) -> bool:
    """Whether `region` moved straight by `along` stays off `other`; its hull, which takes in
    all of the way, is asked first."""
    if region.is_empty() or other.is_empty():
        return True
    hull = m3.CrossSection.batch_hull([region, region.translate(tuple(along.tolist()))])
    if (hull ^ other).area() <= MEETS_MM2:
        return True
    return bool((sweep(region, along) ^ other).area() <= MEETS_MM2)


def sweep(region: m3.CrossSection, along: Floats) -> m3.CrossSection:
    """What `region` passes over when it moves straight by `along`."""
    if region.is_empty():
        return region
    quads = []
    for ring in region.to_polygons():
        ends = np.roll(ring, -1, axis=0)
        for a, b in zip(ring, ends, strict=True):
            quad = np.array([a, b, b + along, a + along])
            if (b - a)[0] * along[1] - (b - a)[1] * along[0] < 0:
                quad = quad[::-1]
            quads.append(quad)
    return m3.CrossSection(quads, m3.FillRule.NonZero) + region
