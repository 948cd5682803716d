"""Closing a surface: corners that lie on an open edge, and loops of open edges.

Used by `repair` only. A loop in one plane is filled in that plane, loops inside it left out;
any other is filled by the triangles of least area (Barequet & Sharir 1995) if that is small.
"""

from __future__ import annotations

from dataclasses import dataclass

import manifold3d
import numpy as np
from scipy.spatial import cKDTree

from soffit.part.model import Floats, Ints
from soffit.part.topology import Edges, edges_of

_MAX_ROUNDS = 8
"""Most passes of splitting: each takes one edge of a facet, and pieces have three (own limit)."""
_MAX_CORNERS = 120
"""Most corners of a loop that is not plane; the work grows with their cube (own limit)."""


@dataclass(frozen=True)
class Filled:
    """New facets (k, 3), and for each loop that was filled its width, mm."""

    triangles: Ints
    widths_mm: tuple[float, ...]


def split_at_corners(vertices: Floats, triangles: Ints, tolerance: float) -> tuple[Ints, int]:
    """Facets split where a corner of another open edge lies on their own open edge.

    Returns the facets, the pieces of a split one in its place, and how many edges were split.
    Vertices stay where they are.
    """
    splits = 0
    for _ in range(_MAX_ROUNDS):
        edges = edges_of(triangles)
        is_open = np.flatnonzero(edges.count == 1)
        on_edge = _corners_on(vertices, edges.ends[is_open], tolerance)
        if not on_edge:
            break
        new: dict[int, Ints] = {}
        for row, between in on_edge.items():
            at = is_open[row]
            facet = int(edges.facet[edges.start[at]])
            if facet not in new and not np.isin(between, triangles[facet]).any():
                new[facet] = _fan(triangles[facet], edges.ends[at], between)
        if not new:
            break
        splits += len(new)
        split = np.array(sorted(new))
        whole = np.ones(len(triangles), bool)
        whole[split] = False
        order = np.concatenate([np.flatnonzero(whole),
                                np.repeat(split, [len(new[i]) for i in split.tolist()])])
        stacked = np.concatenate([triangles[whole], *(new[i] for i in split.tolist())])
        triangles = stacked[np.argsort(order, kind="stable")]
    return triangles, splits


def _corners_on(vertices: Floats, ends: Ints, tolerance: float) -> dict[int, Ints]:
    """For each open edge with corners of other open edges on it: those, from its low end on."""
    if not len(ends):
        return {}
    loose = np.unique(ends)
    tree = cKDTree(vertices[loose])
    a, b = vertices[ends[:, 0]], vertices[ends[:, 1]]
    length = np.linalg.norm(b - a, axis=1)
    near = tree.query_ball_point(0.5 * (a + b), 0.5 * length + tolerance, return_sorted=True)
    found: dict[int, Ints] = {}
    for row, candidates in enumerate(near):
        corner = loose[np.asarray(candidates, np.int64)]
        corner = corner[(corner != ends[row, 0]) & (corner != ends[row, 1])]
        if not len(corner) or length[row] <= 2.0 * tolerance:
            continue
        along = (b[row] - a[row]) / length[row]
        offset = vertices[corner] - a[row]
        at = offset @ along
        away = np.linalg.norm(offset - at[:, None] * along, axis=1)
        on = (away <= tolerance) & (at > tolerance) & (at < length[row] - tolerance)
        if on.any():
            found[row] = corner[on][np.argsort(at[on], kind="stable")]
    return found


def _fan(facet: Ints, ends: Ints, between: Ints) -> Ints:
    """Pieces of a facet whose edge `ends` is cut at the corners `between`, same side out."""
    turn = next(k for k in range(3) if facet[k] not in ends)
    apex, first, last = facet[turn], facet[(turn + 1) % 3], facet[(turn + 2) % 3]
    inner = between if first == ends[0] else between[::-1]
    rim = np.concatenate([[first], inner, [last]])
    return np.column_stack([rim[:-1], rim[1:], np.full(len(rim) - 1, apex)]).astype(np.int64)


def fill_holes(vertices: Floats, triangles: Ints, flat: float, largest: float) -> Filled:
    """Facets that close the loops of unmatched edges of `triangles`, each side consistent.

    `flat`: how far a loop may leave its plane to count as plane, mm; such a loop is filled
    however large. `largest`: area up to which any other is filled, mm². A loop whose filling
    would lie on a facet that is there already is left open.
    """
    edges = edges_of(triangles)
    loops = [_Loop.of(corners, vertices) for corners in _loops(edges)]
    if not loops:
        return Filled(np.empty((0, 3), np.int64), ())
    there = {tuple(t) for t in np.sort(triangles, axis=1).tolist()}
    joined = {(a, b) for a, b in edges.ends.tolist()}
    new: list[Ints] = []
    widths: list[float] = []
    plane = [loop for loop in loops if loop.height <= flat]
    bent = [[loop] for loop in loops if loop.height > flat]
    for group in (*_nested(plane, flat), *bent):
        limit = np.inf if group[0].height <= flat else largest
        made = _in_plane(group, vertices) if group[0].height <= flat else None
        if made is None and len(group) == 1:
            made = _least_area(group[0].corners, vertices, joined, limit)
        if made is not None and not any(tuple(t) in there for t in np.sort(made, axis=1).tolist()):
            new.append(made)
            widths += [loop.width for loop in group]
    stacked = np.concatenate(new) if new else np.empty((0, 3), np.int64)
    return Filled(stacked, tuple(widths))


@dataclass(frozen=True)
class _Loop:
    """A loop of corners, with the unit normal of its mean plane, twice its area there, its
    greatest distance from that plane and the diagonal of its bounding box."""

    corners: Ints
    points: Floats
    normal: Floats
    area2: float
    height: float
    width: float

    @classmethod
    def of(cls, corners: Ints, vertices: Floats) -> _Loop:
        points = vertices[corners]
        p = points - points.mean(axis=0)
        newell = np.cross(p, np.roll(p, -1, axis=0)).sum(axis=0)
        size = float(np.linalg.norm(newell))
        normal = newell / size if size > 0 else np.zeros(3)
        height = float(np.abs(p @ normal).max()) if size > 0 else np.inf
        width = float(np.linalg.norm(points.max(axis=0) - points.min(axis=0)))
        return cls(corners, points, normal, size, height, width)


def _loops(edges: Edges) -> list[Ints]:
    """Loops of half-edges that run against the facets on unmatched edges, each corner once."""
    single = np.flatnonzero(np.abs(edges.turn) == 1)
    upward = edges.turn[single] > 0
    ends = np.where(upward[:, None], edges.ends[single, ::-1], edges.ends[single])
    after: dict[int, list[int]] = {}
    for a, b in sorted(map(tuple, ends.tolist()), reverse=True):
        after.setdefault(a, []).append(b)
    loops: list[Ints] = []
    for start in sorted(after):
        while after.get(start):
            path = [start]
            place = {start: 0}
            while after.get(path[-1]):
                step = after[path[-1]].pop()
                if step in place:
                    begin = place[step]
                    loop = path[begin:]
                    if len(loop) > 2:
                        loops.append(np.array(loop, np.int64))
                    for corner in loop[1:]:
                        del place[corner]
                    del path[begin + 1:]
                else:
                    place[step] = len(path)
                    path.append(step)
    return loops


def _nested(loops: list[_Loop], flat: float) -> list[list[_Loop]]:
    """Each outer loop with the loops of its plane that lie in it and run the other way."""
    groups: list[list[_Loop]] = []
    for loop in sorted(loops, key=lambda one: (-round(one.area2, 6), int(one.corners.min()))):
        for group in groups:
            outer = group[0]
            if (float(loop.normal @ outer.normal) < 0
                    and np.abs((loop.points - outer.points[0]) @ outer.normal).max() <= 3.0 * flat
                    and _inside(loop.points[0], outer)):
                group.append(loop)
                break
        else:
            groups.append([loop])
    return groups


def plan_of(points: Floats, normal: Floats) -> Floats:
    """Coordinates with the axis nearest `normal` dropped, (n, 2); what turns left about the
    normal turns left in them."""
    axis = int(np.abs(normal).argmax())
    flat = np.delete(points, axis, axis=1)
    return flat[:, ::-1] if (normal[axis] > 0) == (axis == 1) else flat


def _inside(point: Floats, loop: _Loop) -> bool:
    """Whether a point of the loop's plane lies within it (crossings of a ray)."""
    ring = plan_of(loop.points, loop.normal)
    (x, y), = plan_of(point[None], loop.normal)
    after = np.roll(ring, -1, axis=0)
    spans = (ring[:, 1] > y) != (after[:, 1] > y)
    a, b = ring[spans], after[spans]
    cuts = a[:, 0] + (y - a[:, 1]) / (b[:, 1] - a[:, 1]) * (b[:, 0] - a[:, 0])
    return bool((cuts > x).sum() % 2)


def _in_plane(group: list[_Loop], vertices: Floats) -> Ints | None:
    """Triangles between an outer loop and those within it; None where they cross."""
    corners = np.concatenate([loop.corners for loop in group])
    normal = group[0].normal
    rings = [np.ascontiguousarray(plan_of(loop.points, normal)) for loop in group]
    try:
        cut = np.asarray(manifold3d.triangulate(rings), np.int64).reshape(-1, 3)
    except RuntimeError:  # rings that cross: the hole stays, and is told
        return None
    made: Ints = corners[cut]
    if len(cut) != len(corners) + 2 * len(group) - 4 or (made == np.roll(made, 1, axis=1)).any():
        return None
    c = vertices[made]
    up = np.cross(c[:, 1] - c[:, 0], c[:, 2] - c[:, 0]) @ normal
    scale = group[0].area2
    if up.min() < -1e-9 * scale:
        return None
    return made


def _least_area(corners: Ints, vertices: Floats, joined: set[tuple[int, int]], largest: float
                ) -> Ints | None:
    """Triangles over a loop with the least total area whose inner edges are all new; None if
    there are none, their area is larger than `largest` or the loop has too many corners."""
    n = len(corners)
    if n > _MAX_CORNERS:
        return None
    p = vertices[corners]
    cost = np.zeros((n, n))
    pick = np.zeros((n, n), np.int64)
    taken = np.zeros((n, n), bool)
    for i in range(n):
        for j in range(i + 2, n):
            a, b = int(corners[i]), int(corners[j])
            taken[i, j] = (min(a, b), max(a, b)) in joined and (i, j) != (0, n - 1)
    for gap in range(2, n):
        for i in range(n - gap):
            j = i + gap
            k = np.arange(i + 1, j)
            area = 0.5 * np.linalg.norm(np.cross(p[k] - p[i], p[j] - p[i]), axis=1)
            total = cost[i, k] + cost[k, j] + area
            least = int(total.argmin())
            pick[i, j] = k[least]
            cost[i, j] = np.inf if taken[i, j] else total[least]
    if not (np.isfinite(cost[0, n - 1]) and cost[0, n - 1] <= largest):
        return None
    made = []
    todo = [(0, n - 1)]
    while todo:
        i, j = todo.pop()
        if j - i < 2:
            continue
        middle = int(pick[i, j])
        made.append((corners[i], corners[middle], corners[j]))
        todo += [(i, middle), (middle, j)]
    return np.array(made, np.int64)
