"""Places for numbered balloons: near what they name, clear of the drawing and of each other.

Places are offered along curves that run around the drawing's outline. Balloons are assigned to
them with the least total length of leaders: of two leaders that cross, swapping the places
would be shorter (triangle inequality), so the shortest assignment has no crossing.
"""

from __future__ import annotations

import manifold3d as m3
import numpy as np
from scipy.optimize import linear_sum_assignment

from soffit.layers.stack import offset_of
from soffit.part.model import Floats
from soffit.part.topology import ring_area

# Space between the drawing and a balloon, and between two balloons, mm of paper (common
# practice, no source: a little more than a leader's dot).
CLEARANCE_MM = 1.8
GAP_MM = 1.4
_FORBIDDEN = 1e6
_ROUNDS = 40


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
    spots = _spots(outline, targets, radius_mm, bounds, taken)
    cost = np.linalg.norm(targets[:, None, :] - spots[None, :, :], axis=2)
    best: tuple[int, Floats] | None = None
    for _ in range(_ROUNDS):
        rows, columns = linear_sum_assignment(cost)
        centres: Floats = spots[columns[np.argsort(rows)]]
        wrong = conflicts(centres, targets, radius_mm)
        if best is None or len(wrong) < best[0]:
            best = (len(wrong), centres)
        if not wrong:
            break
        # A leader runs through another balloon: that leader must not use that place again.
        for leader, _ in wrong:
            cost[leader, columns[leader]] += _FORBIDDEN
    assert best is not None
    return best[1]


def conflicts(centres: Floats, targets: Floats, radius_mm: float) -> list[tuple[int, int]]:
    """Pairs (i, j): leader i runs through balloon j, or crosses leader j (i < j)."""
    found: list[tuple[int, int]] = []
    for i in range(len(centres)):
        a, along = centres[i], targets[i] - centres[i]
        t = np.clip((centres - a) @ along / max(float(along @ along), 1e-12), 0.0, 1.0)
        distance = np.linalg.norm(a + t[:, None] * along - centres, axis=1)
        distance[i] = np.inf
        found.extend((i, int(j)) for j in np.flatnonzero(distance < radius_mm + 0.3))
        for j in range(i + 1, len(centres)):
            if _cross(centres[i], targets[i], centres[j], targets[j]):
                found.append((i, j))
    return found


def _cross(a: Floats, b: Floats, c: Floats, d: Floats) -> bool:
    """Whether two segments cross inside both (sharing an end is no crossing)."""

    def side(p: Floats, q: Floats, r: Floats) -> float:
        return float((q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0]))

    return (side(a, b, c) * side(a, b, d) < -1e-12) and (side(c, d, a) * side(c, d, b) < -1e-12)


def _spots(outline: m3.CrossSection, targets: Floats, radius_mm: float,
           bounds: tuple[float, float, float, float],
           taken: tuple[tuple[float, float, float, float], ...]) -> Floats:
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
        if len(found) >= 2 * len(targets) + 6 or (len(found) >= len(targets) and ring >= 12):
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
