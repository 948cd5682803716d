"""Reading meshes that are already in memory: mesh-library objects, kernel solids, arrays."""

from __future__ import annotations

import hashlib
from typing import Any

import numpy as np

from soffit.errors import FileError, InputError
from soffit.part.raw import RawMesh
from soffit.part.units import unit_named


def is_brep(source: object) -> bool:
    """Whether an object is a B-rep shape, or a script-CAD object that wraps one."""
    wrapped = getattr(source, "wrapped", source)
    return type(wrapped).__module__.split(".")[0] == "OCP" or hasattr(source, "wrapped")


def from_object(source: Any) -> tuple[RawMesh, str]:
    """Triangles of an object, and a name for messages.

    Accepted: a trimesh `Trimesh` or `Scene` (its `units` count as stated by the object), a
    manifold3d `Manifold`, anything with `vertices` and `faces`, and a pair of arrays
    (n, 3) and (m, 3).

    Raises InputError for anything else, FileError for arrays that are no mesh.
    """
    kind = type(source).__name__
    name = f"a {kind} object"
    unit = getattr(source, "units", None)
    if hasattr(source, "to_mesh64"):
        solid = source.to_mesh64()
        pair = (np.asarray(solid.vert_properties)[:, :3], solid.tri_verts)
    elif hasattr(source, "geometry") and hasattr(source, "to_mesh"):
        if not source.geometry:
            raise FileError(f"reading {name}: the scene is empty: add a mesh", "file/empty")
        flat = source.to_mesh()
        pair = (flat.vertices, flat.faces)
    elif hasattr(source, "vertices") and hasattr(source, "faces"):
        pair = (source.vertices, source.faces)
    elif isinstance(source, (tuple, list)) and len(source) == 2:
        pair = (source[0], source[1])
        name = "a pair of arrays"
    else:
        raise InputError(f"reading {name}: it is neither a path, a mesh, a pair of arrays "
                         f"(vertices, triangles), nor a B-rep shape: give one of these")
    try:
        vertices = np.array(pair[0], dtype=np.float64)
        triangles = np.array(pair[1])
        if triangles.size and not np.issubdtype(triangles.dtype, np.integer):
            raise ValueError
        triangles = triangles.astype(np.int64)
        if vertices.ndim != 2 or (triangles.size and triangles.ndim != 2):
            raise ValueError
    except (ValueError, TypeError, OverflowError):
        raise FileError(f"reading {name}: it needs vertices (n, 3) of numbers and triangles (m, 3) "
                        f"of whole numbers") from None
    if not triangles.size:
        raise FileError(f"reading {name}: it has no facets: mesh it first", "file/empty")
    if vertices.shape[1] != 3 or triangles.shape[1] != 3:
        raise FileError(f"reading {name}: its arrays are {vertices.shape} and {triangles.shape}, "
                        f"not (n, 3) and (m, 3): give triangles in space")
    if triangles.min() < 0 or triangles.max() >= len(vertices):
        raise FileError(f"reading {name}: a triangle names vertex "
                        f"{int(triangles.min()) if triangles.min() < 0 else int(triangles.max())} "
                        f"of {len(vertices)}: check the indices", "file/index")
    stated = unit_named(unit) if isinstance(unit, str) and unit else None
    return RawMesh("object", vertices, triangles, stated), name


def digest(raw: RawMesh) -> str:
    """SHA-256 of the arrays, in a fixed byte order, standing in for that of a file."""
    total = hashlib.sha256()
    total.update(np.ascontiguousarray(raw.vertices, "<f8").tobytes())
    total.update(np.ascontiguousarray(raw.triangles, "<i8").tobytes())
    return total.hexdigest()
