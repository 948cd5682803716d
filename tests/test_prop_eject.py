"""How props leave the platform, against the formulas; what would stay there is never offered; what
the pushing edge meets."""

from __future__ import annotations

from dataclasses import replace

import pytest

from soffit.findings.review import reviewed
from soffit.layers.stack import cut_layers
from soffit.part.manifold import to_manifold
from soffit.part.place import place
from soffit.plan.model import Ejection, Push
from soffit.plan.resolve import resolve
from soffit.plan.trials import Rules, State, applied
from soffit.plan.wishes import Wishes
from soffit.process.load import load_process
from soffit.process.model import Process
from soffit.production.ejection import advice, best, ejection, words
from soffit.remedies import all_options
from soffit.remedies.prop_eject import SURE, Leaving, least_sure, leaving, on_one_way
from soffit.remedies.prop_shape import SOLE_LAYERS
from tests.shapes import example
from tests.solids import block, part_of
from tests.trying import looked_at

PLA = load_process("pla-04")
BOND, HELD = PLA.bond_mpa, PLA.ejection.released_mpa.value
EDGE = PLA.ejection.edge_mm.value
HIGH = 30.0
SHELF = block(0, 0, 0, 10, 40, 40) + block(0, 0, HIGH, 40, 40, 40)


def with_values(**values: float) -> Process:
    """The process with other values of `ejection`."""
    made = {name: getattr(PLA.ejection, name).model_copy(update={"value": value})
            for name, value in values.items()}
    return PLA.model_copy(update={"ejection": PLA.ejection.model_copy(update=made)})


@pytest.mark.parametrize(("long", "high"), [(20.0, 2.0), (8.0, 6.0), (3.0, 1.0)])
def test_a_blade_goes_with_the_part_that_it_touches(long: float, high: float) -> None:
    """Its tip bears S H (w / 2) / (L w^3 / 12)."""
    w = PLA.line_mm
    table = block(0, 0, 0, 10, 40, 20) + block(0, 0, high, 40, 40, 20)
    found = leaving(looked_at(part_of(table), PLA), block(20, 5, 0, 20 + w, 5 + long, high))
    assert found is not None and found.way == "with the part"
    assert found.holds_n == pytest.approx(HELD * long * w, rel=1e-6)
    stress = found.holds_n * high * (w / 2) / (long * w**3 / 12)
    assert found.share == pytest.approx(stress / BOND, rel=1e-6)


def test_one_whose_tip_breaks_is_pushed_by_itself() -> None:
    """A post of 4 mm on a sole of 20, held by a tip of one line by one line: its walls bear
    S e (a / 2) / (a^4 / 12) above the sole."""
    w, a, sole = PLA.line_mm, 4.0, SOLE_LAYERS * PLA.layer_mm
    post = (block(15, 10, 0, 35, 30, sole) + block(23, 18, 0, 23 + a, 18 + a, HIGH - 1)
            + block(25, 20, HIGH - 2, 25 + w, 20 + w, HIGH))
    found = leaving(looked_at(part_of(SHELF), PLA), post)
    assert found is not None and found.way == "pushed"
    assert found.holds_n == pytest.approx(HELD * 400, rel=1e-6)
    arm = EDGE - sole - 0.5 * PLA.layer_mm
    stress = found.holds_n * arm * (a / 2) / (a**4 / 12)
    assert found.share == pytest.approx(stress / BOND, rel=1e-6)


def test_each_of_several_posts_bears_its_own() -> None:
    """Two posts alike under one head bear half each, not what both bear as one stiff body."""
    sole = SOLE_LAYERS * PLA.layer_mm
    one = block(15, 10, 0, 35, 14, sole) + block(23, 10, 0, 27, 14, HIGH - 4)
    two = one + one.translate((0, 16, 0)) + block(23, 10, HIGH - 4, 27, 30, HIGH - 1)
    tip = block(25, 20, HIGH - 2, 25.4, 20.4, HIGH)
    found = leaving(looked_at(part_of(SHELF), PLA), two + tip)
    alone = leaving(looked_at(part_of(SHELF), PLA), one + block(25, 12, HIGH - 6, 25.4, 12.4, HIGH))
    assert found is not None and alone is not None
    assert found.way == alone.way == "pushed"
    assert found.holds_n == pytest.approx(2 * alone.holds_n)
    assert found.share == pytest.approx(alone.share, rel=1e-6)


def test_what_stands_on_the_part_leaves_with_it() -> None:
    cup = block(0, 0, 0, 40, 40, 5) + block(0, 0, 0, 10, 40, 40) + block(0, 0, 30, 40, 40, 40)
    found = leaving(looked_at(part_of(cup), PLA), block(20, 5, 5, 24, 15, 30))
    assert found == Leaving("on the part", 0.0, 0.0)


@pytest.mark.parametrize("high", [4.0, 12.0])
def test_what_neither_its_tip_takes_along_nor_the_edge_can_push_would_stay(high: float) -> None:
    """A wide sole under a tip that breaks: lower than the edge; or tall, on a stalk that breaks."""
    table = block(0, 0, 0, 8, 40, 20) + block(0, 0, high, 50, 40, 20)
    stalk = block(30, 20, 0, 30.8, 20.8, high)
    weak = stalk + block(12, 5, 0, 48, 38, 0.4)
    assert leaving(looked_at(part_of(table), PLA), weak) is None
    # Held less it comes along.
    assert leaving(looked_at(part_of(table), with_values(released_mpa=1e-4)), weak) is not None


@pytest.mark.parametrize(("missing", "pushes"), [
    ("", ("+x", "-x", "+y", "-y")), ("+x", ("+x", "+y", "-y")), ("+x+y", ("+x", "+y")),
    ("+x-x", ("+y", "-y")), ("+x-x+y-y", None)])
def test_one_lower_than_the_edge_is_taken_along_by_the_part_behind_it(
    missing: str, pushes: tuple[str, ...] | None
) -> None:
    """In a box that is open below; where a side of it is missing the part goes past it, if it is
    pushed away from that side."""
    part = block(0, 0, 0, 40, 40, 10) - block(4, 4, -1, 36, 36, 4)
    sides = {"+x": block(35, 4, -1, 41, 36, 4), "-x": block(-1, 4, -1, 5, 36, 4),
             "+y": block(4, 35, -1, 36, 41, 4), "-y": block(4, -1, -1, 36, 5, 4)}
    for name, side in sides.items():
        part = part - side if name in missing else part
    weak = block(12, 12, 0, 28, 28, 0.4) + block(18, 18, 0, 22, 22, 3.6) + block(
        20, 20, 3, 20.4, 20.4, 4)
    found = leaving(looked_at(part_of(part), PLA), weak)
    assert (None if found is None else found.pushes) == pushes
    if found is not None:
        assert found.way == "pushed"
        arm = 0.5 * 4 - SOLE_LAYERS * PLA.layer_mm - 0.5 * PLA.layer_mm
        stress = HELD * 256 * arm * 2.0 / (4.0**4 / 12)
        assert found.share == pytest.approx(stress / BOND, rel=1e-6)


@pytest.mark.usefixtures("from_below")
def test_a_prop_that_would_stay_is_refused_with_the_reason() -> None:
    """A platform that holds as hard cold as hot, an edge above all: nothing can take a prop off."""
    process = with_values(released_mpa=5.0, edge_mm=200.0)
    part = part_of(SHELF)
    wishes = Wishes(only=frozenset({"prop"}))
    result = resolve(part, process, wishes=wishes)
    assert not result.props and not result.clean
    assert any("would stay on the platform" in one.reason for one in result.open)
    assert resolve(part, PLA, wishes=wishes).props


def test_the_least_sure_is_told() -> None:
    tied, pushed = Leaving("with the part", 1.0, 0.4), Leaving("pushed", 1.0, 0.1)
    assert least_sure([tied, Leaving("on the part", 0.0, 0.0)]) == tied
    assert least_sure([pushed, tied, Leaving("with the part", 1.0, 0.2)]) == pushed


def test_all_must_leave_on_one_way() -> None:
    """What is told of several is what suits them all; where nothing does the most are kept."""
    along_x, along_y = (Leaving("pushed", 1.0, 0.1, ways) for ways in (("+x", "-x"), ("+y",)))
    tied = Leaving("with the part", 1.0, 0.4)
    assert least_sure([along_x, tied]).pushes == ("+x", "-x")
    assert least_sure([along_x, along_y]).pushes == ()
    assert on_one_way([along_x, along_y, tied], [3.0, 2.0, 1.0]) == [0, 2]
    assert on_one_way([along_x, along_y, tied], [2.0, 3.0, 1.0]) == [1, 2]
    assert on_one_way([along_x, tied], [1.0, 1.0]) == [0, 1]


def test_props_that_leave_on_no_way_in_common_do_not_stand_together() -> None:
    """Each of two props of a set leaves; the second is refused where it would need another way."""
    part = place(part_of(SHELF), "keep")
    stack = cut_layers(part, PLA)
    review, look = reviewed(part, PLA, stack=stack)
    state, rules = State(part, (), review, stack, look), Rules(review, frozenset(), ())
    found, _ = all_options(state.context, review.air[0], ("prop",))
    assert found[0].prop is not None
    one, other = (replace(found[0], prop=replace(found[0].prop, leaving=Leaving(
        "pushed", 1.0, 0.1, (way,)))) for way in ("+x", "-x"))
    first = applied(state, [one], ["E1"], rules)
    assert not isinstance(first, str) and first.state.pushes == ("+x",)
    for refused in (applied(first.state, [other], ["E2"], rules),
                    applied(state, [one, other], ["E1", "E2"], rules)):
        assert isinstance(refused, str) and "no one way to push" in refused
    assert not isinstance(applied(first.state, [one], ["E2"], rules), str)


def test_every_prop_of_an_example_leaves() -> None:
    result = resolve(example("ledge_bracket"), PLA, wishes=Wishes(only=frozenset({"prop"})))
    facts = [edit.prop for edit in result.edits if edit.prop is not None]
    assert facts and all(one.leaving.share <= SURE for one in facts)


@pytest.mark.parametrize("turn_deg", [0, 90, 180, 270])
def test_what_the_edge_meets_first(turn_deg: int) -> None:
    """The shelf's wall is 40 mm wide at x = 0, and its end 10 mm; props stand below its free edge,
    40 mm from it. Turned about z, the ways turn with it."""
    part = part_of(SHELF.rotate((0, 0, turn_deg)))
    result = resolve(part, PLA, wishes=Wishes(only=frozenset({"prop"})))
    found = ejection(result)
    around = ["+x", "+y", "-x", "-y"]
    one = {push.way: push for push in found.pushes}
    back, side, front, _ = (one[around[(k + turn_deg // 90) % 4]] for k in range(4))
    assert back.meets == ("part",) and back.over_mm == pytest.approx(40, abs=1e-6)
    assert side.meets == ("part",) and side.over_mm == pytest.approx(10, abs=1e-6)
    assert "part" not in front.meets and front.meets
    assert best(found) == back
    area = 400.0
    for prop in result.props:
        solid = to_manifold(prop.mesh)
        assert solid is not None
        # The first layer is drawn smaller by what it is pressed out to, the second layer's outline.
        area += solid.slice(PLA.first_layer_mm + 0.5 * PLA.layer_mm).area()
    assert found.holds_n == pytest.approx(HELD * area, rel=1e-3)


def test_an_edge_above_all_meets_nothing_and_says_so() -> None:
    result = resolve(part_of(block(0, 0, 0, 10, 10, 4)), PLA)
    found = ejection(result)
    assert {push.meets for push in found.pushes} == {()}
    assert best(found) is None
    assert "nothing: it passes over" in words(found, PLA)


def test_words() -> None:
    found = Ejection(3.04, (Push("+x", ("part",), 20.0), Push("-x", ("E1", "E2"), 0.4)))
    said = words(found, PLA)
    assert "+x the part over 20.0 mm, -x E1 and E2 over 0.4 mm; push along +x" in said
    assert "3.0 N" in said
    assert advice(found, PLA) == ("push along +x: an edge 5 mm up meets the part over 20.0 mm; "
                                  "3.0 N hold it at most")
    assert "no axis to push along" in advice(Ejection(1.0, found.pushes[1:]), PLA)
    behind = Ejection(1.0, (replace(found.pushes[0], stay=("E3",)), Push("+y", ("part",), 5.0)))
    assert best(behind) == behind.pushes[1]
    assert "over 20.0 mm (E3 would stay behind), +y the part" in words(behind, PLA)
