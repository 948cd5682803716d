"""Segments in the drawing plane: merged, subtracted, chained, hatched."""

from __future__ import annotations

import math

import numpy as np

from soffit.part.model import Floats, Ints

# Directions closer than this are one line (derived: 1 µm sideways over 100 mm).
ANGLE_TOLERANCE = 1e-5


def covered(owner: Ints, start: Floats, end: Floats, gap: float) -> tuple[Ints, Floats, Floats]:
    """Union of the intervals of each owner: sorted owners, starts and ends.

    Intervals closer than `gap` become one. All inputs (n,).
    """
    if not len(owner):
        return owner, start, end
    # Lay the owners' intervals end to end on one axis, so that one running maximum serves all.
    low, high = float(start.min()), float(end.max())
    pitch = (high - low) + 4.0 * gap + 1.0
    order = np.lexsort((start, owner))
    owner, start, end = owner[order], start[order], end[order]
    shift = owner * pitch
    reach = np.maximum.accumulate(end + shift)
    fresh = np.ones(len(owner), dtype=bool)
    fresh[1:] = start[1:] + shift[1:] > reach[:-1] + gap
    first = np.flatnonzero(fresh)
    last = np.append(first[1:], len(owner)) - 1
    return owner[first], start[first], reach[last] - shift[first]


def uncovered(owner: Ints, start: Floats, end: Floats, length: Floats
              ) -> tuple[Ints, Floats, Floats]:
    """What `covered` intervals leave of [0, length] of every owner 0..n-1. Intervals must be
    disjoint and sorted, as `covered` returns them."""
    owners = np.arange(len(length))
    all_owner = np.concatenate([owners, owner])
    # Each free interval starts at 0 or at the end of a covered one, and ends at the next start.
    free_start = np.concatenate([np.zeros(len(length)), end])
    order = np.lexsort((free_start, all_owner))
    sentinel_owner = np.concatenate([owner, owners])
    free_end = np.concatenate([start, length])
    order_end = np.lexsort((free_end, sentinel_owner))
    # `all_owner` and `sentinel_owner` sort to the same sequence: one more gap than intervals.
    return all_owner[order], free_start[order], free_end[order_end]


def _line_ids(segments: Floats, tolerance_mm: float) -> tuple[Ints, Floats, Floats]:
    """Id of the infinite line that each segment lies on, and the position of both its ends
    along that line, mm: (n,), (n,), (n,)."""
    delta = segments[:, 1] - segments[:, 0]
    angle = np.arctan2(delta[:, 1], delta[:, 0]) % math.pi
    angle[angle > math.pi - ANGLE_TOLERANCE] -= math.pi
    by_angle = np.argsort(angle, kind="stable")
    bundle = np.empty(len(angle), dtype=np.int64)
    bundle[by_angle] = np.cumsum(np.diff(angle[by_angle], prepend=-10.0) > ANGLE_TOLERANCE)
    # One direction for the whole bundle, that of its longest member.
    longest = np.lexsort((-np.linalg.norm(delta, axis=1), bundle))
    first = np.unique(bundle[longest], return_index=True)[1]
    unit = np.stack([np.cos(angle[longest[first]]), np.sin(angle[longest[first]])], axis=1)
    unit = unit[bundle - 1]
    centre = segments.reshape(-1, 2).mean(axis=0)
    middle = segments.mean(axis=1) - centre
    offset = unit[:, 0] * middle[:, 1] - unit[:, 1] * middle[:, 0]
    order = np.lexsort((offset, bundle))
    step = (np.diff(offset[order], prepend=-1e300) > tolerance_mm) | (
        np.diff(bundle[order], prepend=0) > 0)
    line = np.empty(len(angle), dtype=np.int64)
    line[order] = np.cumsum(step) - 1
    ends = np.einsum("nij,nj->ni", segments - centre, unit)
    return line, ends.min(axis=1), ends.max(axis=1)


def merge(segments: Floats, tolerance_mm: float) -> Floats:
    """Segments (n, 2, 2) with collinear pieces that touch or overlap made one, (k, 2, 2)."""
    segments = segments[np.linalg.norm(segments[:, 1] - segments[:, 0], axis=1) > tolerance_mm]
    if not len(segments):
        return np.empty((0, 2, 2))
    line, start, end = _line_ids(segments, tolerance_mm)
    return _rebuild(segments, line, start, end, *covered(line, start, end, tolerance_mm))


def subtract(segments: Floats, tools: Floats, tolerance_mm: float) -> Floats:
    """What is left of merged `segments` (n, 2, 2) where no segment of `tools` lies on them."""
    if not len(segments) or not len(tools):
        return segments
    line, start, end = _line_ids(np.concatenate([segments, tools]), tolerance_mm)
    n = len(segments)
    kept: list[Floats] = []
    held, low, high = covered(line[n:], start[n:], end[n:], tolerance_mm)
    first = np.searchsorted(held, line[:n], side="left")
    last = np.searchsorted(held, line[:n], side="right")
    for k in range(n):
        span = end[k] - start[k]
        along = segments[k, 1] - segments[k, 0]
        forward = _runs_forward(along)
        cuts = [(max(low[i] - start[k], 0.0), min(high[i] - start[k], span))
                for i in range(first[k], last[k])]
        position = 0.0
        for a, b in [c for c in cuts if c[1] > c[0]] + [(span, span)]:
            if a - position > tolerance_mm:
                t = np.array([position, a]) / span
                t = t if forward else 1.0 - t
                kept.append(segments[k, 0] + t[:, None] * along)
            position = max(position, b)
    return np.array(kept) if kept else np.empty((0, 2, 2))


def _runs_forward(along: Floats) -> bool:
    """Whether a segment runs the way its line's direction does (angle in [-tol, pi))."""
    angle = math.atan2(along[1], along[0])
    return -ANGLE_TOLERANCE < angle <= math.pi - ANGLE_TOLERANCE


def _rebuild(segments: Floats, line: Ints, start: Floats, end: Floats,
             owner: Ints, low: Floats, high: Floats) -> Floats:
    """End points of merged intervals, taken from the segments' own ends so that nothing moves."""
    forward = np.array([_runs_forward(s[1] - s[0]) for s in segments])
    first_end = np.where(forward[:, None], segments[:, 0], segments[:, 1])
    last_end = np.where(forward[:, None], segments[:, 1], segments[:, 0])
    by_start = np.lexsort((start, line))
    by_end = np.lexsort((end, line))
    pitch = float(end.max() - start.min()) + 1.0
    at_start = np.searchsorted((start + line * pitch)[by_start], low + owner * pitch - 1e-9)
    at_end = np.searchsorted((end + line * pitch)[by_end], high + owner * pitch + 1e-9) - 1
    return np.stack([first_end[by_start[np.minimum(at_start, len(line) - 1)]],
                     last_end[by_end[np.maximum(at_end, 0)]]], axis=1)


def chain(segments: Floats, tolerance_mm: float) -> tuple[Floats, ...]:
    """Join segments (n, 2, 2) end to end into polylines, each (k, 2), through every point
    where exactly two of them meet. Sorted by their first point; a ring repeats it last."""
    if not len(segments):
        return ()
    keys = np.round(segments.reshape(-1, 2) / (4.0 * tolerance_mm)).astype(np.int64)
    node = np.unique(keys, axis=0, return_inverse=True)[1].reshape(-1, 2)
    at: dict[int, list[int]] = {}
    for k, (a, b) in enumerate(node.tolist()):
        at.setdefault(a, []).append(k)
        at.setdefault(b, []).append(k)
    used = [False] * len(segments)

    def walk(first: int, begin: int) -> Floats:
        points, k, here = [segments[first, begin]], first, int(node[first, begin])
        while True:
            used[k] = True
            far = 1 if node[k, 0] == here else 0
            here = int(node[k, far])
            points.append(segments[k, far])
            onward = [j for j in at[here] if not used[j]]
            if len(at[here]) != 2 or not onward:
                return np.array(points)
            k = onward[0]

    lines: list[Floats] = []
    for k in range(len(segments)):
        for side in (0, 1):
            if not used[k] and len(at[int(node[k, side])]) != 2:
                lines.append(walk(k, side))
    lines.extend(walk(k, 0) for k in range(len(segments)) if not used[k])
    return tuple(sorted(lines, key=lambda p: (*tuple(np.round(p[0], 6).tolist()), len(p))))


def pieces(polylines: tuple[Floats, ...]) -> Floats:
    """The segments of polylines, (n, 2, 2)."""
    parts = [np.stack([p[:-1], p[1:]], axis=1) for p in polylines if len(p) > 1]
    return np.concatenate(parts) if parts else np.empty((0, 2, 2))


def length_mm(polylines: tuple[Floats, ...]) -> float:
    """Total length of polylines, mm."""
    parts = pieces(polylines)
    return float(np.linalg.norm(parts[:, 1] - parts[:, 0], axis=1).sum())


def hatch(rings: tuple[Floats, ...], pitch_mm: float, angle_deg: float) -> Floats:
    """Parallel lines that fill rings (even-odd), as segments (n, 2, 2).

    The lines lie on one grid through the origin, so hatches of neighbouring areas line up.
    """
    angle = math.radians(angle_deg)
    turn = np.array([[math.cos(angle), math.sin(angle)], [-math.sin(angle), math.cos(angle)]])
    edges = [np.stack([r, np.roll(r, -1, axis=0)], axis=1) @ turn.T for r in rings if len(r) > 2]
    if not edges:
        return np.empty((0, 2, 2))
    every = np.concatenate(edges)
    low, high = every[:, :, 1].min(), every[:, :, 1].max()
    found: list[Floats] = []
    for k in range(math.ceil(low / pitch_mm - 0.5), math.floor(high / pitch_mm - 0.5) + 1):
        y = (k + 0.5) * pitch_mm
        a, b = every[:, 0], every[:, 1]
        crossing = (a[:, 1] <= y) != (b[:, 1] <= y)
        a, b = a[crossing], b[crossing]
        x = np.sort(a[:, 0] + (y - a[:, 1]) / (b[:, 1] - a[:, 1]) * (b[:, 0] - a[:, 0]))
        pairs = x[: len(x) // 2 * 2].reshape(-1, 2)
        line = np.stack([pairs, np.full_like(pairs, y)], axis=2)
        found.append(line @ turn)
    return np.concatenate(found) if found else np.empty((0, 2, 2))
