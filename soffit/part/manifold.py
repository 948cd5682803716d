"""Between `Mesh` and the mesh kernel.

The mesh kernel takes any closed, consistently wound surface; bodies that overlap count
once (positive fill) and a body wound inwards inside another is a void. Bodies that share edges are
taken apart there first (`crowded`).
"""

from __future__ import annotations

import manifold3d as m3
import numpy as np

from soffit.errors import GeometryError
from soffit.part.crowded import taken_apart
from soffit.part.model import Floats, Ints, Mesh
from soffit.part.topology import pairs_up


def to_manifold(mesh: Mesh) -> m3.Manifold | None:
    """The mesh as one kernel solid, face ids kept; None where its surface is not closed."""
    return built(mesh.vertices, mesh.triangles, mesh.face_of)


def built(vertices: Floats, triangles: Ints, face_of: Ints | None = None) -> m3.Manifold | None:
    """A surface as one kernel solid, its face ids kept where they are given; None where it is not
    closed."""
    pairs, crowded = pairs_up(triangles)
    if not pairs:
        return None  # the kernel may crash on such a one
    if crowded:
        vertices, triangles = taken_apart(vertices, triangles)
    # The same bytes read as numbers without a sign: no copy is made where there need not be one.
    corners, ids = (
        np.require(array, np.int64, ["C", "W"]).view(np.uint64)
        for array in (triangles, np.empty(0, np.int64) if face_of is None else face_of))
    points = np.require(vertices, np.float64, ["C", "W"])
    solid = m3.Manifold(m3.Mesh64(vert_properties=points, tri_verts=corners, face_id=ids))
    return solid if solid.status() == m3.Error.NoError else None


def require(solid: m3.Manifold, doing: str) -> m3.Manifold:
    """`solid` if the kernel made it without error; raises GeometryError naming `doing`."""
    status = solid.status()
    if status != m3.Error.NoError:
        raise GeometryError(f"{doing}: the mesh kernel answered {status.name}; not applied")
    return solid
