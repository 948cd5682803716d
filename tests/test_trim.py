"""An addition of which a part would start in mid-air, and what is left of it without that."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from soffit.findings.review import reviewed
from soffit.layers.stack import cut_layers
from soffit.part.model import Part
from soffit.part.solid import Fitted, Solid, Union, box
from soffit.plan.search import Search
from soffit.plan.trials import Rules, State
from soffit.plan.wishes import Wishes
from soffit.process.load import load_process
from soffit.remedies import measured
from soffit.remedies.model import Option
from soffit.remedies.prop_join import Stand
from soffit.remedies.trim import without_starts
from tests.solids import block, part_of
from tests.trying import done

PLA = load_process("pla-04")

# A shelf on a wall 2 mm thick, 2 mm deep and 5 long, from 5.2 to 8 mm; and a foot of it, one layer
# high, that begins 0.3 mm beside the wall.
SHELF, FOOT = box((1.99, 5, 5.2), (4, 10, 8)), box((2.3, 5, 5), (4, 10, 5.2))
WHOLE = Union((SHELF, FOOT))


def wall() -> Part:
    return part_of(block(0, 0, 0, 2, 20, 20))


def state_of(part: Part) -> State:
    stack = cut_layers(part, PLA)
    review, look = reviewed(part, PLA, stack=stack)
    return State(part, (), review, stack, look)


def option_of(solid: Solid) -> Option:
    return Option("chamfer", "F1", "add", solid, 2, "it fits")


def islands(part: Part) -> list[Any]:
    return [f for f in state_of(part).review.air if f.kind == "air/island"]


@pytest.mark.parametrize("solid", [WHOLE, Fitted(WHOLE, (WHOLE,))])
def test_what_starts_beside_the_wall_is_left_out(solid: Solid) -> None:
    before = state_of(wall())
    starts = islands(done(wall(), option_of(solid)))
    assert [round(f.area_mm2, 1) for f in starts] == [8.5]
    less = without_starts(before.context, option_of(solid), starts)
    assert less is not None and less.volume_mm3 == pytest.approx(2.0 * 5.0 * 2.8, rel=1e-6)
    assert less.cost is not None and "mid-air" in less.why
    assert islands(done(wall(), less)) == []
    assert isinstance(less.solid, Fitted) == isinstance(solid, Fitted)


def test_an_addition_that_hangs_whole_is_none() -> None:
    before = state_of(wall())
    (start,) = islands(done(wall(), option_of(WHOLE)))
    assert without_starts(before.context, option_of(FOOT), [start]) is None


def test_a_set_is_trimmed_where_an_island_is_new() -> None:
    state = state_of(wall())
    rules = Rules(state.review, frozenset(), ())
    search = Search(state.review, state, rules, Wishes(), None)
    stands = [Stand(measured(state.context, option_of(s)), (k,))
              for k, s in enumerate((WHOLE, box((1.99, 14, 5), (4, 18, 8))))]
    left = state_of(done(wall(), stands[0].option)).review.air
    less = search._without_starts(SimpleNamespace(places=()), stands, left)
    assert less[0].option.volume_mm3 < stands[0].option.volume_mm3
    assert less[0].members == (0,) and less[1] is stands[1]
    # One that was there before is nobody's fault, and where there is none nothing is trimmed.
    assert search._without_starts(SimpleNamespace(places=left), stands, left) == []
    assert search._without_starts(SimpleNamespace(places=()), stands, []) == []
