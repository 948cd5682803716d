"""Between `Mesh` and the mesh kernel.

The mesh kernel takes any closed, consistently wound surface; bodies that overlap count
once (positive fill) and a body wound inwards inside another is a void.
"""

from __future__ import annotations

import manifold3d as m3
import numpy as np

from soffit.errors import GeometryError
from soffit.part.model import Mesh


def to_manifold(mesh: Mesh) -> m3.Manifold | None:
    """The mesh as one kernel solid, face ids kept; None where its surface is not closed."""
    vertices, triangles, face_of = (
        np.require(array, requirements=["C", "W"])
        for array in (mesh.vertices, mesh.triangles, mesh.face_of)
    )
    solid = m3.Manifold(
        m3.Mesh64(
            vert_properties=vertices,
            # The same bytes read as numbers without a sign: no copy is made.
            tri_verts=triangles.view(np.uint64),
            face_id=face_of.view(np.uint64),
        )
    )
    return solid if solid.status() == m3.Error.NoError else None


def require(solid: m3.Manifold, doing: str) -> m3.Manifold:
    """`solid` if the kernel made it without error; raises GeometryError naming `doing`."""
    status = solid.status()
    if status != m3.Error.NoError:
        raise GeometryError(f"{doing}: the mesh kernel answered {status.name}; not applied")
    return solid
