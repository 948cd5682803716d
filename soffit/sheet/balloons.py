"""Places for numbered balloons: near what they name, clear of the drawing and of each other.

Places are offered along curves that run around the drawing's outline. Balloons are assigned to
them with the least total length of leaders: of two leaders that cross, swapping the places
would be shorter (triangle inequality), so the shortest assignment has no crossing. A leader may
still run through another balloon: then balloons are moved, or swapped, one at a time, until none
is in the way of another.
"""

from __future__ import annotations

import manifold3d as m3
import numpy as np
from scipy.optimize import linear_sum_assignment

from soffit.layers.stack import offset_of
from soffit.part.model import Floats, Ints
from soffit.part.topology import ring_area

# Space between the drawing and a balloon, and between two balloons, mm of paper (common
# practice, no source: a little more than a leader's dot).
CLEARANCE_MM = 1.8
GAP_MM = 1.4
# A leader passes a balloon at this distance at least, mm (own choice: a line and a half).
PASSING_MM = 0.3
# Spots offered for each balloon, more where those leave a conflict (measured: 3 are enough for 36
# balloons around a disc), and moves tried at most for each.
_OFFERED = (3, 5)
_MOVES = 3


def place_balloons(outline: m3.CrossSection, targets: Floats, radius_mm: float,
                   bounds: tuple[float, float, float, float],
                   taken: tuple[tuple[float, float, float, float], ...] = ()) -> Floats:
    """Centres (n, 2) for balloons that point at `targets` (n, 2), mm of paper.

    `outline`: what the drawing covers. `bounds`: x0, y0, x1, y1 of the room. `taken`: boxes of
    text to keep clear of. Where the room around the outline is too small, balloons go on
    outwards past `bounds` rather than over each other.
    """
    if not len(targets):
        return np.empty((0, 2))
    best: tuple[int, Floats] | None = None
    for offered in _OFFERED:
        spots = _spots(outline, targets, radius_mm, bounds, taken, offered)
        cost = np.linalg.norm(targets[:, None, :] - spots[None, :, :], axis=2)
        rows, columns = linear_sum_assignment(cost)
        chosen = _untangled(columns[np.argsort(rows)], spots, targets, cost, radius_mm)
        wrong = len(conflicts(spots[chosen], targets, radius_mm))
        if best is None or wrong < best[0]:
            best = (wrong, spots[chosen])
        if not wrong:
            break
    assert best is not None
    return best[1]


def conflicts(centres: Floats, targets: Floats, radius_mm: float) -> list[tuple[int, int]]:
    """Pairs (i, j), i < j, whose leaders cross, or of which one's leader runs through the other."""
    tangled = _tangles(centres, targets, centres, targets, radius_mm) > 0
    return [(int(i), int(j)) for i, j in np.argwhere(np.triu(tangled, k=1))]


def _untangled(chosen: Ints, spots: Floats, targets: Floats, cost: Floats, radius_mm: float
               ) -> Ints:
    """An assignment (n,) of balloons to spots with as few conflicts as single moves and swaps
    reach; of those as good the shortest leaders."""
    chosen = chosen.copy()
    been: set[bytes] = set()
    best = (len(chosen) ** 2, chosen)
    for _ in range(_MOVES * len(chosen)):
        wrong = conflicts(spots[chosen], targets, radius_mm)
        if len(wrong) < best[0]:
            best = (len(wrong), chosen)
        if not wrong:
            break
        been.add(chosen.tobytes())
        found: list[tuple[int, float, Ints]] = []
        for i in dict.fromkeys(k for pair in wrong for k in pair):
            found += _moves(i, chosen, spots, targets, cost, radius_mm)
            if min(found, key=lambda step: step[:2])[0] < 0:
                break
        # Not where it has been, so that a dead end is left again, by way of what is worse.
        new = next((way for _, _, way in sorted(found, key=lambda step: step[:2])
                    if way.tobytes() not in been), None)
        if new is None:
            break
        chosen = new
    return best[1]


def _moves(i: int, chosen: Ints, spots: Floats, targets: Floats, cost: Floats, radius_mm: float
           ) -> list[tuple[int, float, Ints]]:
    """Ways to give balloon `i` another spot, a free one or that of another balloon in exchange:
    how many conflicts and how much leader each adds, and the assignment that it gives."""
    centres = spots[chosen]
    rest = np.arange(len(chosen)) != i
    free = np.setdiff1d(np.arange(len(spots)), chosen)
    there = _tangles(np.vstack([spots[free], centres[i:i + 1]]), targets[i], centres[rest],
                     targets[rest], radius_mm).sum(axis=1)
    found = []
    for k in np.lexsort((cost[i, free], there[:-1]))[:3].tolist():
        new = chosen.copy()
        new[i] = free[k]
        found.append((int(there[k] - there[-1]),
                      float(cost[i, free[k]] - cost[i, chosen[i]]), new))
    mine = _tangles(centres[[i]], targets[[i]], centres, targets, radius_mm)[0]
    for j in np.flatnonzero(mine).tolist():
        new = chosen.copy()
        new[[i, j]] = new[[j, i]]
        pair = np.array([i, j])
        other = np.setdiff1d(np.arange(len(chosen)), pair)
        now, then = (
            int(_tangles(ends, targets[pair], centres[other], targets[other], radius_mm).sum()
                + _tangles(ends[:1], targets[[i]], ends[1:], targets[[j]], radius_mm).sum())
            for ends in (centres[pair], spots[new[pair]]))
        longer = cost[pair, new[pair]].sum() - cost[pair, chosen[pair]].sum()
        found.append((then - now, float(longer), new))
    return found


def _tangles(centres: Floats, targets: Floats, others: Floats, their: Floats, radius_mm: float
             ) -> Ints:
    """How often each of `centres` (s, 2) with its target is in the way of each of `others` (n, 2)
    with `their` targets, (s, n): leaders that cross, leaders through balloons. 0 with itself."""
    targets = np.broadcast_to(targets, centres.shape)
    a, b = centres[:, None], targets[:, None]
    c, d = others[None], their[None]
    same = (a == c).all(axis=2) & (b == d).all(axis=2)
    crossing = ((_side(a, b, c) * _side(a, b, d) < -1e-12)
                & (_side(c, d, a) * _side(c, d, b) < -1e-12))
    near = radius_mm + PASSING_MM
    through = (_distance(a, b, c) < near).astype(np.int64) + (_distance(c, d, a) < near)
    return np.where(same, 0, crossing + through)


def _side(p: Floats, q: Floats, r: Floats) -> Floats:
    """On which side of the line from p to q a point r lies, by its sign."""
    found: Floats = ((q[..., 0] - p[..., 0]) * (r[..., 1] - p[..., 1])
                     - (q[..., 1] - p[..., 1]) * (r[..., 0] - p[..., 0]))
    return found


def _distance(a: Floats, b: Floats, point: Floats) -> Floats:
    """Distance of points from segments, all (…, 2)."""
    along = b - a
    length = np.maximum((along * along).sum(axis=-1), 1e-12)
    t = np.clip(((point - a) * along).sum(axis=-1) / length, 0.0, 1.0)
    found: Floats = np.linalg.norm(a + t[..., None] * along - point, axis=-1)
    return found


def _spots(outline: m3.CrossSection, targets: Floats, radius_mm: float,
           bounds: tuple[float, float, float, float],
           taken: tuple[tuple[float, float, float, float], ...], offered: int) -> Floats:
    spacing = 2.0 * radius_mm + GAP_MM
    x0, y0, x1, y1 = bounds
    found: list[Floats] = []
    for ring in range(40):
        distance = radius_mm + CLEARANCE_MM + ring * spacing
        grown = offset_of(outline, distance, m3.JoinType.Round, segments=64)
        loops = [np.asarray(p, dtype=np.float64) for p in grown.to_polygons()]
        curves = [_dense(p) for p in loops if ring_area(p) > 0.0]
        curve = np.concatenate(curves) if curves else np.empty((0, 2))
        # The point nearest to each target first: the leader then leaves at a right angle.
        nearest = [int(np.argmin(np.linalg.norm(curve - t, axis=1))) for t in targets] \
            if ring == 0 and len(curve) else []
        for point in curve[nearest + list(range(len(curve)))]:
            inside = (x0 + radius_mm <= point[0] <= x1 - radius_mm
                      and y0 + radius_mm <= point[1] <= y1 - radius_mm) or ring >= 12
            clear = all(_outside(point, box, radius_mm) for box in taken)
            if inside and clear and all(np.hypot(*(point - f)) >= spacing for f in found):
                found.append(point)
        if len(found) >= offered * len(targets) + 6 or (len(found) >= len(targets) and ring >= 12):
            break
    return np.array(found)


def _outside(point: Floats, box: tuple[float, float, float, float], radius_mm: float) -> bool:
    dx = max(box[0] - point[0], 0.0, point[0] - box[2])
    dy = max(box[1] - point[1], 0.0, point[1] - box[3])
    return bool(np.hypot(dx, dy) >= radius_mm + 0.5)


def _dense(ring: Floats) -> Floats:
    """Points about 1 mm apart along a ring."""
    closed = np.vstack([ring, ring[:1]])
    steps = np.linalg.norm(np.diff(closed, axis=0), axis=1)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    at = np.linspace(0.0, along[-1], max(int(along[-1]), 8), endpoint=False)
    return np.column_stack([np.interp(at, along, closed[:, k]) for k in (0, 1)])
