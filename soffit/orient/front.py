"""The few ways up worth weighing against each other, and what each is best at."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from soffit.orient.finalists import EQUAL_SHARE
from soffit.orient.measure import Orientation


@dataclass(frozen=True)
class Named:
    """A way up, what it is best at, and a sentence that says why."""

    orientation: Orientation
    names: tuple[str, ...]
    why: str

    @property
    def told(self) -> tuple[str, ...]:
        """Its names, and whether it is the part as drawn."""
        return (*self.names, "as drawn") if self.orientation.as_drawn else self.names


# What a way up can be best at, how that is measured, and whether layers decide it.
_BEST: tuple[tuple[str, Callable[[Orientation], float], bool], ...] = (
    ("least plastic", lambda o: o.plastic_mm3, True),
    ("fastest", lambda o: o.time_s, True),
    ("least over air", lambda o: o.over_air_mm2, True),
    ("strongest along the load", lambda o: 0.0 if o.strength is None else -o.strength, False),
    ("cleanest faces", lambda o: o.rough_mm2, False),
    ("most holes upright", lambda o: -float(o.upright), False),
)


def named(finalists: Sequence[Orientation]) -> list[Named]:
    """The first of `finalists`, best first, and whichever else is best at something; the part as
    drawn is told in any case. Only ways up whose foot holds the part are named best, where there
    is any; and in what layers decide only those that were measured in full, as the best of those
    measured roughly were."""
    standing = [o for o in finalists if o.stands] or list(finalists)
    names: dict[int, list[str]] = {
        id(finalists[0]): ["asked for" if finalists[0].origin == "asked for" else "best"]}
    for name, measure, by_layers in _BEST:
        among = [o for o in standing if not (by_layers and o.roughly)]
        values = [measure(o) for o in among]
        least = min(values)
        if max(values) - least <= EQUAL_SHARE * max(abs(least), 1e-9):
            continue  # nothing to choose
        # Of equals the one that comes first: it is better at all else.
        best = next(o for o, v in zip(among, values, strict=True)
                    if v - least <= EQUAL_SHARE * max(abs(least), 1e-9))
        names.setdefault(id(best), []).append(name)
    names.setdefault(next(id(o) for o in finalists if o.as_drawn), [])
    drawn = next(o for o in finalists if o.as_drawn)
    return [Named(o, tuple(names[id(o)]), why(o, drawn)) for o in finalists if id(o) in names]


def front(finalists: Sequence[Orientation]) -> list[Orientation]:
    """Those that no other beats in price, plastic, time, strength and cosmetic faces at once
    (Pareto), in their order; of those that were measured in full."""
    def of(o: Orientation) -> tuple[float, ...]:
        return (0.0 if o.stands else 1.0, o.cost, o.plastic_mm3, o.time_s, -(o.strength or 0.0),
                o.rough_mm2)

    def beats(a: Orientation, b: Orientation) -> bool:
        return all(x <= y for x, y in zip(of(a), of(b), strict=True)) and of(a) != of(b)

    known = [o for o in finalists if not o.roughly]
    return [o for o in known if not any(beats(other, o) for other in known)]


def why(o: Orientation, drawn: Orientation) -> str:
    """One sentence: what hangs, how it is cured, how it stands, and how that compares."""
    if o.roughly:
        said = f"about {o.over_air_mm2:.0f} mm² over air, measured roughly"
    elif o.over_air_mm2 <= 0.0:
        said = "nothing prints over air"
    else:
        places = f"{o.places} place" + ("s" if o.places != 1 else "")
        said = f"{o.over_air_mm2:.0f} mm² in {places} over air, "
        if 0 < o.props < o.places:
            said += f"{o.props} of them for a prop"
        else:
            said += "all " if o.places > 1 else ""
            said += "for a prop" if o.props else "for a change of shape"
    if not o.stands:
        said += (f"; its foot is too small for its height: pulled at by {o.pull_mpa:.2g} MPa, "
                 f"where {o.holds_mpa:.2g} hold")
    if o.holes:
        said += f"; {o.upright} of {o.holes} round walls upright"
    if o.strength is not None:
        said += f"; {100.0 * o.strength:.0f} % of the strength along the load"
    if o is not drawn and drawn.price > 0.0:
        share = round(100.0 * (o.price / drawn.price - 1.0))
        than = f"{abs(share)} % {'dearer' if share > 0 else 'cheaper'} than" if share else "as dear"
        said += f"; about {than} as drawn"
    return said
