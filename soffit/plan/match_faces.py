"""Which face of one part is which face of its revision.

Faces that are equal and lie in one place are the same. What is left is assigned one to one at the
least cost: a face that moves alone goes no farther than a sixth of the part, one that moves with
others a third; of two that it could be the nearer is taken. Where another partner would cost
little more, the pair is not sure, and nothing may be built on it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import min_weight_full_bipartite_matching
from scipy.spatial import KDTree

from soffit.part.model import Floats, Ints, Vec3
from soffit.plan.faces import FaceDescription
from soffit.plan.facetable import (
    Bools,
    FaceTable,
    compatible,
    same_place,
    same_shape,
    same_surface,
    table_of,
    tolerance,
)
from soffit.plan.motion import in_place, whole_motion

# Farther than this share of the part's diagonal no face is looked for: what is there is another
# one (own limit).
_REACH = 1.0 / 3.0

# A face of another size must be near enough to overlap, may be so many times larger or smaller,
# and face so much otherwise (own limits).
_GROWTH = 6.0
_TILT_DEG = 20.0

# What being of another shape costs beside being at the end of the reach, which costs 1, and what
# it costs to be left without a partner: a face that moves alone goes half the reach (own limits).
_RESHAPED = 0.2
_LEFT_OUT = 0.5

# What of a distance counts between faces that overlap on one plane or bore: where one has grown to
# one side its centre moves, and it does not (own limit).
_ALONG = 0.3

# Faces looked at for each (own limit: bounds the work on parts of thousands of faces).
_NEAREST = 64

# A pair is sure where the next best costs more than so many times as much (own limit).
CLEAR = 2.0


@dataclass(frozen=True)
class FacePair:
    """One face in both parts. `shift_mm`: how far its centre went from where the motion of the
    whole part would have left it, in the frame of b's file. `status` "resized" is of another
    size or form, wherever it is. `flat`: it is a plane. `sure`: no other face could as well be
    meant."""

    a: int
    b: int
    status: Literal["matched", "moved", "resized"]
    shift_mm: Vec3
    area_change_mm2: float
    radius_change_mm: float
    flat: bool
    sure: bool

    @property
    def distance_mm(self) -> float:
        """Length of the shift."""
        return float(np.linalg.norm(self.shift_mm))


@dataclass(frozen=True)
class FaceMatch:
    """`motion`: rigid 4×4 transform of a's file frame to b's, the identity if the part lies as
    before. `pairs` by face of a. `vanished`: faces of a, `new`: faces of b, without a partner.
    `pieces`: faces of a and b that overlap on one plane or bore, of which one has no partner."""

    motion: Floats
    pairs: tuple[FacePair, ...]
    vanished: tuple[int, ...]
    new: tuple[int, ...]
    pieces: tuple[tuple[int, int], ...]

    @cached_property
    def of(self) -> dict[int, FacePair]:
        """Pair by face of a."""
        return {pair.a: pair for pair in self.pairs}

    @property
    def whole_moved(self) -> bool:
        """Whether the part as a whole lies elsewhere in its file."""
        return bool((self.motion != np.eye(4)).any())


def match_faces(a: Sequence[FaceDescription], b: Sequence[FaceDescription]) -> FaceMatch:
    """The faces of part a found again among those of part b, each described in its file's frame."""
    left, right = table_of(a), table_of(b)
    motion = whole_motion(left, right)
    left = left.moved(motion)
    row, column = _equal(left, right)
    free_a = np.setdiff1d(np.arange(len(left.id)), row)
    free_b = np.setdiff1d(np.arange(len(right.id)), column)
    rest_a, rest_b, sure = _assign(left.only(free_a), right.only(free_b),
                                   max(left.size, right.size) * _REACH)
    row = np.concatenate([row, free_a[rest_a]])
    column = np.concatenate([column, free_b[rest_b]])
    known = np.concatenate([np.ones(len(row) - len(sure), dtype=bool), sure])
    order = np.argsort(left.id[row], kind="stable")
    row, column, known = row[order], column[order], known[order]
    vanished = np.setdiff1d(np.arange(len(left.id)), row)
    new = np.setdiff1d(np.arange(len(right.id)), column)
    return FaceMatch(
        motion,
        _pairs(left.only(row), right.only(column), known),
        tuple(np.sort(left.id[vanished]).tolist()),
        tuple(np.sort(right.id[new]).tolist()),
        _pieces(left, right, ~np.isin(left.id, left.id[row]),
                ~np.isin(right.id, right.id[column])),
    )


def _equal(a: FaceTable, b: FaceTable) -> tuple[Ints, Ints]:
    """Faces that are equal and in one place, one to one: nearest first."""
    if not len(a.id) or not len(b.id):
        return np.empty(0, np.int64), np.empty(0, np.int64)
    row, column = in_place(a, b)
    away = np.round(np.linalg.norm(b.at[column] - a.at[row], axis=1), 6)
    return _one_to_one(row, column, np.lexsort((column, row, away)))


def _one_to_one(row: Ints, column: Ints, order: Ints) -> tuple[Ints, Ints]:
    taken_a: set[int] = set()
    taken_b: set[int] = set()
    chosen = []
    for k in order.tolist():
        i, j = int(row[k]), int(column[k])
        if i not in taken_a and j not in taken_b:
            taken_a.add(i)
            taken_b.add(j)
            chosen.append(k)
    return row[chosen], column[chosen]


def _assign(a: FaceTable, b: FaceTable, reach_mm: float) -> tuple[Ints, Ints, Bools]:
    """The rest one to one at the least cost, and which of those pairs are sure."""
    none = np.empty(0, np.int64)
    if not len(a.id) or not len(b.id):
        return none, none, none.astype(bool)
    row, column, cost = _costs(a, b, reach_mm)
    count, width = len(a.id), len(b.id)
    # To leave face i out has a price: it has a column of its own for that.
    rows = np.concatenate([row, np.arange(count)])
    columns = np.concatenate([column, width + np.arange(count)])
    # An entry of 0 would be taken for none.
    costs = np.concatenate([cost, np.full(count, _LEFT_OUT)]) + 1e-9
    graph = csr_array((costs, (rows, columns)), shape=(count, width + count))
    one, other = min_weight_full_bipartite_matching(graph)
    real = other < width
    one, other = one[real].astype(np.int64), other[real].astype(np.int64)
    return one, other, _sure(one, other, row, column, cost)


def _sure(one: Ints, other: Ints, row: Ints, column: Ints, cost: Floats) -> Bools:
    """Whether each pair costs far less than the next best of either of its faces. A face that is
    far better off with its own partner is nobody's next best."""
    partner = dict(zip(one.tolist(), other.tolist(), strict=True))
    entries = list(zip(row.tolist(), column.tolist(), cost.tolist(), strict=True))
    own_a = {i: c for i, j, c in entries if partner.get(i) == j}
    own_b = {partner[i]: c for i, c in own_a.items()}
    rival_a: dict[int, float] = {}
    rival_b: dict[int, float] = {}
    for i, j, c in entries:
        if partner.get(i) == j:
            continue
        if c <= CLEAR * own_b.get(j, np.inf):
            rival_a[i] = min(rival_a.get(i, np.inf), c)
        if c <= CLEAR * own_a.get(i, np.inf):
            rival_b[j] = min(rival_b.get(j, np.inf), c)
    return np.array([
        CLEAR * own_a[i] < min(rival_a.get(i, np.inf), rival_b.get(j, np.inf))
        for i, j in zip(one.tolist(), other.tolist(), strict=True)
    ], dtype=bool)


def _costs(a: FaceTable, b: FaceTable, reach_mm: float) -> tuple[Ints, Ints, Floats]:
    """Pairs that can be the same face, and what each costs."""
    near = min(_NEAREST, len(b.id))
    away, index = KDTree(b.at).query(a.at, k=list(range(1, near + 1)),
                                     distance_upper_bound=max(reach_mm, 1e-9))
    row, place = np.nonzero(np.isfinite(away))
    column = np.asarray(index[row, place], dtype=np.int64)
    one, two = a.only(row), b.only(column)
    far = np.linalg.norm(two.at - one.at, axis=1)
    equal = same_shape(one, two)
    growth = np.abs(np.log(np.maximum(one.area, 1e-9) / np.maximum(two.area, 1e-9)))
    both = np.linalg.norm(one.moments, axis=(1, 2)) + np.linalg.norm(two.moments, axis=(1, 2))
    change = np.linalg.norm(one.moments - two.moments, axis=(1, 2)) / np.maximum(both, 1e-9)
    tilt = np.linalg.norm(one.normal - two.normal, axis=1)
    turned = np.linalg.norm(np.cross(one.axis, two.axis), axis=1)
    most = 2.0 * np.sin(np.radians(_TILT_DEG) / 2.0)
    overlaps = far <= 0.5 * (one.extent + two.extent)
    possible = compatible(one, two) & (tilt <= most) & (turned <= most)
    possible &= equal | (overlaps & (growth <= np.log(_GROWTH)))
    reshaped = np.where(equal, 0.0, _RESHAPED * np.maximum(growth / np.log(_GROWTH), change))
    shared = _shared(one, two, row, column, equal & possible)
    far = np.where(_overlaps(one, two), _ALONG * far, far)
    cost = far / max(reach_mm, 1e-9) / shared + reshaped
    possible &= cost < _LEFT_OUT
    return row[possible], column[possible], cost[possible]


def _shared(one: FaceTable, two: FaceTable, row: Ints, column: Ints, equal: Bools) -> Floats:
    """How many faces share the motion of each pair of equal faces; 1 for the others."""
    shared = np.ones(len(row))
    if not equal.any():
        return shared
    motion = (two.at - one.at)[equal]
    reach = 2.0 * tolerance(one, two)[equal]
    for k, near in zip(np.flatnonzero(equal).tolist(),
                       KDTree(motion).query_ball_point(motion, reach), strict=True):
        members = np.flatnonzero(equal)[near]
        shared[k] = min(len(np.unique(row[members])), len(np.unique(column[members])))
    return shared


def _pairs(a: FaceTable, b: FaceTable, sure: Bools) -> tuple[FacePair, ...]:
    equal = same_shape(a, b)
    still = equal & same_place(a, b)
    shift = np.round(b.at - a.at, 6) + 0.0
    area = np.round(b.area - a.area, 6) + 0.0
    radius = np.round(np.nan_to_num(b.radius - a.radius), 6) + 0.0
    flat = a.flat & b.flat
    pairs = []
    for k in range(len(a.id)):
        x, y, z = shift[k].tolist()
        status: Literal["matched", "moved", "resized"] = (
            "matched" if still[k] else "moved" if equal[k] else "resized"
        )
        pairs.append(FacePair(int(a.id[k]), int(b.id[k]), status, (x, y, z), float(area[k]),
                              float(radius[k]), bool(flat[k]), bool(sure[k])))
    return tuple(pairs)


def _pieces(
    a: FaceTable, b: FaceTable, only_a: Bools, only_b: Bools
) -> tuple[tuple[int, int], ...]:
    """Faces without a partner with those of the other part that they overlap on one surface:
    what one face was cut into, or went into."""
    found = {(int(i), int(b.id[k])) for k in np.flatnonzero(only_b)
             for i in a.id[_overlaps(a, b.only(np.full(len(a.id), k)))]}
    found |= {(int(a.id[k]), int(j)) for k in np.flatnonzero(only_a)
              for j in b.id[_overlaps(a.only(np.full(len(b.id), k)), b)]}
    return tuple(sorted(found))


def _overlaps(a: FaceTable, b: FaceTable) -> Bools:
    """Whether faces, row by row, lie on one surface and reach each other along the line between
    their centres."""
    away = b.at - a.at
    far = np.linalg.norm(away, axis=1)
    along = away / np.maximum(far, 1e-9)[:, None]
    reach = [np.sqrt(12.0 * np.maximum(np.einsum("ni,nij,nj->n", along, t.moments, along), 0.0))
             for t in (a, b)]
    return np.asarray(same_surface(a, b) & (far <= 0.5 * (reach[0] + reach[1])))
