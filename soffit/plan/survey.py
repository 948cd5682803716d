"""Every option of every place of a part as it is, and the best set of them.

What an option costs is known before it is tried; what it leaves over air is only known after,
and a try costs a review. So an option that was not tried counts as if it cured all that it could
reach; the best set is found (`choose`), its untried options are tried, and it is found again with
what they really leave, until a best set has been tried throughout. As no option can do better than
was assumed, no set of options is better than that one (derived: a bound that only rises). Props,
which take longest to work out, are only made where even the cheapest one would be chosen.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from soffit.findings.model import Finding
from soffit.part.mesh_solid import evaluate
from soffit.part.model import Floats
from soffit.plan.choose import Choice, Problem, choose
from soffit.plan.outcome import Outcome, outcome, places_of, reaches
from soffit.plan.trials import Rules, State, attempt
from soffit.plan.variants import parted
from soffit.plan.wishes import JUST, Wishes, covers, demanded_of
from soffit.process.cost import Cost, cost_of
from soffit.remedies import LAST_RESORT, all_options
from soffit.remedies.model import Option
from soffit.remedies.prop_join import completed

# Of an option that is not wanted at its place.
FORBIDDEN = "forbidden here"

# An option cures a place when so much of its area is no longer over air; what then remains is a
# place of its own (derived: strips at the borders of layers), and makes it so much dearer, beside
# what it is worth to have no work with it (common practice, no source).
CURED_SHARE = 0.9
REST_SHARE = 0.25

# An option that cures less than this of a place is no cure (from memory).
HELPED_SHARE = 0.3

# What a prop leaves of its places, if it is no more than this share, gets props of its own at once,
# which may meet it (common practice, no source).
SLIGHT_SHARE = 0.25

# Of options that cost alike the smaller is taken: so much for each mm³ (derived: above what the
# solver takes for nothing, 1e-6, from 10 mm³ on, and far below every price).
SMALLER_FIRST = 1e-7

# Options of one place that are tried at most, on the average (derived: far above what real parts
# needed, so that it always ends). Then those tried so far must do, and the bound says how far off
# they may be.
TRIES_PER_PLACE = 8

# How far beside an option a place may lie that it is taken to reach, mm (derived: three lines; what
# spans farther does so within one place).
NEAR_MM = 1.2


@dataclass(eq=False)
class Entry:
    """One option of a survey. `places`: which it is for or could reach (n,); `own`: those that it
    is for. Once it was tried, `known`: what it leaves, and `touched`: the faces of the part as
    received that it changes. `refused`: why it cannot be had."""

    option: Option | None
    cost: Cost
    places: Floats
    own: set[int]
    known: Outcome | None = None
    touched: tuple[int, ...] = ()
    refused: str = ""


@dataclass
class Survey:
    """The options of the places of one state. `edit`: what the next edit is called. `asks`: the
    remedies that a place is asked about; `refused`: why an option cannot be had, "" where nothing
    is known against it; `received`: which finding of the part as received a place is, "" for a new
    one."""

    state: State
    rules: Rules
    wishes: Wishes
    edit: str
    asks: Callable[[Finding], tuple[str, ...]]
    refused: Callable[[Finding, Option], str]
    received: Callable[[Finding], str]
    entries: list[Entry] = field(default_factory=list)
    reasons: dict[int, list[str]] = field(default_factory=dict)
    tries: int = 0
    # Whether every best set asked for so far is proven to be one.
    proven: bool = True

    def __post_init__(self) -> None:
        for k, finding in enumerate(self.places):
            names = self.asks(finding)
            self._ask(k, names)
            if names and names != LAST_RESORT and not self._forbids_props(finding):
                cost = cost_of(self.state.review.process, plastic_mm3=0.0, changed_mm2=0.0,
                               deviation_mm=0.0, props=1)
                only = np.zeros(len(self.places))
                only[k] = 1.0
                self.entries.append(Entry(None, cost, only, {k}))

    @property
    def places(self) -> tuple[Finding, ...]:
        """What prints over air."""
        return self.state.review.air

    def best(
        self, wishes: Wishes | None = None, *, more: int | None = None, most: float = math.inf
    ) -> tuple[list[Entry], Choice]:
        """The best set by these wishes (else its own), every option of it tried; with no more than
        so many `more` of them tried or made, the best of those that are. As soon as it is sure that
        the best set costs more than `most`, one that does is returned, tried or not."""
        wishes = wishes or self.wishes
        tries = TRIES_PER_PLACE * (1 + len(self.places))
        if more is not None:
            tries = min(tries, self.tries + more)
        while True:
            entries = self._wanted(wishes)
            if self.tries >= tries:
                self.proven = False
                entries = [e for e in entries if e.known is not None]
            choice = choose(self._problem(entries, wishes))
            chosen = [entries[j] for j in choice.options]
            open_ends = [e for e in chosen if e.known is None]
            if not open_ends or choice.cost > most:
                return chosen, choice
            for entry in open_ends:
                if entry.option is None:
                    self.tries += 1
                    self.entries.remove(entry)
                    self._ask(min(entry.own), LAST_RESORT)
                else:
                    self._try(entry, entry.option)

    def why_not(self, place: int) -> str:
        """Why no option was taken for a place, in words."""
        said = list(self.reasons.get(place, ()))
        demanded = self.wishes.demanded(self.received(self.places[place]))
        if demanded is not None and not any(place in e.own for e in self.entries):
            said.insert(0, f"{parted(demanded)[0]} is demanded, and does not apply here")
        for entry in self.entries:
            if entry.option is None or place not in entry.own:
                continue
            name = entry.option.remedy
            refused = entry.refused or self.wishes.refuses(entry.option)
            if refused:
                said.append(f"{name}: {refused}")
            elif entry.known is not None and self._share(entry.known, place) > 0.0:
                left = float(entry.known.rest.sum()) + entry.known.new
                said.append(f"{name}: {left:.1f} mm² would still print over air")
        return "; ".join(dict.fromkeys(said))

    def _forbids_props(self, finding: Finding) -> bool:
        name = self.received(finding)
        demanded = self.wishes.demanded(name)
        return self.wishes.at(name).forbids_props or (
            demanded is not None and not covers("prop", parted(demanded.removeprefix(JUST))[0]))

    def _ask(self, place: int, names: tuple[str, ...]) -> None:
        finding = self.places[place]
        options, why_not = all_options(self.state.context, finding, names)
        self.reasons.setdefault(place, []).extend(why_not)
        name = self.received(finding)
        demanded = self.wishes.demanded(name)
        offered = range(len(options)) if demanded is None else demanded_of(demanded, options)
        barred = self.wishes.barred(name, options)
        for k, option in enumerate(options):
            assert option.cost is not None  # `all_options` measures them
            if k not in offered:
                continue
            refused = FORBIDDEN if k in barred else self.refused(finding, option)
            if self.state.meets_prop(option):
                self.reasons[place].append(f"{option.remedy}: it would grow onto a prop")
                continue
            key = (option.remedy, option.op, round(option.volume_mm3, 6))
            same = next((e for e in self.entries if e.option is not None and e.places[place]
                         and key == (e.option.remedy, e.option.op,
                                     round(e.option.volume_mm3, 6))), None)
            if same is not None:
                same.own.add(place)  # of another finding of the same place
                same.refused = same.refused or refused
                continue
            box = np.asarray(evaluate(option.solid, self.state.context.part).bounding_box())
            places = reaches(box, self.places, NEAR_MM)
            places[place] = 1.0
            self.entries.append(Entry(option, option.cost, places, {place}, refused=refused))

    def _try(self, entry: Entry, option: Option) -> None:
        after = self._attempt(entry, option)
        if option.op != "prop":
            return
        places = places_of(self.places, after)
        left = [f for f, k in zip(after, places, strict=True) if k is None or k in entry.own]
        area = sum(f.area_mm2 for f in left)
        if not 0.0 < area <= SLIGHT_SHARE * sum(self.places[k].area_mm2 for k in entry.own):
            return
        more = completed(self.state.context, option, left)
        if more is not None and more.cost is not None:
            place = next(f for f in self.places if f.id == more.finding)
            extended = Entry(more, more.cost, entry.places, set(entry.own),
                             refused=self.refused(place, more))
            self.entries.append(extended)
            if not extended.refused:
                self._attempt(extended, more)

    def _attempt(self, entry: Entry, option: Option) -> tuple[Finding, ...]:
        """Try an option; what then prints over air, nothing if it cannot be had."""
        self.tries += 1
        made = attempt(self.state, option, self.edit, self.rules)
        if isinstance(made, str):
            entry.refused = made
            entry.known = Outcome(self._areas(), 0.0)
            return ()
        entry.known = outcome(self.places, made.review)
        entry.touched = made.touched
        if option.op == "add" and entry.known.starts > 0.0:
            entry.refused = (f"{entry.known.starts:.2f} mm² of it would start in mid-air, where no "
                             "wall meets it")
        return made.review.air

    def _wanted(self, wishes: Wishes) -> list[Entry]:
        return [e for e in self.entries
                if not e.refused and (e.option is None or wishes.refuses(e.option) is None)]

    def _areas(self) -> Floats:
        return np.array([f.area_mm2 for f in self.places], dtype=np.float64)

    def _share(self, known: Outcome, place: int) -> float:
        """Share of a place that is left."""
        return float(known.rest[place]) / max(self.places[place].area_mm2, 1e-9)

    def _problem(self, entries: list[Entry], wishes: Wishes) -> Problem:
        area = self._areas()
        cost = np.array([wishes.weight(e.cost) + SMALLER_FIRST * (
            e.option.volume_mm3 if e.option is not None else 0.0) for e in entries])
        avoid_work = self.state.review.process.costs.avoid_work.value
        rest = np.tile(area, (len(entries), 1))
        new = np.zeros(len(entries))
        for j, entry in enumerate(entries):
            if entry.known is None:
                rest[j, entry.places > 0.0] = 0.0
                continue
            left = np.minimum(entry.known.rest, area)
            if entry.option is not None and entry.option.op == "prop":
                # Beside a prop hardly anything else finds room: what it leaves stays.
                rest[j] = np.where(left > self._nothing, left, 0.0)
                new[j] = entry.known.new if entry.known.new > self._nothing else 0.0
                continue
            gained = float((area - left).sum())
            remains = float(left[left <= (1.0 - CURED_SHARE) * area].sum())
            rest[j] = np.where(left <= (1.0 - CURED_SHARE) * area, 0.0,
                               np.where(left <= (1.0 - HELPED_SHARE) * area, left, area))
            if entry.known.new > (1.0 - CURED_SHARE) * gained:
                new[j] = entry.known.new
            else:
                remains += entry.known.new
            if remains > self._nothing:
                # What is left is a place of its own, to be seen to by hand at worst.
                cost[j] = (1.0 + REST_SHARE) * cost[j] + avoid_work
        for k, finding in enumerate(self.places):
            if wishes.demanded(self.received(finding)) is not None:
                # Where what is demanded helps, nothing else stands in for it.
                own = np.array([k in entry.own for entry in entries], dtype=bool)
                if (rest[own, k] < area[k]).any():
                    rest[~own, k] = area[k]
        return Problem(cost, area, rest, new)

    @property
    def _nothing(self) -> float:
        """Less than the review takes for a patch is nothing, mm²."""
        from soffit.findings.review import SMALLEST_SHARE

        return float(SMALLEST_SHARE * self.state.review.process.line_mm**2)

