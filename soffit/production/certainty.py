"""Limits so tight that no more of a million parts than asked for fail at their places.

A target for the whole part is shared evenly by its places: of n that are independent each may fail
with p = 1 − (1 − target)^(1/n), so that all together just reach it. Each limit becomes the demand
at which a share p fails, mean ∓ z_p · deviation (`process.limits.tightened`), and the part is then
resolved by those: what passed by a hair is past them and is cured, and what cures it leaves
bridges, lips and angles within them.

Most places fail far less often than that share, so the target is mostly reached with room to
spare. n is the number of places that count: those within their limits in the part as it came, and
those over air. Where a change leaves more of them than that, and the target is missed, it is
shared out anew by as many. Layers are no places: no change to the part makes them surer, and their
rate stands beside the target. What of props is counted only stands within it, so that a prop is not
put under a bridge that is surer than it.

Where the target is missed still, or something stays open by the tightened limits, the part is also
resolved by the limits as they are, and the surest of all that was tried is taken: plastic that buys
no certainty is not spent.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from soffit.errors import InputError
from soffit.findings.model import Review
from soffit.plan.model import Chance, Resolution, together_ppm
from soffit.process.limits import tightened
from soffit.process.model import Process
from soffit.production.risk import chances

# How often a target is shared out at most (own choice: each is a resolution of its own).
MOST_SHARES = 3


def reach(
    target_ppm: float, process: Process, drawn: Review,
    resolve: Callable[[Process], Resolution],
) -> Resolution:
    """What `resolve` makes of the part by limits of `process` that are tightened for a target;
    `drawn`: the review of the part as it came, by the process as it is. `resolve` says the risk
    too. Raises InputError for a target that cannot be."""
    if not 0.0 < target_ppm < 1e6:
        raise InputError(f"reaching a target: {target_ppm:g} of a million may fail; give more than "
                         "0 and less than 1,000,000")
    tried: list[tuple[tuple[bool, float], Resolution]] = []

    def by(limits: Process) -> tuple[Chance, ...]:
        made = resolve(limits)
        assert made.risk is not None  # `resolve` says it
        tried.append(((not made.clean, made.risk.places_ppm), made))
        return tuple(chance for chance in made.risk.chances if chance.demand is not None)

    places = max(1, len(chances(drawn)) + len(drawn.air))
    left = by(tightened(process, share_each(target_ppm, places)))
    while (len(tried) < MOST_SHARES and len(left) > places
           and together_ppm(chance.ppm for chance in left) > target_ppm):
        places = len(left)
        left = by(tightened(process, share_each(target_ppm, places)))
    if min(rank for rank, _ in tried) > (False, target_ppm):
        by(process)
    return min(tried, key=lambda one: one[0])[1]


def share_each(target_ppm: float, places: int) -> float:
    """Share of prints that may fail at each of so many places."""
    return -math.expm1(math.log1p(-1e-6 * target_ppm) / places)
