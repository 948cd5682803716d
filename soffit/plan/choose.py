"""The best set of options, by exact optimisation.

Each option leaves some of each place over air: none where it cures it, all where it does not
reach. A place takes the best of the options chosen. First as little as possible is left over air;
of all sets that leave no more, the one with the least cost is taken:

    minimise  Σ_f Σ_j rest[j, f] y[j, f] + Σ_j new[j] x[j],    then  Σ_j cost[j] x[j]
    so that   Σ_j y[j, f] = 1,   y[j, f] ≤ x[j]

with x[j] in {0, 1} whether option j is taken, y[j, f] whether place f takes it, and an option
that leaves everything always there: a facility location problem (as in Cornuéjols, Nemhauser &
Wolsey 1990), solved by the branch-and-cut of HiGHS (Huangfu & Hall 2018) through scipy.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_matrix, csr_matrix

from soffit.errors import SoffitError
from soffit.part.model import Floats, Ints

# What is left over air counts in steps of this, so that rounding does not decide between two sets,
# mm² (derived: a tenth of the smallest patch that is told), or of this share of all that is over
# air, so that the solver's tolerance of 1e-6 for a whole number does not (derived: a tenth of it).
AREA_STEP_MM2 = 0.004
AREA_STEP_SHARE = 1e-5


@dataclass(frozen=True)
class Problem:
    """`cost` (n,) of each option, at least 0; `area` (m,) of each place, mm²; `rest` (n, m) what
    each option leaves of each, mm²; `new` (n,) what it brings about, mm²."""

    cost: Floats
    area: Floats
    rest: Floats
    new: Floats


@dataclass(frozen=True)
class Choice:
    """The options chosen, ascending, what they leave over air, mm², and what they cost."""

    options: tuple[int, ...]
    left_mm2: float
    cost: float


def value(problem: Problem, options: Iterable[int]) -> Choice:
    """What a set of options comes to."""
    taken = sorted(options)
    left = float(np.minimum(problem.rest[taken].min(axis=0, initial=np.inf), problem.area).sum())
    left += float(problem.new[taken].sum())
    return Choice(tuple(taken), left, float(problem.cost[taken].sum()))


def choose(problem: Problem) -> Choice:
    """The set that leaves least over air, and of those the one that costs least.

    Raises SoffitError where the solver gives up, which it has no reason to.
    """
    count, places = problem.rest.shape
    step = max(AREA_STEP_MM2, AREA_STEP_SHARE * float(problem.area.sum()))
    # Only where an option helps does a place choose.
    helps = np.argwhere(problem.rest < problem.area - 0.5 * step)
    option, place = helps[:, 0], helps[:, 1]
    pairs = len(helps)
    if not pairs:
        return value(problem, ())
    rest = np.round(problem.rest[option, place] / step)
    whole = np.round(problem.area[place] / step)
    # y counts what is gained over leaving all, so that leaving all needs no variable.
    left = np.concatenate([np.round(problem.new / step), rest - whole])
    price = np.concatenate([problem.cost, np.zeros(pairs)])
    y = count + np.arange(pairs)
    one_each = _matrix(place, y, np.ones(pairs), (places, count + pairs))
    if_taken = _matrix(np.tile(np.arange(pairs), 2), np.concatenate([y, option]),
                       np.repeat([1.0, -1.0], pairs), (pairs, count + pairs))
    rows = [LinearConstraint(one_each, -np.inf, 1.0), LinearConstraint(if_taken, -np.inf, 0.0)]
    least = _solved(left, rows)
    bound = float(np.round(left @ least)) + 0.5
    rows.append(LinearConstraint(left.reshape(1, -1), -np.inf, bound))
    best = _solved(price, rows)
    return value(problem, np.flatnonzero(best[:count] > 0.5).tolist())


def _matrix(row: Ints, column: Ints, entry: Floats, shape: tuple[int, int]) -> csr_matrix:
    return coo_matrix((entry, (row, column)), shape).tocsr()


def _solved(objective: Floats, rows: list[LinearConstraint]) -> Floats:
    # All of them whole, though y is so by itself: of others the solver tells on stdout.
    found = milp(objective, constraints=rows, integrality=np.ones(len(objective)),
                 bounds=Bounds(0.0, 1.0), options={"mip_rel_gap": 0.0})
    if found.x is None:
        raise SoffitError(f"choosing options: the solver answered: {found.message}")
    return np.asarray(found.x, dtype=np.float64)
