"""Single solids as the mesh kernel has them: prisms, sweeps, cones, polyhedra.

Outlines and facets keep their exact coordinates, so that faces meant to coincide do.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import manifold3d as m3
import numpy as np

from soffit.errors import GeometryError
from soffit.part.manifold import built, require
from soffit.part.model import Floats
from soffit.part.solid import Cone, Extrusion, Polyhedron, Prism


def combined(parts: Sequence[m3.Manifold], op: m3.OpType) -> m3.Manifold:
    """Several solids as one; none of none."""
    if not parts:
        return m3.Manifold()
    if len(parts) == 1:
        return parts[0]
    return require(m3.Manifold.batch_boolean(list(parts), op), "combine solids")


def _closed(made: m3.Manifold | None, doing: str) -> m3.Manifold:
    if made is None:
        raise GeometryError(f"{doing}: its surface is not closed; not applied")
    return made


def _sweep(rings: Sequence[Floats], top: Floats, bottom: Floats) -> m3.Manifold | None:
    """Closed solid between two copies of the points of plan `rings`; walls between them. None where
    it does not close."""
    plan = [np.ascontiguousarray(ring, dtype=np.float64) for ring in rings]
    cap = np.asarray(m3.triangulate(plan), dtype=np.int64).reshape(-1, 3)
    count = len(top)
    here = np.arange(count)
    after = np.empty(count, dtype=np.int64)
    at = 0
    for ring in plan:
        after[at : at + len(ring)] = at + np.roll(np.arange(len(ring)), -1)
        at += len(ring)
    walls = np.concatenate(
        [
            np.stack([here, after, after + count], axis=1),
            np.stack([here, after + count, here + count], axis=1),
        ]
    )
    # First copy below, second above: the walls face outwards for a counter-clockwise ring.
    return built(
        np.concatenate([bottom, top]), np.concatenate([cap[:, ::-1], cap + count, walls])
    )


def prism(solid: Prism) -> m3.Manifold:
    """A plan outline between two heights."""
    if solid.z1 <= solid.z0 or not solid.rings:
        return m3.Manifold()
    points = np.concatenate(solid.rings)
    low = np.column_stack([points, np.full(len(points), solid.z0)])
    high = np.column_stack([points, np.full(len(points), solid.z1)])
    made = _sweep(solid.rings, high, low)
    if made is not None and made.volume() > 0:
        return made
    # Rings that touch or cross: let the polygon kernel clean them (1e-8 mm grid).
    section = m3.CrossSection([np.ascontiguousarray(r) for r in solid.rings], m3.FillRule.Positive)
    made = section.extrude(solid.z1 - solid.z0).translate((0.0, 0.0, solid.z0))
    return require(made, "extrude a plan outline")


def _plane_axes(normal: Floats) -> tuple[Floats, Floats]:
    """Two unit vectors that make a right-handed frame with the unit `normal`."""
    x, y, z = normal.tolist()
    # Written out: the library's cross product takes twenty times as long for a few numbers.
    u = np.array([(0.0, -z, y), (z, 0.0, -x), (-y, x, 0.0)][
        int(np.argmin(np.abs(np.round(normal, 9))))])
    u /= np.linalg.norm(u)
    a, b, c = u.tolist()
    return u, np.array([y * c - z * b, z * a - x * c, x * b - y * a])


def _newell(polygon: Floats) -> Floats:
    """Area vector of a planar polygon (Newell's method), (3,); half its cross-product sum."""
    origin = polygon[0]
    p = polygon - origin
    (x, y, z), (a, b, c) = p.T, np.concatenate([p[1:], p[:1]]).T
    cross = np.stack([y * c - z * b, z * a - x * c, x * b - y * a], axis=1)
    return np.asarray(0.5 * cross.sum(axis=0))


def extrusion(solid: Extrusion) -> m3.Manifold:
    """A planar polygon swept along a vector. Raises GeometryError where it has no area."""
    polygon = np.asarray(solid.polygon, dtype=np.float64)
    along = np.asarray(solid.along, dtype=np.float64)
    area = _newell(polygon)
    size = float(np.linalg.norm(area))
    if size == 0 or abs(float(area @ along)) < 1e-12 * size:
        raise GeometryError("sweep a polygon: it has no area, or is swept within its own plane")
    if area @ along < 0:
        polygon, area = polygon[::-1], -area
    u, v = _plane_axes(area / size)
    plan = np.column_stack([polygon @ u, polygon @ v])
    return _closed(_sweep([plan], polygon + along, polygon), "sweep a polygon")


def cone(solid: Cone) -> m3.Manifold:
    """A cone or cylinder, or a sector of one, in facets. Raises GeometryError without radii."""
    if solid.sector is not None:
        return _cone_sector(solid, *solid.sector)
    n = solid.segments
    axis = np.asarray(solid.axis, dtype=np.float64)
    axis = axis / np.linalg.norm(axis)
    u, v = _plane_axes(axis)
    if abs(axis[2]) > 1 - 1e-12:
        u, v = np.array([1.0, 0.0, 0.0]), np.array([0.0, axis[2], 0.0])
    turn = 2 * np.pi * np.arange(n) / n
    circle = np.cos(turn)[:, None] * u + np.sin(turn)[:, None] * v
    grow = 1.0 / math.cos(math.pi / n) if solid.outside else 1.0
    low = np.asarray(solid.base, dtype=np.float64)
    high = low + axis * solid.length
    here = np.arange(n)
    after = np.roll(here, -1)
    vertices = [low[None], high[None]]
    triangles = []
    rims = []
    at = 2
    for centre, radius in ((low, solid.r0), (high, solid.r1)):
        rims.append(at if radius > 0 else -1)
        if radius > 0:
            vertices.append(centre + grow * radius * circle)
            at += n
    lower, upper = rims
    if lower >= 0:
        triangles.append(np.stack([np.zeros(n, int), lower + after, lower + here], axis=1))
    if upper >= 0:
        triangles.append(np.stack([np.ones(n, int), upper + here, upper + after], axis=1))
    if lower >= 0 and upper >= 0:
        triangles.append(np.stack([lower + here, lower + after, upper + after], axis=1))
        triangles.append(np.stack([lower + here, upper + after, upper + here], axis=1))
    elif lower >= 0:
        triangles.append(np.stack([lower + here, lower + after, np.ones(n, int)], axis=1))
    elif upper >= 0:
        triangles.append(np.stack([np.zeros(n, int), upper + after, upper + here], axis=1))
    else:
        raise GeometryError("make a cone: both radii are zero")
    return _closed(built(np.concatenate(vertices), np.concatenate(triangles)), "make a cone")


def _cone_sector(solid: Cone, start: float, turn: float) -> m3.Manifold:
    """The convex pieces of a sector of a cone that stands upright, side by side."""
    n = max(2, math.ceil(solid.segments * turn / (2 * math.pi)))
    grow = 1.0 / math.cos(0.5 * turn / n) if solid.outside else 1.0
    angle = start + turn * np.arange(n + 1) / n
    rim = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(n + 1)])
    low = np.asarray(solid.base, dtype=np.float64)
    high = low + np.array([0.0, 0.0, solid.length])
    pieces = []
    for a, b in itertools.pairwise(rim):
        corners = [low, high]
        for centre, radius in ((low, solid.r0), (high, solid.r1)):
            if radius > 0:
                corners += [centre + grow * radius * a, centre + grow * radius * b]
        pieces.append(m3.Manifold.hull_points(np.array(corners)))
    return combined(pieces, m3.OpType.Add)


def polyhedron(solid: Polyhedron) -> m3.Manifold:
    """A solid of planar faces. Raises GeometryError where they do not close."""
    vertices = np.asarray(solid.vertices, dtype=np.float64)
    triangles = []
    for loop in solid.loops:
        index = np.asarray(loop, dtype=np.int64)
        if len(index) == 3:
            triangles.append(index[None])
            continue
        area = _newell(vertices[index])
        size = float(np.linalg.norm(area))
        if size <= 0.0:  # its corners lie on one line: a fan of facets without area closes it
            rest = index[1:]
            fan = [np.full(len(rest) - 1, index[0]), rest[:-1], rest[1:]]
            triangles.append(np.column_stack(fan))
            continue
        u, v = _plane_axes(area / size)
        plan = np.column_stack([vertices[index] @ u, vertices[index] @ v])
        triangles.append(index[np.asarray(m3.triangulate([plan]), dtype=np.int64)])
    return _closed(built(vertices, np.concatenate(triangles)), "make a polyhedron")
