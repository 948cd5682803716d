"""Round holes that lie across the build direction, recognised by their crowns.

The faces may be a B-rep's cylinders or the cylinders that a mesh's regions were fitted to. A
hole may be broken: by a slit through its crown, by holes that cross it, by a step of its bore.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import manifold3d as m3
import numpy as np

from soffit.findings.model import Finding
from soffit.part.features.bore import Wall, by_radius, coaxial, round_walls
from soffit.part.model import Face, Floats, Part, Surface
from soffit.remedies.context import HAIR_MM
from soffit.remedies.probe import hits

# Steepest axis, degrees from the platform: beyond any limit angle, so that the roof's own angle
# decides below it (derived: an axis at the limit angle needs no roof).
STEEPEST_AXIS_DEG = 60.0

# The round surface must reach this far to both sides of its crown, else it is a rounded
# corner and not the top of a hole (from memory).
LEAST_SIDE_DEG = 10.0

# A gap in a hole up to this many radii with nothing at crown height is taken for a hole that
# crosses it, and the roof goes through (from memory: holes that cross are of like size).
CROSSING_RADII = 4.0


@dataclass(frozen=True)
class Crown:
    """The top of a round hole. Directions are unit vectors (3,): `along` the axis, `across`
    level, `up` normal to both. `low`, `high`: ends along the axis from `centre` (mm);
    `left`, `right`: how far the surface reaches from the crown, radians. `broken`: the top
    itself is missing, as where a slit opens into the hole."""

    centre: Floats
    along: Floats
    across: Floats
    up: Floats
    radius: float
    low: float
    high: float
    left: float
    right: float
    broken: bool = False

    @property
    def rise_rad(self) -> float:
        """Angle of the axis from the platform."""
        return math.asin(min(1.0, abs(float(self.along[2]))))

    def at(self, t: float, x: float, y: float) -> Floats:
        """Point at `t` along the axis, `x` across and `y` above it, (3,)."""
        return self.centre + t * self.along + x * self.across + y * self.up


def find_crowns(part: Part, finding: Finding, solid: m3.Manifold | None = None) -> list[Crown]:
    """Crowns of round holes that a finding lies under, one for each stretch of a hole.

    With `solid`, stretches that only a crossing hole or a narrow gap parts count as one.
    """
    holes = round_walls(part, (face for face in part.faces if _is_hole(face)))
    under = set(np.unique(part.mesh.face_of[finding.patch.triangles]).tolist())
    under |= {wall.face for wall in holes for name in under if _widens(part, part.face(name), wall)}
    crowns: list[Crown] = []
    done: set[int] = set()
    for seed in holes:
        if seed.face not in under - done:
            continue
        groups = by_radius(part, coaxial(part, seed, holes))
        group = next(g for g in groups if seed in g)
        # The largest face says best where the axis runs, where faces of a mesh were fitted.
        axis = max(group, key=lambda wall: (wall.area, -wall.face))
        for stretch in _stretches(part, axis, group, solid):
            if not under & set(stretch):
                continue
            done |= set(stretch)
            crown = _crown(part, axis, stretch)
            if crown is not None:
                crowns.append(crown)
    return crowns


def _widens(part: Part, face: Face, wall: Wall) -> bool:
    """Whether a face is a countersink or a rounded mouth at an end of a hole."""
    if face.surface not in (Surface.CONE, Surface.TORUS) or face.axis_dir is None:
        return False
    assert face.axis_point is not None  # both have one
    off = np.asarray(face.axis_point) - wall.point
    aside = float(np.linalg.norm(off - (off @ wall.along) * wall.along))
    if aside > HAIR_MM or abs(float(np.asarray(face.axis_dir) @ wall.along)) < 1.0 - 1e-6:
        return False
    spans = [(part.mesh.corners[part.mesh.of_face(name)].reshape(-1, 3) - wall.point) @ wall.along
             for name in (face.id, wall.face)]
    gap = max(spans[0].min() - spans[1].max(), spans[1].min() - spans[0].max())
    return bool(gap <= HAIR_MM)


def _is_hole(face: Face) -> bool:
    if face.surface is not Surface.CYLINDER or not face.inward or face.axis_dir is None:
        return False
    rise = math.asin(min(1.0, abs(face.axis_dir[2]) / float(np.linalg.norm(face.axis_dir))))
    return rise <= math.radians(STEEPEST_AXIS_DEG)


def _stretches(
    part: Part, axis: Wall, group: list[Wall], solid: m3.Manifold | None
) -> list[list[int]]:
    """Faces of one cylinder grouped by where they lie along it: two lugs with aligned holes
    are two stretches, a hole that another one crosses is one."""
    p, d, radius = axis.point, axis.along, axis.radius
    up = np.array([0.0, 0.0, 1.0]) - d[2] * d
    crown = p + 0.98 * radius * up / np.linalg.norm(up)
    spans = []
    for wall in group:
        t = (part.mesh.corners[part.mesh.of_face(wall.face)].reshape(-1, 3) - p) @ d
        spans.append((float(t.min()), float(t.max()), wall.face))
    joined: list[list[int]] = []
    end = -math.inf
    for low, high, face in sorted(spans):
        gap = low - end
        open_gap = gap <= CROSSING_RADII * radius and solid is not None and (
            gap <= HAIR_MM or not hits(solid, crown + end * d, d, gap)
        )
        if joined and (gap <= HAIR_MM or open_gap):
            joined[-1].append(face)
        else:
            joined.append([face])
        end = max(end, high)
    return joined


def _crown(part: Part, axis: Wall, faces: list[int]) -> Crown | None:
    """The crown of one stretch of a hole; None where the surface does not reach over its top."""
    p, along, radius = axis.point, axis.along, axis.radius
    if along[np.argmax(np.abs(along))] < 0:
        along = -along
    across = np.array([along[1], -along[0], 0.0])
    across /= np.linalg.norm(across)
    up = np.cross(across, along)
    if up[2] < 0:
        across, up = -across, -up
    mine = np.isin(part.mesh.face_of, np.array(faces))
    corners = part.mesh.corners[mine]
    q = corners - p
    x, y = q @ across, q @ up
    # Angle of each corner from the crown, positive to the right.
    angle = np.arctan2(x, y)
    centre = corners.mean(axis=1) - p
    towards = np.einsum("ij,ij->i", part.mesh.normals[mine], centre)
    over = (np.abs(angle) < math.pi / 2).all(axis=1) & (towards < 0)
    if not over.any():
        return None
    reach = _merge(angle[over].min(axis=1), angle[over].max(axis=1))
    left, right = -reach[0][0], reach[-1][1]
    if min(left, right) < math.radians(LEAST_SIDE_DEG):
        return None
    broken = not any(low <= 0.0 <= high for low, high in reach)
    t = (q @ along).reshape(-1)
    return Crown(p, along, across, up, radius, float(t.min()), float(t.max()), left, right,
                 broken)


def _merge(low: Floats, high: Floats) -> list[tuple[float, float]]:
    """Intervals joined where they touch (to 1e-6, far below any facet), sorted."""
    joined: list[tuple[float, float]] = []
    for k in np.argsort(low, kind="stable").tolist():
        if joined and low[k] <= joined[-1][1] + 1e-6:
            joined[-1] = (joined[-1][0], max(joined[-1][1], float(high[k])))
        else:
            joined.append((float(low[k]), float(high[k])))
    return joined
