"""From solids to a `Part`: mesh, faces with all their fields, notes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from OCP.BRepTools import BRepTools
from OCP.TopoDS import TopoDS_Face, TopoDS_Shape

from soffit.errors import FileError
from soffit.part.brep.shapes import area_mm2, compound_of, faces_of, to_bytes
from soffit.part.brep.surfaces import describe, is_inward, normals, point_at
from soffit.part.brep.tessellate import Tessellation, tessellate
from soffit.part.model import Face, FileNote, Floats, Part, Source, Surface, Vec3, vec3


@dataclass(frozen=True)
class Tag:
    """What a face carries besides its geometry (see `Face`)."""

    name: str | None = None
    color: Vec3 | None = None
    origin: int | None = None
    edit: str | None = None


def assemble(
    solids: Sequence[TopoDS_Shape],
    tags: Sequence[Tag],
    source: Source,
    notes: Sequence[FileNote],
    deflection_mm: float,
) -> Part:
    """The part made of these solids, in their own frame. `tags` follow the order of faces.

    Raises FileError if no face can be meshed.
    """
    found = tessellate(solids, deflection_mm)
    if not len(found.mesh.triangles):
        raise FileError(
            f"reading {source.file}: none of its faces can be turned into triangles; "
            "check the geometry in CAD and export again",
            "file/mesh",
        )
    notes = [*notes]
    if not found.closed:
        notes.append(_mesh_note(found))
    return Part(
        source=source,
        mesh=found.mesh,
        faces=_faces(solids, tags, found),
        bodies=len(solids),
        closed=found.closed,
        notes=tuple(notes),
        brep=to_bytes(compound_of(solids)),
        deflection_mm=found.deflection_mm,
    )


def _mesh_note(found: Tessellation) -> FileNote:
    at = None
    if found.failed:
        at = _any_point(found.forms[found.failed[0] - 1])
        ids = ", ".join(map(str, found.failed[:5]))
        what = f"{len(found.failed)} face(s) cannot be turned into triangles ({ids})"
    else:
        what = f"the surface does not close along {found.open_edges} triangle edges"
    return FileNote(
        "file/mesh",
        "blocker",
        f"{what}; what lies over air cannot be told for sure: mend these faces in CAD",
        count=len(found.failed) or found.open_edges,
        at_mm=at,
    )


def _any_point(face: TopoDS_Face) -> Vec3:
    u0, u1, v0, v1 = BRepTools.UVBounds_s(face)
    return point_at(face, np.array([(u0 + u1) / 2, (v0 + v1) / 2]))


def _faces(
    solids: Sequence[TopoDS_Shape], tags: Sequence[Tag], found: Tessellation
) -> tuple[Face, ...]:
    mesh = found.mesh
    order = np.argsort(mesh.face_of, kind="stable")
    faces: list[Face] = []
    pairs = [(body, face) for body, solid in enumerate(solids) for face in faces_of(solid)]
    ids = np.arange(1, len(pairs) + 1)
    starts = np.searchsorted(mesh.face_of[order], ids, side="left")
    ends = np.searchsorted(mesh.face_of[order], ids, side="right")
    for index, ((body, face), tag) in enumerate(zip(pairs, tags, strict=True)):
        rows = order[starts[index] : ends[index]]
        form, corners = found.forms[index], mesh.corners[rows]
        faces.append(_face(index + 1, body, face, form, tag, corners, found.uv[rows]))
    return tuple(faces)


def _face(
    face_id: int,
    body: int,
    exact: TopoDS_Face,
    form: TopoDS_Face,
    tag: Tag,
    corners: Floats,
    uv: Floats,
) -> Face:
    what = describe(exact)
    if len(corners):
        point, at_uv = _middle(what.surface, corners, uv)
        centroid = point if what.surface is Surface.PLANE else np.asarray(point_at(form, at_uv))
    else:
        centroid, at_uv = np.asarray(_any_point(form)), np.zeros(2)
    normal = normals(form, what, centroid[None], at_uv[None])[0]
    if not np.isfinite(normal).all():
        normal = np.array([0.0, 0.0, 1.0])
    middles = corners.mean(axis=1)
    outward = normals(form, what, middles, uv) if len(corners) else np.empty((0, 3))
    return Face(
        id=face_id,
        surface=what.surface,
        body=body,
        area_mm2=area_mm2(exact),
        centroid=vec3(centroid),
        normal=vec3(normal),
        axis_point=what.axis_point,
        axis_dir=what.axis_dir,
        radius_mm=what.radius_mm,
        inward=is_inward(what, middles, outward),
        name=tag.name,
        color=tag.color,
        origin=tag.origin,
        edit=tag.edit,
    )


def _middle(surface: Surface, corners: Floats, uv: Floats) -> tuple[Floats, Floats]:
    """A point on the face near its centre of area, and the parameters next to it."""
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    weight = np.linalg.norm(cross, axis=1)
    middles = corners.mean(axis=1)
    if weight.sum() <= 0:
        return middles[0], uv[0]
    center = (weight[:, None] * middles).sum(axis=0) / weight.sum()
    away = np.round(np.linalg.norm(middles - center, axis=1), 9)
    nearest = int(np.argmin(away))
    if surface is Surface.PLANE and _inside_any(corners, cross, center):
        return center, uv[nearest]
    return middles[nearest], uv[nearest]


def _inside_any(corners: Floats, cross: Floats, point: Floats) -> bool:
    """Whether a point in the plane of the triangles lies in one of them."""
    inside = np.ones(len(corners), dtype=bool)
    for i in range(3):
        side = np.cross(corners[:, (i + 1) % 3] - corners[:, i], point - corners[:, i])
        inside &= np.einsum("ij,ij->i", side, cross) >= 0
    return bool(inside.any())
