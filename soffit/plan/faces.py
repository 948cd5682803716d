"""Faces described by what survives a revision: form, size, place and way of facing.

Numbers of faces do not survive: a hole more and all that follow are called otherwise. All
descriptions are in the frame of the customer's file, mm, and are taken from the triangles, so
that the same face of a STEP file and of a mesh is described alike.
"""

from __future__ import annotations

import numpy as np
from pydantic import BaseModel, ConfigDict

from soffit.part.model import Face, Floats, Ints, Mesh, Part, Surface, Vec3
from soffit.part.topology import edges_of

DECIMALS = 6  # as in the reports: a nanometre (derived)

# Facets of one curved face turn by less from one to the next; more is an edge within a face
# that says nothing about how finely it is drawn (derived: what the reader of meshes takes for
# smooth, 31°, rounded up).
_SMOOTH_RAD = 0.6

Moments = tuple[float, float, float, float, float, float]


class FaceDescription(BaseModel):
    """One face, in the file's frame.

    `at_mm`: its centre of area. `normal`: mean outward normal over its area; of length 1 for a
    plane, 0 for a whole bore. `moments_mm2`: second moments of area about `at_mm` over the area,
    xx, yy, zz, xy, xz, yz: its extents and how it lies. `radius_mm`, `axis`, `inward`: as those
    of `soffit.Face`, the axis without sense. `slack_mm`: how far the triangles of it and of its
    neighbours may lie off the true surface.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    id: int
    surface: Surface
    area_mm2: float
    perimeter_mm: float
    at_mm: Vec3
    normal: Vec3
    moments_mm2: Moments
    radius_mm: float | None = None
    axis: Vec3 | None = None
    inward: bool = False
    slack_mm: float = 0.0


def describe_faces(part: Part) -> tuple[FaceDescription, ...]:
    """All faces of a part, by id; numbers are rounded as they are written in a recipe."""
    count = len(part.faces)
    turn, shift = part.placement[:3, :3], part.placement[:3, 3]
    mesh = part.mesh
    corners = (mesh.corners - shift) @ turn
    of = mesh.face_of - 1
    area = np.bincount(of, mesh.areas, count)
    safe = np.where(area > 0.0, area, 1.0)
    # A face without area is still somewhere: where its reader says.
    at = (np.array([f.centroid for f in part.faces]).reshape(-1, 3) - shift) @ turn
    mean = _sum(of, mesh.areas[:, None] * corners.mean(axis=1), count) / safe[:, None]
    at[area > 0.0] = mean[area > 0.0]
    normal = _sum(of, mesh.areas[:, None] * (mesh.normals @ turn), count) / safe[:, None]
    # ∫ x xᵀ over a triangle = area / 12 · (Σ pᵢ pᵢᵀ + Σp Σpᵀ), pᵢ its corners (derived).
    away = corners - at[of][:, None, :]
    total = away.sum(axis=1)
    second = np.einsum("tki,tkj->tij", away, away) + np.einsum("ti,tj->tij", total, total)
    second *= (mesh.areas / 12.0)[:, None, None]
    moments = _sum(of, second.reshape(-1, 9), count) / safe[:, None]
    slack, perimeter = _borders(mesh, part.faces)
    return tuple(
        FaceDescription(
            id=face.id,
            surface=face.surface,
            area_mm2=_round(area[k]),
            perimeter_mm=_round(perimeter[k]),
            at_mm=_vec3(at[k]),
            normal=_vec3(normal[k]),
            moments_mm2=_six(moments[k]),
            radius_mm=None if face.radius_mm is None else _round(face.radius_mm),
            axis=None if face.axis_dir is None else _vec3(_axis(turn.T @ face.axis_dir)),
            inward=face.inward,
            slack_mm=_round(slack[k]),
        )
        for k, face in enumerate(part.faces)
    )


def _sum(of: Ints, values: Floats, count: int) -> Floats:
    """Sums of `values` (m, k) by face, (count, k)."""
    columns = [np.bincount(of, values[:, k], count) for k in range(values.shape[1])]
    return np.column_stack(columns)


def _borders(mesh: Mesh, faces: tuple[Face, ...]) -> tuple[Floats, Floats]:
    """Of each face how far off its triangles may be, (n,) mm, and how long its border is."""
    count = len(faces)
    slack, perimeter = np.zeros(count), np.zeros(count)
    if not len(mesh.triangles):
        return slack, perimeter
    edges = edges_of(mesh.triangles)
    ends = mesh.vertices[edges.ends]
    length = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)
    of_edge = np.repeat(np.arange(len(length)), edges.count)
    face = mesh.face_of[edges.facet] - 1
    two = edges.count == 2
    first, second = edges.facet[edges.start[two]], edges.facet[edges.start[two] + 1]
    inner = np.zeros(len(length), dtype=bool)
    inner[two] = mesh.face_of[first] == mesh.face_of[second]
    border = ~inner[of_edge]
    perimeter += np.bincount(face[border], length[of_edge[border]], count)

    # A chord w whose neighbour turns by t from it lies w·t/8 off the arc (derived).
    flat = np.array([f.surface is Surface.PLANE for f in faces])
    curved = inner[two] & ~flat[mesh.face_of[first] - 1] & (length[two] > 0.0)
    one, other = first[curved], second[curved]
    cross = np.linalg.norm(np.cross(mesh.cross[one], mesh.cross[other]), axis=1)
    turn = np.arctan2(cross, np.einsum("ij,ij->i", mesh.cross[one], mesh.cross[other]))
    chord = (mesh.areas[one] + mesh.areas[other]) / length[two][curved]
    off = np.where(turn < _SMOOTH_RAD, chord * turn / 8.0, 0.0)
    own = np.zeros(count)
    np.maximum.at(own, mesh.face_of[one] - 1, off)
    slack = np.maximum(slack, own)
    outer = ~inner[two]
    one, other = mesh.face_of[first[outer]] - 1, mesh.face_of[second[outer]] - 1
    np.maximum.at(slack, one, own[other])
    np.maximum.at(slack, other, own[one])
    return slack, perimeter


def _axis(direction: Floats) -> Floats:
    """An axis without sense: its first component that is not nothing is positive."""
    first = int(np.flatnonzero(np.abs(direction) > 1e-6)[0])
    return np.asarray(direction * np.sign(direction[first]))


def _round(value: float) -> float:
    return round(float(value), DECIMALS) + 0.0


def _vec3(values: Floats) -> Vec3:
    x, y, z = (_round(v) for v in values.tolist())
    return (x, y, z)


def _six(flat: Floats) -> Moments:
    xx, xy, xz, _, yy, yz, _, _, zz = (_round(v) for v in flat.tolist())
    return (xx, yy, zz, xy, xz, yz)
