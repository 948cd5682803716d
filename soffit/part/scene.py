"""A part together with the bodies that are printed beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from soffit.part.model import Body, Face, Mesh, Part, Surface


def with_bodies(part: Part, bodies: Sequence[Body]) -> Part:
    """`part` and its props as one part to review: their facets get faces after the part's own."""
    if not bodies:
        return part
    meshes = [part.mesh]
    faces = list(part.faces)
    for k, body in enumerate(bodies):
        low, high = body.mesh.bounds
        x, y, z = (0.5 * (low + high)).tolist()
        face_id = len(faces) + 1
        faces.append(
            Face(face_id, Surface.REGION, part.bodies + k, body.mesh.area_mm2, (x, y, z),
                 (0.0, 0.0, 1.0), name=body.name, edit=body.name)
        )
        count = len(body.mesh.triangles)
        meshes.append(
            replace(
                body.mesh,
                face_of=np.full(count, face_id, dtype=np.int64),
                body_of=np.full(count, part.bodies + k, dtype=np.int64),
            )
        )
    offsets = np.cumsum([0] + [len(m.vertices) for m in meshes[:-1]])
    mesh = Mesh(
        np.concatenate([m.vertices for m in meshes]),
        np.concatenate([m.triangles + o for m, o in zip(meshes, offsets, strict=True)]),
        np.concatenate([m.face_of for m in meshes]),
        np.concatenate([m.normals for m in meshes]),
        np.concatenate([m.body_of for m in meshes]),
    )
    return replace(part, mesh=mesh, faces=tuple(faces), bodies=part.bodies + len(bodies), brep=None)


def first_bodies(part: Part, count: int) -> Part:
    """The part with its first `count` bodies alone, as a mesh; the part itself if those are all."""
    if count >= part.bodies:
        return part
    return replace(part, mesh=only(part.mesh, part.mesh.body_of < count), bodies=count, brep=None)


def only(mesh: Mesh, keep: NDArray[np.bool_]) -> Mesh:
    """A mesh with the facets (n,) that are kept; its corners stay as they are numbered."""
    return Mesh(mesh.vertices, mesh.triangles[keep], mesh.face_of[keep], mesh.normals[keep],
                np.ascontiguousarray(mesh.body_of[keep]))
