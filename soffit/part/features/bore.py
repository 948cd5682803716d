"""Stretches of round wall that close round an axis: what round holes are made of.

Inward cylinders and cones that share an axis are sorted by radius; along the axis it is then
measured how far round the wall reaches, so that split faces count together, and a half
cylinder, a fillet or the end of a slot do not count at all.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from soffit.part.fits import across, fit_any
from soffit.part.model import Face, Floats, Part, Surface

# A wall that reaches round by two thirds holds what is in it: clearly more than half, and a hole
# with a flat, a keyway, the slit of a clamp or a roof at 45° still counts (own limit).
CLOSED_DEG = 240.0

# Corners of facets on a bore lie as far from its axis as the radius, or on a chord (own limit;
# derived: chords of facets that turn by 31° lie 3.7 % further in).
_ROUND_SHARE = 0.05

# How far two axes may lie apart to be one (own limit: an eighth of a 0.4 mm line).
COAXIAL_MM = 0.05

# Cylinders whose radii differ by less are one: exact in a B-rep, where a step of a hundredth is
# meant, fitted in a mesh (own limits).
_SAME_RADIUS_MM = {True: 0.005, False: 0.03}
_SAME_TAPER = 0.02  # difference of radius over length below which two cones are one (own limit)

# A cone that belongs to a bore is no wider than so many of its radii (own limit).
_CONE_RADII = 4.0

# Heights that lie nearer to each other are one (own limit: far below a layer).
_STEP_MM = 0.005
# Most heights looked at on one wall, so that time stays bounded; with more, steps are wider (own
# limit).
_MOST_STEPS = 400

# A wall that other holes or slots cut through is one still, over a gap of so many radii, where
# something of it is left (own limit).
_CUT_RADII = 2.0


@dataclass(frozen=True)
class Axis:
    """A line: `point` (3,), unit `along` (3,), with `across` (3, 2) normal to it. Heights `t`
    are measured along it from the point."""

    point: Floats
    along: Floats
    across: Floats

    def height(self, points: Floats) -> Floats:
        """Height of points (..., 3)."""
        return np.asarray((points - self.point) @ self.along)

    def plan(self, points: Floats) -> Floats:
        """Coordinates across the axis of points (..., 3), (..., 2)."""
        return np.asarray((points - self.point) @ self.across)

    def away(self, points: Floats) -> Floats:
        """Distance from the axis of points (..., 3)."""
        return np.asarray(np.linalg.norm(self.plan(points), axis=-1))

    def at(self, t: float) -> Floats:
        """Point at a height, (3,)."""
        return self.point + t * self.along


@dataclass(frozen=True)
class Bore:
    """A closed stretch of wall between two heights on its axis, with its radius at both."""

    low: float
    high: float
    r_low: float
    r_high: float
    faces: tuple[int, ...]

    @property
    def tapered(self) -> bool:
        """Whether it is a cone."""
        return self.r_low != self.r_high

    @property
    def widest(self) -> float:
        """Its larger radius."""
        return max(self.r_low, self.r_high)


@dataclass(frozen=True, eq=False)
class Wall:
    """A face that is an inward cylinder or cone: its id and body, its area (mm²), its own axis
    through `point` along the unit vector `along` (3,), and its radius at `point` (mm)."""

    face: int
    body: int
    area: float
    point: Floats
    along: Floats
    radius: float
    tapered: bool


def bores(part: Part) -> list[tuple[Axis, list[Bore]]]:
    """Closed stretches of wall, axis by axis; one body each, low ones first."""
    waiting = round_walls(part, part.faces)
    loose = [f.id for f in part.faces if f.surface in (Surface.REGION, Surface.FREEFORM)]
    waiting.sort(key=lambda wall: (wall.tapered, -round(wall.area, 3), wall.face))
    found = []
    while waiting:
        seed = waiting[0]
        if seed.tapered:  # what is left are cones, and a hole has a cylinder
            break
        axis = axis_of(seed)
        mine = coaxial(part, seed, waiting)
        waiting = [wall for wall in waiting if wall not in mine]
        mine += [cone for cone in (_cone(part, axis, seed, face) for face in loose) if cone]
        stretches = sorted(_bores_on(part, axis, mine), key=lambda bore: (bore.low, bore.high))
        if stretches:
            found.append((axis, stretches))
    return found


def round_walls(part: Part, faces: Iterable[Face]) -> list[Wall]:
    """Those of some faces that are inward cylinders or cones."""
    found = []
    for face in faces:
        surface, point, along = face.surface, face.axis_point, face.axis_dir
        radius, inward = face.radius_mm, face.inward
        if surface is Surface.FREEFORM:
            # Some CAD systems write every surface as a spline.
            mine = part.mesh.of_face(face.id)
            cross = part.mesh.cross[mine]
            size = np.maximum(np.linalg.norm(cross, axis=1), 1e-300)[:, None]
            fit = fit_any(part.mesh.corners[mine], cross / size, part.mesh.areas[mine], 1e-4)
            if fit is None:
                continue
            surface, point, along = fit.surface, fit.axis_point, fit.axis_dir
            radius, inward = fit.radius_mm, fit.inward
        if surface not in (Surface.CYLINDER, Surface.CONE) or not inward:
            continue
        direction = np.array(along)
        wall = Wall(face.id, face.body, face.area_mm2, np.array(point),
                     direction / np.linalg.norm(direction), float(radius or 0.0),
                     surface is Surface.CONE)
        away = axis_of(wall).away(part.mesh.corners[part.mesh.of_face(face.id)])
        if wall.tapered or np.abs(away - wall.radius).max() <= _ROUND_SHARE * wall.radius:
            found.append(wall)
    return found


def _cone(part: Part, axis: Axis, seed: Wall, face_id: int) -> Wall | None:
    """A face of no known form as an inward cone round a known axis, if its corners are on one:
    where facets run askew over a cone, it is no cone to those who do not know its axis."""
    face = part.face(face_id)
    widest = _CONE_RADII * seed.radius
    if face.body != seed.body or axis.away(np.array(face.centroid)) > widest:
        return None
    mine = part.mesh.of_face(face_id)
    corners = part.mesh.corners[mine]
    t, r = axis.height(corners), axis.away(corners)
    if r.max() > widest or np.ptp(t) <= _STEP_MM:
        return None
    slope, base = np.polyfit(t.ravel(), r.ravel(), 1)
    middle = corners.mean(axis=1)
    towards = np.einsum("ij,ij->i", axis.plan(middle), part.mesh.normals[mine] @ axis.across)
    off = np.abs(slope * t + base - r).max()
    if off > COAXIAL_MM / 5 or abs(slope) < _SAME_TAPER or (towards > 0).any():
        return None
    return Wall(face_id, face.body, face.area_mm2, axis.point, axis.along, seed.radius, True)


def axis_of(wall: Wall) -> Axis:
    """The axis of a wall."""
    along = wall.along
    # The largest component positive, so that a turned face gives the same axis.
    lead = int(np.abs(np.round(along, 6)).argmax())
    along = along if along[lead] > 0 else -along
    return Axis(wall.point, along, np.column_stack(across(along)))


def coaxial(part: Part, seed: Wall, others: Iterable[Wall]) -> list[Wall]:
    """Those of the walls that lie round the axis of `seed`, over all of their own length."""
    axis = axis_of(seed)
    return [wall for wall in others if _on_axis(part, axis, seed, wall)]


def _on_axis(part: Part, axis: Axis, seed: Wall, wall: Wall) -> bool:
    if wall.body != seed.body or abs(float(wall.along @ axis.along)) < 0.99:
        return False
    reach = (part.mesh.corners[part.mesh.of_face(wall.face)] - wall.point) @ wall.along
    ends = wall.point + np.array([[reach.min()], [reach.max()]]) * wall.along
    return bool(axis.away(ends).max() <= COAXIAL_MM)


def by_radius(part: Part, cylinders: Iterable[Wall]) -> list[list[Wall]]:
    """Cylinders on one axis, those of one radius together, the smallest first."""
    same = _SAME_RADIUS_MM[part.brep is not None]
    groups: list[list[Wall]] = []
    for wall in sorted(cylinders, key=lambda w: (w.radius, w.face)):
        if groups and wall.radius - groups[-1][-1].radius <= same:
            groups[-1].append(wall)
        else:
            groups.append([wall])
    return groups


def _bores_on(part: Part, axis: Axis, walls: list[Wall]) -> list[Bore]:
    found: list[Bore] = []
    for group in by_radius(part, (w for w in walls if not w.tapered)):
        found += _closed(part, axis, group)
    cones: list[tuple[float, float, list[Wall]]] = []
    for wall in (w for w in walls if w.tapered):
        slope, base = _taper(part, axis, wall)
        for s, b, others in cones:
            if abs(s - slope) <= _SAME_TAPER and abs(b - base) <= COAXIAL_MM:
                others.append(wall)
                break
        else:
            cones.append((slope, base, [wall]))
    for _, _, others in cones:
        found += _closed(part, axis, others)
    return found


def _taper(part: Part, axis: Axis, wall: Wall) -> tuple[float, float]:
    """Radius of a cone as slope and value at the height of its lowest corner."""
    corners = part.mesh.corners[part.mesh.of_face(wall.face)].reshape(-1, 3)
    t, r = axis.height(corners), axis.away(corners)
    low, high = int(t.argmin()), int(t.argmax())
    slope = float((r[high] - r[low]) / max(t[high] - t[low], 1e-9))
    return slope, float(r[low] - slope * t[low])


def _closed(part: Part, axis: Axis, walls: list[Wall]) -> list[Bore]:
    """The stretches over which these walls, one cylinder or cone, reach round the axis."""
    if not walls:
        return []
    ids = tuple(sorted(wall.face for wall in walls))
    corners = part.mesh.corners[part.triangles_of(ids)]
    t, plan = axis.height(corners), axis.plan(corners)
    levels = _levels(t)
    if len(levels) < 2:
        return []
    turn = np.array([_reach_round(t, plan, 0.5 * (a + b))
                     for a, b in itertools.pairwise(levels.tolist())])
    closed = turn >= math.radians(CLOSED_DEG) - 1e-6
    weights = np.array([wall.area for wall in walls])
    radius = float(np.array([wall.radius for wall in walls]) @ weights / weights.sum())
    made: list[tuple[int, int]] = []
    for k in np.flatnonzero(closed).tolist():
        if made:
            last = made[-1][1]
            cut = levels[k] - levels[last] <= _CUT_RADII * radius and (turn[last:k] > 0).all()
            if k == last or cut:
                made[-1] = (made[-1][0], k + 1)
                continue
        made.append((k, k + 1))
    span = {wall.face: axis.height(part.mesh.corners[part.mesh.of_face(wall.face)])
            for wall in walls}
    found = []
    for first, last in made:
        low, high = float(levels[first]), float(levels[last])
        mine = tuple(f for f in ids if span[f].min() < high - _STEP_MM
                     and span[f].max() > low + _STEP_MM)
        if walls[0].tapered:
            r = np.linalg.norm(plan, axis=-1)
            ends = [float(r[np.abs(t - level) <= 2 * _STEP_MM].max(initial=0.0))
                    for level in (low, high)]
            found.append(Bore(low, high, ends[0], ends[1], mine))
        else:
            found.append(Bore(low, high, radius, radius, mine))
    return found


def _levels(t: Floats) -> Floats:
    """Heights of corners, those nearer than a step to the one before left out."""
    heights = np.unique(t)
    step = _STEP_MM
    while True:
        kept = [0]
        for k in range(1, len(heights)):
            if heights[k] - heights[kept[-1]] > step:
                kept.append(k)
        if len(kept) <= _MOST_STEPS:
            break
        step *= 2.0
    kept[-1] = len(heights) - 1 if len(kept) > 1 else 0
    return np.asarray(heights[kept])


def _reach_round(t: Floats, plan: Floats, height: float) -> float:
    """Angle, radians, that facets with corners at `t` (k, 3), `plan` (k, 3, 2) cover at a height:
    the sum of the chords that it cuts from them, as facets of one wall do not overlap."""
    over = t > height
    cut = over.any(axis=1) & ~over.all(axis=1)
    t, plan, over = t[cut], plan[cut], over[cut]
    if not len(t):
        return 0.0
    # The corner that is alone on its side; the chord runs across its two edges.
    alone = np.where(over.sum(axis=1) == 1, over.argmax(axis=1), (~over).argmax(axis=1))
    rows = np.arange(len(t))
    angles = []
    for step in (1, 2):
        other = (alone + step) % 3
        share = (height - t[rows, alone]) / (t[rows, other] - t[rows, alone])
        start, end = plan[rows, alone], plan[rows, other]
        point = start + share[:, None] * (end - start)
        angles.append(np.arctan2(point[:, 1], point[:, 0]))
    width = np.abs(angles[1] - angles[0])
    return float(np.minimum(width, 2.0 * math.pi - width).sum())
