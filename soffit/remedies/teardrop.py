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

A hole that was drawn with a roof for another way up has a point of its own, which need not lie
between the new planes: then they touch that point, not the circle, so that nothing hangs between an
old point and a new one. With the old one at (x, y) the planes y ± x tan φ = c meet at
((c₊ − c₋) / (2 tan φ), (c₊ + c₋) / 2) (derived).

**Limits.** An axis that rises, and a hole that a slit opens at the top, get the pointed roof
only. Above the roof two lines of wall must remain.
A crown that is not round, or that something in the hole fills, is left to other remedies.
A seat or bearing that needs its whole circle must be protected; then the prop is what is left.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import manifold3d as m3
import numpy as np

from soffit.errors import GeometryError
from soffit.findings.leaning import LEVEL_DEG
from soffit.findings.model import Finding
from soffit.findings.words import within
from soffit.layers.stack import components
from soffit.part.mesh_solid import evaluate
from soffit.part.model import Floats
from soffit.part.solid import Extrusion, Fitted
from soffit.remedies.context import BRIDGE_SHARE, HAIR_MM, Context
from soffit.remedies.hole import Crown, find_crowns
from soffit.remedies.model import Option
from soffit.remedies.probe import hits, inside, reach_of
from soffit.remedies.trees import union

NAME = "teardrop"
RANK = 3

# Lines of wall that must stay above the roof (common practice, no source).
WALL_LINES = 2.0

# A level roof lies this far above the crown where a plane that touches it would be no contact,
# mm: under 1 % of the least cut, and ten times the grid of the layers (derived).
LIFT_MM = 1e-3

# Places along a hole at which an older roof is looked for, and how high that may reach above the
# new one, in radii; what reaches higher is a slit (own choice).
ALONG = 3
OLDER_RADII = 0.5


def options(context: Context, finding: Finding) -> tuple[list[Option], list[str]]:
    """Teardrop cuts for a finding under round holes: level first, then pointed."""
    if not finding.kind.startswith("air/"):
        return [], []
    crowns = find_crowns(context.part, finding, context.solid)
    if not crowns:
        return [], []
    solid = context.solid
    if solid is None:
        return [], ["teardrop: the part's surface is not closed, so nothing can be cut from it"]
    made: list[Option] = []
    reasons: list[str] = []
    for level in (True, False):
        cuts: list[_Cut] = []
        problems: list[str] = []
        for crown in crowns:
            try:
                cuts.append(_cut(context, solid, crown, level))
            except (_No, GeometryError) as no:
                problems.append(str(no))
        if problems:
            reasons += [f"teardrop: {p}" for p in problems]
            continue
        exact = union([cut.exact for cut in cuts])
        lifted = union([cut.lifted for cut in cuts])
        shape = Fitted(union([cut.mesh for cut in cuts]), (exact, lifted) if level else (exact,))
        volume = float((solid ^ evaluate(shape, context.part)).volume())
        why = "; ".join(dict.fromkeys(cut.words for cut in cuts))
        made.append(Option(NAME, finding.id, "cut", shape, RANK, why, volume_mm3=volume))
    if len(made) == 2 and made[0].why == made[1].why:
        made.pop()
    return made, list(dict.fromkeys(reasons))


@dataclass(frozen=True)
class _Cut:
    """The cut of one crown for either kernel: `exact` ends flush with the hole and, where it
    is level, touches the circle in one line; `lifted` and `mesh` end just above that line,
    and `mesh` a hair past the ends, so that nothing merely touches. `words` say what it is."""

    mesh: Extrusion
    exact: Extrusion
    lifted: Extrusion
    words: str


class _No(Exception):
    """Why a crown cannot be cut; never leaves this module."""


def roof_angle(limit_rad: float, rise_rad: float) -> float:
    """Angle φ from the crown at which the roof planes touch, radians; 0 where none is needed.

    cos φ = cos δc / cos ε (derived, see the manual above).
    """
    ratio = math.cos(limit_rad) / math.cos(rise_rad)
    return math.acos(ratio) if ratio < 1.0 else 0.0


def profile(
    radius: float,
    phi: float,
    left: float,
    right: float,
    flat_mm: float | None,
    lift_mm: float = 0.0,
    older: Floats | None = None,
) -> Floats:
    """Outline of the cut in the plane normal to the axis, (n, 2) mm, counter-clockwise.

    Origin on the axis, y up. It holds the roof from the points where the planes leave the
    circle (φ from the crown, or its ends `left` and `right` if those come first) and the
    segment of the circle below them. Cut level where the roof is `flat_mm` wide, though not
    below `lift_mm` above the crown; None leaves it pointed. `older` (k, 2): points that a pointed
    one holds too.
    """
    a, b = min(phi, right), min(phi, left)
    foot_right = np.array([radius * math.sin(a), radius * math.cos(a)])
    foot_left = np.array([-radius * math.sin(b), radius * math.cos(b)])
    slope = math.tan(phi)
    points = np.vstack([[foot_left, foot_right], np.empty((0, 2)) if older is None else older])
    # y + x tan φ = c₊ and y − x tan φ = c₋, each as high as its highest point, meet in the apex.
    falls, rises = points[:, 1] + points[:, 0] * slope, points[:, 1] - points[:, 0] * slope
    apex = np.array([(falls.max() - rises.max()) / (2.0 * slope),
                     0.5 * (falls.max() + rises.max())])
    if flat_mm is None:
        # The feet are the first two points.
        right_of = [points[k] for k in (int(np.argmax(falls)),) if k > 1]
        left_of = [points[k] for k in (int(np.argmax(rises)),) if k > 1]
        return np.array([foot_left, foot_right, *right_of, apex, *left_of])
    y = max(radius + lift_mm, float(apex[1]) - 0.5 * flat_mm * slope)
    half = (float(apex[1]) - y) / slope
    if half < 1e-9:
        return np.array([foot_left, foot_right, apex])
    return np.array([foot_left, foot_right, [apex[0] + half, y], [apex[0] - half, y]])


def _cut(context: Context, solid: m3.Manifold, crown: Crown, level: bool) -> _Cut:
    """The solid to cut for one crown; raises _No with the reason why there is none."""
    process = context.process
    limit = math.radians(process.angle_deg)
    phi = roof_angle(limit, crown.rise_rad)
    where = f"the hole of {2.0 * crown.radius:.4g} mm diameter"
    if phi <= 0.0:
        raise _No(f"{where} lies steep enough already")
    flat_limit = BRIDGE_SHARE * process.bridge_mm
    if level and crown.rise_rad >= math.radians(LEVEL_DEG):
        raise _No(f"a level roof on {where} would rise only with its axis, at "
                  f"{math.degrees(crown.rise_rad):.3g}° from the platform; it needs the point")
    if level and crown.broken:
        raise _No(f"{where} is open at the top, so a level roof would have no second end; "
                  "it needs the point")
    if level and flat_limit <= 0.0:
        raise _No(f"{where}: this process bridges nothing, so only the pointed roof holds")
    flat = flat_limit if level else None
    older = _older(context, solid, crown, phi) if crown.broken else None
    outline = profile(crown.radius, phi, crown.left, crown.right, flat, older=older)
    lifted = profile(crown.radius, phi, crown.left, crown.right, flat, LIFT_MM, older)
    flush, past = _ends(context, solid, crown, lifted)
    _check_clear(context, solid, crown, outline)
    _check_wall(context, solid, crown, outline)
    top = outline[2:]
    if level and len(top) == 2:
        words = (
            f"the crown of {where} is cut to a roof at {process.angle_deg:.3g}° from the "
            f"platform, level over the last {float(np.ptp(top[:, 0])):.2f} mm, which are bridged"
        )
    else:
        words = (
            f"the crown of {where} is cut to a point {top[:, 1].max() - crown.radius:.2f} mm above "
            f"the circle, nowhere flatter than {process.angle_deg:.3g}° from the platform"
        )
    return _Cut(
        _swept(crown, lifted, past), _swept(crown, outline, flush), _swept(crown, lifted, flush),
        words,
    )


def _older(context: Context, solid: m3.Manifold, crown: Crown, phi: float) -> Floats | None:
    """Points of the roof that a hole already has and that reach past the one it gets, (k, 2); None
    where none do, or where a slit is open at the top."""
    new = profile(crown.radius, phi, crown.left, crown.right, None)
    (left, _), (right, _), (_, apex) = new.tolist()
    most = apex + OLDER_RADII * crown.radius
    # Looked at along the axis, which way round does not matter.
    frame = np.array([crown.across, crown.up, -crown.along])
    turned = solid.transform(np.column_stack([frame, -frame @ crown.centre]))
    window = m3.CrossSection.square((right - left, most)).translate((left, 0.0))
    axis = m3.CrossSection.square((HAIR_MM, HAIR_MM))
    found = []
    for t in _samples(crown, ALONG):
        room = [r for r in components(window - turned.slice(-t)) if not (r ^ axis).is_empty()]
        if not room or room[0].bounds()[3] > most - HAIR_MM:
            return None
        corners = np.concatenate(room[0].to_polygons())
        past = [_roof_mm(new, x) + context.stack.slack_mm for x in corners[:, 0].tolist()]
        found.append(corners[corners[:, 1] > past])
    older = np.concatenate(found)
    return older if len(older) else None


def _swept(crown: Crown, outline: Floats, ends: tuple[float, float]) -> Extrusion:
    low, high = ends
    polygon = np.array([crown.at(low, x, y) for x, y in outline.tolist()])
    step = (high - low) * crown.along
    return Extrusion(polygon, (float(step[0]), float(step[1]), float(step[2])))


def _samples(crown: Crown, count: int = 9) -> Floats:
    """Places along the hole, ends not included, (count,)."""
    share = (np.arange(count) + 0.5) / count
    return np.asarray(crown.low + (crown.high - crown.low) * share)


def _ends(
    context: Context, solid: m3.Manifold, crown: Crown, outline: Floats
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Where the cut starts and ends along the axis: for the B-rep, and for the mesh.

    A blind end (a floor, the tip of a drill, a wall that closes in) stops at the end of the round
    surface, in the mesh a hair past it. An end that opens goes on through all that leans over it
    (a countersink, a sloping wall, a rounded mouth), a hair past the surface, but not farther than
    the radius nor to what stands opposite.
    """
    flush, past = [], []
    for end, way in ((crown.low, -1.0), (crown.high, 1.0)):
        direction = way * crown.along
        mouth = crown.at(end, 0.0, 0.98 * crown.radius) + HAIR_MM * direction
        reach = reach_of(solid)
        ahead = hits(solid, mouth, direction, reach)
        room = ahead[0].at_mm if ahead else math.inf
        blocked = room <= HAIR_MM or (bool(ahead) and not ahead[0].entering)
        leans = []
        for x, y in _roof_points(crown, outline):
            start = crown.at(end, x, y) - HAIR_MM * direction
            found = hits(solid, start, direction, reach)
            if found and not found[0].entering and found[0].at_mm - HAIR_MM <= crown.radius:
                leans.append(found[0].at_mm - HAIR_MM)
        if blocked or not leans:
            flush.append(end)
            past.append(end + way * HAIR_MM)
            continue
        lean = max(leans)
        if lean > HAIR_MM:
            lean += context.stack.slack_mm  # the true surface may lie so far past the facets
        out = end + way * min(lean + HAIR_MM, room)
        flush.append(out)
        past.append(out)
    return (flush[0], flush[1]), (past[0], past[1])


def _roof_points(crown: Crown, outline: Floats) -> list[tuple[float, float]]:
    """Points of the outline above the circle: its top, and places just within its sides."""
    middle = outline.mean(axis=0)
    sides = [0.5 * (outline[1] + outline[2]), 0.5 * (outline[0] + outline[-1])]
    points = [*outline[2:], *(middle + 0.98 * (p - middle) for p in sides)]
    return [(float(x), float(y)) for x, y in points if math.hypot(x, y) > crown.radius]


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
    left, right = float(outline[0, 0]), float(outline[1, 0])
    across = np.unique([*np.linspace(left, right, 7)[1:-1], *outline[2:, 0]])
    for t in _samples(crown):
        for x in across.tolist():
            rim = math.sqrt(crown.radius**2 - x**2) + 2 * context.stack.slack_mm
            if not inside(solid, crown.at(t, x, rim)):
                continue  # another hole or a slit opens into this one here
            # From just above the roof: a level one touches the crown, which rounding may raise.
            found = hits(solid, crown.at(t, x, _roof_mm(outline, x) + LIFT_MM), up, reach)
            solid_here = bool(found) and not found[0].entering
            thinnest = min(thinnest, found[0].at_mm + LIFT_MM if solid_here else 0.0)
    if not within(least, thinnest):
        raise _No(
            f"over the roof of the hole of {2 * crown.radius:.4g} mm diameter only "
            f"{thinnest:.2f} mm of wall would remain; {least:.2f} mm are needed"
        )


def _roof_mm(outline: Floats, x: float) -> float:
    """Height of the roof above the axis at `x` across, mm."""
    roof = np.concatenate([outline[1:], outline[:1]])[::-1]
    return float(np.interp(x, roof[:, 0], roof[:, 1]))
