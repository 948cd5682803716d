"""Of several ways up that come clean the one that costs least is taken, sought up to the first
without a prop; else the one that leaves least."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

import soffit
from soffit.findings.review import review
from soffit.part.model import Part, Vec3
from soffit.plan import way_up
from soffit.plan.model import OpenFinding, Resolution
from soffit.plan.resolve import Searched
from soffit.plan.resolve import searched as searched_anew
from soffit.plan.way_up import MOST_WAYS_UP, resolve_best_way_up
from soffit.plan.wishes import Wishes
from soffit.process.load import load_process
from soffit.process.model import Process
from soffit.remedies import modules
from soffit.sheet import release
from tests.solids import block, part_of

PLA = load_process("pla-04")
NOTHING = Wishes(forbid=frozenset(module.NAME for module in modules()))
DRAWN, FLIPPED, ON_SIDE = (0.0, 0.0, 1.0), (0.0, 0.0, -1.0), (1.0, 0.0, 0.0)


def mushroom() -> Part:
    """A plate of 26 × 26 on a stem of 6 × 6 × 11: 640 mm² over air as drawn, 0 upside down; on
    its side the stem hangs 6 × 11 over air."""
    return part_of(block(10, 10, 0, 16, 16, 12) + block(0, 0, 11, 26, 26, 15))


_found: dict[tuple[Any, ...], Searched] = {}


def searched(part: Part, process: Process, **options: Any) -> Searched:
    """What is found for the mushroom, which several tests ask for, once for the same options."""
    asked = tuple(sorted(options.items()))
    if asked not in _found:
        _found[asked] = searched_anew(part, process, **options)
    return _found[asked]


@pytest.fixture(autouse=True)
def _once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(way_up, "searched", searched)


def test_the_first_that_comes_clean() -> None:
    found = resolve_best_way_up(mushroom(), PLA, [DRAWN, FLIPPED, ON_SIDE], wishes=NOTHING)
    assert found.clean and found.before.up == FLIPPED


def test_one_without_a_prop_before_one_with() -> None:
    only_props = Wishes(forbid=NOTHING.forbid - {"prop"})
    found = resolve_best_way_up(mushroom(), PLA, [DRAWN], wishes=only_props)
    assert found.clean and found.props
    found = resolve_best_way_up(mushroom(), PLA, [DRAWN, ON_SIDE, FLIPPED], wishes=only_props)
    assert found.clean and not found.props and found.before.up == FLIPPED


def test_of_two_with_props_the_cheaper_one() -> None:
    only_props = Wishes(forbid=NOTHING.forbid - {"prop"})
    prices = {}
    for ups in ([DRAWN], [ON_SIDE], [DRAWN, ON_SIDE]):
        found = resolve_best_way_up(mushroom(), PLA, ups, wishes=only_props)
        assert found.clean
        prices[len(ups), found.before.up] = sum(e.cost.price for e in found.edits if e.cost)
    assert prices[1, ON_SIDE] < prices[1, DRAWN]
    assert prices[2, ON_SIDE] == prices[1, ON_SIDE]


def test_else_the_one_that_leaves_least() -> None:
    found = resolve_best_way_up(mushroom(), PLA, [DRAWN, ON_SIDE], wishes=NOTHING)
    assert not found.clean and found.before.up == ON_SIDE
    assert 0.0 < found.after.over_air_mm2 < 640.0


def test_no_more_than_a_few() -> None:
    assert not resolve_best_way_up(mushroom(), PLA, [DRAWN] * MOST_WAYS_UP + [FLIPPED],
                                 wishes=NOTHING).clean


def test_one_that_must_cost_more_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    results: list[Searched] = []

    def watched(*args: Any, **options: Any) -> Searched:
        results.append(searched(*args, **options))
        return results[-1]

    monkeypatch.setattr(way_up, "searched", watched)
    found = resolve_best_way_up(mushroom(), PLA, [ON_SIDE, DRAWN],
                                 wishes=Wishes(forbid=NOTHING.forbid - {"prop"}))
    assert found.clean and found.before.up == ON_SIDE
    first, second = results
    assert first.clean and not first.search.given_up
    # It would come clean by itself, for more, where the files of the first are not clean.
    assert found.others is not None
    assert [(other.before.up, other.clean) for other in found.others()] == [(DRAWN, True)]
    assert second.search.given_up and not second.search.edits
    alone = searched(mushroom(), PLA, up=DRAWN, wishes=first.wishes)
    assert alone.clean and alone.search.price > first.search.price


def test_one_for_which_more_is_tried_than_for_the_first_is_given_up(
    monkeypatch: pytest.MonkeyPatch
) -> None:
    """On its side the part is twice as high and would cost less: with a little to try it is found,
    with nothing more than the first took it is not."""
    only_props = Wishes(forbid=NOTHING.forbid - {"prop"})
    assert resolve_best_way_up(mushroom(), PLA, [DRAWN, ON_SIDE],
                                 wishes=only_props).before.up == ON_SIDE
    monkeypatch.setattr(way_up, "LITTLE_LAYERS", 0)
    found = resolve_best_way_up(mushroom(), PLA, [DRAWN, ON_SIDE], wishes=only_props)
    assert found.clean and found.before.up == DRAWN
    alone = [searched(mushroom(), PLA, up=up, wishes=only_props) for up in (DRAWN, ON_SIDE)]
    assert 0 < alone[0].search.tried_layers < alone[1].search.tried_layers
    assert not any(one.search.given_up for one in alone)


def test_another_way_up_where_the_files_of_the_best_are_not_clean(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The files of the part upside down are made to fail their proof: those written are of the next
    way up that comes clean; where all fail they are its own again."""
    result = resolve_best_way_up(mushroom(), PLA, [FLIPPED, ON_SIDE, DRAWN],
                                 wishes=Wishes(forbid=NOTHING.forbid - {"prop"}))
    assert result.clean and result.before.up == FLIPPED
    prove, failing = release._prove, [FLIPPED]

    drawn = review(mushroom(), PLA)

    def doubted(one: Resolution, geometry: dict[str, Path]) -> Resolution:
        proven = prove(one, geometry)
        return replace(proven, open=mended) if one.before.up in failing else proven

    mended = (OpenFinding(drawn.air[0], "made to fail"),)
    monkeypatch.setattr(release, "_prove", doubted)
    other = result.write(tmp_path)
    assert other.clean and other.before.up == ON_SIDE
    assert soffit.read(other.files["stl"], unit="mm").size_mm == pytest.approx(
        other.after.part.size_mm, abs=1e-3)
    failing += [ON_SIDE, DRAWN]
    none = result.write(tmp_path)
    assert not none.clean and none.before.up == FLIPPED
    assert soffit.read(none.files["stl"], unit="mm").size_mm == pytest.approx(
        none.after.part.size_mm, abs=1e-3)


def test_a_way_up_that_takes_much_is_left_for_when_no_other_comes_clean(
    monkeypatch: pytest.MonkeyPatch
) -> None:
    """With hardly anything to try, on its side the part is given up and as drawn it is not asked
    about; upside down there is nothing to try. Without that, the first is tried in full."""
    only_props = Wishes(forbid=NOTHING.forbid - {"prop"})
    monkeypatch.setattr(way_up, "MUCH_LAYERS", 1)
    limits: list[tuple[Vec3, float]] = []

    def watched(*args: Any, **options: Any) -> Searched:
        limits.append((options["up"], options["most_layers"]))
        return searched(*args, **options)

    monkeypatch.setattr(way_up, "searched", watched)
    found = resolve_best_way_up(mushroom(), PLA, [ON_SIDE, FLIPPED, DRAWN], wishes=only_props)
    assert found.clean and found.before.up == FLIPPED
    assert limits == [(ON_SIDE, 1), (FLIPPED, 1)]
    limits.clear()
    found = resolve_best_way_up(mushroom(), PLA, [ON_SIDE, DRAWN], wishes=only_props)
    assert found.clean
    assert limits[:3] == [(ON_SIDE, 1), (DRAWN, 1), (ON_SIDE, math.inf)]
