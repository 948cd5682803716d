"""Resolve a part in the best of several ways up.

The way up with least over air is not always one that can be resolved: what hangs there may be high
above the platform, in a hole, or trapped. So the best few are resolved in turn, up to the first
that comes clean without a prop. Of those that come clean the one is taken whose
edits cost least, and the others where its files do not prove clean; where none does, the one that
leaves least over air. Once one came clean, another is given up as soon as it is sure to cost more,
as the bound of the best set tells (`Survey.best`), or once a set of it comes to little in the
kernel, or more was tried for it than for the first that came clean, and more than a little: what it
may save is a prop or two. A way up for which more
than much was tried is left for when no other comes clean: there may be one that is easy.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

from soffit.part.model import Part, Vec3
from soffit.plan.model import Resolution
from soffit.plan.resolve import Searched, searched
from soffit.process.model import Process

# Ways up that are resolved at most (own choice: each takes as long as the first).
MOST_WAYS_UP = 3

# A little, in layers of all options tried (own choice: fifty options of a part 20 mm high).
LITTLE_LAYERS = 5_000

# Much, likewise (own choice: a minute or two of a part of some ten thousand facets).
MUCH_LAYERS = 15_000


def resolve_best_way_up(
    part: Part, process: Process, ups: Sequence[Vec3], **options: Any
) -> Resolution:
    """`resolve` in the way up that is best by what it leads to, of `ups`, best first.
    `options` are those of `searched` but for `up` and `most`; what names findings or places of one
    way up does not belong here."""
    ups = list(ups[:MOST_WAYS_UP])
    tried: list[Searched] = []
    given_up: list[Vec3] = []
    most_layers: float = MUCH_LAYERS
    while ups:
        found = bool(tried) and tried[0].clean
        most = tried[0].search.price if found else math.inf
        up = ups.pop(0)
        result = searched(part, process, up=up, most=most, most_layers=most_layers, **options)
        if result.search.given_up:
            given_up.append(up)
        else:
            if result.clean and not found:
                most_layers = max(LITTLE_LAYERS, result.search.tried_layers)
            tried = sorted([*tried, result], key=_measure)  # stable: of two alike the first tried
            if result.clean and not result.search.state.props:
                break
        if not ups and not (tried and tried[0].clean) and not math.isinf(most_layers):
            ups, given_up, most_layers = given_up, [], math.inf

    def others() -> Iterator[Resolution]:
        """Those that came clean too, then those that were given up or not needed."""
        yield from (other.resolution() for other in tried[1:] if other.clean)
        for up in (*given_up, *ups):
            other = searched(part, process, up=up, **options)
            if other.clean:
                yield other.resolution()

    # Without a bound none is given up.
    return replace(tried[0].resolution(), others=others)


def _measure(result: Searched) -> tuple[bool, float, float]:
    """What is to be least: what stays open, and what the edits cost."""
    return not result.clean, result.after.over_air_mm2, result.search.price
