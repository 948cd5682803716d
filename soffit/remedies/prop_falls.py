"""Ridges down a surface that slopes to several sides, each along its steepest way.

Under such a surface every layer adds a strip along the edge of the layer below it, and strands lie
along these edges. Ridges that run across all strips hold them. The longest edge is divided first:
where it is longer than the spacing from ridge to ridge, or bends away from the chord by more than
half of what the layer steps out (a strand must lie on most of the strip), ridges run through it
from layer to layer, down and up by the nearest way (which is the steepest; derived), as far as they
are not crowded. Edges that are still too long are divided in turn. One that ends in the air has a
ridge at its end.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
import shapely

from soffit.findings.model import Finding
from soffit.layers.stack import LayerStack
from soffit.part.model import Floats
from soffit.process.model import Process
from soffit.remedies.context import BRIDGE_SHARE, Context
from soffit.remedies.prop_place import polygon_of, straight

# Edges looked at, evenly from layer to layer (derived: half a line apart on a run of 10 mm).
MOST_EDGES = 48

# A ridge ends where it comes nearer to another than this share of the spacing (derived: of two
# ridges that run together one is enough once they are half of it apart; less a margin).
CROWDED = 0.4

# Edges are looked at so far within the place, in lines: along its border they run down the slope
# (derived: half a line, and a quarter for rounding).
WITHIN = 0.75

# What is so near beside the place belongs to it, in lines: outlines are simplified (own choice).
BESIDE = 0.25

# Parts of an edge between two ridges at most (derived: finer ones are narrower than the ridges).
MOST_PARTS = 24


@dataclass(frozen=True)
class _Edge:
    """The edge on which a layer bears, all of it near the place, and what of it lies well within
    the place. `step_mm`: how far the layer steps out from there, at its middle."""

    layer: int
    step_mm: float
    whole: shapely.Geometry
    within: shapely.Geometry


def falls(context: Context, finding: Finding) -> tuple[Floats, ...]:
    """Ridges down the slope of a finding, (2, 2) each; none where it is too narrow for any."""
    process = context.process
    area = polygon_of(finding.patch)
    near = shapely.buffer(area, BESIDE * process.line_mm)
    edges = _edges(context.stack, finding, area, near, process.line_mm)
    spacing = BRIDGE_SHARE * process.bridge_mm
    ridges: list[Floats] = []
    for edge in sorted(edges, key=lambda e: (-round(e.within.length, 6), e.layer)):
        layer = context.stack.plan(edge.layer)
        for start, apart_mm in _starts(edge, ridges, layer, spacing, process):
            ridges.append(_fall(start, edge, edges, near, ridges, CROWDED * apart_mm))
    lines = [line for ridge in ridges
             for line in straight(ridge, 0.25 * process.lip_mm, process.line_mm)]
    return tuple(sorted(lines, key=lambda p: np.round(p, 6).tolist()))


def _edges(
    stack: LayerStack, finding: Finding, area: shapely.Geometry, near: shapely.Geometry,
    line_mm: float,
) -> list[_Edge]:
    first, last = finding.patch.layers
    count = min(last - first + 2, MOST_EDGES)
    inner = shapely.buffer(area, -WITHIN * line_mm)
    found = []
    for below in np.unique(np.linspace(first - 1, last, count).round().astype(int)).tolist():
        border, layer = shapely.boundary(stack.plan(below)), min(below + 1, last)
        within = shapely.line_merge(shapely.intersection(border, inner))
        middle = shapely.line_interpolate_point(
            shapely.get_geometry(within, 0), 0.5, normalized=True)
        step = float(shapely.distance(middle, shapely.boundary(stack.plan(layer))))
        found.append(_Edge(layer, step, shapely.intersection(border, near), within))
    return [edge for edge in found if not edge.whole.is_empty]


def _starts(
    edge: _Edge, ridges: list[Floats], layer: shapely.Geometry, spacing: float, process: Process
) -> list[tuple[Floats, float]]:
    """Points of an edge, (2,) each, through which a ridge must run, and how far they are apart."""
    line = process.line_mm
    there = shapely.MultiLineString(ridges)
    rest = shapely.difference(edge.within, shapely.buffer(there, 0.5 * line))
    found: list[tuple[Floats, float]] = []
    for piece in shapely.get_parts(shapely.line_merge(rest)):
        if piece.length < line:
            continue
        long = piece.length
        count = _parts(piece, spacing, 0.5 * edge.step_mm)
        if piece.is_closed:
            count = max(count, 2)
            at = [long * k / count for k in range(count)]
        else:
            at = [t for t in (0.0, long) if not _held(piece, t, there, layer, line)]
            at += [long * k / count for k in range(1, count)]
        found += [(np.array(shapely.line_interpolate_point(piece, t).coords[0]), long / count)
                  for t in sorted(at)]
    return found


def _parts(piece: shapely.LineString, spacing: float, bulge_mm: float) -> int:
    """In how many parts an edge must be divided, so that each can be spanned along its chord."""
    count: int = max(1, math.ceil(piece.length / spacing - 1e-9))
    while count < MOST_PARTS:
        ends = np.linspace(0.0, piece.length, count + 1)
        bulge = max(_bulge(piece, a, b) for a, b in itertools.pairwise(ends.tolist()))
        if bulge <= bulge_mm:
            break
        count += 1
    return count


def _bulge(piece: shapely.LineString, low: float, high: float) -> float:
    """How far an edge bends away from the chord between two places on it."""
    points = shapely.line_interpolate_point(piece, np.linspace(low, high, 9))
    chord = shapely.LineString([points[0], points[-1]])
    return float(shapely.distance(points, chord).max())


def _held(
    piece: shapely.LineString, at: float, there: shapely.Geometry, layer: shapely.Geometry,
    line_mm: float,
) -> bool:
    """Whether a strand that ends here bears on a ridge, or on what borders on the place."""
    end = shapely.line_interpolate_point(piece, at)
    if shapely.dwithin(end, there, line_mm):
        return True
    back = shapely.line_interpolate_point(piece, abs(at - 0.5 * line_mm))
    here, away = np.array(end.coords[0]), np.array(end.coords[0]) - np.array(back.coords[0])
    ahead = here + 2.0 * WITHIN * line_mm * away / max(float(np.linalg.norm(away)), 1e-9)
    return bool(shapely.contains_xy(layer, *ahead))


def _fall(
    start: Floats, edge: _Edge, edges: list[_Edge], near: shapely.Geometry, ridges: list[Floats],
    apart_mm: float,
) -> Floats:
    """The steepest way through a point of an edge, (n, 2), within the place and as far as others
    are not near."""
    others = shapely.MultiLineString(ridges)
    here = edges.index(edge)
    ways: list[list[Floats]] = []
    for order in (edges[:here][::-1], edges[here + 1:]):
        way: list[Floats] = []
        point = shapely.Point(start)
        away = shapely.distance(point, others)
        for other in order:
            step = shapely.shortest_line(point, other.whole)
            point, before = shapely.get_point(step, 1), away
            away = shapely.distance(point, others)
            # One that goes on from the end of another leaves it behind.
            if away < min(apart_mm, before) or not shapely.covers(near, step):
                break
            way.append(np.array(point.coords[0]))
        ways.append(way)
    points = np.array([*ways[0][::-1], start, *ways[1]])
    return points if len(points) > 1 else np.repeat(points, 2, axis=0)
