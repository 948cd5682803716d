"""The outline on which a part stands, where its surface rises from it too flat.

Edges between facets that lie on the platform and facets that hang beside them, as directed
polylines with the air on their left, each edge knowing the face that hangs over it.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import manifold3d as m3
import numpy as np
import shapely
from numpy.typing import NDArray

from soffit.findings.facets import ANGLE_TOLERANCE_DEG
from soffit.findings.model import Finding
from soffit.layers.stack import GRID_MM
from soffit.part.mesh_solid import neighbours
from soffit.part.model import Face, Floats, Ints, Part, Surface
from soffit.remedies.context import HAIR_MM

# A corner that turns by less is a joint of a smooth outline (derived: half of the coarsest
# facet that still reads as round, 31°).
SMOOTH_RAD = math.radians(15.5)
# Two edges whose directions differ by less are one (derived: rounding of coordinates).
STRAIGHT_RAD = 1e-7


@dataclass(frozen=True)
class Outline:
    """A directed polyline, the air on its left: `points` (n + 1, 2), the first again at the end
    where it is `closed`; `faces` (n,) id of the face that hangs over each edge."""

    points: Floats
    faces: Ints
    closed: bool

    @property
    def normals(self) -> Floats:
        """Outward unit normal of each edge, (n, 2)."""
        d = np.diff(self.points, axis=0)
        return np.asarray(
            np.column_stack([-d[:, 1], d[:, 0]]) / np.linalg.norm(d, axis=1)[:, None])

    def corner(self, vertex: int) -> tuple[Floats, Floats]:
        """Outward normals of the edges before and after a vertex; at a free end the same."""
        n = self.normals
        if self.closed:
            return n[(vertex - 1) % len(n)], n[vertex % len(n)]
        return n[max(vertex - 1, 0)], n[min(vertex, len(n) - 1)]


def turn_of(corner: tuple[Floats, Floats]) -> float:
    """Angle from the first normal to the second, radians; negative where the outline bends
    away from the air, as at the corner of a box."""
    a, b = corner
    return math.atan2(float(a[0] * b[1] - a[1] * b[0]), float(a @ b))


def mitre(corner: tuple[Floats, Floats]) -> Floats:
    """Plan vector from a corner to where the edges moved out by 1 meet, (2,)."""
    a, b = corner
    return np.asarray((a + b) / (1.0 + float(a @ b)))


def hanging(part: Part, finding: Finding, limit_deg: float) -> Ints:
    """Facets of the place: those flatter than the limit and off the platform that hang together
    with the finding's, (k,)."""
    limit = math.cos(math.radians(limit_deg - ANGLE_TOLERANCE_DEG))
    flat = (-part.mesh.normals[:, 2] > limit) & off_platform(part)
    return together(part, finding.patch.triangles, flat)


def off_platform(part: Part) -> NDArray[np.bool_]:
    """Whether each facet reaches up from the platform, (m,)."""
    return np.asarray(part.mesh.corners[:, :, 2].max(axis=1) > GRID_MM)


def together(
    part: Part, seed: Ints, allowed: NDArray[np.bool_], *, round_only: bool = False
) -> Ints:
    """Facets among the `allowed` that hang together with those of `seed`, (k,); `round_only`:
    none past an edge that is no part of a rounding, as the surface bends out into the air there."""
    a, b = neighbours(part.mesh.triangles)
    both = allowed[a] & allowed[b]
    a, b = a[both], b[both]
    if round_only:
        hollow = _hollow(part, a, b)
        a, b = a[~hollow], b[~hollow]
    inside = np.zeros(len(allowed), dtype=bool)
    inside[seed] = allowed[seed]
    while True:
        more = np.concatenate([b[inside[a] & ~inside[b]], a[inside[b] & ~inside[a]]])
        if not len(more):
            return np.flatnonzero(inside)
        inside[more] = True


def _hollow(part: Part, a: Ints, b: Ints) -> NDArray[np.bool_]:
    """Whether the surface bends towards the air at the edge between each pair of facets, (k,)."""
    mesh = part.mesh
    # Those of the facets themselves, not of the surfaces that they stand for.
    own = mesh.cross / np.maximum(np.linalg.norm(mesh.cross, axis=1), 1e-300)[:, None]
    turned = (own[a] * own[b]).sum(axis=1) < math.cos(math.radians(ANGLE_TOLERANCE_DEG))
    # Of the corners of one facet the two that the other shares lie in its plane.
    off = mesh.corners[b] - mesh.corners[a][:, :1]
    above = (off * own[a][:, None]).sum(axis=(1, 2)) > 0.0
    return np.asarray(turned & above)


def outlines(part: Part, over: Ints) -> list[Outline]:
    """The edges between what stands on the platform and the facets `over`, joined."""
    mesh = part.mesh
    down = ~off_platform(part)
    above = np.zeros(len(down), dtype=bool)
    above[over] = True
    a, b = neighbours(mesh.triangles)
    border = (down[a] & above[b]) | (down[b] & above[a])
    after: dict[int, list[tuple[int, int]]] = {}
    for i, j in zip(a[border].tolist(), b[border].tolist(), strict=True):
        hung = j if above[j] else i
        corners = mesh.triangles[hung].tolist()
        shared = np.intersect1d(mesh.triangles[i], mesh.triangles[j])
        if len(shared) != 2:
            continue
        start, end = shared.tolist()
        p, q = mesh.vertices[start][:2], mesh.vertices[end][:2]
        third = mesh.vertices[next(c for c in corners if c not in (start, end))][:2] - p
        if (q - p)[0] * third[1] - (q - p)[1] * third[0] < 0:
            start, end = end, start
        after.setdefault(start, []).append((end, int(mesh.face_of[hung])))
    return _bridged([_outline(part, nodes, faces) for nodes, faces in _chained(after)])


def _bridged(lines: list[Outline]) -> list[Outline]:
    """The outlines with those that only a hole in a straight edge parts made one."""
    for one, other in itertools.permutations([line for line in lines if not line.closed], 2):
        gap = other.points[0] - one.points[-1]
        length = float(np.linalg.norm(gap))
        ends = (one.normals[-1], other.normals[0])
        ahead = float(ends[0][1] * gap[0] - ends[0][0] * gap[1])
        if one.faces[-1] == other.faces[0] and abs(turn_of(ends)) < STRAIGHT_RAD \
                and abs(float(ends[0] @ gap)) < GRID_MM and ahead > 0.5 * length:
            whole = Outline(np.concatenate([one.points[:-1], other.points[1:]]),
                            np.concatenate([one.faces, other.faces[1:]]), False)
            return _bridged([whole, *(x for x in lines if x is not one and x is not other)])
    return lines


def _chained(after: dict[int, list[tuple[int, int]]]) -> list[tuple[list[int], list[int]]]:
    """Edges followed from start to end; open runs first, from where nothing leads to."""
    entered = {end for ends in after.values() for end, _ in ends}
    runs = []
    for node in [n for n in sorted(after) if n not in entered] + sorted(after):
        while after.get(node):
            nodes, faces, here = [node], [], node
            while after.get(here):
                here, face = after[here].pop()
                nodes.append(here)
                faces.append(face)
                if here == node:
                    break
            runs.append((nodes, faces))
    return runs


def _outline(part: Part, nodes: list[int], faces: list[int]) -> Outline:
    """An outline without vertices on a straight edge of one face."""
    points = part.mesh.vertices[nodes][:, :2]
    closed = nodes[0] == nodes[-1]
    whole = Outline(points, np.array(faces), closed)
    if closed:  # start where a face begins, so that none is divided by the seam
        changes = [k for k in range(len(faces)) if faces[k - 1] != faces[k]]
        k = changes[0] if changes else 0
        points = np.concatenate([points[k:-1], points[: k + 1]])
        whole = Outline(points, np.roll(whole.faces, -k), True)
    keep = [0]
    for k in range(1, len(faces)):
        same = whole.faces[k] == whole.faces[k - 1]
        if not (same and abs(turn_of(whole.corner(k))) < STRAIGHT_RAD):
            keep.append(k)
    return Outline(whole.points[[*keep, len(faces)]], whole.faces[keep], closed)


def away_from(points: Floats, lines: list[Outline]) -> Floats:
    """Distance in plan of points (n, 3) to the outlines, (n,); beyond a corner that bends away
    from the air the greater of those to its two edges, as a mitred section has it."""
    whole = shapely.union_all([shapely.LineString(line.points) for line in lines])
    away = np.asarray(shapely.distance(shapely.points(points[:, :2]), whole))
    for line in lines:
        for k in range(len(line.faces)):
            corner = line.corner(k)
            if turn_of(corner) < -SMOOTH_RAD:
                off = points[:, :2] - line.points[k]
                beyond = np.linalg.norm(off, axis=1) < away + 1e-9
                away[beyond] = np.maximum(off @ corner[0], off @ corner[1])[beyond]
    return away


def tangent_radius(face: Face) -> float | None:
    """Radius of a round edge that is tangent to the platform, else None."""
    if face.inward or face.axis_point is None:
        return None
    height = face.axis_point[2]
    rise = abs(face.axis_dir[2]) if face.axis_dir is not None else 0.5
    if face.surface is Surface.TORUS and rise > 1.0 - 1e-9:
        return height  # the middle of its section lies one radius above the platform
    round_ = face.surface is Surface.SPHERE or (face.surface is Surface.CYLINDER and rise < 1e-9)
    if round_ and face.radius_mm is not None and abs(face.radius_mm - height) < GRID_MM:
        return face.radius_mm
    return None


def plan_of(part: Part, facets: Ints) -> m3.CrossSection:
    """Plan region of facets that look down."""
    if not len(facets):
        return m3.CrossSection()
    # Seen from above these triangles run clockwise.
    plan = np.ascontiguousarray(part.mesh.corners[facets][:, ::-1, :2])
    return m3.CrossSection(list(plan), m3.FillRule.NonZero)


def rings_of(region: m3.CrossSection) -> tuple[Floats, ...]:
    """Rings of a plan region, outer ones counter-clockwise, each (n, 2)."""
    return tuple(np.asarray(r, dtype=np.float64) for r in region.to_polygons())


def bores_of(part: Part, rings: tuple[Floats, ...]) -> list[tuple[tuple[float, float], float]]:
    """Centres and radii of the upright bores that make `rings`; none where one is no bore."""
    found = {}
    for ring in rings:
        for face in part.faces:
            upright = face.axis_dir is not None and abs(face.axis_dir[2]) > 1.0 - 1e-9
            if face.surface is Surface.CYLINDER and face.inward and upright and face.axis_point:
                x, y, _ = face.axis_point
                radius = face.radius_mm or 0.0
                off = np.linalg.norm(ring - np.array([x, y]), axis=1) - radius
                on = np.abs(off) < HAIR_MM + part.deflection_mm
                if on.sum() >= 3 and off.max() < HAIR_MM + part.deflection_mm:
                    found[face.id] = ((x, y), radius)
                    break
        else:
            return []
    return sorted(set(found.values()))
