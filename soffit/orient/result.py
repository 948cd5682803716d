"""What the search for a way up found, ready to be shown."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from soffit.orient.choose import Search
from soffit.orient.finalists import alike, hangs
from soffit.orient.front import Named, front, named, why
from soffit.orient.measure import Orientation
from soffit.part.model import Part, Vec3
from soffit.process.model import Process


@dataclass(frozen=True)
class WaysUp:
    """The ways up of a part, in the frame that it has: `search`, all that was looked at; `load`
    and `face_up`, what was asked for."""

    part: Part
    process: Process
    search: Search
    load: Vec3 | None = None
    face_up: str = ""
    cosmetic: tuple[str, ...] = ()

    @property
    def finalists(self) -> tuple[Orientation, ...]:
        """Those that were cut in layers, best first."""
        return self.search.finalists

    @property
    def best(self) -> Orientation:
        """The first of them."""
        return self.finalists[0]

    @cached_property
    def named(self) -> tuple[Named, ...]:
        """The few worth weighing, best first."""
        return tuple(named(self.finalists))

    @cached_property
    def front(self) -> tuple[Orientation, ...]:
        """Those that no other beats in every measure."""
        return tuple(front(self.finalists))

    @property
    def worth_resolving(self) -> tuple[Vec3, ...]:
        """Directions in the order in which they are worth working out: of those that stand, first
        the two with least over air, as they need the fewest changes, the part as drawn taken for a
        fifth less, as who drew it had a reason, and the second no mirror image of the first; then
        the best by cost; as drawn; and the rest, best first."""
        standing = [o for o in self.finalists if o.stands]
        least, *others = sorted(standing, key=hangs) or [self.best]
        ups = [least.up, *[o.up for o in others if not alike(o, least)][:1]]
        ups += [self.best.up, *(o.up for o in standing if o.as_drawn)]
        return tuple(dict.fromkeys([*ups, *(o.up for o in self.finalists)]))

    def taken(self, up: Vec3) -> Orientation | None:
        """The finalist that points up so, None where none does."""
        return next((o for o in self.finalists if np.allclose(o.up, up, atol=1e-6)), None)

    def why_taken(self, up: Vec3) -> str:
        """Why a way up was taken, in a sentence."""
        one = self.taken(up)
        if one is None:
            return ""
        rank = self.finalists.index(one)
        of = f"of {len(self.search.directions):,} directions"
        said = why(one, next(o for o in self.finalists if o.as_drawn))
        if rank == 0:
            return f"the best {of}: {said}"
        return (f"number {rank + 1} {of}, as those before it did not come clean, or cost more once "
                f"they were resolved: {said}")
