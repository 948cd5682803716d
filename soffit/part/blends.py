"""Blends: round faces that lead from one face of a part to another without an edge.

A fillet in an inner corner and a rounding of an outer edge are the same kind of face: part of a
cylinder, or of a torus, tangent to what lies on both of its sides. In a corner where blends meet
there is a ball that is tangent to them all. A B-rep says what a face lies on; in a mesh the rows
of strips that have been recognised as cylinders count. Slyadnev & Turlapov (Prog. Comput. Softw.
46:233, 2020) find blends by the same two marks, their surface and their tangency.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from soffit.part.mesh_solid import neighbours
from soffit.part.model import Face, Floats, Ints, Part, Surface

# Two surfaces are tangent whose normals along their common edge differ by less (derived: a fitted
# axis of a mesh is off by up to a few hundredths of the radius).
TANGENT_DEG = 2.5
# The same where a neighbour's normal is only known beside the edge (derived: half of the turn
# from one facet of a curve to the next, 31° at the coarsest, twice as fine).
BESIDE_DEG = 8.0
# Normals along a side turn by less than this towards the build direction, along an end by more
# (derived: far over rounding, far under the turn of any blend that is recognised, 15°).
ALONG = 0.01

# The surfaces whose normal a face's own data give.
_KNOWN = frozenset({Surface.PLANE, Surface.CYLINDER, Surface.SPHERE, Surface.TORUS})


@dataclass(frozen=True)
class Side:
    """A face that a blend is tangent to along its length: its id and, where they meet, one
    outward unit normal (3,) and the height, mm."""

    face: int
    normal: Floats
    z_mm: float


@dataclass(frozen=True)
class Blend:
    """A round face between others.

    `radius_mm` is that of the rounding. `hollow`: material lies outside the round, as in a fillet
    of an inner corner. `centre` (3,): a point on its axis, the middle of its torus or ball;
    `axis` (3,) unit vector, of a ball None. `ring_mm`: radius of the circle on which the middle of
    a torus's section runs, 0 for a ball, None for a cylinder. `sides` lead across it, lowest
    first; `ends`: faces that it is tangent to at its ends.
    """

    face: int
    radius_mm: float
    hollow: bool
    centre: Floats
    axis: Floats | None
    ring_mm: float | None
    sides: tuple[Side, ...]
    ends: tuple[int, ...]


def blend_of(part: Part, face_id: int) -> Blend | None:
    """The blend that a face is, or None."""
    face = part.face(face_id)
    if face.surface not in _KNOWN or face.surface is Surface.PLANE or face.axis_point is None:
        return None
    sides, ends = _tangent(part, face)
    if face.surface is Surface.SPHERE:
        if len(sides) + len(ends) < 3:
            return None
    elif len(sides) < 2:
        return None
    ring, radius = None, face.radius_mm or 0.0
    if face.surface is Surface.TORUS:
        ring = radius
        points = part.mesh.corners[part.mesh.of_face(face_id)].reshape(-1, 3)
        radius = float(np.median(np.linalg.norm(from_middle(face, points), axis=1)))
    elif face.surface is Surface.SPHERE:
        ring = 0.0
    return Blend(face_id, radius, face.inward, np.array(face.axis_point),
                 None if face.axis_dir is None else np.array(face.axis_dir), ring,
                 tuple(sorted(sides, key=lambda side: (side.z_mm, side.face))), tuple(ends))


def _tangent(part: Part, face: Face) -> tuple[list[Side], list[int]]:
    """The neighbours of a round face that it is tangent to all along their common edge."""
    sides: list[Side] = []
    ends: list[int] = []
    for other, own, facets, theirs in _borders(part, face.id):
        points = part.mesh.vertices[own]
        normals = normals_at(face, points)
        if part.face(other).surface in _KNOWN:
            beside, most = normals_at(part.face(other), points), TANGENT_DEG
        else:
            beside, most = np.repeat(part.mesh.normals[theirs], 2, axis=0), BESIDE_DEG
        if float(np.einsum("ij,ij->i", normals, beside).min()) < math.cos(math.radians(most)):
            continue
        if float(np.ptp(normals[:, 2])) < ALONG:
            sides.append(Side(other, normals[0], float(points[:, 2].mean())))
        elif len(facets):
            ends.append(other)
    return sides, ends


def _borders(part: Part, face_id: int) -> list[tuple[int, Ints, Ints, Ints]]:
    """Each neighbour of a face: its id, the corners of their common edges (2k,), and the facets
    on this and on that side (k,)."""
    mesh = part.mesh
    a, b = neighbours(mesh.triangles)
    mine, yours = mesh.face_of[a] == face_id, mesh.face_of[b] == face_id
    border = mine != yours
    a, b = np.where(mine, a, b)[border], np.where(mine, b, a)[border]
    found = []
    for other in np.unique(mesh.face_of[b]).tolist():
        here = mesh.face_of[b] == other
        shared = [np.intersect1d(mesh.triangles[i], mesh.triangles[j])
                  for i, j in zip(a[here].tolist(), b[here].tolist(), strict=True)]
        whole = [k for k, ends in enumerate(shared) if len(ends) == 2]
        if whole:
            found.append((other, np.concatenate([shared[k] for k in whole]),
                          a[here][whole], b[here][whole]))
    return found


def normals_at(face: Face, points: Floats) -> Floats:
    """Outward unit normals of a face's surface at points on it, (k, 3)."""
    if face.surface is Surface.PLANE:
        return np.broadcast_to(np.array(face.normal), points.shape)
    away = from_middle(face, points)
    away = away / np.linalg.norm(away, axis=1)[:, None]
    return np.asarray(-away if face.inward else away)


def from_middle(face: Face, points: Floats) -> Floats:
    """From the axis, the ball's middle or the circle within the torus to points, (k, 3) mm."""
    off = points - np.array(face.axis_point)
    if face.surface is Surface.SPHERE or face.axis_dir is None:
        return np.asarray(off)
    axis = np.array(face.axis_dir)
    along = (off @ axis)[:, None] * axis
    if face.surface is Surface.CYLINDER:
        return np.asarray(off - along)
    out = off - along
    out = out / np.maximum(np.linalg.norm(out, axis=1), 1e-12)[:, None]
    return np.asarray(off - (face.radius_mm or 0.0) * out)
