"""Bottom edge: a rounded or too flat bottom edge becomes the tangent chamfer.

**What it does.** An edge that is rounded where the part stands on the platform starts flat:
the first layers step out far more than they can hold. The room between the rounding and the
plane that touches it at the smallest angle that holds is filled down to the platform. Along
straight edges that plane is flat, along round ones a cone.

**How it is measured.** With the radius r, the limit angle δ and the distance d out from the
edge of what stands on the platform: the plane leaves the platform at d = r·tan(δ/2) and
meets the wall at d = r at the height r(1 − tan(δ/2))·tan δ. It takes the place of the whole
rounding, and adds (1 − π/4)r² − ½r²(1 − tan(δ/2))²·tan δ per mm (derived). Another profile
is taken by the corner points of its facets: the plane leaves the platform at the greatest
d − z/tan δ of them. Where a profile does not end in a wall, as under a bowl, or goes on in
one that leans, the plane ends where it touches it. What bends out into the air again is no part of
it. A ball that stands on its pole gets the tangent cone, a round bar that lies on the platform the
two tangent planes.

**Example.** r = 5, 45°: a leg of 2.9289 mm and 1.0757 mm² per mm.

**Limits.** The rounding becomes a chamfer to look at: protect the face where it must stay.
Where two rounded edges meet in a corner, the corner is mitred below a sharp upright edge and
conical below a rounded one. Holes that open into the rounding stay open.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import manifold3d as m3
import numpy as np

from soffit.errors import GeometryError
from soffit.findings.facets import ANGLE_TOLERANCE_DEG
from soffit.findings.model import Finding
from soffit.layers.stack import GRID_MM, offset_of
from soffit.part.mesh_solid import evaluate
from soffit.part.model import Face, Floats, Ints, Part
from soffit.part.solid import (
    Cone,
    Difference,
    Drop,
    Fitted,
    Hull,
    Intersection,
    Moved,
    Prism,
    Solid,
    Union,
)
from soffit.remedies.bottom_profile import Profile, circle_of, profile_of
from soffit.remedies.context import HAIR_MM, Context
from soffit.remedies.foot import (
    SMOOTH_RAD,
    Outline,
    bores_of,
    hanging,
    mitre,
    off_platform,
    outlines,
    plan_of,
    rings_of,
    together,
    turn_of,
)
from soffit.remedies.lying import below_a_lying_body
from soffit.remedies.model import Option
from soffit.remedies.probe import inside

NAME = "bottom edge"
RANK = 2

# How far the added solid reaches into the part behind the edge, mm: an eighth of a line, so
# that nothing merely touches and no hole behind the edge is met (derived).
BEHIND_MM = 0.05

# Longest mitre of a corner, in widths: a corner of 40° in plan (common practice, no source).
MITRE = 3.0

# Turn of one facet of a mesh cone (derived: 96 for a circle, as for a `Cone`).
FACET_RAD = 2 * math.pi / 96

# Share of its volume by which a form may reach out of the room below the rounding (derived:
# chords of round walls).
AGREE = 0.01

UP = (0.0, 0.0, 1.0)


def options(context: Context, finding: Finding) -> tuple[list[Option], list[str]]:
    """The tangent chamfer of the bottom edge that a finding lies on; or why there is none."""
    if finding.kind not in ("air/slope", "air/ledge"):
        return [], []
    part = context.part
    over = hanging(part, finding, context.process.angle_deg)
    if float(part.mesh.corners[over][:, :, 2].min(initial=math.inf)) > GRID_MM:
        return [], []  # it does not start at the platform
    limit = math.radians(context.process.angle_deg)
    below = below_a_lying_body(part, finding, limit)
    if below is not None:
        return [Option(NAME, finding.id, "add", below[0], RANK, below[1])], []
    lines = outlines(part, over)
    if not lines:
        return [], ["bottom edge: nothing flat stands on the platform beside this place"]
    leans = -math.sin(math.radians(ANGLE_TOLERANCE_DEG))
    down = (part.mesh.normals[:, 2] < leans) & (part.mesh.cross[:, 2] < 0.0)
    whole = together(part, over, down & off_platform(part), round_only=True)
    if not len(whole):
        return [], ["bottom edge: its facets do not look down"]
    profile = profile_of(part, over, whole, lines, limit)
    if profile.meet_mm <= GRID_MM:
        return [], ["bottom edge: there is no room below it"]
    try:
        solid = _solid(context, whole, lines, profile)
    except GeometryError as error:
        return [], [f"bottom edge: {error}"]
    if solid is None:
        return [], ["bottom edge: its outline turns too sharply for a chamfer"]
    what = "a rounding" if profile.radius_mm is None else f"{profile.radius_mm:.4g} mm radius"
    why = (f"the bottom edge of {what} becomes its tangent chamfer, {profile.meet_mm:.2f} mm high "
           f"at {context.process.angle_deg:.3g}° from the platform")
    return [Option(NAME, finding.id, "add", solid, RANK, why)], []


def added_mm2(radius_mm: float, limit_rad: float) -> float:
    """Section that is added below a round edge, mm²: (1 − π/4)r² − ½r²(1 − tan δ/2)² tan δ."""
    leg = radius_mm * (1.0 - math.tan(0.5 * limit_rad))
    return (1.0 - 0.25 * math.pi) * radius_mm**2 - 0.5 * leg**2 * math.tan(limit_rad)


def _for_mesh(profile: Profile, slope: float) -> Profile:
    """The section that lies below every facet: its foot as far out as they demand, and through
    the wall, which the outline above it then bounds."""
    foot = max(profile.foot_mm, profile.facets_mm)
    out = profile.out_mm + (HAIR_MM if profile.walled else foot - profile.foot_mm)
    return replace(profile, foot_mm=foot, out_mm=out, meet_mm=(out - foot) * slope,
                   top_mm=max(profile.top_mm, (out - foot) * slope))


def _section(profile: Profile) -> Floats:
    """Corners (k, 2) of the added section: distance from the edge and height."""
    corners = [[-BEHIND_MM, 0.0], [profile.foot_mm, 0.0], [profile.out_mm, profile.meet_mm]]
    if profile.top_mm > profile.meet_mm + GRID_MM:
        corners.append([profile.out_mm, profile.top_mm])
    return np.array([*corners, [-BEHIND_MM, profile.top_mm]])


def _solid(
    context: Context, whole: Ints, lines: list[Outline], profile: Profile
) -> Solid | None:
    """The chamfer along all outlines in the forms that suit the two kernels; None where a
    corner is too sharp."""
    assert context.solid is not None  # `all_options` asks no remedy without one
    inner = _section(_for_mesh(profile, math.tan(math.radians(context.process.angle_deg))))
    exact = _section(profile)
    facets: list[Solid] = []
    planes: list[Solid] = []
    true: list[Solid] = []
    for line in lines:
        soft = _rounded(context.solid, line, profile)
        ways = _ways(line, soft)
        if ways is None:
            return None
        facets += _pieces(line, ways, inner) + _fans(line, soft, inner)
        planes += _pieces(line, ways, exact) + _fans(line, soft, exact)
        true += _elements(context.part, line, ways, exact, profile)
        true += [_corner(line, k, profile) for k in soft]
    rounding = plan_of(context.part, whole)
    void = _holes(context.solid, facets, rounding)
    low, high = -HAIR_MM, profile.top_mm + HAIR_MM
    holes: list[Solid] = [Prism(rings_of(void), low, high)] if not void.is_empty() else []
    bores: list[Solid] = []
    for centre, radius in bores_of(context.part, rings_of(void)):
        bores.append(Cone((*centre, low), UP, high - low, radius, radius))
    # A bore's facets differ from height to height: a skin finer than they stays in its wall.
    open_ = offset_of(void, -2 * HAIR_MM)
    mesh = _without(facets, [Prism(rings_of(open_), low, high)] if not open_.is_empty() else [])
    if profile.walled:
        stands = plan_of(context.part, np.flatnonzero(~off_platform(context.part)))
        mesh = Intersection((mesh, Prism(rings_of(stands + rounding + void), 0.0, profile.top_mm)))
    forms = (_without(true, bores or holes), _without(planes, holes))
    return _below(context, whole, mesh, forms, profile)


def _below(
    context: Context, whole: Ints, mesh: Solid, forms: tuple[Solid, ...], profile: Profile
) -> Solid:
    """The forms as they are where all above the rounding is material; else, as in a shell, what
    of them lies straight below it."""
    part, solid = context.part, context.solid
    drop = Drop(tuple(np.unique(part.mesh.face_of[whole]).tolist()), whole, profile.top_mm)
    up = np.eye(4)
    up[2, 3] = HAIR_MM
    under = Intersection((mesh, Moved(drop, up)))
    new = evaluate(mesh) - solid
    within = evaluate(under, part) - solid
    if new.volume() - within.volume() <= AGREE * new.volume():
        return Fitted(mesh, forms)
    return Fitted(under, tuple(Intersection((form, drop)) for form in forms))


def _without(pieces: list[Solid], holes: list[Solid]) -> Solid:
    whole = pieces[0] if len(pieces) == 1 else Union(tuple(pieces))
    return Difference(whole, holes[0] if len(holes) == 1 else Union(tuple(holes))) if holes \
        else whole


def _holes(
    solid: m3.Manifold, pieces: list[Solid], rounding: m3.CrossSection
) -> m3.CrossSection:
    """Plan region of what must stay open: where the rounding is pierced."""
    void = (evaluate(Union(tuple(pieces))) - solid).project() - rounding
    # A strip thinner than this is the outline's own facets, no hole (derived: four hairs).
    wide = offset_of(void, -2 * HAIR_MM)
    return void ^ offset_of(wide, 4 * HAIR_MM)


def _rounded(solid: m3.Manifold, line: Outline, profile: Profile) -> list[int]:
    """The vertices of an outline that are corners below a rounded upright edge."""
    soft = []
    count = len(line.faces) + (0 if line.closed else 1)
    for k in range(count):
        corner = line.corner(k)
        if turn_of(corner) < -SMOOTH_RAD:
            x, y = (line.points[k] + 0.97 * profile.out_mm * mitre(corner)).tolist()
            if not inside(solid, np.array([x, y, profile.top_mm - HAIR_MM])):
                soft.append(k)
    return soft


def _ways(line: Outline, soft: list[int]) -> list[tuple[Floats, Floats]] | None:
    """The plan vectors along which the section stands at both ends of each edge; None where
    a corner is too sharp to be mitred."""
    ways = []
    for k, own in enumerate(line.normals):
        ends = []
        for vertex in (k, k + 1):
            corner = line.corner(vertex)
            if vertex % len(line.faces) in soft and (line.closed or vertex in soft):
                ends.append(own)
                continue
            if 1.0 + float(corner[0] @ corner[1]) < 2.0 / MITRE**2:
                return None
            ends.append(mitre(corner))
        ways.append((ends[0], ends[1]))
    return ways


def _at(point: Floats, way: Floats, section: Floats) -> Floats:
    """The section set up at a plan point, out along `way`, (k, 3)."""
    plan = point + section[:, :1] * way
    return np.column_stack([plan, section[:, 1]])


def _pieces(line: Outline, ways: list[tuple[Floats, Floats]], section: Floats) -> list[Solid]:
    """A convex piece along each edge."""
    return [
        Hull(np.concatenate([_at(line.points[k], a, section), _at(line.points[k + 1], b, section)]))
        for k, (a, b) in enumerate(ways)
    ]


def _fans(line: Outline, soft: list[int], section: Floats) -> list[Solid]:
    """Facets of a cone about each soft corner, from one normal to the next, clockwise."""
    axis = np.array([[0.0, 0.0], [0.0, section[:, 1].max()]])
    whole = np.concatenate([axis, section[section[:, 0] > 0]])
    pieces: list[Solid] = []
    for k in soft:
        first, _ = line.corner(k)
        turn = -turn_of(line.corner(k))
        angles = math.atan2(first[1], first[0]) - np.linspace(
            0.0, turn, max(2, math.ceil(turn / FACET_RAD)) + 1)
        ends = [_at(line.points[k], np.array([math.cos(a), math.sin(a)]), whole)
                for a in angles.tolist()]
        pieces += [Hull(np.concatenate(pair)) for pair in itertools.pairwise(ends)]
    return pieces


def _corner(line: Outline, vertex: int, profile: Profile) -> Solid:
    """The true cone about a soft corner."""
    _, last = line.corner(vertex)
    sector = (math.atan2(last[1], last[0]), -turn_of(line.corner(vertex)))
    return _ring(line.points[vertex], 0.0, profile, sector, 1.0)


def _elements(
    part: Part, line: Outline, ways: list[tuple[Floats, Floats]], section: Floats, profile: Profile
) -> list[Solid]:
    """The pieces with true cones where what hangs over the outline is turned about an axis."""
    pieces = _pieces(line, ways, section)
    made: list[Solid] = []
    for face_id, group in itertools.groupby(range(len(line.faces)), key=line.faces.__getitem__):
        edges = list(group)
        face = part.face(int(face_id))
        points = line.points[edges[0] : edges[-1] + 2]
        ring = _round_ring(face, points, profile)
        if ring is not None:
            made.append(ring)
            continue
        for k in edges:
            # Beside an arc the section stands square, not on the mitre of the arc's first chord.
            own = line.normals[k]
            a, b = (own if abs(turn_of(line.corner(v))) < SMOOTH_RAD else w
                    for v, w in ((k, ways[k][0]), (k + 1, ways[k][1])))
            square = len(edges) == 1
            made.append(Hull(np.concatenate([
                _at(line.points[k], a, section), _at(line.points[k + 1], b, section),
            ])) if square else pieces[k])
    return made


def _round_ring(face: Face, points: Floats, profile: Profile) -> Solid | None:
    """The section turned about the upright axis of a torus, cone or ball, where the outline lies
    on a circle about it."""
    circle = circle_of(face, points)
    if circle is None:
        return None
    centre, radius = circle
    spokes = points - centre
    angles = np.unwrap(np.arctan2(spokes[:, 1], spokes[:, 0]))
    turn = float(angles[-1] - angles[0])
    sector = None
    if abs(turn) < 2 * math.pi - 1e-6:
        sector = (float(min(angles[0], angles[-1])), abs(turn))
    # With the air on the left, an outline that turns clockwise is that of a disc.
    return _ring(centre, radius, profile, sector, 1.0 if turn < 0 else -1.0)


def _ring(
    centre: Floats, radius: float, profile: Profile, sector: tuple[float, float] | None, way: float
) -> Solid:
    """The section turned about an upright axis, outwards (`way` 1) or inwards (−1)."""
    x, y = centre.tolist()
    foot, out = radius + way * profile.foot_mm, radius + way * profile.out_mm
    behind = max(radius - way * BEHIND_MM, 0.0)

    def upright(r: float, z0: float, z1: float) -> Solid:
        return Cone((x, y, z0), UP, z1 - z0, r, r, sector=sector)

    cone: Solid = Cone((x, y, 0.0), UP, profile.meet_mm, foot, out, sector=sector)
    if profile.top_mm > profile.meet_mm + GRID_MM:
        cone = Union((cone, upright(out, profile.meet_mm, profile.top_mm)))
    core = upright(behind, 0.0, profile.top_mm)
    if way < 0:
        return Difference(core, cone)
    return Difference(cone, core) if behind > 0 else cone
