"""The cheapest row of tips along a free edge between which straight strands hold all of it.

Tips may stand just inside of the edge, or so far inside that the lip reaches it: the strand from
one to the next must be short enough, lie within the place, and have the edge nowhere farther off
than the lip. Among all such rows the one whose ridges cost least is found from tip to tip (shortest
path). An edge that ends at what is held needs no tip there.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
import shapely

from soffit.part.model import Floats
from soffit.process.model import Process
from soffit.remedies.context import BRIDGE_SHARE, LIP_SHARE

# Tips are looked for so far apart along an edge, mm, or farther where that would be more than so
# many (own choices: a line or two; each costs some tenths of a ms).
STEP_MM, MOST_TIPS = 0.8, 400
# A closed edge is begun at so many places (own choice: the rest of the row follows from there).
BEGINS = 6
# Rows that cost as much differ by how even they are: a gap of the whole spacing costs so much,
# (own choice, far less than any ridge).
UNEVEN = 0.05

# What a ridge from the anchor to a tip (2,) with a way (2,) inward costs; None where none can
# stand.
Price = Callable[[Floats, Floats], float | None]


@dataclass(frozen=True)
class _Node:
    """A tip (2,), how far along the edge it is, and what it costs; 0 at what is held."""

    at: Floats
    along: float
    price: float


def row(
    edge: shapely.LineString, area: shapely.Geometry, process: Process, price: Price
) -> list[Floats]:
    """The tips (2,) of the cheapest row along an edge, which is a line half a bead inside of a
    free edge of `area`; none where there is no row."""
    closed = edge.is_ring
    nodes = list(_nodes(edge, area, process, price, closed))
    spacing = BRIDGE_SHARE * process.bridge_mm
    if not closed:
        ends = [_Node(np.asarray(edge.coords[k], dtype=np.float64), at, 0.0)
                for k, at in ((0, 0.0), (-1, edge.length))]
        found = _cheapest([ends[0], *nodes, ends[1]], edge, area, process, spacing)
        return [] if found is None else [node.at for node in found[1][1:-1]]
    best: tuple[float, list[_Node]] | None = None
    begins = [node for node in nodes if node.along <= min(spacing, edge.length)]
    for begin in begins[:: max(1, len(begins) // BEGINS)]:
        # Once around, back to where it began.
        later = [_Node(n.at, n.along + (edge.length if n.along < begin.along else 0.0), n.price)
                 for n in nodes if n is not begin and n.along != begin.along]
        last = _Node(begin.at, begin.along + edge.length, 0.0)
        found = _cheapest([begin, *sorted(later, key=lambda n: n.along), last], edge, area, process,
                          spacing)
        if found is not None and (best is None or found[0] < best[0] - 1e-9):
            best = found
    return [] if best is None else [node.at for node in best[1][:-1]]


def _nodes(
    edge: shapely.LineString, area: shapely.Geometry, process: Process, price: Price, closed: bool
) -> Iterator[_Node]:
    count = max(2, min(MOST_TIPS, math.ceil(edge.length / STEP_MM)))
    along = np.linspace(0.0, edge.length, count + 1)[: -1 if closed else None]
    along = along if closed else along[1:-1]
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
            costs = price(tip, inward)
            if costs is not None:
                yield _Node(tip, at, costs)


def _cheapest(
    nodes: list[_Node], edge: shapely.LineString, area: shapely.Geometry, process: Process,
    spacing: float,
) -> tuple[float, list[_Node]] | None:
    """The cheapest way from the first node to the last, and what it costs."""
    costs = [math.inf] * len(nodes)
    came = [-1] * len(nodes)
    costs[0] = nodes[0].price
    at = np.array([node.at for node in nodes])
    along = np.array([node.along for node in nodes])
    # The strand is a bead wide, and the line lies half a bead inside of the edge.
    reach = LIP_SHARE * process.lip_mm + 1e-6
    shapely.prepare(area)
    for j in range(1, len(nodes)):
        apart = np.linalg.norm(at[:j] - at[j], axis=1)
        near = np.flatnonzero((apart <= spacing) & (along[:j] < along[j])
                              & (along[j] - along[:j] <= 2.0 * spacing))
        if not len(near):
            continue
        ways = shapely.linestrings(np.stack(
            [at[near], np.broadcast_to(at[j], (len(near), 2))], axis=1))
        some = near[shapely.covers(area, ways)]
        order = sorted(some.tolist(), key=lambda i: costs[i])
        for i in order:
            due = costs[i] + nodes[j].price + UNEVEN * (float(apart[i]) / spacing) ** 2
            if due >= costs[j]:
                continue
            if _near(edge, nodes[i], nodes[j], reach):
                costs[j], came[j] = due, i
    if not math.isfinite(costs[-1]):
        return None
    way = [len(nodes) - 1]
    while way[-1] > 0:
        way.append(came[way[-1]])
    return costs[-1], [nodes[k] for k in reversed(way)]


def _near(edge: shapely.LineString, a: _Node, b: _Node, reach: float) -> bool:
    """Whether the edge from one tip to the next is nowhere farther from the strand."""
    length = edge.length
    count = max(3, math.ceil((b.along - a.along) / STEP_MM))
    at = np.linspace(a.along, b.along, count + 1) % length
    points = shapely.line_interpolate_point(edge, at)
    return bool((shapely.distance(points, shapely.LineString([a.at, b.at])) <= reach).all())
