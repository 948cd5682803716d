"""Props of several places stood together, and a set of changes carried out at once."""

from __future__ import annotations

import manifold3d as m3
import pytest

from soffit.findings.model import Finding
from soffit.findings.review import review, reviewed
from soffit.layers.stack import cut_layers
from soffit.part.edit import make_body
from soffit.part.mesh_solid import evaluate
from soffit.part.place import place
from soffit.part.scene import with_bodies
from soffit.plan.resolve import resolve
from soffit.plan.search import Search
from soffit.plan.trials import Rules, State
from soffit.plan.wishes import Wishes
from soffit.process.load import load_process
from soffit.remedies.model import Option, PropFacts
from soffit.remedies.prop_eject import Leaving
from soffit.remedies.prop_join import completed, stand_together
from soffit.remedies.prop_sole import soled
from soffit.remedies.prop_solid import as_solid
from tests.shapes import example
from tests.solids import block, part_of
from tests.trying import looked_at

PLA = load_process("pla-04")


def prop(finding: str, body: m3.Manifold) -> Option:
    facts = PropFacts(1, 1, False, 0.1, 2.0, 1.0, ("sideways, 0° from x",),
                      ("from below",), 1.0,
                      10.0 * body.volume(), 1.5 * body.volume(), 50.0,
                      Leaving("with the part", 0.1, 0.1))
    return Option("prop", finding, "prop", as_solid(body), 5, "", "", body.volume(), None, 1, facts)


SHELF = block(0, 0, 0, 10, 40, 40) + block(0, 0, 30, 30, 40, 40)


def test_those_that_meet_are_one_body_and_the_others_stay_what_they_are() -> None:
    one, two = block(20, 2, 0, 24, 20, 30), block(20, 18, 0, 24, 30, 30)
    far = block(20, 33, 0, 24, 38, 30)
    options = [prop("F1", one), prop("F2", two), prop("F3", far)]
    together = stand_together(looked_at(part_of(SHELF), PLA), options)
    assert [stand.members for stand in together] == [(0, 1), (2,)]
    joined, alone = (stand.option for stand in together)
    assert joined.finding == "F1" and joined.pieces == 1
    spread = PLA.bead.spread_mm.value
    ring = 4 * 28 - (4 - 2 * spread) * (28 - 2 * spread)
    assert joined.volume_mm3 == pytest.approx(4 * 28 * 30 - ring * PLA.first_layer_mm)
    assert joined.prop is not None and joined.prop.ridges == 2
    assert joined.why.startswith("one prop with that of F2, which it meets")
    assert joined.cost is not None and joined.cost.labour_s > 0.0
    # A box on a smaller one has 28 facets, and two more for each point where the blocks met.
    assert evaluate(joined.solid).num_tri() == 32
    assert alone.finding == "F3"


def test_those_that_could_not_leave_as_one_stand_one_by_one() -> None:
    """Two halves of a ring round a post each leave sideways; the ring could only leave through
    the post, the roof or the floor."""
    post = block(15, 15, 0, 25, 25, 40)
    part = block(0, 0, 0, 40, 40, 4) + post + block(0, 0, 30, 40, 40, 34)
    ring = block(10, 10, 4, 30, 30, 30) - block(14, 14, 3, 26, 26, 31)
    left, right = ring ^ block(0, 0, 0, 20.5, 40, 40), ring ^ block(19.5, 0, 0, 40, 40, 40)
    together = stand_together(looked_at(part_of(part), PLA), [prop("F1", left), prop("F2", right)])
    assert [stand.members for stand in together] == [(0,)]


def test_a_prop_is_completed_under_what_it_leaves() -> None:
    """One block near the wall leaves the free edge of the shelf in the air."""
    there = looked_at(part_of(SHELF), PLA)
    (shelf,) = there.review.air
    few = prop(shelf.id, soled(block(14, 1, 0, 16, 39, 30), PLA))

    def left(option: Option) -> tuple[Finding, ...]:
        body = make_body("prop", option.solid, there.part)
        return review(with_bodies(there.part, (body,)), PLA).air

    assert 0.0 < sum(f.area_mm2 for f in left(few)) < shelf.area_mm2
    whole = completed(there, few, left(few))
    assert whole is not None and whole.finding == shelf.id and whole.cost is not None
    assert left(whole) == ()
    assert (evaluate(few.solid) - evaluate(whole.solid)).volume() < 1e-3
    assert completed(there, few, ()) is None


def test_a_set_of_changes_is_one_step(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each edit names its own faces, and the whole is what one by one gives."""
    part = example("clamp_block")
    at_once = resolve(part, PLA)
    monkeypatch.setattr(Search, "_together", lambda *_: [])
    one_by_one = resolve(part, PLA)
    assert len(at_once.edits) == len(one_by_one.edits) >= 2
    assert {e.step for e in at_once.edits} == {1}
    assert [e.step for e in one_by_one.edits] == list(range(1, len(one_by_one.edits) + 1))
    for a, b in zip(at_once.edits, one_by_one.edits, strict=True):
        assert (a.finding, a.remedy, a.faces) == (b.finding, b.remedy, b.faces)
        assert a.volume_mm3 == pytest.approx(b.volume_mm3, rel=1e-3)
    assert at_once.clean and one_by_one.clean
    assert at_once.produced.mesh.volume_mm3 == pytest.approx(
        one_by_one.produced.mesh.volume_mm3, rel=1e-9)


def test_no_change_grows_onto_a_prop() -> None:
    """A shelf is held by a prop; a wedge from the wall that would run into the prop is refused."""
    part = place(part_of(SHELF), "keep")
    stack = cut_layers(part, PLA)
    review, look = reviewed(part, PLA, stack=stack)
    search = Search(review, State(part, (), review, stack, look), Rules(review, frozenset(), ()),
                    Wishes(demand=(("F1", "prop"),)), None)
    search.run()
    assert search.state.props
    near = Option("chamfer", "F1", "add", as_solid(block(9, 5, 10, 29.5, 35, 30)), 2, "")
    away = Option("chamfer", "F1", "add", as_solid(block(9, 5, 28, 11, 35, 30)), 2, "")
    assert search.state.meets_prop(near)
    assert not search.state.meets_prop(away)
