"""Edges that more than two facets share, taken apart.

Where bodies touch in a file that names points by their coordinates alone, as STL does, their facets
share edges: four or more at one edge. The mesh kernel takes such a surface, pairs the facets as it
pleases, and may lose some of the volume about the edge (docs/decisions/0029). Here each facet is
paired with the one across the material between them, and what then hangs together gets points of
its own. So bodies that touch are bodies apart, as if they had been given one by one.
"""

from __future__ import annotations

import numpy as np

from soffit.part.model import Floats, Ints
from soffit.part.topology import Edges, edges_of, label

# Digits of an angle, rad, within which two facets are at one (derived: far above rounding, and two
# walls of a millimetre are then nowhere a micrometre apart).
ANGLE_DIGITS = 6


def taken_apart(vertices: Floats, triangles: Ints) -> tuple[Floats, Ints]:
    """A closed surface whose points (n, 3) are shared by its facets (m, 3) only where material goes
    on between them; its facets are those given, in their order.

    `triangles`: facets of which each edge is run along as often one way as the other.
    """
    edges = edges_of(triangles)
    one, other, edge = _pairs(vertices, triangles, edges)
    # The corners of two paired facets at either end of their edge are one point.
    corners = np.arange(triangles.size).reshape(-1, 3)
    joined = [np.column_stack([_corner(triangles, corners, f, edges.ends[edge, end])
                               for f in (one, other)]) for end in (0, 1)]
    count, point = label(np.concatenate(joined), triangles.size)
    where = np.empty((count, 3))
    where[point] = vertices[triangles.reshape(-1)]
    return where, point.reshape(-1, 3)


def _pairs(vertices: Floats, facets: Ints, edges: Edges) -> tuple[Ints, Ints, Ints]:
    """Facets that belong together at an edge, two by two, and the edge."""
    edge = np.repeat(np.arange(len(edges.start)), edges.count)
    two = edges.start[edges.count == 2]
    one, other, at = [edges.facet[two]], [edges.facet[two + 1]], [edge[two]]
    for k in np.flatnonzero(edges.count > 2).tolist():
        here = slice(edges.start[k], edges.start[k] + edges.count[k])
        down, up = _round(vertices, facets[edges.facet[here]], edges.ends[k], edges.up[here])
        one.append(edges.facet[here][down])
        other.append(edges.facet[here][up])
        at.append(np.full(len(down), k))
    return np.concatenate(one), np.concatenate(other), np.concatenate(at)


def _round(
    vertices: Floats, facets: Ints, ends: Ints, up: Ints
) -> tuple[Ints, Ints]:
    """Facets about one edge, paired across material: those that run down it, where material begins
    as one goes round it anticlockwise, and for each the one that runs up where it ends."""
    a, b = vertices[ends]
    along = (b - a) / np.linalg.norm(b - a)
    apex = facets.sum(axis=1) - ends.sum()
    away = vertices[apex] - a
    away = away - (away @ along)[:, None] * along
    x = away[np.argmax(np.linalg.norm(away, axis=1))]
    y = np.cross(along, x)
    angle = np.arctan2(away @ y, away @ x)
    # Of two at one angle material ends before it begins: walls that touch are two walls.
    order = np.lexsort([~up, np.round(angle, ANGLE_DIGITS)])
    # From where least is open, what begins first ends first: so bodies that overlap by rounding,
    # too, are two bodies.
    order = np.roll(order, -1 - int(np.argmin(np.cumsum(np.where(up[order], -1, 1)))))
    return order[~up[order]], order[up[order]]


def _corner(facets: Ints, corners: Ints, of: Ints, point: Ints) -> Ints:
    """The corner of each facet `of` that lies at a point."""
    return np.asarray(corners[of][facets[of] == point[:, None]])
