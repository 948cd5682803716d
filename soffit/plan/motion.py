"""How a revision lies in its file: whether the whole part was shifted or turned.

Two faces of one part and two equal faces of the other, as far from each other and facing alike,
fix a rigid motion. The one that brings most faces onto equal faces is taken, and only where the
parts as they lie explain far less.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from scipy.spatial import KDTree

from soffit.part.model import Floats, Ints
from soffit.plan.facetable import SAME_MM, FaceTable, same_place, same_shape

# Faces that motions are tried with, and equal faces of the other part that each is tried on
# (own limits: so that 500 faces take a fraction of a second), and motions that are looked at of
# those that most of them agree on.
_ANCHORS = 12
_RARE = 12
_MOTIONS = 24

# A motion must explain at least so much, and leave less than so much of what the parts as they
# lie leave, or explain so many times more (own limits).
_LEAST = 0.2
_LEFT = 0.5
_TIMES = 2.0


def whole_motion(a: FaceTable, b: FaceTable) -> Floats:
    """Rigid 4×4 motion of part a in its file onto part b in its own; the identity where as much
    lies in place already. Of motions that explain as much, the least turn is taken."""
    best, most = np.eye(4), _explained(a, b)
    if most > 1.0 - 1e-9 or not len(a.id) or not len(b.id):
        return best
    agreeing: dict[bytes, list[Floats]] = {}
    for motion in _candidates(a, b):
        agreeing.setdefault(_key(motion), []).append(motion)
    # One that is nearly nothing would only halve what a feature was moved by.
    agreeing.pop(_key(best), None)
    found: list[tuple[float, float, float, Floats]] = []
    for motions in sorted(agreeing.values(), key=len, reverse=True)[:_MOTIONS]:
        motion = _middle(motions)
        share = _explained(a.moved(motion), b)
        turn = float(np.arccos(np.clip((np.trace(motion[:3, :3]) - 1.0) / 2.0, -1.0, 1.0)))
        far = float(np.linalg.norm(motion[:3, 3]))
        found.append((-round(share, 6), round(turn, 6), round(far, 6), motion))
    if not found:
        return best
    share, _, _, motion = min(found, key=lambda entry: entry[:3])
    explains = -share
    better = 1.0 - explains <= _LEFT * (1.0 - most) or explains >= _TIMES * most
    return motion if better and explains >= _LEAST and explains > most else best


def _key(motion: Floats) -> bytes:
    """The same for motions that are nearly one: whole numbers, so that -0.0 is 0."""
    return np.round(motion[:3] * (100.0, 100.0, 100.0, 10.0)).astype(np.int64).tobytes()


def _explained(a: FaceTable, b: FaceTable) -> float:
    """Share of the faces of a, by the root of their area, that have an equal one in place."""
    if not len(a.id) or not len(b.id):
        return 0.0
    row, other = in_place(a, b)
    weight = np.sqrt(a.area)
    total = float(weight.sum())
    return float(weight[np.unique(row)].sum()) / total if total > 0.0 and len(other) else 0.0


def in_place(a: FaceTable, b: FaceTable) -> tuple[Ints, Ints]:
    """Places in both tables, (k,) each, of the faces that are equal and lie in the same place."""
    near = min(8, len(b.id))
    reach = SAME_MM + 2.25 * float(a.slack.max() + b.slack.max())
    away, index = KDTree(b.at).query(a.at, k=list(range(1, near + 1)), distance_upper_bound=reach)
    row, column = np.nonzero(np.isfinite(away))
    other = np.asarray(index[row, column], dtype=np.int64)
    one, two = a.only(row), b.only(other)
    same = same_shape(one, two) & same_place(one, two)
    return row[same], other[same]


def _candidates(a: FaceTable, b: FaceTable) -> Iterator[Floats]:
    """Motions that bring two faces of a onto two equal ones of b."""
    partners = _partners(a, b)
    rare = [k for k in range(len(a.id)) if 0 < len(partners[k]) <= _RARE]
    rare.sort(key=lambda k: (len(partners[k]), -a.area[k], k))
    anchors = rare[:_ANCHORS]
    for k in anchors:
        # A part that was only shifted needs one face.
        for m in partners[k]:
            if np.linalg.norm(a.normal[k] - b.normal[m]) < 1e-3:
                yield _rigid(np.eye(3), a.at[k], b.at[m])
    for i in anchors:
        for j in anchors:
            if i == j:
                continue
            run = a.at[j] - a.at[i]
            for k in partners[i]:
                for m in partners[j]:
                    if k == m:
                        continue
                    turn = _turn(a, b, i, j, run, k, m, b.at[m] - b.at[k])
                    if turn is not None:
                        yield _rigid(turn, a.at[i], b.at[k])


def _partners(a: FaceTable, b: FaceTable) -> list[list[int]]:
    """Faces of b that can be each face of a, however they lie."""
    lengths = [_signature(a), _signature(b)]
    tree = KDTree(lengths[1])
    reach = np.maximum(0.02, 4.0 * a.slack)
    near = tree.query_ball_point(lengths[0], reach, p=np.inf)
    return [
        [m for m in sorted(found) if b.kind[m] == a.kind[k] and b.inward[m] == a.inward[k]]
        for k, found in enumerate(near)
    ]


def _signature(faces: FaceTable) -> Floats:
    """What of a face does not depend on how it lies, all as lengths, (n, 6) mm."""
    axes = np.sqrt(12.0 * np.maximum(np.linalg.eigvalsh(faces.moments), 0.0))
    return np.column_stack([
        np.sqrt(faces.area), axes, np.nan_to_num(faces.radius),
        np.linalg.norm(faces.normal, axis=1),
    ])


def _turn(a: FaceTable, b: FaceTable, i: int, j: int, run: Floats, k: int, m: int, other: Floats
          ) -> Floats | None:
    """Rotation that takes face i to k and the run from i to j to that from k to m, if one does."""
    if abs(np.linalg.norm(run) - np.linalg.norm(other)) > 0.05:
        return None
    first, second = a.normal[i], b.normal[k]
    if np.linalg.norm(first) < 0.1:
        first, second = a.axis[i], b.axis[k]
        if first @ run * (second @ other) < 0.0:
            second = -second
    if abs(first @ run - second @ other) > 0.05:
        return None
    one, two = _frame(first, run), _frame(second, other)
    if one is None or two is None:
        return None
    turn = two @ one.T
    near = np.linalg.norm(turn @ a.normal[j] - b.normal[m]) < 1e-2
    return np.asarray(turn) if near else None


def _frame(first: Floats, second: Floats) -> Floats | None:
    """Right-handed unit frame, columns, of two directions; None where they are parallel."""
    x = first / max(float(np.linalg.norm(first)), 1e-12)
    y = second - x * (x @ second)
    length = float(np.linalg.norm(y))
    if length < 1e-3 * max(float(np.linalg.norm(second)), 1.0):
        return None
    y = y / length
    return np.column_stack([x, y, np.cross(x, y)])


def _rigid(turn: Floats, start: Floats, end: Floats) -> Floats:
    """The motion that turns and brings one point to another."""
    motion = np.eye(4)
    motion[:3, :3] = turn
    motion[:3, 3] = end - turn @ start
    return motion


def _middle(motions: list[Floats]) -> Floats:
    """The motion in the middle of some that are nearly one; faces that only look equal give
    some that are off. A turn that differs from a quarter turn by rounding only is one."""
    middle = np.median(motions, axis=0)
    left, _, right = np.linalg.svd(middle[:3, :3])
    turn = left @ right
    whole = np.round(turn)
    motion = np.eye(4)
    motion[:3, :3] = whole + 0.0 if np.abs(turn - whole).max() < 1e-5 else turn
    motion[:3, 3] = np.round(middle[:3, 3], 6) + 0.0
    return motion
