"""Resolve a part in the best of several ways up.

The way up with least over air is not always one that can be resolved: what hangs there may be high
above the platform, in a hole, or trapped. So the best few are resolved in turn, and the first that
comes clean is taken; where none does, the one that leaves least over air.
"""

from __future__ import annotations

from typing import Any

from soffit.orient.choose import orientations
from soffit.part.model import Part
from soffit.plan.model import Resolution
from soffit.plan.resolve import Searched, searched
from soffit.process.model import Process

# Ways up that are resolved at most (own choice: each takes as long as the first).
MOST_WAYS_UP = 3


def resolve_best_way_up(part: Part, process: Process, **options: Any) -> Resolution:
    """`resolve` in the way up that is best by what it leads to. `options` are those of `searched`
    but for `up`; what names findings or places of one way up does not belong here."""
    best: Searched | None = None
    for found in orientations(part, process)[:MOST_WAYS_UP]:
        result = searched(part, process, up=found.up, **options)
        if best is None or result.after.over_air_mm2 < best.after.over_air_mm2:
            best = result
        if result.clean:
            best = result
            break
    assert best is not None  # the part as drawn is always one of them
    return best.resolution()
