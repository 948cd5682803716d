"""The finalists: measured roughly, those that may be taken in full, and put in order.

In full are measured: the part as drawn and what is asked for, the best by cost, those with least
over air, and the ones that take least plastic and time; and as long as one that was measured
roughly comes first, that one. So whatever comes first, and whatever is said to be best at something
that layers decide, was reviewed in full.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from soffit.orient.directions import Direction
from soffit.orient.measure import Orientation
from soffit.part.model import Vec3
from soffit.part.spread import Team

# So much of what a cure costs counts where the part stands as it is drawn (own choice: who drew it
# had a reason, which only a clear gain outweighs).
DRAWN_SHARE = 0.8

# Costs that differ by less than this share are equal (own choice: estimates are no better).
EQUAL_SHARE = 0.01

# A foot that is pulled at by more is none, MPa (from memory: about what the plastic itself bears).
MOST_MPA = 50.0

# Two ways up are alike whose measures differ by no more than this (derived: cutting a mirror image
# in layers at other heights moves an area over air by as much), and areas over air in thick layers
# and costs by no more than that (likewise; a hole has a strip more or less).
ALIKE_SHARE, ALIKE_ROUGHLY = 0.02, 0.2

# Areas over air that differ by less than this are of equal worth: one line by one reach of a lip is
# far more (derived).
EQUAL_MM2 = 0.5

# So many are all measured in full (own choice: roughly first would take longer), else the best by
# cost and by what is over air (own choice: of 28 parts the best way up was always among these).
FEW, BEST, LEAST = 4, 2, 2


def measured_all(
    team: Team, chosen: Sequence[Direction], first: int, asked: Vec3 | None,
    progress: Callable[[int, int], None],
) -> tuple[Orientation, ...]:
    """Directions as `measure.measured` finds them, best first. `first`: so many are measured in
    full in any case; one may be `asked` for."""
    few = len(chosen) <= FEW
    found: list[Orientation] = team.each([(d, not few) for d in chosen], progress)
    wanted = [] if few else _in_full(found, first, asked)
    while wanted:
        full = team.each([(chosen[k], False) for k in wanted], progress)
        for k, o in zip(wanted, full, strict=True):
            found[k] = o
        best = found.index(in_order(found, asked)[0])
        wanted = [best] if found[best].roughly else []
    return in_order(found, asked)


def in_order(found: Sequence[Orientation], asked: Vec3 | None) -> tuple[Orientation, ...]:
    """Best first; what was measured roughly, like one that was measured in full and for about the
    same cost, not before that, as its mirror image."""
    least = min(o.cost for o in found)
    ordered = sorted(found, key=lambda o: worth(o, least, asked))
    for o in [o for o in ordered if o.roughly]:
        at = ordered.index(o)
        twin = next((f for f in ordered[at:] if not f.roughly and alike(o, f)
                     and abs(o.cost - f.cost) <= ALIKE_ROUGHLY * f.cost), None)
        if twin is not None:
            ordered.insert(ordered.index(twin) + 1, o)
            ordered.pop(at)
    return tuple(ordered)


def worth(
    o: Orientation, least: float, asked: Vec3 | None
) -> tuple[bool, float, bool, int, bool, float, Vec3]:
    """What is to be least of the best way up, where the cheapest costs `least` and one may be
    `asked` for."""
    # Of those that do not stand, twice the pull is worse, whatever they have over air.
    falls = 0.0 if o.stands else 1.0 + round(math.log2(min(o.pull_mpa, MOST_MPA) / o.holds_mpa))
    cost = o.cost - (1.0 - DRAWN_SHARE) * o.cure_cost if o.as_drawn else o.cost
    steps = math.floor(math.log(max(cost, 1e-9) / max(least, 1e-9)) / EQUAL_SHARE + 0.5)
    return (asked is not None and o.up != asked, falls, not o.clean, steps, not o.as_drawn,
            o.height_mm, o.up)


def hangs(o: Orientation) -> tuple[float, float]:
    """Area over air as it counts, in steps that are of equal worth, and the height."""
    counts = DRAWN_SHARE if o.as_drawn else 1.0
    return (round(counts * o.over_air_mm2 / EQUAL_MM2), o.height_mm)


def alike(one: Orientation, other: Orientation) -> bool:
    """Whether two measure the same, as the ways up of a part with a mirror plane do: what is in the
    way of resolving one is in the way of the other."""
    by_area = ALIKE_ROUGHLY if one.roughly or other.roughly else ALIKE_SHARE
    return all(abs(a - b) <= share * max(a, b) for a, b, share in (
        (one.over_air_mm2, other.over_air_mm2, by_area),
        (one.height_mm, other.height_mm, ALIKE_SHARE),
        (one.footprint_mm2, other.footprint_mm2, ALIKE_SHARE)))


def _in_full(found: Sequence[Orientation], first: int, asked: Vec3 | None) -> list[int]:
    """Which of those measured roughly are worth a review, in their order; of those alike one."""
    standing = [o for o in found if o.stands] or list(found)
    wanted = list(found[:first])
    for ordered, count in (
        (in_order(found, asked), BEST), (sorted(standing, key=hangs), LEAST),
        (sorted(standing, key=lambda o: o.plastic_mm3), 1),
        (sorted(standing, key=lambda o: o.time_s), 1),
    ):
        kept: list[Orientation] = []
        for o in ordered:
            if len(kept) < count and not any(alike(o, k) for k in kept):
                kept.append(next((w for w in wanted if alike(o, w)), o))
        wanted += [o for o in kept if o not in wanted]
    return sorted(found.index(o) for o in wanted)
