"""How much of an arc or a fillet is too flat, in words.

On a round underside the height falls with the cosine of the downskin angle, z = a ± r cos δ,
whether its axis lies or stands. A straight line through what the facets of a face say of both
gives the radius, for faces of a B-rep and for smooth regions of a mesh alike; where they do not
lie on a line it is no arc (derived).
"""

from __future__ import annotations

import math

import numpy as np

from soffit.findings.words import mm
from soffit.part.model import Ints, Part, Surface

# Facets that a line is drawn through at least, and how far they may lie from it: a chord's
# deflection, and more on coarse meshes (derived: a hundredth of the radius).
FEWEST = 4
OFF = 0.01


def arc_words(part: Part, triangles: Ints, limit_deg: float) -> str:
    """ "the last 1.8 mm of its 6.0 mm arc" for the face that most of these triangles are of; ""
    where that is no arc. `limit_deg`: the angle that holds."""
    mesh = part.mesh
    if not len(triangles):
        return ""
    faces, which = np.unique(mesh.face_of[triangles], return_inverse=True)
    a, b, c = mesh.vertices[mesh.triangles[triangles]].transpose(1, 0, 2)
    shares = np.bincount(which, weights=np.linalg.norm(np.cross(b - a, c - a), axis=1))
    face = part.face(int(faces[int(np.argmax(shares))]))
    if face.surface is Surface.PLANE:
        return ""
    mine = mesh.of_face(face.id)
    mine = mine[mesh.normals[mine, 2] < -1e-3]
    if len(mine) < FEWEST:
        return ""
    cosine = -mesh.normals[mine, 2]
    corners = mesh.vertices[mesh.triangles[mine]][:, :, 2]
    height = corners.mean(axis=1)
    if np.ptp(cosine) < 0.05:
        return ""
    slope, start = np.polyfit(cosine, height, 1)
    radius = abs(float(slope))
    if radius <= 0.0 or np.abs(height - start - slope * cosine).max() > 0.02 + OFF * radius:
        return ""
    ends = np.clip((np.array([corners.min(), corners.max()]) - start) / slope, 0.0, 1.0)
    flattest, steepest = sorted(np.arccos(ends).tolist())
    limit = min(math.radians(limit_deg), steepest)
    if limit <= flattest:
        return ""
    flat, whole = radius * (limit - flattest), radius * (steepest - flattest)
    return f"the last {mm(flat)} of its {mm(whole)} arc of {radius:.1f} mm radius"
