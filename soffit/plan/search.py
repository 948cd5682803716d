"""Resolve a part: survey its options, take the best set, look again, until nothing hangs.

Options are tried on the mesh, where a boolean and a review take a fraction of a second. Those of
the best set are then carried out together, in the B-rep where there is one, and looked at again
there, so that the customer's geometry is changed once. Where that fails or gains less than was
found, they are carried out one by one; one that the B-rep kernel refuses, or makes less of, is
known as such when the best set is sought again. Props come last: they stand on what the other edits
leave.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from soffit.errors import InputError
from soffit.findings.model import Finding, Review
from soffit.part.mesh_solid import evaluate
from soffit.part.model import Vec3
from soffit.plan.alternatives import alternatives_of, option_rows
from soffit.plan.by_hand import place_at
from soffit.plan.model import Alternative, OptionRow
from soffit.plan.outcome import Outcome, outcome, places_of, reaches
from soffit.plan.survey import Entry, Survey
from soffit.plan.trials import Carried, Rules, State, applied, touched
from soffit.plan.wishes import Wishes
from soffit.remedies import LAST_RESORT, NAMES, all_options
from soffit.remedies.model import Edit, Option
from soffit.remedies.prop_join import Stand, least_under, stand_together
from soffit.remedies.trim import without_starts

Progress = Callable[[str, int, int], None]

# Bound of the search (derived: far above what real parts needed, so that it always ends).
MOST_EDITS = 200

# Props put under what a set of them leaves, at most (own choice: each costs some seconds).
MOST_MORE = 12

# A set of which something starts in mid-air is trimmed there at most so often (own choice: each
# costs as much as carrying it out, and takes away one layer).
MOST_TRIMS = 3

# An edit in the B-rep may gain so much less than it did on the mesh (derived: strips at the borders
# of layers).
LESS_SHARE = 0.1

# Where another way up came clean, a set that gains less than so much of what was found of it is
# reason enough to give up this one (own choice).
WORTH_SHARE = 0.5

# An option asked for again on the changed part is the same one if its volume is within this share
# (common practice, no source: a neighbour's edit takes away from it or adds).
SAME_SHARE = 0.5


@dataclass
class Search:
    """One resolution: the part as produced so far, and what was accepted."""

    before: Review
    state: State
    rules: Rules
    wishes: Wishes
    progress: Progress | None
    # What the edits may cost together; where they must cost more the search is given up, and where
    # a whole set comes to little once it is carried out.
    most: float = math.inf
    # How much may be tried, and how much was, in layers of the options tried (`tried_layers`).
    most_layers: float = math.inf
    tried_layers: int = 0
    given_up: bool = False
    edits: list[Edit] = field(default_factory=list)
    reasons: dict[tuple[object, ...], str] = field(default_factory=dict)
    options: tuple[OptionRow, ...] = ()
    alternatives: tuple[Alternative, ...] = ()
    # Why an option cannot be had; and what the B-rep really made of one.
    _refused: dict[tuple[object, ...], str] = field(default_factory=dict)
    _made: dict[tuple[object, ...], Outcome] = field(default_factory=dict)
    _propped: set[tuple[object, ...]] = field(default_factory=set)
    _step: int = 1

    def run(self) -> None:
        """Set the props asked for by hand, then take the best set of options, again and again,
        until none is left that helps."""
        for point in self.wishes.prop_at:
            self._set_by_hand(point)
        total = len(self.before.air)
        while len(self.edits) < MOST_EDITS:
            waiting = [f for f in self.state.review.air if signature(f) not in self.reasons]
            if self.progress is not None:
                self.progress("resolve", max(0, total - len(waiting)), total)
            if not waiting:
                return
            only_props = self._propped
            survey = Survey(
                self.state, self.rules, self.wishes, self._next, self._asks,
                lambda f, o: self._refused.get(_key(f, o), ""), self.received_id)
            for entry in survey.entries:
                if entry.option is not None:
                    entry.known = self._made.get(self._key_of(survey, entry))
            first = not self.edits and not self.options
            left = self.most - self.price
            # The layers of a try are cut and looked at again, at most all of them.
            layers = len(self.state.stack)
            more = None
            if math.isfinite(self.most_layers):
                more = 1 + int(self.most_layers - self.tried_layers) // layers
            chosen, choice = survey.best(most=left, more=more)
            self.tried_layers += survey.tries * layers
            if choice.cost > left or self.tried_layers > self.most_layers:
                self.given_up = True
                return
            if first:
                self.alternatives = alternatives_of(survey, chosen)
            taken = self._take(survey, chosen)
            if self.given_up:
                return
            if first:
                self.options = option_rows(survey, taken)
            covered = self._covered(survey, chosen)
            for k, finding in enumerate(survey.places):
                mark = signature(finding)
                # Where a prop was best but can no longer stand, the rest is asked again.
                if k not in covered and mark not in self.reasons and mark not in only_props:
                    self.reasons[mark] = survey.why_not(k)

    def _set_by_hand(self, point: Vec3) -> None:
        """Stand the cheapest prop under a point. Raises InputError where none can."""
        state, place = self.state, place_at(self.state.context, point)
        options, reasons = all_options(state.context, place, LAST_RESORT)
        why = list(reasons)
        for option in sorted(options, key=lambda o: self.wishes.weight(o.cost) if o.cost else 0.0):
            made = applied(state, [option], [self._next], self.rules)
            if not isinstance(made, str):
                asked = replace(option, why=f"asked for by hand: {option.why}")
                self._record("", asked, set(), state, by_hand=True)
                self._become(made.state)
                return
            why.append(made)
        x, y, _ = point
        raise InputError(f"setting a prop at {x:g},{y:g}: none can stand there: {'; '.join(why)}")

    @property
    def price(self) -> float:
        """What the edits cost together, by what is wished."""
        return sum(self.wishes.weight(e.cost) for e in self.edits if e.cost is not None)

    def _asks(self, finding: Finding) -> tuple[str, ...]:
        """The remedies that a place is asked about: none where it was given up."""
        if signature(finding) in self.reasons:
            return ()
        return LAST_RESORT if signature(finding) in self._propped else self.wishes.asked

    @property
    def _next(self) -> str:
        return f"E{len(self.edits) + 1}"

    def _take(self, survey: Survey, chosen: list[Entry]) -> list[Entry]:
        """Carry out the options of a set, the props only where there is nothing else."""
        changes = [e for e in chosen if e.option is not None and e.option.op != "prop"]
        # What a prop is best for is not asked again, when its turn comes.
        self._propped = {signature(survey.places[k]) for e in chosen if e not in changes
                         for k in e.own} if changes else set()
        waiting = sorted(changes or chosen, key=_order)[:MOST_EDITS - len(self.edits)]
        before = self.state
        taken = self._together(survey, waiting)
        if len(waiting) > 1 and math.isfinite(self.most):
            gain = before.review.over_air_mm2 - self.state.review.over_air_mm2
            self.given_up = gain < WORTH_SHARE * _due(survey, waiting)
        if taken or self.given_up:
            return taken
        for entry in waiting:
            assert entry.option is not None  # a best set is tried throughout
            if self._carry_out(survey, entry, entry.option):
                taken.append(entry)
                if entry.option.op == "prop":
                    break  # beside it others are best anew
        return taken

    def _together(self, survey: Survey, entries: list[Entry]) -> list[Entry]:
        """Carry out all at once, props with more of them under what they leave; none of them where
        that gains less than was found of them."""
        options = [e.option for e in entries if e.option is not None]
        props = bool(options) and options[0].op == "prop"
        if len(options) < 2 and not props:
            return []
        if props:
            stands = stand_together(self.state.context, options)
        else:
            stands = [Stand(option, (k,)) for k, option in enumerate(options)]
        if not stands:
            return []
        made = self._applied(stands)
        if isinstance(made, str):
            return []
        for _ in range(MOST_TRIMS):
            less = self._without_starts(survey, stands, made.state.review.air)
            again = self._applied(less) if less else ""
            if isinstance(again, str) or self._gain(again.state) < self._gain(made.state):
                break
            stands, made = less, again
        if props and (more := self._more(survey, made.state.review.air)):
            wider = stand_together(self.state.context, [*options, *more])
            again = self._applied(wider)
            if not isinstance(again, str) and self._gain(again.state) > self._gain(made.state):
                stands, made = wider, again
        for k, why in made.refused.items():
            self._refused[_key(_place(survey, stands[k].option), stands[k].option)] = why
        stands = [s for k, s in enumerate(stands) if k not in made.refused]
        mine = [entries[k] for s in stands for k in s.members if k < len(entries)]
        if self._gain(made.state) < (1.0 - LESS_SHARE) * _due(survey, mine):
            return []
        before = self.state
        for stand in stands:
            place = _place(survey, stand.option)
            faces = _origins(before, place)
            for k in stand.members:
                if k < len(entries):
                    faces |= set(entries[k].touched)
                    faces |= _origins(before, *(survey.places[i] for i in entries[k].own))
            self._record(self.received_id(place), stand.option, faces, before)
        self._become(made.state)
        return mine

    def _applied(self, stands: Sequence[Stand]) -> Carried | str:
        """What several options come to, or why they are not allowed."""
        if self.progress is not None:
            self.progress("apply", len(self.edits) + 1, len(self.edits) + len(stands))
        names = [f"E{len(self.edits) + 1 + k}" for k in range(len(stands))]
        return applied(self.state, [s.option for s in stands], names, self.rules)

    def _without_starts(
        self, survey: Survey, stands: Sequence[Stand], left: Sequence[Finding]
    ) -> list[Stand]:
        """A set without what of its additions starts in mid-air, where each was taken for the rest
        of a place that another cures; [] where nothing does."""
        islands = [f for f in left if f.kind == "air/island"]
        places = places_of([f for f in survey.places if f.kind == "air/island"], islands)
        starts = [f for f, place in zip(islands, places, strict=True) if place is None]
        less, changed = list(stands), False
        for k, stand in enumerate(stands):
            if stand.option.op != "add" or not starts:
                continue
            box = np.asarray(evaluate(stand.option.solid, self.state.mesh_part).bounding_box())
            near = [f for f, meets in zip(starts, reaches(box, starts, 0.0), strict=True) if meets]
            option = without_starts(self.state.context, stand.option, near) if near else None
            if option is not None:
                less[k], changed = replace(stand, option=option), True
        return less if changed else []

    def _more(self, survey: Survey, left: Sequence[Finding]) -> list[Option]:
        """Props under what a set of them leaves of the places of a survey."""
        found: list[Option] = []
        for finding, place in zip(left, places_of(survey.places, left), strict=True):
            if place is not None and len(found) < MOST_MORE:
                option = least_under(self.state.context, finding)
                mine = survey.places[place]
                wishes = self.wishes.at(self.received_id(mine))
                if option is not None and wishes.refuses(option) is None:
                    found.append(replace(option, finding=mine.id))
        return found

    def _gain(self, made: State) -> float:
        return self.state.review.over_air_mm2 - made.review.over_air_mm2

    def _carry_out(self, survey: Survey, entry: Entry, option: Option) -> bool:
        finding = _place(survey, option)
        key = _key(finding, option)
        now = finding
        if self.state is not survey.state:
            # Solids may name faces of the part as it was: ask again.
            same = [f for f in self.state.review.air if signature(f) == signature(finding)]
            again = self._again(same[0], option) if same else None
            if again is None:
                return False
            now, option = same[0], again
        if self.progress is not None:
            self.progress("apply", len(self.edits) + 1, len(self.edits) + 1)
        made = applied(self.state, [option], [self._next], self.rules)
        if isinstance(made, str):
            self._refused[key] = made
            return False
        after = made.state
        gain = self._gain(after)
        if gain < (1.0 - LESS_SHARE) * _due(survey, [entry]) and key not in self._made:
            if self.state is survey.state:
                self._made[key] = outcome(survey.places, after.review)
                return False
            if gain <= 0.0:
                return False
        changed = set(touched(self.state.produced, after.produced, self.rules))
        self._record(self.received_id(finding), option, changed | _origins(self.state, now),
                     self.state)
        self._become(after)
        return True

    def _again(self, finding: Finding, option: Option) -> Option | None:
        """The same option, worked out on the part as it now is."""
        options, _ = all_options(self.state.context, finding, _modules_of(option))
        same = [o for o in options if o.remedy == option.remedy
                and abs(o.volume_mm3 - option.volume_mm3) <= SAME_SHARE * option.volume_mm3]
        return min(same, key=lambda o: abs(o.volume_mm3 - option.volume_mm3), default=None)

    def _record(self, finding: str, option: Option, touched: set[int], before: State, *,
                by_hand: bool = False) -> None:
        """Write down an option that is carried out on a state as the next edit."""
        solid = evaluate(option.solid, before.mesh_part)
        low, high = np.asarray(solid.bounding_box()).reshape(2, 3)
        x, y, z = (0.5 * (low + high)).tolist()
        self.edits.append(
            Edit(self._next, finding, option.remedy, option.op,
                 option.volume_mm3, tuple(sorted(touched)), (x, y, z),
                 (float(low[2]), float(high[2])), option.why, option.after, option.solid,
                 option.cost, self._step, option.prop, by_hand)
        )

    def _become(self, made: State) -> None:
        """Make a state the part as produced."""
        self.state = made
        self._step += 1
        # What was found of other options counts the places of the part as it was.
        self._made.clear()

    def _covered(self, survey: Survey, chosen: list[Entry]) -> set[int]:
        """Places that some chosen option helps."""
        found: set[int] = set()
        for entry in chosen:
            assert entry.known is not None
            for k, finding in enumerate(survey.places):
                if entry.known.rest[k] < finding.area_mm2:
                    found.add(k)
        return found

    def _key_of(self, survey: Survey, entry: Entry) -> tuple[object, ...]:
        assert entry.option is not None
        return _key(_place(survey, entry.option), entry.option)

    def received_id(self, finding: Finding) -> str:
        """Id of the same finding in the review of the part as received; "" if it is new."""
        same = (f.id for f in self.before.findings if signature(f) == signature(finding))
        return next(same, "")


def signature(finding: Finding) -> tuple[object, ...]:
    """What stays the same about a finding while others are resolved around it."""
    x, y, _ = finding.at_mm
    return (finding.kind, finding.patch.layers[1], round(x), round(y))


def _place(survey: Survey, option: Option) -> Finding:
    """The place that an option was asked for."""
    return next(f for f in survey.places if f.id == option.finding)


def _origins(state: State, *findings: Finding) -> set[int]:
    """The faces of the part as received that findings in a state lie on."""
    faces = state.review.part.faces
    return {o for f in findings for k in f.faces if (o := faces[k - 1].origin) is not None}


def _due(survey: Survey, entries: list[Entry]) -> float:
    """How much less would print over air with a set of options, by what was found of each, mm²."""
    areas = np.array([f.area_mm2 for f in survey.places])
    left, new = areas, 0.0
    for entry in entries:
        assert entry.known is not None  # a best set is tried throughout
        left, new = np.minimum(left, entry.known.rest), new + entry.known.new
    return float((areas - left).sum()) - new


def _key(finding: Finding, option: Option) -> tuple[object, ...]:
    return (signature(finding), option.remedy, option.rank, round(option.volume_mm3, 3))


def _order(entry: Entry) -> tuple[int, int]:
    """Changes in the order of preference, props from the platform up: one that stands lower can
    still be taken out past those that follow."""
    assert entry.option is not None
    rank = 0 if entry.option.op == "prop" else entry.option.rank
    return (rank, int(entry.option.finding[1:]))


def _modules_of(option: Option) -> tuple[str, ...]:
    """The names of the modules that may have made an option."""
    first = option.remedy.split(" ")[0]
    return tuple(name for name in NAMES if name.split("_")[0] == first)
