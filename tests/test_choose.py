"""The choice of options against exhaustive search, and the bound that lazy trying rests on."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from soffit.plan.choose import Choice, Problem, choose, value

SIZES = st.tuples(st.integers(1, 6), st.integers(1, 9), st.integers(0, 2**32 - 1))


def made(places: int, options: int, seed: int) -> Problem:
    """A problem of round figures, in which ties and useless options are common."""
    rng = np.random.default_rng(seed)
    area = rng.integers(1, 40, places).astype(float)
    left = rng.choice([0.0, 0.0, 0.05, 0.5, 1.0, 1.0, 1.0], (options, places))
    new = rng.choice([0.0, 0.0, 0.0, 3.0, 20.0], options)
    return Problem(rng.integers(0, 8, options) / 4.0, area, left * area, new)


def exhaustive(problem: Problem) -> Choice:
    """The best of all sets of options."""
    count = len(problem.cost)
    sets = itertools.chain.from_iterable(
        itertools.combinations(range(count), n) for n in range(count + 1))
    return min((value(problem, s) for s in sets), key=lambda c: (round(c.left_mm2, 2), c.cost))


@settings(max_examples=200, deadline=None)
@given(SIZES)
def test_never_worse_than_exhaustive_search(size: tuple[int, int, int]) -> None:
    problem = made(*size)
    best, found = exhaustive(problem), choose(problem)
    assert found.left_mm2 == pytest.approx(best.left_mm2, abs=0.01)
    assert found.cost == pytest.approx(best.cost, abs=1e-9)
    assert found == value(problem, found.options)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_twelve_places_with_three_options_each(seed: int) -> None:
    """Each place has three options of its own, of which some also cure the next place: the optimum
    over all 2³⁶ sets, by going from place to place."""
    rng = np.random.default_rng(seed)
    places, each = 12, 3
    area = rng.integers(5, 40, places).astype(float)
    cost = rng.integers(1, 30, places * each) / 8.0
    helps_next = rng.random(places * each) < 0.3
    rest = np.tile(area, (places * each, 1))
    for j in range(places * each):
        rest[j, j // each] = 0.0
        if helps_next[j] and j // each + 1 < places:
            rest[j, j // each + 1] = 0.0
    found = choose(Problem(cost, area, rest, np.zeros(places * each)))
    # Least cost so that all places up to k are cured: by whether the last choice also cures k + 1.
    best = {False: 0.0}
    for k in range(places):
        then: dict[bool, float] = {}
        for cured, spent in best.items():
            choices = [(False, 0.0)] if cured else []
            # More than one option of a place may pay where one of them helps the next.
            own = range(k * each, (k + 1) * each)
            for n in range(1, each + 1):
                for some in itertools.combinations(own, n):
                    more = any(helps_next[j] for j in some) and k + 1 < places
                    choices.append((more, float(cost[list(some)].sum())))
            for helped, more_cost in choices:
                then[helped] = min(then.get(helped, np.inf), spent + more_cost)
        best = then
    assert found.left_mm2 == 0.0
    assert found.cost == pytest.approx(min(best.values()), abs=1e-9)


def test_nothing_to_choose_from() -> None:
    none = Problem(np.zeros(0), np.array([4.0]), np.zeros((0, 1)), np.zeros(0))
    assert choose(none) == Choice((), 4.0, 0.0)
    useless = Problem(np.array([0.0]), np.array([4.0]), np.array([[4.0]]), np.array([0.0]))
    assert choose(useless) == Choice((), 4.0, 0.0)


def test_what_it_brings_about_is_weighed_against_what_it_cures() -> None:
    area = np.array([10.0, 2.0])
    rest = np.array([[0.0, 2.0], [10.0, 0.0]])
    assert choose(Problem(np.ones(2), area, rest, np.array([0.0, 3.0]))).options == (0,)
    assert choose(Problem(np.ones(2), area, rest, np.array([0.0, 1.0]))).options == (0, 1)
