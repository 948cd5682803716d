"""How long a run takes on a park of machines that fail, are serviced and are mended in shifts.

Every machine makes one platform after the other, day and night, T each. It fails after an
exponential time of running, and what is on it is then lost; it is mended by the first of `menders`
that is free, in an exponential time of their work, for which they are there `shift_h` of each day,
on `days` days of a week that begins with them. After `service_every_h` of running a machine is
serviced, between two platforms and by a mender too. A share of the platforms is rejected.

The run is played event by event, `PLAYS` times with seeds of their own; lead time is from its start
to the last good part. It is checked against what can be derived: no failures, the availability of
one machine, and the finite-source queue (Gross, Shortle, Thompson & Harris, *Fundamentals of
Queueing Theory*, chapter 3).
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from soffit.part.model import Floats
from soffit.process.model import Process

# How often a run is played (own choice: the ends of nine plays in ten are then known to about a
# twentieth of the spread), and the seed of the first.
PLAYS = 200
SEED = 20_261

DAY_H, WEEK_DAYS = 24.0, 7

# Platforms that a machine makes in one stretch (own choice: it draws its next failure anew then,
# which changes nothing of an exponential time).
AT_ONCE = 1000

# Most machines that are looked for (own choice: no park is larger).
MOST_MACHINES = 10_000


@dataclass(frozen=True)
class Park:
    """Times in hours; see the module for what they mean. A machine that never fails has an
    infinite `fails_h`, one that is not serviced an infinite `service_every_h`."""

    machines: int
    menders: int
    fails_h: float
    mends_h: float
    service_every_h: float
    service_h: float
    shift_h: float
    days: int


@dataclass(frozen=True)
class Lead:
    """Lead time of a run, h: its middle, and between what nine plays of ten lie."""

    machines: int
    middle_h: float
    low_h: float
    high_h: float


def park_of(process: Process, machines: int) -> Park:
    """So many machines as the process describes them."""
    p = process.park
    return Park(machines, round(p.menders.value), p.fails_h.value, p.mends_h.value,
                p.service_every_h.value, p.service_h.value, p.shift_h.value, round(p.days.value))


def lead(
    quantity: int, cycle_h: float, good_share: float, park: Park, *, plays: int = PLAYS
) -> Lead:
    """How long so many good parts take, of which each is a platform."""
    times = np.array([played_h(quantity, cycle_h, good_share, park, np.random.default_rng(SEED + k))
                      for k in range(plays)])
    low, middle, high = np.percentile(times, [5, 50, 95]).tolist()
    return Lead(park.machines, middle, low, high)


def machines_for(
    quantity: int, cycle_h: float, good_share: float, park: Park, within_h: float, *,
    plays: int = PLAYS
) -> Lead | None:
    """With how few machines nineteen plays of twenty are done in time; None where none are
    enough."""
    if cycle_h > within_h:
        return None
    low, high = 0, 1
    found: Lead | None = None
    while high <= MOST_MACHINES:
        found = lead(quantity, cycle_h, good_share, _with(park, high), plays=plays)
        if found.high_h <= within_h:
            break
        low, high = high, 2 * high
    if found is None or found.high_h > within_h:
        return None
    while high - low > 1:
        middle = (low + high) // 2
        tried = lead(quantity, cycle_h, good_share, _with(park, middle), plays=plays)
        if tried.high_h <= within_h:
            high, found = middle, tried
        else:
            low = middle
    return found


def played_h(
    quantity: int, cycle_h: float, good_share: float, park: Park, random: np.random.Generator
) -> float:
    """Lead time of one play, h."""
    # Rejects before the last good one are spread as a negative binomial.
    needed = quantity + (int(random.negative_binomial(quantity, good_share))
                         if good_share < 1.0 else 0)
    done: list[Floats] = []
    count, last = 0, math.inf
    # What starts after the last of them changes nothing.
    for start, finished in _runs(cycle_h, park, random):
        if start > last:
            break
        sooner = finished[finished < last]
        if not len(sooner):
            continue
        done.append(sooner)
        count += len(sooner)
        if count >= needed:
            first = np.partition(np.concatenate(done), needed - 1)[:needed]
            done, count, last = [first], needed, float(first.max())
    return last


def _runs(
    cycle_h: float, park: Park, random: np.random.Generator
) -> Iterator[tuple[float, Floats]]:
    """Stretches of running of all machines, in the order in which they start: when that is, and
    when each of its platforms is finished."""
    clock = Shifts(park.shift_h, park.days)
    # When each mender is free, in hours of their work.
    free = [0.0] * park.menders
    # When each machine starts to run, and how long it may before it is serviced.
    starts = [(0.0, machine, park.service_every_h) for machine in range(park.machines)]
    # When each stops, and the work that it then needs; 0 where it only goes on.
    stops: list[tuple[float, int, float, float]] = []
    while True:
        while starts and (not stops or starts[0][0] <= stops[0][0]):
            start, machine, left = heapq.heappop(starts)
            fails = random.exponential(park.fails_h) if math.isfinite(park.fails_h) else math.inf
            # Service waits for the platform that is being made.
            cycles = max(1, math.ceil(min(left / cycle_h - 1e-9, AT_ONCE)))
            runs = min(fails, cycles * cycle_h)
            if fails < cycles * cycle_h:
                work = random.exponential(park.mends_h)
                left = max(left - runs, 0.0)
            elif left <= runs + 1e-9:
                work, left = park.service_h, park.service_every_h
            else:
                work, left = 0.0, left - runs
            heapq.heappush(stops, (start + runs, machine, work, left))
            count = math.floor(runs / cycle_h + 1e-9)
            yield start, np.asarray(start + cycle_h * np.arange(1, count + 1), dtype=np.float64)
        at, machine, work, left = heapq.heappop(stops)
        if work > 0.0:
            begins = max(clock.worked_h(at), heapq.heappop(free))
            heapq.heappush(free, begins + work)
            at = max(at, clock.time_h(begins + work))
        heapq.heappush(starts, (at, machine, left))


@dataclass(frozen=True)
class Shifts:
    """When menders work: the first `shift_h` hours of the first `days` days of each week."""

    shift_h: float
    days: int

    def worked_h(self, at_h: float) -> float:
        """Hours of work from the start up to a time."""
        day, hour = divmod(at_h, DAY_H)
        week, weekday = divmod(int(day), WEEK_DAYS)
        today = min(hour, self.shift_h) if weekday < self.days else 0.0
        return self.shift_h * (week * self.days + min(weekday, self.days)) + today

    def time_h(self, worked_h: float) -> float:
        """The first time at which so many hours are worked."""
        shifts = max(0, math.ceil(worked_h / self.shift_h - 1e-12) - 1)
        week, weekday = divmod(shifts, self.days)
        return DAY_H * (week * WEEK_DAYS + weekday) + worked_h - shifts * self.shift_h


def _with(park: Park, machines: int) -> Park:
    return replace(park, machines=machines)
