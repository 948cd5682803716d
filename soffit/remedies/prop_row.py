"""The cheapest row of tips along a free edge between which straight strands hold all of it.

Tips may stand just inside of the edge, or so far inside that the lip reaches it. The outermost
strand runs from one to the next, or beside that where the edge is hollow; it must be short enough,
and the edge nowhere farther than the lip from it or from the ridges at its ends. Among all such
rows the one whose ridges cost least is found from tip to tip (shortest path). An edge that ends at
what is held needs no tip there.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
import shapely

from soffit.part.model import Floats
from soffit.process.model import Process
from soffit.remedies.context import BRIDGE_SHARE, LIP_SHARE

# Tips are looked for so far apart along an edge, mm, or farther where that would be more than so
# many (own choices: a line or two; each costs some tenths of a ms).
STEP_MM, MOST_TIPS = 0.8, 400
# Points of the edge that are looked at between two tips, at most two spacings apart along it
# (derived: under half a mm from one to the next).
LOOKS = 64
# Tips so many spacings apart along the edge are not neighbours (own choice: a hollow half as deep
# as it is wide is that much longer than it is wide).
FARTHEST = 2.0
# A corner of the edge is one where leaving it out moves the edge by more, mm (derived: an eighth of
# a line).
CORNER_MM = 0.05
# Rows that hold the edge closer are preferred: each mm that it is off its strand at most costs so
# much between two tips, mm³ (own choice: what is allowed costs a third of a gusset of 9 mm).
LOOSE_MM2 = 20.0
# Rows that cost as much differ by how even they are: a gap of the whole spacing costs so much
# (own choice, far less than any ridge).
UNEVEN = 0.05

# What a ridge from the anchor to a tip (2,) with a way (2,) inward costs, and where it starts; None
# where none can stand.
Price = Callable[[Floats, Floats], tuple[float, Floats] | None]


@dataclass(frozen=True)
class _Node:
    """A tip (2,), where its ridge starts (2,), how far along the edge it is, and what it costs; 0
    at what is held, where it starts at itself."""

    at: Floats
    root: Floats
    along: float
    price: float


def row(
    edge: shapely.LineString, area: shapely.Geometry, process: Process, price: Price
) -> list[Floats]:
    """The tips (2,) of the cheapest row along an edge, which is a line half a bead inside of a
    free edge of `area`; none where there is no row."""
    nodes = list(_nodes(edge, area, process, price))
    if not edge.is_ring:
        first, last = (_Node(point, point, at, 0.0) for point, at in zip(
            np.asarray(edge.coords)[[0, -1]], (0.0, edge.length), strict=True))
        nodes = [first, *nodes, last]
        way = _cheapest(nodes, _held(nodes, edge, process), 0, len(nodes) - 1)
        return [nodes[k].at for k in way[1:-1]]
    if not nodes:
        return []
    # Twice around, so that a way from anywhere back to there is one from first to last.
    count = len(nodes)
    nodes += [replace(node, along=node.along + edge.length) for node in nodes]
    held = _held(nodes, edge, process)
    begin = min(range(count), key=lambda k: (round(nodes[k].price, 6), k))
    for _ in range(2):
        way = _cheapest(nodes, held, begin, begin + count)
        if not way:
            return []
        # Where it began was a guess; what lies opposite was chosen.
        begin = way[len(way) // 2] % count
    return [nodes[k].at for k in way[:-1]]


def _nodes(
    edge: shapely.LineString, area: shapely.Geometry, process: Process, price: Price
) -> Iterator[_Node]:
    closed = edge.is_ring
    count = max(2, min(MOST_TIPS, math.ceil(edge.length / STEP_MM)))
    even = np.linspace(0.0, edge.length, count + 1)[slice(None, -1) if closed else slice(1, -1)]
    corners = shapely.line_locate_point(edge, shapely.points(
        shapely.get_coordinates(shapely.simplify(edge, CORNER_MM))[1:-1]))
    # Right beside a corner none stands instead of at it.
    apart = np.abs(even[:, None] - corners[None, :]).min(axis=1, initial=math.inf)
    along = np.unique(np.round(np.concatenate([even[apart > STEP_MM], corners]), 6))
    ahead = 0.25 * process.line_mm
    for at in along.tolist():
        point, before, after = (
            np.asarray(edge.interpolate(a % edge.length if closed else a).coords[0])
            for a in (at, max(at - ahead, 0.0), min(at + ahead, edge.length)))
        way = after - before
        size = float(np.linalg.norm(way))
        if size < 1e-9:
            continue
        inward = np.array([-way[1], way[0]]) / size
        if not area.contains(shapely.Point(point + process.line_mm * inward)):
            inward = -inward
        for deep in (0.0, LIP_SHARE * process.lip_mm):
            tip = point + deep * inward
            found = price(tip, inward)
            if found is not None:
                yield _Node(tip, found[1], at, found[0])


def _held(
    nodes: list[_Node], edge: shapely.LineString, process: Process
) -> dict[int, list[tuple[int, float]]]:
    """For each node those before it from which a strand to it holds the edge between, with what
    their gap costs."""
    spacing, reach = BRIDGE_SHARE * process.bridge_mm, LIP_SHARE * process.lip_mm + 1e-6
    at, root = (np.array([getattr(n, name) for n in nodes]) for name in ("at", "root"))
    along = np.array([n.along for n in nodes])
    i, j = np.nonzero((along[None, :] > along[:, None])
                      & (along[None, :] - along[:, None] <= FARTHEST * spacing))
    way = at[j] - at[i]
    apart = np.linalg.norm(way, axis=1)
    near = (apart <= spacing) & (apart > 1e-6)
    i, j, way, apart = i[near], j[near], way[near], apart[near]
    corners = np.asarray(edge.coords)
    far = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(corners, axis=0), axis=1))])
    asked = (along[i, None] + (along[j] - along[i])[:, None] * np.linspace(0.0, 1.0, LOOKS))
    asked = np.where(asked > far[-1], asked - far[-1], asked)
    points = np.stack([np.interp(asked, far, corners[:, k]) for k in (0, 1)], axis=2)
    inward = np.stack([-way[:, 1], way[:, 0]], axis=1) / apart[:, None]
    side = np.einsum("kx,kx->k", inward, root[i] + root[j] - at[i] - at[j])
    inward[side < 0.0] *= -1.0
    # Where the edge is hollow the first strand that it does not cut lies farther in.
    hollow = np.einsum("kmx,kx->km", points - at[i, None], inward).max(axis=1)
    aside = np.maximum(hollow, 0.0)[:, None] * inward
    distance = np.minimum.reduce([
        _apart(points, start, end) for start, end in (
            (at[i] + aside, at[j] + aside), (root[i], at[i]), (root[j], at[j]))])
    off = distance.max(axis=1)
    good = off <= reach
    due = LOOSE_MM2 * off + UNEVEN * (apart / spacing) ** 2
    before: dict[int, list[tuple[int, float]]] = {k: [] for k in range(len(nodes))}
    for a, b, costs in zip(i[good].tolist(), j[good].tolist(), due[good].tolist(), strict=True):
        before[b].append((a, costs))
    return before


def _apart(points: Floats, start: Floats, end: Floats) -> Floats:
    """Distance of points (k, m, 2) from segments, (k, m)."""
    way = (end - start)[:, None]
    long = np.maximum((way**2).sum(axis=2), 1e-18)
    t = np.clip(((points - start[:, None]) * way).sum(axis=2) / long, 0.0, 1.0)
    return np.asarray(np.linalg.norm(points - start[:, None] - t[:, :, None] * way, axis=2))


def _cheapest(
    nodes: list[_Node], before: dict[int, list[tuple[int, float]]], first: int, last: int
) -> list[int]:
    """The cheapest way from one node to another, both in it; empty where there is none."""
    order = sorted(range(len(nodes)), key=lambda k: (nodes[k].along, k))
    costs, came = {first: nodes[first].price}, {first: first}
    for k in order:
        if not nodes[first].along < nodes[k].along <= nodes[last].along:
            continue
        due, best = min(((costs[a] + gap, a) for a, gap in before[k] if a in costs),
                        default=(math.inf, k))
        if math.isfinite(due):
            costs[k], came[k] = due + nodes[k].price, best
    if last not in came:
        return []
    way = [last]
    while way[-1] != first:
        way.append(came[way[-1]])
    return way[::-1]
