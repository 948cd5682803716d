"""The section of the chamfer below a bottom edge: where its plane leaves the platform and ends."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from soffit.layers.stack import GRID_MM
from soffit.part.model import Face, Floats, Ints, Part, Surface
from soffit.remedies.context import HAIR_MM
from soffit.remedies.foot import Outline, away_from, tangent_radius

# A profile within this of upright at its end meets a wall there (derived: half of a facet of
# a quarter circle drawn with eight).
UPRIGHT_DEG = 6.0

# Where more than this share of a profile's height is that upright, it is a wall that leans, and
# stays (derived: of a quarter circle drawn with eight facets the last has 0.2).
LEANS_SHARE = 0.25


@dataclass(frozen=True)
class Profile:
    """The section of what is added, out from the edge: it leaves the platform at `foot_mm`,
    rises to (`out_mm`, `meet_mm`) and is closed at `top_mm`. `walled` where a wall stands
    there. `radius_mm` where the edge is round, else None. `facets_mm`: how far out the foot
    must be for the plane to lie below every facet of the mesh."""

    foot_mm: float
    out_mm: float
    meet_mm: float
    top_mm: float
    walled: bool
    radius_mm: float | None
    facets_mm: float


def profile_of(
    part: Part, over: Ints, whole: Ints, lines: list[Outline], limit: float
) -> Profile:
    """The section of the chamfer along all of a place's edges; `over` are the facets that are too
    flat, `whole` all of the rounding."""
    mesh = part.mesh
    slope = math.tan(limit)
    radii = {tangent_radius(part.face(f)) for f in np.unique(mesh.face_of[over]).tolist()}
    points = mesh.corners[whole].reshape(-1, 3)
    away = away_from(points, lines)
    out, highest = float(away.max()), float(points[:, 2].max())
    radius = next(iter(radii)) if len(radii) == 1 else None
    push = away - points[:, 2] / slope
    touch = int(np.argmax(np.round(push, 7)))
    foot = float(push[touch])
    if radius is not None and out > radius - part.deflection_mm - HAIR_MM:
        whole_foot = radius * math.tan(0.5 * limit)
        meet = (radius - whole_foot) * slope
        return Profile(whole_foot, radius, meet, radius, True, radius, foot)
    steep = mesh.normals[whole, 2] > -math.sin(math.radians(UPRIGHT_DEG))
    meet = (out - foot) * slope
    begins = float(mesh.corners[whole[steep]][:, :, 2].min(initial=math.inf))
    ends = 0.0 <= highest - begins <= LEANS_SHARE * highest
    if ends and foot < out and meet <= highest + GRID_MM:
        return Profile(foot, out, meet, highest, True, radius, foot)
    meet = float(points[touch, 2])
    true = _true_away(part, points[touch, :2], lines)
    out = true if true is not None else float(away[touch])
    return Profile(out - meet / slope, out, meet, meet, False, radius, foot)


def _true_away(part: Part, point: Floats, lines: list[Outline]) -> float | None:
    """Distance in plan of a point to outlines that are round all along, not to their chords."""
    away = []
    for line in lines:
        for face_id in np.unique(line.faces).tolist():
            edges = np.flatnonzero(line.faces == face_id)
            ends = np.unique(np.concatenate([edges, edges + 1]))
            circle = circle_of(part.face(face_id), line.points[ends])
            if circle is None:
                return None
            centre, radius = circle
            away.append(abs(float(np.linalg.norm(point - centre) - radius)))
    return min(away)


def circle_of(face: Face, points: Floats) -> tuple[Floats, float] | None:
    """Centre and radius of the circle about the upright axis of a face that an outline lies on."""
    if face.surface not in (Surface.TORUS, Surface.CONE, Surface.SPHERE) or not face.axis_point:
        return None
    if face.axis_dir is not None and abs(face.axis_dir[2]) < 1.0 - 1e-9:
        return None
    centre = np.array(face.axis_point[:2])
    reach = np.linalg.norm(points - centre, axis=1)
    radius = float(reach.mean())
    return None if np.abs(reach - radius).max() > GRID_MM else (centre, radius)
