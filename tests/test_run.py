"""A park of machines against what can be derived of it."""

from __future__ import annotations

import math

import numpy as np
import pytest

from soffit.process.load import load_process
from soffit.production.run import Park, Shifts, lead, machines_for, park_of, played_h

PLA = load_process("pla-04")
NEVER = Park(machines=4, menders=1, fails_h=math.inf, mends_h=0.0, service_every_h=math.inf,
             service_h=0.0, shift_h=24.0, days=7)


def park(**changed: float) -> Park:
    from dataclasses import replace

    return replace(NEVER, **changed)  # type: ignore[arg-type]


def rate(found: Park, cycle_h: float = 0.01, quantity: int = 400_000) -> float:
    """Share of all machine time that is running, by what is finished."""
    hours = played_h(quantity, cycle_h, 1.0, found, np.random.default_rng(7))
    return quantity * cycle_h / (hours * found.machines)


@pytest.mark.parametrize(("quantity", "machines"), [(1, 4), (8, 4), (9, 4), (12_345, 7)])
def test_without_failures_it_is_exact(quantity: int, machines: int) -> None:
    """⌈N / M⌉ · T, whatever is drawn."""
    found = lead(quantity, 0.75, 1.0, park(machines=machines), plays=3)
    due = math.ceil(quantity / machines) * 0.75
    assert found.low_h == found.high_h == pytest.approx(due)


def test_service_stands_between_platforms() -> None:
    """Every 10 h of platforms of 1 h one hour: 100 of them take 100 and 9 h on one machine; of 3 h,
    service waits for the fourth, so every 12 h."""
    one = park(machines=1, service_every_h=10.0, service_h=1.0)
    assert played_h(100, 1.0, 1.0, one, np.random.default_rng(0)) == pytest.approx(109.0)
    assert played_h(40, 3.0, 1.0, one, np.random.default_rng(0)) == pytest.approx(129.0)


def test_one_machine_is_there_as_often_as_renewal_theory_says() -> None:
    """MTBF / (MTBF + MTTR), with platforms so short that what is lost with one is nothing."""
    found = park(machines=1, fails_h=20.0, mends_h=5.0)
    assert rate(found) == pytest.approx(20.0 / 25.0, rel=0.02)


def test_what_is_on_a_machine_that_fails_is_lost() -> None:
    """Platforms finished for each failure: e^(−λT) / (1 − e^(−λT)) (geometric, derived)."""
    cycle, fails = 2.0, 5.0
    found = park(machines=1, fails_h=fails, mends_h=0.0)
    hours = played_h(100_000, cycle, 1.0, found, np.random.default_rng(1))
    per_failure = math.exp(-cycle / fails) / (1.0 - math.exp(-cycle / fails))
    assert hours == pytest.approx(100_000 / per_failure * fails, rel=0.02)


@pytest.mark.parametrize(("machines", "menders"), [(5, 1), (6, 2), (4, 4)])
def test_machines_wait_for_menders_as_a_finite_source_queue(machines: int, menders: int) -> None:
    """Gross, Shortle, Thompson & Harris, Fundamentals of Queueing Theory, finite-source queues:
    p_n ∝ M! / (M − n)! · (λ/μ)^n / (n! for n ≤ c, else c! c^(n − c))."""
    fails, mends = 10.0, 4.0
    ratio = mends / fails
    weights = [math.factorial(machines) / math.factorial(machines - n) * ratio**n / (
        math.factorial(n) if n <= menders
        else math.factorial(menders) * menders**(n - menders)) for n in range(machines + 1)]
    down = sum(n * w for n, w in enumerate(weights)) / sum(weights)
    found = park(machines=machines, menders=menders, fails_h=fails, mends_h=mends)
    assert rate(found) == pytest.approx(1.0 - down / machines, rel=0.02)


@pytest.mark.parametrize("good", [0.5, 0.95])
def test_rejects_are_made_again(good: float) -> None:
    found = lead(2_000, 1.0, good, park(machines=1), plays=60)
    assert found.middle_h == pytest.approx(2_000 / good, rel=0.01)
    # Binomial spread: √(N (1 − y)) / y on either side, 1.645 of it for nine of ten.
    spread = 1.645 * math.sqrt(2_000 * (1 - good)) / good
    assert found.high_h - found.low_h == pytest.approx(2 * spread, rel=0.4)


def test_menders_work_in_shifts() -> None:
    clock = Shifts(8.0, 5)
    for at, worked in ((0, 0), (3, 3), (8, 8), (20, 8), (24, 8), (30, 14), (5 * 24, 40),
                       (6 * 24 + 5, 40), (7 * 24 + 2, 42)):
        assert clock.worked_h(at) == worked
    for worked, at in ((0, 0), (3, 3), (8, 8), (9, 25), (40, 4 * 24 + 8), (41, 7 * 24 + 1)):
        assert clock.time_h(worked) == pytest.approx(at)
    # It fails at night, and stands till the morning.
    day = rate(park(machines=1, fails_h=50.0, mends_h=1.0), quantity=60_000)
    night = rate(park(machines=1, fails_h=50.0, mends_h=1.0, shift_h=8.0, days=5), quantity=60_000)
    assert night < day - 0.1


def test_machines_for_a_date() -> None:
    """Without failures ⌈N T / H⌉; with them a few more, and one fewer is too late."""
    found = machines_for(1_000, 0.5, 1.0, NEVER, 30.0, plays=3)
    assert found is not None and found.machines == 17
    own = park_of(PLA, 1)
    found = machines_for(3_000, 0.8, 0.995, own, 240.0, plays=40)
    assert found is not None and found.high_h <= 240.0 and found.machines > 10
    fewer = lead(3_000, 0.8, 0.995, park_of(PLA, found.machines - 1), plays=40)
    assert fewer.high_h > 240.0
    assert machines_for(10, 0.5, 1.0, NEVER, 0.4, plays=3) is None


def test_the_same_run_twice() -> None:
    own = park_of(PLA, 6)
    assert lead(500, 0.8, 0.99, own, plays=10) == lead(500, 0.8, 0.99, own, plays=10)
