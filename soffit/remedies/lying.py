"""What carries a ball that stands on its pole, or a round bar that lies on the platform.

Tangent cone and tangent planes at the smallest angle that holds: with the radius r and the
angle δ they leave the platform r·tan(δ/2) from the middle and touch the surface at the height
r(1 − cos δ), r·sin δ from the middle (derived).
"""

from __future__ import annotations

import math

import numpy as np

from soffit.findings.model import Finding
from soffit.layers.stack import GRID_MM
from soffit.part.model import Ints, Part, Surface
from soffit.part.solid import Cone, Extrusion, Solid
from soffit.remedies.foot import tangent_radius


def below_a_lying_body(part: Part, finding: Finding, limit: float) -> tuple[Solid, str] | None:
    """The solid and what it is, in words; None where the finding is no such body, or where
    something flat stands beside it. `limit` in radians."""
    mesh = part.mesh
    for face_id in np.unique(mesh.face_of[finding.patch.triangles]).tolist():
        face = part.face(face_id)
        radius = tangent_radius(face)
        if radius is None or face.surface is Surface.TORUS or face.axis_point is None:
            continue
        down = np.flatnonzero(mesh.corners[:, :, 2].max(axis=1) <= GRID_MM)
        foot, out = radius * math.tan(0.5 * limit), radius * math.sin(limit)
        meet = radius * (1.0 - math.cos(limit))
        x, y, _ = face.axis_point
        if face.surface is Surface.SPHERE and not _stands_within(part, down, (x, y), out):
            cone = Cone((x, y, 0.0), (0.0, 0.0, 1.0), meet, foot, out)
            return cone, (f"the ball of {radius:.4g} mm radius stands on its tangent cone, "
                          f"{2 * foot:.2f} mm wide on the platform")
        if face.surface is Surface.CYLINDER and not len(down) and face.axis_dir is not None:
            along = np.array(face.axis_dir)
            points = mesh.corners[mesh.face_of == face_id].reshape(-1, 3)
            t = (points - np.array(face.axis_point)) @ along
            side = np.array([-along[1], along[0], 0.0])
            base = np.array([x, y, 0.0]) + float(t.min()) * along
            up = np.array([0.0, 0.0, meet])
            polygon = np.array([base - foot * side, base + foot * side,
                                base + out * side + up, base - out * side + up])
            a, b, c = (float(np.ptp(t)) * along).tolist()
            return Extrusion(polygon, (a, b, c)), (
                f"the round bar of {radius:.4g} mm radius stands on its tangent planes, "
                f"{2 * foot:.2f} mm wide on the platform")
    return None


def _stands_within(part: Part, down: Ints, centre: tuple[float, float], reach_mm: float) -> bool:
    """Whether something flat stands on the platform nearer than `reach_mm` to a point."""
    points = part.mesh.corners[down].reshape(-1, 3)[:, :2]
    return bool((np.linalg.norm(points - np.array(centre), axis=1) < reach_mm).any())
