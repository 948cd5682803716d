"""The tangent chamfer of a round: where it touches, what lies between the two, and the solid.

In the plane across a blend let φ be the angle of its outward normal from straight down (as far as
the plane allows). At φc the round reaches the smallest angle that holds: cos φc = cos δc / cos ε
where its axis rises by ε. It begins at φf, where the flat face is that it is tangent to. The plane
that touches the round at φc meets that face at V; between the two and the arc lies, with
θ = φc − φf, the kite of the centre, both tangent points and V, less the sector:

    section                          A = r²·(tan(θ/2) − θ/2)
    its moment about the centre      M = ⅓·r³·sin(θ/2)·tan²(θ/2)

so that a whole turn of it about an upright axis at the distance R, from a level flat, takes
2π(R·A ± M·sin(θ/2)), with + where the round rises away from the axis (Pappus; derived).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from soffit.layers.stack import GRID_MM
from soffit.part.blends import Blend, Side, from_middle, normals_at
from soffit.part.model import Floats, Part, vec3
from soffit.part.solid import Cone, Difference, Extrusion, Hull, Intersection, Prism, Solid
from soffit.remedies.anchor import polygon, rings_of
from soffit.remedies.context import HAIR_MM, Context
from soffit.remedies.foot import plan_of
from soffit.remedies.foot import rings_of as kernel_rings_of
from soffit.remedies.pieces import LAP_MM, PAST_MM
from soffit.remedies.probe import inside
from soffit.remedies.trees import segments_for, union

# How far the solid goes past the arc, to where a fillet is open or a rounding is solid, mm: an
# eighth of a line, so that it meets the round nowhere but at its ends (derived).
THROUGH_MM = 0.05
# Times as many facets of a cone as elsewhere: the section is so thin that what lies between chords
# and a circle shows (derived: a chord of half the length lies four times as near).
FINER = 2
# A round that is too flat over less than this is as good as a chamfer, radians (derived: twice the
# half degree within which a slope passes).
LEAST_RAD = math.radians(1.0)
# A flat face's normal and that of the round's end are one within this (derived: what recognition
# allows).
SAME_RAD = math.radians(2.5)

DOWN = np.array([0.0, 0.0, -1.0])


def section_mm2(radius_mm: float, theta: float) -> float:
    """Section between an arc over `theta` (radians) and the tangents at its ends, mm²."""
    return radius_mm**2 * (math.tan(0.5 * theta) - 0.5 * theta)


def turned_mm3(radius_mm: float, theta: float, ring_mm: float, way: float) -> float:
    """That section turned once about an upright axis `ring_mm` from the centre of the arc, whose
    flat end is level, mm³; `way` 1 where it rises away from the axis, else −1."""
    half = 0.5 * theta
    moment = radius_mm**3 / 3.0 * math.sin(half) * math.tan(half) ** 2
    return 2.0 * math.pi * (
        ring_mm * section_mm2(radius_mm, theta) + way * moment * math.sin(half))


@dataclass(frozen=True)
class Round:
    """A blend that passes the limit, and its section. `phi_flat` and `phi_limit`: angles of its
    outward normal from `down` (3,) where the flat face begins and where it holds, radians;
    `across` (3,): the level direction in which the normal turns (None about an upright axis).
    `outward`: whether it goes away from that axis where it gets steeper. `flat`: the face that it
    begins at, None in a corner of blends. `knee`: distance and angle, from the centre of the arc,
    of the corner of the mesh where its facets reach the limit."""

    blend: Blend
    down: Floats
    across: Floats | None
    phi_flat: float
    phi_limit: float
    outward: bool
    flat: Side | None
    knee: tuple[float, float]

    @property
    def theta(self) -> float:
        """Angle over which the round is too flat, radians."""
        return self.phi_limit - self.phi_flat

    @property
    def sign(self) -> float:
        """1 where the outward normal leads away from the centre, −1 in a hollow."""
        return -1.0 if self.blend.hollow else 1.0

    def corners(self, mesh: bool) -> Floats:
        """Corners (4, 2) mm of the section about the centre, along the normals `down` and
        `across`: the flat end, V, the tangent point and one past the arc."""
        r = self.blend.radius_mm
        end = _unit(self.phi_flat)
        touch, lies = self.knee if mesh else (r, self.phi_limit)
        tangent = _unit(self.phi_limit)
        point = touch * _unit(lies)
        v = np.linalg.solve(np.array([end, tangent]), np.array([r, float(point @ tangent)]))
        middle = _unit(0.5 * (self.phi_flat + self.phi_limit))
        past = (r * math.cos(0.5 * self.theta) - THROUGH_MM) * middle
        return np.array([r * end, v, point, past])


def round_of(part: Part, blend: Blend, limit: float) -> Round | None:
    """The section of a blend that is too flat at one end and holds at the other (`limit` δc in
    radians); None where it does not pass from one to the other, or twice, as a crown does."""
    face = part.face(blend.face)
    points = part.mesh.corners[part.mesh.of_face(blend.face)].reshape(-1, 3)
    normals = normals_at(face, points)
    away = np.linalg.norm(from_middle(face, points), axis=1)
    across: Floats | None = None
    outward = True
    if blend.ring_mm is None:
        assert blend.axis is not None  # a cylinder has one
        down = DOWN - (DOWN @ blend.axis) * blend.axis
        level = float(np.linalg.norm(down))
        if level <= math.cos(limit):
            return None  # so steep that none of it is too flat
        down, phi_limit = down / level, math.acos(math.cos(limit) / level)
        across = np.cross(blend.axis, down)
        phi = np.arctan2(normals @ across, normals @ down)
        if phi.max() < -phi.min():
            across, phi = -across, -phi
    else:
        if blend.axis is not None and abs(blend.axis[2]) < 1 - 1e-9:
            return None
        down, phi_limit = DOWN, limit
        phi = np.arccos(np.clip(-normals[:, 2], -1.0, 1.0))
        out = (points - blend.centre)[:, :2]
        lean = np.einsum("ij,ij->i", out, normals[:, :2]) * (-1.0 if blend.hollow else 1.0)
        outward = bool(lean.sum() > 0)
        if phi.min() > SAME_RAD or (blend.ring_mm > 0 and lean.min() * lean.max() < -GRID_MM):
            return None
    low = float(phi.min())
    if phi.max() <= phi_limit + LEAST_RAD or low >= phi_limit - LEAST_RAD or low < -phi_limit:
        return None
    flat = next((s for s in blend.sides if _begins(s, down, across, low)), None)
    if flat is None and blend.ring_mm != 0.0:
        return None
    if blend.ring_mm is not None:
        low = 0.0
    elif flat is not None:
        assert across is not None
        low = math.atan2(float(flat.normal @ across), float(flat.normal @ down))
    k = int(np.argmax(np.round(away * np.cos(phi - phi_limit), 9)))
    knee = float(away[k]), float(phi[k])
    return Round(blend, down, across, low, phi_limit, outward, flat, knee)


def _begins(side: Side, down: Floats, across: Floats | None, phi: float) -> bool:
    """Whether a side lies where the outward normal has turned by `phi`."""
    lean = float(side.normal @ down)
    here = math.acos(max(-1.0, min(1.0, lean))) if across is None else math.atan2(
        float(side.normal @ across), lean)
    return abs(here - phi) < SAME_RAD


def solids(context: Context, rounds: Sequence[Round]) -> tuple[Solid, tuple[Solid, ...]]:
    """What lies between rounds and their tangent chamfers, for the mesh and in exact forms: those
    about an axis end at the circle where the flat face begins, or go a little past it."""
    mesh: list[Solid] = []
    flush: list[Solid] = []
    past: list[Solid] = []
    for round_ in rounds:
        section, faceted = round_.corners(False), round_.corners(True)
        if round_.blend.ring_mm is not None:
            mesh.append(_ring(context.part, round_, faceted[1:3], 0.0))
            flush.append(_ring(context.part, round_, section[1:3], 0.0))
            past.append(_ring(context.part, round_, section[1:3], THROUGH_MM))
            continue
        beside = shapely.union_all([plan(context.part, r) for r in rounds if r is not round_])
        mesh.append(_bar(context, round_, faceted, beside))
        flush.append(_bar(context, round_, section))
        past.append(flush[-1])
    forms = [union(flush)]
    if any(r.blend.ring_mm is not None for r in rounds):
        forms.append(union(past))
    return union(mesh), tuple(forms)


def deeper(context: Context, rounds: Sequence[Round]) -> Solid:
    """The same of full rounds at a level face, with what lies below that face above the planes of
    the chamfers, from a little before the rounds on."""
    made: list[Solid] = []
    for round_ in rounds:
        r, steep = round_.blend.radius_mm, round_.phi_limit
        foot = np.array([(r + THROUGH_MM * math.sin(steep)) / math.cos(steep), -THROUGH_MM])
        section = np.array([foot, r * _unit(steep), [r * math.cos(steep), -THROUGH_MM]])
        made.append(_bar(context, round_, section) if round_.blend.ring_mm is None
                    else _ring(context.part, round_, section[:2], THROUGH_MM))
    return union(made)


def edge_of(part: Part, round_: Round) -> Floats:
    """Points (k, 2) along the line in plan where the chamfer ends on the flat face."""
    section = round_.corners(False)
    if round_.blend.ring_mm is None:
        axis, low, high = _stretch(part, round_)
        v = _set_up(round_, section[1:2])
        return np.asarray((v + np.linspace(low, high, 7)[1:-1, None] * axis)[:, :2])
    radius = round_.blend.ring_mm + (section[1, 1] if round_.outward else -section[1, 1])
    start, turn = _sector(part, round_.blend) or (0.0, 2 * math.pi)
    angle = start + turn * np.linspace(0.0, 1.0, 9)
    spokes = np.column_stack([np.cos(angle), np.sin(angle)])
    return np.asarray(round_.blend.centre[:2] + radius * spokes)


def plan(part: Part, round_: Round) -> shapely.Geometry:
    """Plan region below the round."""
    facets = part.mesh.of_face(round_.blend.face)
    down = facets[part.mesh.cross[facets, 2] < -1e-6 * part.mesh.areas[facets]]
    return shapely.simplify(polygon(kernel_rings_of(plan_of(part, down))), 0.1 * GRID_MM)


def below_flat(part: Part, round_: Round) -> shapely.Geometry:
    """Plan region by which the flat face grows: from its end to the chamfer's."""
    below = plan(part, round_)
    section = round_.corners(False)
    if round_.blend.ring_mm is None:
        axis, low, high = _stretch(part, round_)
        a, b = _set_up(round_, section[:2])
        first, last = (low - PAST_MM) * axis, (high + PAST_MM) * axis
        corners = np.array([a + first, b + first, b + last, a + last])[:, :2]
        return shapely.intersection(shapely.Polygon(corners), below)
    way = 1.0 if round_.outward else -1.0
    middle = shapely.Point(*round_.blend.centre[:2].tolist())
    radii = sorted((round_.blend.ring_mm, round_.blend.ring_mm + way * float(section[1, 1])))
    inner, outer = (middle.buffer(r, quad_segs=segments_for(r) // 4) for r in radii)
    return shapely.intersection(outer.difference(inner), below)


def _stretch(part: Part, round_: Round) -> tuple[Floats, float, float]:
    """Axis of a straight round, and from where to where along it from its centre it goes, mm."""
    axis = round_.blend.axis
    assert axis is not None  # a cylinder has one
    points = part.mesh.corners[part.mesh.of_face(round_.blend.face)].reshape(-1, 3)
    along = (points - round_.blend.centre) @ axis
    return axis, float(along.min()), float(along.max())


def _set_up(round_: Round, section: Floats) -> Floats:
    """Points (k, 3) of a section (k, 2) through the centre of a straight round."""
    assert round_.across is not None
    turned = round_.sign * section
    return np.asarray(
        round_.blend.centre + turned[:, :1] * round_.down + turned[:, 1:] * round_.across)


def _bar(
    context: Context, round_: Round, section: Floats, beside: shapely.Geometry | None = None
) -> Solid:
    """A section (k, 2) along a straight round, as far as the round goes; for the mesh where other
    rounds `beside` it are given."""
    part = context.part
    axis, low, high = _stretch(part, round_)
    corners = _set_up(round_, section)
    region = plan(part, round_)
    ends = _straight_ends(round_, region, corners)
    if ends is not None:
        if beside is not None:
            ends = _with_hair(context, round_, corners, ends, beside)
        return Hull(np.concatenate([corners + end[:, None] * axis for end in ends]))
    start, end = ((at * axis) for at in (low - PAST_MM, high + PAST_MM))
    z = np.concatenate([corners + start, corners + end])[:, 2]
    below = Prism(rings_of(region), float(z.min()) - PAST_MM, float(z.max()) + PAST_MM)
    return Intersection((Extrusion(corners + start, vec3(end - start)), below))


def _straight_ends(
    round_: Round, below: shapely.Geometry, corners: Floats
) -> tuple[Floats, Floats] | None:
    """How far along the axis each corner of the section goes on to either end, (4,) mm: the ends
    are straight in plan, square or mitred. None where one is not, or where the axis rises."""
    axis = round_.blend.axis
    assert axis is not None and round_.across is not None
    if abs(axis[2]) > 1e-9 or below.geom_type != "Polygon" or len(below.interiors):
        return None
    ring = shapely.get_coordinates(below.exterior)[:-1] - round_.blend.centre[:2]
    if len(ring) != 4:
        return None
    side = round_.across[:2] / np.linalg.norm(round_.across[:2])
    along, away = ring @ axis[:2], ring @ side
    order = np.argsort(away)
    near, far = order[:2], order[2:]
    if np.ptp(away[near]) > GRID_MM or np.ptp(away[far]) > GRID_MM:
        return None
    out = (corners - round_.blend.centre)[:, :2] @ side
    ends = []
    for pick in (np.min, np.max):
        a, b = float(pick(along[near])), float(pick(along[far]))
        share = (out - away[near[0]]) / (away[far[0]] - away[near[0]])
        ends.append(a + share * (b - a))
    return ends[0], ends[1]


def _with_hair(
    context: Context, round_: Round, corners: Floats, ends: tuple[Floats, Floats],
    beside: shapely.Geometry,
) -> tuple[Floats, Floats]:
    """The ends a hair farther out: into the wall that they meet where something is added, into the
    air where it is cut; and with a lap where the next round goes on."""
    assert context.solid is not None and round_.blend.axis is not None
    made = []
    for end, way in zip(ends, (-1.0, 1.0), strict=True):
        # The middle of the triangle before the arc, past the end.
        at = float(end[:3].mean()) + 2.0 * way * HAIR_MM
        probe = corners[:3].mean(axis=0) + at * round_.blend.axis
        if shapely.dwithin(beside, shapely.Point(*probe[:2].tolist()), HAIR_MM):
            more = LAP_MM
        else:
            more = HAIR_MM if inside(context.solid, probe) != round_.blend.hollow else 0.0
        made.append(end + way * more)
    return made[0], made[1]


def _ring(part: Part, round_: Round, section: Floats, past_mm: float) -> Solid:
    """What lies between a line of the section, (2, 2) from its flat end up, and the upright wall
    `past_mm` before the round, about an upright axis over the sector that the round takes."""
    blend = round_.blend
    assert blend.ring_mm is not None
    way = 1.0 if round_.outward else -1.0
    x, y, z = blend.centre.tolist()
    flat, meet = (z - round_.sign * section[:, 0]).tolist()
    foot, touch = (blend.ring_mm + way * section[:, 1]).tolist()
    low, high = min(flat, meet), max(flat, meet)
    first, last = (foot, touch) if flat < meet else (touch, foot)
    around, sector = FINER * segments_for(max(foot, touch)), _sector(part, blend)
    up = (0.0, 0.0, 1.0)
    cone: Solid = Cone((x, y, low), up, high - low, first, last, around, sector=sector)
    core = blend.ring_mm - way * past_mm
    if core < GRID_MM:
        return cone
    inner = Cone((x, y, low), up, high - low, core, core, around, sector=sector)
    return Difference(cone, inner) if way > 0 else Difference(inner, cone)


def _sector(part: Part, blend: Blend) -> tuple[float, float] | None:
    """Where a ring begins and how far it turns, radians; None where it is whole."""
    points = part.mesh.corners[part.mesh.of_face(blend.face)].reshape(-1, 3)
    spokes = points[:, :2] - blend.centre[:2]
    spokes = spokes[np.linalg.norm(spokes, axis=1) > GRID_MM]
    angle = np.unique(np.round(np.mod(np.arctan2(spokes[:, 1], spokes[:, 0]), 2 * np.pi), 9))
    gaps = np.diff(np.append(angle, angle[0] + 2 * np.pi))
    k = int(np.argmax(gaps))
    # Facets of a whole ring turn by no more than this (derived: eight at the least).
    if gaps[k] < 0.25 * np.pi + 1e-6:
        return None
    return float(angle[(k + 1) % len(angle)]), float(2 * np.pi - gaps[k])


def _unit(phi: float) -> Floats:
    return np.array([math.cos(phi), math.sin(phi)])
