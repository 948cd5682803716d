"""Solid expressions evaluated by the mesh kernel.

Outlines and facets keep their exact coordinates, so that faces meant to coincide do.
`Drop` sweeps triangles of the part; everything else needs no part.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from weakref import ref

import manifold3d as m3
import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from soffit.errors import GeometryError
from soffit.part.manifold import built, require
from soffit.part.model import Body, Floats, Ints, Mesh, Part
from soffit.part.primitives import combined, cone, extrusion, polyhedron, prism
from soffit.part.solid import (
    Cone,
    Difference,
    Drop,
    Extrusion,
    Fitted,
    Hull,
    Intersection,
    Moved,
    Polyhedron,
    Prism,
    Solid,
    Union,
)

# Facets that meet at less than this are one smooth face: a circle of 24 segments or more
# reads as round (common practice, no source).
SMOOTH_DEG = 15.0

# A triangle whose plan area is below this share of its area stands upright and sweeps
# nothing (derived: far above rounding, far below any slope that prints).
UPRIGHT = 1e-9

# Solids evaluated last are kept: an option is asked for its cost, its reach and its props, and is
# tried later (own choice: the options of some thirty places).
MOST_RECENT = 256
_recent: dict[tuple[int, int], tuple[Solid, Callable[[], Mesh | None], m3.Manifold]] = {}


def evaluate(solid: Solid, part: Part | None = None) -> m3.Manifold:
    """`solid` as a mesh-kernel solid; `part` is the one whose triangles a `Drop` names.

    Raises GeometryError where the expression is not a solid.
    """
    mesh = None if part is None else part.mesh
    key = (id(solid), id(mesh))
    known = _recent.pop(key, None)
    # The solid is kept, so that its id is its own; a mesh, which may be large, is not.
    if known is None or known[1]() is not mesh:
        known = (solid, _nothing if mesh is None else ref(mesh), _evaluated(solid, part))
    # At the end; what was asked for longest ago goes.
    _recent[key] = known
    while len(_recent) > MOST_RECENT:
        _recent.pop(next(iter(_recent)), None)
    return known[2]


def _nothing() -> None:
    """What stands for the mesh of no part."""


def _evaluated(solid: Solid, part: Part | None) -> m3.Manifold:
    if isinstance(solid, Union):
        return combined([_evaluated(p, part) for p in solid.parts], m3.OpType.Add)
    if isinstance(solid, Intersection):
        return combined([_evaluated(p, part) for p in solid.parts], m3.OpType.Intersect)
    if isinstance(solid, Difference):
        made = _evaluated(solid.base, part) - _evaluated(solid.tool, part)
        return require(made, "subtract one solid from another")
    if isinstance(solid, Moved):
        return _evaluated(solid.solid, part).transform(np.ascontiguousarray(solid.matrix[:3]))
    if isinstance(solid, Prism):
        return prism(solid)
    if isinstance(solid, Extrusion):
        return extrusion(solid)
    if isinstance(solid, Hull):
        return require(m3.Manifold.hull_points(np.ascontiguousarray(solid.points)), "make a hull")
    if isinstance(solid, Cone):
        return cone(solid)
    if isinstance(solid, Drop):
        return _drop(solid, part)
    if isinstance(solid, Polyhedron):
        return polyhedron(solid)
    if isinstance(solid, Fitted):
        return _evaluated(solid.mesh, part)
    raise GeometryError(f"evaluate a solid: {type(solid).__name__} is not a known expression")


def solid_mesh(solid: Solid, part: Part | None = None) -> Mesh:
    """`solid` as one closed mesh whose faces are its planes and smooth regions."""
    vertices, triangles = arrays(evaluate(solid, part))
    face_of = smooth_regions(vertices, triangles) + 1
    return Mesh(
        vertices,
        triangles,
        face_of,
        facet_normals(vertices, triangles),
        np.zeros(len(triangles), dtype=np.int64),
    )


def make_body(name: str, solid: Solid, part: Part | None = None) -> Body:
    """`solid` as a separate named body."""
    return Body(name, solid, solid_mesh(solid, part))


def arrays(made: m3.Manifold) -> tuple[Floats, Ints]:
    """Vertices (n, 3) and triangles (m, 3) of a kernel solid, each vertex once."""
    mesh = made.to_mesh64()
    return merged(mesh)


def merged(mesh: m3.Mesh64) -> tuple[Floats, Ints]:
    """Vertices and triangles of a kernel mesh with the kernel's own merges carried out."""
    vertices = np.array(mesh.vert_properties[:, :3], dtype=np.float64)
    into = np.arange(len(vertices))
    into[np.asarray(mesh.merge_from_vert, dtype=np.int64)] = np.asarray(
        mesh.merge_to_vert, dtype=np.int64
    )
    triangles = into[np.asarray(mesh.tri_verts, dtype=np.int64)]
    used, index = np.unique(triangles, return_inverse=True)
    return vertices[used], index.reshape(-1, 3).astype(np.int64)


def facet_normals(vertices: Floats, triangles: Ints) -> Floats:
    """Unit normal of each triangle, (m, 3); zero for one without area."""
    c = vertices[triangles]
    cross = np.cross(c[:, 1] - c[:, 0], c[:, 2] - c[:, 0])
    length = np.linalg.norm(cross, axis=1)
    return np.asarray(cross / np.where(length > 0, length, 1.0)[:, None])


def smooth_regions(vertices: Floats, triangles: Ints, limit_deg: float = SMOOTH_DEG) -> Ints:
    """Number of the smooth region that each triangle belongs to, (m,), from 0.

    Two triangles that share an edge are in one region where their normals differ by less
    than `limit_deg`; one without area joins any neighbour. Numbered by first triangle.
    """
    count = len(triangles)
    normals = facet_normals(vertices, triangles)
    a, b = neighbours(triangles)
    flat = np.einsum("ij,ij->i", normals, normals) < 0.5
    cos = np.einsum("ij,ij->i", normals[a], normals[b])
    joined = (cos > math.cos(math.radians(limit_deg))) | flat[a] | flat[b]
    graph = coo_matrix((np.ones(joined.sum()), (a[joined], b[joined])), shape=(count, count))
    _, label = connected_components(graph, directed=False)
    return np.asarray(label, dtype=np.int64)


def neighbours(triangles: Ints) -> tuple[Ints, Ints]:
    """Pairs of triangles that share an edge, two (k,) arrays."""
    start = triangles.ravel()
    end = np.roll(triangles, -1, axis=1).ravel()
    owner = np.repeat(np.arange(len(triangles)), 3)
    low, high = np.minimum(start, end), np.maximum(start, end)
    order = np.lexsort((owner, high, low))
    low, high, owner = low[order], high[order], owner[order]
    same = (low[1:] == low[:-1]) & (high[1:] == high[:-1])
    return owner[:-1][same], owner[1:][same]


def _drop(solid: Drop, part: Part | None) -> m3.Manifold:
    if part is None:
        raise GeometryError("sweep faces down: no part was given that they belong to")
    corners = part.mesh.vertices[part.mesh.triangles[solid.triangles]]
    cross = part.mesh.cross[solid.triangles]
    size = np.linalg.norm(cross, axis=1)
    if (cross[:, 2] > UPRIGHT * size).any():
        raise GeometryError("sweep faces down: a face that looks up was named")
    keep = cross[:, 2] < -UPRIGHT * size
    triangles = part.mesh.triangles[solid.triangles][keep]
    if not len(triangles) or solid.depth <= 0:
        return m3.Manifold()
    made = _drop_whole(part.mesh.vertices, triangles, solid.depth)
    if made is None:
        made = _drop_each(corners[keep], solid.depth)
    lumps = made.decompose()
    return combined(lumps, m3.OpType.Add)


def _drop_whole(vertices: Floats, triangles: Ints, depth: float) -> m3.Manifold | None:
    """One closed surface: triangles on top, a copy below, walls along the border.

    A vertex where the set only touches itself is split, one copy for each fan of triangles.
    None where an edge belongs to more than two of the triangles.
    """
    count = len(triangles)
    a, b = neighbours(triangles)
    start = triangles.ravel()
    end = np.roll(triangles, -1, axis=1).ravel()
    edges = np.stack([np.minimum(start, end), np.maximum(start, end)], axis=1)
    _, edge_of, uses = np.unique(edges, axis=0, return_inverse=True, return_counts=True)
    if (uses > 2).any():
        return None
    corner_of = np.arange(3 * count).reshape(count, 3)
    pairs = []
    for i in range(3):
        for j in range(3):
            shared = triangles[a, i] == triangles[b, j]
            pairs.append(np.stack([corner_of[a[shared], i], corner_of[b[shared], j]], axis=1))
    link = np.concatenate(pairs)
    graph = coo_matrix((np.ones(len(link)), (link[:, 0], link[:, 1])), shape=(3 * count,) * 2)
    nodes, label = connected_components(graph, directed=False)
    first = np.zeros(nodes, dtype=np.int64)
    first[label[::-1]] = start[::-1]
    tops = vertices[first]
    bottoms = tops - np.array([0.0, 0.0, depth])
    split = label.reshape(count, 3)
    border = uses[edge_of.reshape(-1)] == 1
    here = split.ravel()[border]
    after = np.roll(split, -1, axis=1).ravel()[border]
    # Seen from below the triangles are counter-clockwise, so outside lies to the right of
    # each border edge seen from above.
    walls = np.concatenate(
        [
            np.stack([here, after, after + nodes], axis=1),
            np.stack([here, after + nodes, here + nodes], axis=1),
        ]
    )
    return built(
        np.concatenate([tops, bottoms]),
        np.concatenate([split[:, ::-1], split + nodes, walls]),
    )


def _drop_each(corners: Floats, depth: float) -> m3.Manifold:
    down = np.array([0.0, 0.0, depth])
    lumps = [m3.Manifold.hull_points(np.concatenate([c, c - down])) for c in corners]
    return combined(lumps, m3.OpType.Add)
