"""Resolve a part: place it, review it, search for the best edits, look at the result."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Literal

from soffit.errors import InputError
from soffit.findings.model import Finding, Review
from soffit.findings.review import review, reviewed
from soffit.layers.stack import cut_layers
from soffit.part.model import Part, Vec3
from soffit.part.place import place
from soffit.part.scene import with_bodies
from soffit.plan.keep_out import Box, BoxRoom, FileRoom, remembered, rooms
from soffit.plan.model import OpenFinding, ProtectedFace, Resolution
from soffit.plan.protect import select_faces
from soffit.plan.recipe import Recipe
from soffit.plan.replay import Replay, replay, up_of
from soffit.plan.search import Progress, Search, signature
from soffit.plan.trials import Rules, State
from soffit.plan.variants import WORDS
from soffit.plan.way_out import way_out
from soffit.plan.wishes import JUST, Wishes, checked
from soffit.process.model import Process
from soffit.remedies.split import advise

# Places for which a way out past a protected face is sought (own choice: each costs up to a dozen
# reviews).
MOST_WAYS = 4
# Places for which a split is sought (own choice: each costs up to a dozen reviews).
MOST_SPLITS = 2
# A split is worth telling where its halves leave no more than this of what is over air (common
# practice, no source).
WORTH_SPLITTING = 0.1


def resolve(part: Part, process: Process, **options: Any) -> Resolution:
    """`part` changed so that it prints with nothing over air, as far as that can be done: what
    `searched` finds, with its `options`, and why what stays open does.

    `after` is the review of the result in memory; writing the files replaces it by the review of
    what was written.
    """
    return searched(part, process, **options).resolution()


@dataclass(frozen=True)
class Searched:
    """One resolution before anybody asks why something stays open, which takes reviews of its own.

    `protected`: each protected face with its selector; the rest as of a `Resolution`."""

    search: Search
    received: Part
    protected: dict[int, str]
    quantity: int
    wishes: Wishes
    replay: Replay | None
    keep_out: tuple[BoxRoom | FileRoom, ...]

    @cached_property
    def after(self) -> Review:
        """The review of the result in memory."""
        state = self.search.state
        scene = with_bodies(state.produced, state.props)
        return review(scene, state.review.process, unattended=True, own=state.produced.bodies)

    @cached_property
    def measured(self) -> tuple[ProtectedFace, ...]:
        """How far each protected face is from where it was."""
        return measure_protected(self.received, self.search.state.produced, self.protected)

    @property
    def clean(self) -> bool:
        """Whether the resolution will be."""
        return not self.after.stopping and all(p.untouched for p in self.measured)

    def resolution(self) -> Resolution:
        """The whole of it."""
        search = self.search
        return Resolution(
            received=self.received,
            produced=search.state.produced,
            props=search.state.props,
            before=search.before,
            after=self.after,
            edits=tuple(search.edits),
            open=open_findings(self.after, _reasons(search)),
            protected=self.measured,
            quantity=self.quantity,
            wishes=self.wishes,
            replay=self.replay,
            keep_out=self.keep_out,
            options=search.options,
            alternatives=search.alternatives,
        )


def searched(
    part: Part,
    process: Process,
    *,
    up: Literal["keep"] | Vec3 = "keep",
    protect: Sequence[str] = (),
    keep_out: Sequence[Box | Part] = (),
    quantity: int = 1,
    wishes: Wishes | None = None,
    recipe: Recipe | None = None,
    progress: Progress | None = None,
    most: float = math.inf,
    most_layers: float = math.inf,
) -> Searched:
    """What changes `part` so that it prints with nothing over air, as far as that can be done.

    `protect`: selectors of faces that stay as they are (see `soffit.plan.protect`).
    `keep_out`: boxes x0, y0, z0, x1, y1, z1 in the build frame, mm, and parts in the frame of
    the part's file, that nothing is added to (see `soffit.plan.keep_out`).
    `wishes`: what is preferred, forbidden and demanded of remedies. `recipe`: decisions taken on
    this part or an earlier revision of it, taken again wherever their place is found again; it also
    says which way is up where `up` is "keep", what stays as it is, which boxes are kept out, and
    what is preferred where nothing is wished. `most`: what the edits may cost together, by the
    wishes; the search is given up as soon as it is sure that they cost more, or when a set of them
    comes to little once it is carried out, or when options of more than `most_layers` layers
    together were tried.
    Raises InputError for a wrong selector or direction.
    """
    wishes = checked(wishes or Wishes())
    if recipe is not None and up == "keep":
        up = up_of(recipe, part)
    received = place(part, up)
    protected = {
        face: selector for selector in protect for face in select_faces(received, selector)
    }
    stack = cut_layers(received, process)
    before, look = reviewed(received, process, stack=stack, unattended=True, progress=progress)
    _check_places(wishes, before)
    taken_again = None
    kept_out = remembered(keep_out, received)
    again: tuple[BoxRoom, ...] = ()
    if recipe is not None:
        taken_again = replay(recipe, before, kept_out)
        again = tuple(k.box for k in taken_again.keep_out
                      if k.box is not None and k.box not in kept_out)
        wishes = _as_decided(wishes, recipe, taken_again, received, process)
        protected |= {k.face: k.selector for k in taken_again.protected if k.face is not None}
    rules = Rules(before, frozenset(protected), rooms([*keep_out, *again], received))
    state = State(received, (), before, stack, look, wishes.no_prop_at)
    search = Search(before, state, rules, wishes, progress, most, most_layers)
    search.run()
    return Searched(search, received, protected, quantity, wishes, taken_again,
                    (*kept_out, *again))


def _as_decided(
    wishes: Wishes, recipe: Recipe, found: Replay, received: Part, process: Process
) -> Wishes:
    """`wishes` with what a recipe decided, as far as they leave it open."""
    if wishes == Wishes(demand=wishes.demand, prop_at=wishes.prop_at,
                        no_prop_at=wishes.no_prop_at, target_ppm=wishes.target_ppm,
                        forbid_at=wishes.forbid_at):
        choice = recipe.choice
        wishes = replace(wishes, prefer=choice.prefer, forbid=frozenset(choice.forbid),
                         only=frozenset(choice.only), most_mm=choice.max_deviation_mm)
    if not wishes.prop_at and not wishes.no_prop_at:
        motion = received.placement @ found.faces.motion
        wishes = replace(wishes, prop_at=tuple(spot.in_frame(motion) for spot in recipe.prop_at),
                         no_prop_at=tuple((*spot.in_frame(motion)[:2], spot.radius_mm)
                                          for spot in recipe.no_prop_at))
    asked = {finding for finding, _ in wishes.demand}
    edits = {edit.id: edit for edit in recipe.edit}
    # Which prop fits is worked out again where anything is other than it was.
    as_it_was = (recipe.part.sha256, recipe.process.name) == (received.source.sha256, process.name)
    words = {edit.id: f"{WORDS}{edit.why}" if edit.op != "prop" or as_it_was else ""
             for edit in recipe.edit}
    again = {d.finding_id: f"{JUST}{d.remedy}{words[d.edit_id]}"
             for d in found.decisions if d.finding_id is not None and d.finding_id not in asked
             and not wishes.barred(d.finding_id, [edits[d.edit_id]], near=False)}
    barred = [(one.finding_id, one.remedy) for one in found.forbidden
              if one.finding_id is not None and one.finding_id not in asked]
    return replace(wishes, demand=(*wishes.demand, *again.items()),
                   forbid_at=tuple(dict.fromkeys((*wishes.forbid_at, *barred))))


def _check_places(wishes: Wishes, before: Review) -> None:
    there = [f.id for f in before.air]
    for said, places in (("demanded", wishes.demand), ("forbidden", wishes.forbid_at)):
        for finding, remedy in places:
            if finding not in there:
                raise InputError(
                    f"resolving {before.part.source.file}: {remedy} is {said} for {finding}, but "
                    f"what prints over air is {', '.join(there) or 'nothing'}; `soffit review` "
                    "with the same process and way up lists it")


def _reasons(search: Search) -> Callable[[Finding], str]:
    """Why each place stays open; of the first few, where a protected face stands in the way, what
    the cheapest way out would be instead of all that was tried, and where the part could be
    split."""
    told = dict(search.reasons)
    over_air = search.state.review.over_air_mm2
    still = [f for f in search.state.review.air if signature(f) in told]
    for finding in still[:MOST_WAYS]:
        wishes = search.wishes.at(search.received_id(finding))
        way = way_out(search.state, search.rules, wishes, finding)
        if way is not None:
            told[signature(finding)] = way.sentence
    for finding in still[:MOST_SPLITS]:
        advice = advise(search.state.context, finding)
        if advice is not None and advice.over_air_mm2 <= WORTH_SPLITTING * over_air:
            why = told[signature(finding)]
            told[signature(finding)] = f"{why}; {advice.sentence}" if why else advice.sentence
    return lambda f: told.get(signature(f), "")


def measure_protected(
    received: Part, produced: Part, protected: dict[int, str]
) -> tuple[ProtectedFace, ...]:
    """How far each protected face is from where it was, on `produced`."""
    if not protected:
        return ()
    from soffit.part.deviation import face_deviation

    found = face_deviation(received, produced, sorted(protected))
    allowed = max(2 * received.deflection_mm, 1e-3)
    return tuple(
        ProtectedFace(face, protected[face], found[face], allowed) for face in sorted(protected)
    )


def open_findings(after: Review, reason: Callable[[Finding], str]) -> tuple[OpenFinding, ...]:
    """What `after` still holds against the part, each with its reason ("" if none is known)."""
    return tuple(
        OpenFinding(
            f,
            reason(f)
            or ("no remedy cures it" if f.kind.startswith("air/") else "change it in CAD"),
        )
        for f in after.stopping
    )
