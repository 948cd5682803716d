"""Teardrop: cut the crown of a round hole to a roof that prints.

**What it does.** A hole that lies across the build direction is round at the top, and the
last part of a round crown is flat: it would print over air. The crown is cut upward to two
planes that touch the circle where it becomes too flat. They meet in a point, or are cut off
level where what is left is a bridge that the process spans. Only material above the circle
goes: a shaft or pin in the hole still finds three quarters of the wall or more.

**How it is measured.** In the plane normal to the axis, with the radius r and the angle φ
from the crown at which the roof planes touch the circle:

    apex above the axis          r / cos φ
    area cut away, pointed       r² (tan φ − φ)
    flat when cut level at y     2 (r − y cos φ) / sin φ,  at the crown 2r (1 − cos φ) / sin φ

(derived). A roof plane contains the axis. Where the axis rises by ε from the platform, the
plane whose normal leans by φ from the vertical plane through the axis has a downskin angle δ
with cos δ = cos φ · cos ε; asking for δ = δc gives cos φ = cos δc / cos ε (derived). A level
axis gives φ = δc; at ε = δc nothing is left to cut. Where a round top ends before φ, as on a
flat arch, the planes start from its ends at the same slope.

**Example.** r = 5, δc = 45°: apex 7.07 above the axis, 5.37 mm² cut away; cut level with the
top of the circle it has a flat of 4.14 mm, within what any material bridges.

**Limits.** Axes up to 30° from the platform; one that rises gets the pointed roof only. Above
the roof two lines of wall must remain.
A crown that is not round, or that something in the hole fills, is left to other remedies.
A seat or bearing that needs its whole circle must be protected; then the prop is what is left.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import manifold3d as m3
import numpy as np

from soffit.findings.model import Finding
from soffit.findings.places import LEVEL_DEG
from soffit.part.mesh_solid import evaluate
from soffit.part.model import Floats, Part, Surface
from soffit.part.solid import Extrusion, Solid, Union
from soffit.remedies.context import HAIR_MM, Context
from soffit.remedies.model import Option
from soffit.remedies.probe import hits, inside, reach_of

NAME = "teardrop"
RANK = 3

# Steepest axis, degrees from the platform: above it the strips that are left are short and
# the chamfer of the mouth is the simpler cure (common practice, no source).
STEEPEST_AXIS_DEG = 30.0

# Share of the bridging limit that a designed flat may use (common practice, no source).
BRIDGE_SHARE = 0.8

# Lines of wall that must stay above the roof (common practice, no source).
WALL_LINES = 2.0

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
    `left`, `right`: how far the surface reaches from the crown, radians."""

    centre: Floats
    along: Floats
    across: Floats
    up: Floats
    radius: float
    low: float
    high: float
    left: float
    right: float

    @property
    def rise_rad(self) -> float:
        """Angle of the axis from the platform."""
        return math.asin(min(1.0, abs(float(self.along[2]))))

    def at(self, t: float, x: float, y: float) -> Floats:
        """Point at `t` along the axis, `x` across and `y` above it, (3,)."""
        return self.centre + t * self.along + x * self.across + y * self.up


def options(context: Context, finding: Finding) -> tuple[list[Option], list[str]]:
    """Teardrop cuts for a finding under round holes: level first, then pointed."""
    if not finding.kind.startswith("air/"):
        return [], []
    crowns = find_crowns(context.part, finding, context.solid)
    if not crowns:
        return [], ["teardrop: what is over air is not the crown of a round hole"]
    solid = context.solid
    if solid is None:
        return [], ["teardrop: the part's surface is not closed, so nothing can be cut from it"]
    made: list[Option] = []
    reasons: list[str] = []
    for level in (True, False):
        cuts: list[Solid] = []
        said: list[str] = []
        problems: list[str] = []
        for crown in crowns:
            try:
                cut, words = _cut(context, solid, crown, level)
            except _No as no:
                problems.append(str(no))
            else:
                cuts.append(cut)
                said.append(words)
        if problems:
            reasons += [f"teardrop: {p}" for p in problems]
        elif cuts:
            shape: Solid = cuts[0] if len(cuts) == 1 else Union(tuple(cuts))
            volume = float((solid ^ evaluate(shape, context.part)).volume())
            why = "; ".join(dict.fromkeys(said))
            made.append(Option(NAME, finding.id, "cut", shape, RANK, why, volume_mm3=volume))
    if len(made) == 2 and abs(made[0].volume_mm3 - made[1].volume_mm3) < 1e-6:
        made.pop()
    return made, list(dict.fromkeys(reasons))


class _No(Exception):
    """Why a crown cannot be cut; never leaves this module."""


def roof_angle(limit_rad: float, rise_rad: float) -> float:
    """Angle φ from the crown at which the roof planes touch, radians; 0 where none is needed.

    cos φ = cos δc / cos ε (derived, see the manual above).
    """
    ratio = math.cos(limit_rad) / math.cos(rise_rad)
    return math.acos(ratio) if ratio < 1.0 else 0.0


def profile(radius: float, phi: float, left: float, right: float, flat_mm: float | None) -> Floats:
    """Outline of the cut in the plane normal to the axis, (n, 2) mm, counter-clockwise.

    Origin on the axis, y up. It holds the roof from the points where the planes leave the
    circle (φ from the crown, or its ends `left` and `right` if those come first) and the
    segment of the circle below them. Cut level where the roof is `flat_mm` wide, though not
    below the crown; None leaves it pointed.
    """
    a, b = min(phi, right), min(phi, left)
    foot_right = np.array([radius * math.sin(a), radius * math.cos(a)])
    foot_left = np.array([-radius * math.sin(b), radius * math.cos(b)])
    slope = math.tan(phi)
    # y = yr − (x − xr) tan φ and y = yl + (x − xl) tan φ meet in the apex.
    x = 0.5 * (foot_right[0] + foot_left[0] + (foot_right[1] - foot_left[1]) / slope)
    apex = np.array([x, foot_right[1] + (foot_right[0] - x) * slope])
    if flat_mm is None:
        return np.array([foot_left, foot_right, apex])
    y = max(radius, float(apex[1]) - 0.5 * flat_mm * slope)
    half = (float(apex[1]) - y) / slope
    if half < 1e-9:
        return np.array([foot_left, foot_right, apex])
    return np.array([foot_left, foot_right, [x + half, y], [x - half, y]])


def find_crowns(part: Part, finding: Finding, solid: m3.Manifold | None = None) -> list[Crown]:
    """Crowns of round holes that a finding lies under, one for each stretch of a hole.

    With `solid`, stretches that only a crossing hole or a narrow gap parts count as one.
    """
    ids = np.unique(part.mesh.face_of[finding.patch.triangles]).tolist()
    under = [f for f in ids if _is_hole(part, f)]
    crowns: list[Crown] = []
    done: set[int] = set()
    for face in under:
        if face in done:
            continue
        group = [k.id for k in part.faces if _is_hole(part, k.id) and _same(part, face, k.id)]
        for stretch in _stretches(part, group, solid):
            if not set(stretch) & set(under):
                continue
            done |= set(stretch)
            crown = _crown(part, stretch)
            if crown is not None:
                crowns.append(crown)
    return crowns


def _is_hole(part: Part, face_id: int) -> bool:
    face = part.face(face_id)
    if face.surface is not Surface.CYLINDER or not face.inward or face.axis_dir is None:
        return False
    rise = math.asin(min(1.0, abs(face.axis_dir[2]) / float(np.linalg.norm(face.axis_dir))))
    return rise <= math.radians(STEEPEST_AXIS_DEG)


def _axis(part: Part, face_id: int) -> tuple[Floats, Floats, float]:
    face = part.face(face_id)
    direction = np.array(face.axis_dir)
    direction /= np.linalg.norm(direction)
    return np.array(face.axis_point), direction, float(face.radius_mm or 0.0)


def _same(part: Part, one: int, other: int) -> bool:
    """Whether two faces lie on one cylinder, to within what tessellation blurs."""
    p, d, r = _axis(part, one)
    q, e, s = _axis(part, other)
    blur = max(HAIR_MM, 2.0 * part.deflection_mm)
    apart = float(np.linalg.norm(np.cross(q - p, d)))
    length = max(part.size_mm)
    return (
        abs(r - s) <= blur
        and apart <= blur
        and float(np.linalg.norm(np.cross(d, e))) * length <= 2.0 * blur
    )


def _stretches(part: Part, group: list[int], solid: m3.Manifold | None) -> list[list[int]]:
    """Faces of one cylinder grouped by where they lie along it: two lugs with aligned holes
    are two stretches, a hole that another one crosses is one."""
    p, d, radius = _axis(part, group[0])
    up = np.array([0.0, 0.0, 1.0]) - d[2] * d
    crown = p + 0.98 * radius * up / np.linalg.norm(up)
    spans = []
    for face in group:
        t = (part.mesh.corners[part.mesh.face_of == face].reshape(-1, 3) - p) @ d
        spans.append((float(t.min()), float(t.max()), face))
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


def _crown(part: Part, faces: list[int]) -> Crown | None:
    """The crown of one stretch of a hole; None where the surface does not reach over its top."""
    p, along, radius = _axis(part, faces[0])
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
    here = [b for b in _merge(angle[over].min(axis=1), angle[over].max(axis=1))
            if b[0] <= 0.0 <= b[1]]
    if not here:
        return None
    left, right = -here[0][0], here[0][1]
    if min(left, right) < math.radians(LEAST_SIDE_DEG):
        return None
    t = (q @ along).reshape(-1)
    return Crown(p, along, across, up, radius, float(t.min()), float(t.max()), left, right)


def _merge(low: Floats, high: Floats) -> list[tuple[float, float]]:
    """Intervals joined where they touch (to 1e-6, far below any facet), sorted."""
    joined: list[tuple[float, float]] = []
    for k in np.argsort(low, kind="stable").tolist():
        if joined and low[k] <= joined[-1][1] + 1e-6:
            joined[-1] = (joined[-1][0], max(joined[-1][1], float(high[k])))
        else:
            joined.append((float(low[k]), float(high[k])))
    return joined


def _cut(
    context: Context, solid: m3.Manifold, crown: Crown, level: bool
) -> tuple[Extrusion, str]:
    """The solid to cut for one crown and what it is, in words; raises _No with the reason."""
    process = context.process
    limit = math.radians(process.angle_deg)
    phi = roof_angle(limit, crown.rise_rad)
    diameter = 2.0 * crown.radius
    where = f"the hole of {diameter:.4g} mm diameter"
    if phi <= 0.0:
        raise _No(f"{where} lies steep enough already")
    flat_limit = BRIDGE_SHARE * process.bridge_mm
    if level and crown.rise_rad >= math.radians(LEVEL_DEG):
        raise _No(f"a level roof on {where} would rise only with its axis, at "
                  f"{math.degrees(crown.rise_rad):.3g}° from the platform; it needs the point")
    if level and flat_limit <= 0.0:
        raise _No(f"{where}: this process bridges nothing, so only the pointed roof holds")
    outline = profile(crown.radius, phi, crown.left, crown.right, flat_limit if level else None)
    low, high = _ends(solid, crown, outline)
    _check_clear(context, solid, crown, outline)
    _check_wall(context, solid, crown, outline)
    polygon = np.array([crown.at(low, x, y) for x, y in outline.tolist()])
    step = (high - low) * crown.along
    cut = Extrusion(polygon, (float(step[0]), float(step[1]), float(step[2])))
    top = outline[2:]
    if len(top) == 2:
        flat = float(np.ptp(top[:, 0]))
        return cut, (
            f"the crown of {where} is cut to a roof at {process.angle_deg:.3g}° from the "
            f"platform, level over the last {flat:.2f} mm, which are bridged"
        )
    return cut, (
        f"the crown of {where} is cut to a point {top[0, 1] - crown.radius:.2f} mm above the "
        f"circle, nowhere flatter than {process.angle_deg:.3g}° from the platform"
    )


def _samples(crown: Crown, count: int = 9) -> Floats:
    """Places along the hole, ends not included, (count,)."""
    share = (np.arange(count) + 0.5) / count
    return np.asarray(crown.low + (crown.high - crown.low) * share)


def _ends(solid: m3.Manifold, crown: Crown, outline: Floats) -> tuple[float, float]:
    """Where the cut starts and ends along the axis.

    A blind end stops at the end of the round surface. An end that opens to the outside goes
    on through what leans over it (a sloping wall, a rounded mouth), a hair past the surface,
    but not farther than twice the height of the roof.
    """
    height = float(outline[:, 1].max()) - crown.radius
    farthest = 2.0 * height
    ends = []
    for end, way in ((crown.low, -1.0), (crown.high, 1.0)):
        direction = way * crown.along
        mouth = crown.at(end, 0.0, 0.98 * crown.radius) + HAIR_MM * direction
        reach = reach_of(solid)
        if hits(solid, mouth, direction, reach):
            ends.append(end)
            continue
        past = 0.0
        for x, y in _roof_points(crown, outline):
            start = crown.at(end, x, y) - HAIR_MM * direction
            found = hits(solid, start, direction, reach)
            if found and not found[0].entering:
                past = max(past, found[0].at_mm - HAIR_MM)
        ends.append(end + way * (past + HAIR_MM) if past <= farthest else end)
    return ends[0], ends[1]


def _roof_points(crown: Crown, outline: Floats) -> list[tuple[float, float]]:
    """Points in the part of the outline above the circle."""
    points = [*outline[2:], 0.5 * (outline[1] + outline[2]), 0.5 * (outline[0] + outline[-1])]
    inner = outline.mean(axis=0)
    shrunk = [inner + 0.98 * (p - inner) for p in points]
    return [(float(x), float(y)) for x, y in shrunk if math.hypot(x, y) > crown.radius]


def _check_clear(
    context: Context, solid: m3.Manifold, crown: Crown, outline: Floats
) -> None:
    """Nothing may stand in the segment of the circle that the cut sweeps through."""
    left, right = outline[0], outline[1]
    angles = np.linspace(math.atan2(right[1], right[0]), math.atan2(left[1], left[0]), 33)
    radius = crown.radius - context.stack.slack_mm
    arc = radius * np.stack([np.cos(angles), np.sin(angles)], axis=1)
    shrink = 1e-3 * (crown.high - crown.low)
    segment = np.array([crown.at(crown.low + shrink, x, y) for x, y in arc.tolist()])
    step = (crown.high - crown.low - 2 * shrink) * crown.along
    body = evaluate(Extrusion(segment, (float(step[0]), float(step[1]), float(step[2]))))
    if float((solid ^ body).volume()) > 1e-3 * float(body.volume()):
        raise _No(
            f"something stands right under the crown of the hole of {2 * crown.radius:.4g} mm "
            f"diameter and would be cut with it"
        )


def _check_wall(context: Context, solid: m3.Manifold, crown: Crown, outline: Floats) -> None:
    """Two lines of wall must stay above the roof, measured straight up."""
    least = WALL_LINES * context.process.line_mm
    reach = reach_of(solid)
    up = np.array([0.0, 0.0, 1.0])
    thinnest = math.inf
    for t in _samples(crown):
        if not inside(solid, crown.at(t, 0.0, crown.radius + 2 * context.stack.slack_mm)):
            continue  # another hole crosses here
        for x, y in outline[2:].tolist():
            start = crown.at(t, x, y)
            found = hits(solid, start, up, reach)
            solid_here = bool(found) and not found[0].entering
            thinnest = min(thinnest, found[0].at_mm if solid_here else 0.0)
    if thinnest < least - 1e-9:
        raise _No(
            f"over the roof of the hole of {2 * crown.radius:.4g} mm diameter only "
            f"{thinnest:.2f} mm of wall would remain; {least:.2f} mm are needed"
        )
