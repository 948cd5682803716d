"""The best set found by trying few options is the best there is with all of them tried."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest

from soffit.errors import InputError
from soffit.findings.model import Finding
from soffit.findings.review import reviewed
from soffit.layers.stack import cut_layers
from soffit.part.place import place
from soffit.part.step import read_shape
from soffit.plan import search, survey
from soffit.plan.choose import choose
from soffit.plan.resolve import resolve
from soffit.plan.survey import Survey
from soffit.plan.trials import Carried, Rules, State
from soffit.plan.wishes import PREFERENCES, Wishes, checked, singular
from soffit.process.load import load_process
from soffit.remedies import CHANGES, LAST_RESORT, all_options
from soffit.remedies.context import Context
from soffit.remedies.model import Option
from tests.shapes import flange, mixed, rooted_ledge, twin_holes
from tests.solids import block, part_of

PROCESS = load_process("pla-04")

# Small parts on which every option can be tried: a ledge, an island and a bridge that stand in each
# other's way; holes, each two findings that one cut cures; a fillet that is one place with its
# ledge; a round ledge.
PARTS = {"mixed": mixed, "twin holes": twin_holes, "rooted ledge": rooted_ledge, "flange": flange}


def surveyed(name: str, wishes: Wishes | None = None) -> Survey:
    part = place(read_shape(PARTS[name]()))
    stack = cut_layers(part, PROCESS)
    before, look = reviewed(part, PROCESS, stack=stack)
    rules = Rules(before, frozenset(), ())
    wishes = wishes or Wishes()
    return Survey(State(part, (), before, stack, look), rules, wishes, "E1", lambda _f: CHANGES,
                  lambda _f, _o: "", lambda f: f.id)


@pytest.mark.parametrize("name", ["mixed", "twin holes", "rooted ledge"])
def test_as_good_as_with_every_option_tried(name: str) -> None:
    """For each preference, with more and more of the options tried meanwhile."""
    survey = surveyed(name)
    assert 2 <= len(survey.places) <= 12
    found = {}
    for prefer in PREFERENCES:
        entries, choice = survey.best(replace(survey.wishes, prefer=prefer))
        assert all(e.known is not None and e.option is not None for e in entries)
        found[prefer] = choice
    assert survey.proven
    for entry in [e for e in survey.entries if e.option is None]:
        survey.entries.remove(entry)
        survey._ask(min(entry.own), LAST_RESORT)
    for entry in survey.entries:
        if entry.known is None and not entry.refused:
            assert entry.option is not None
            survey._try(entry, entry.option)
    for prefer, choice in found.items():
        wishes = replace(survey.wishes, prefer=prefer)
        whole = choose(survey._problem(survey._wanted(wishes), wishes))
        assert choice.left_mm2 == pytest.approx(whole.left_mm2, abs=0.05)
        assert choice.cost == pytest.approx(whole.cost, abs=1e-9)


def test_what_is_forbidden_or_moves_too_far_is_not_taken() -> None:
    chosen, _ = surveyed("twin holes").best()
    assert {e.option.remedy for e in chosen if e.option} == {"teardrop"}
    no_drops = surveyed("twin holes", Wishes(forbid=frozenset({"teardrop"})))
    chosen, _ = no_drops.best()
    assert {e.option.remedy for e in chosen if e.option} == {"drilled hole"}
    assert "teardrop: forbidden" in no_drops.why_not(0)
    as_drawn = Wishes(forbid=frozenset({"teardrop", "drilled hole"}))
    chosen, _ = surveyed("twin holes", as_drawn).best()
    assert {e.option.remedy for e in chosen if e.option} == {"prop of gussets"}
    little, _ = surveyed("twin holes", Wishes(most_mm=0.1)).best()
    assert all(e.cost.deviation_mm <= 0.1 for e in little)


def test_what_is_demanded_is_taken_or_nothing() -> None:
    survey = surveyed("flange", Wishes(demand=(("F1", "chamfer"),), forbid=frozenset({"prop"})))
    chosen, _ = survey.best()
    assert [e.option.remedy for e in chosen if e.option and e.option.finding == "F1"] == [
        "chamfer leaving a lip"]
    roofed = surveyed("flange", Wishes(demand=(("F1", "roof"),)))
    chosen, _ = roofed.best()
    assert all(e.option is None or e.option.finding != "F1" for e in chosen)


def test_what_an_option_made_less_of_is_forgotten_once_the_part_has_changed(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A set carried out at once gains nothing, nor the first option of it by itself, the second
    does: what was found of the first counts places that are no longer there."""
    survey = surveyed("twin holes")
    real, calls = search.applied, []

    def nothing_at_first(
        state: State, options: Sequence[Option], edits: Sequence[str], rules: Rules
    ) -> Carried | str:
        calls.append([o.finding for o in options])
        return Carried(state, {}) if len(calls) <= 2 else real(state, options, edits, rules)

    monkeypatch.setattr(search, "applied", nothing_at_first)
    found = search.Search(survey.state.review, survey.state, survey.rules, Wishes(), None)
    found.run()
    assert len(calls) > 2
    assert found.state.review.air == ()


def test_where_a_prop_can_no_longer_stand_the_rest_is_asked_again(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Of two ledges one gets a chamfer at first, and the other is best propped; then it is not."""
    part = part_of(block(0, 0, 0, 20, 20, 30) + block(-6, 0, 20, 0, 20, 30)
                   + block(20, 0, 20, 26, 20, 30))
    asked: list[tuple[str, ...]] = []

    def options(
        context: Context, finding: Finding, names: tuple[str, ...]
    ) -> tuple[list[Option], list[str]]:
        if finding.at_mm[0] > 10.0:
            asked.append(names)
            if len(asked) == 1:
                return [], ["none yet"]
            if len(asked) == 3:
                return [], ["prop: something stands there now"]
        return all_options(context, finding, names)

    monkeypatch.setattr(survey, "all_options", options)
    found = resolve(part, PROCESS)
    assert asked == [CHANGES, LAST_RESORT, LAST_RESORT, CHANGES]
    assert found.clean and not found.props and len(found.edits) == 2


def test_only_what_is_named_is_used() -> None:
    """Twin holes that would get teardrops, a ledge that would get a chamfer."""
    named = Wishes(only=frozenset({"chamfer leaving a lip", "prop"}))
    assert named.asked == ("chamfer",)
    assert not named.forbids_props
    assert Wishes(only=frozenset({"prop"})).asked == ("prop",)
    assert Wishes(only=frozenset({"roof"})).forbids_props
    assert Wishes().asked == CHANGES and not Wishes().forbids_props
    props = resolve(surveyed("twin holes").state.produced, PROCESS,
                    wishes=Wishes(only=frozenset({"prop"})))
    assert props.clean
    assert {e.remedy for e in props.edits} == {"prop of gussets"}
    none = resolve(surveyed("flange").state.produced, PROCESS,
                   wishes=Wishes(only=frozenset({"fill", "teardrop"})))
    assert not none.clean and none.edits == ()


def test_remedies_may_be_named_in_the_plural() -> None:
    assert singular(["props", "fill", "chamfers", "what", "bottom edges"]) == {
        "prop", "fill", "chamfer", "what", "bottom edge"}
    with pytest.raises(InputError, match="there is no remedy 'posts'"):
        checked(Wishes(only=singular(["posts"])))
