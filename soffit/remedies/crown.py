"""Crown cut: the top of a hole that closes too flat, whatever its shape, is cut to a roof.

**What it does.** A hole or a hollow across the build direction may close by two flanks that lean
too flat: a nut's seat with a corner up, an oval, a square on its corner, a round hole whose axis
rises. From the lower end of each flank a plane rises at the smallest angle that holds; what lies
below the planes is cut away. They are cut off level with the highest point of the crown, where
what is left is a bridge that the process spans, or meet in a point.

**How it is measured.** With t the distance from the foot of a flank, θ its angle, δ the limit and
s the share of the lip after which the cut starts, the plane passes t·tan δ − s(tan δ − tan θ) above
the foot. A crown of two such flanks, each a wide, loses per mm of length, pointed,
(a − s)²(tan δ − tan θ); cut level with its ridge it keeps a flat of 2(a − t₁) with
t₁ tan δ = a·tan θ + s(tan δ − tan θ) (derived).

**Example.** The seat of a nut 8 mm across flats, corner up, under 45°: as drawn 30° from the
platform, cut level with its corner it keeps a flat of 3.2 mm.

**Limits.** Two lines of material must remain above the cut, and it is no deeper than 2 mm. A crown
that a teardrop fits gets the teardrop.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import manifold3d as m3
import numpy as np
import shapely
from numpy.typing import NDArray

from soffit.findings.model import Finding
from soffit.layers.stack import plan_of
from soffit.part.mesh_solid import evaluate
from soffit.part.model import Floats, Surface
from soffit.part.topology import line_length
from soffit.remedies import teardrop
from soffit.remedies.anchor import distance, polygon
from soffit.remedies.context import BRIDGE_SHARE, HAIR_MM, Context
from soffit.remedies.gable import Gable, gable_of
from soffit.remedies.model import Option
from soffit.remedies.outline import TOUCH_MM, WAVES_MM, away_from, without_saws
from soffit.remedies.place import slope_of
from soffit.remedies.undercut import (
    NOTHING_MM3,
    PAST_MM,
    RIM_MM,
    SHORTEST_MM,
    Cut,
    Side,
    cut_below,
    deepest_mm,
    least_past,
    refused,
    sides_of,
)

NAME = "crown cut"
RANK = 3

# A level cut lies this far above the highest point of the crown, mm: where it would only touch
# that, it would be no contact (derived: ten times the grid of the layers).
LIFT_MM = 0.01

# What follows on a slope borders on it so far from what holds it, as a share of its width (derived:
# at an end of it that is half, at its upper edge all of it).
FARTHER = 0.6
# And on a bridge where that is held, as a share of its span (derived: at an end of it that is up to
# a half).
NEARER = 0.25
# Such a border is at least so long, as a share of what holds one of both (own choice).
BORDER_SHARE = 0.25

# So far into a wall that ends it the cut goes on, that its end is a face and no sliver, mm
# (derived: two hairs). So far past the crown it ends upright where it comes out nowhere: as a step
# of the hole ends its crown.
_INTO_MM = 2 * HAIR_MM

# In a shorter line corners off it by less than the waves of a mesh are no shape, mm (derived: four
# lines, over which such waves turn it by 3°).
_SHORT_MM = 2.0 * SHORTEST_MM

# Edges face each other whose inner sides look against each other so far, as a cosine, and of so
# many, the longest, this is asked (derived: 120 degrees; own choice).
OPPOSITE = 0.5
_MOST_EDGES = 60

# The roof's peak is looked for on a grid of so many points each way (derived: to a sixtieth of the
# crown's width, a tenth of a line for most holes).
_GRID = 60


def options(context: Context, finding: Finding) -> tuple[list[Option], list[str]]:
    """A crown cut level, and one cut to a point; or why not."""
    if finding.kind != "air/slope":
        return [], []
    members = _closing(context, finding)
    gap = _gap_mm(context)
    region = shapely.union_all([
        shapely.buffer(polygon(f.patch.rings), gap, join_style="mitre") for f in members])
    region = shapely.buffer(region, TOUCH_MM - gap, join_style="mitre")
    region = without_saws(region, shapely.Polygon())
    first = max(0, min(f.patch.layers[0] for f in members) - 1)
    sides = _sides(context, members)
    if not _closes(region, sides, gap):
        return [], []
    if _is_round(context, members) and teardrop.options(context, finding)[0]:
        return [], []
    slope, layer = slope_of(context), context.process.layer_mm
    gable = gable_of(sides, slope, 0.5 * layer)
    peak = _peak(region, sides, slope) if gable is None else gable.peak_mm
    crest = _crest(context, region, members) + LIFT_MM
    bridged = max(crest, peak - 0.5 * BRIDGE_SHARE * context.process.bridge_mm * slope)
    held = shapely.simplify(shapely.buffer(
        plan_of(context.stack.regions[first]), -_INTO_MM, join_style="mitre"), HAIR_MM)
    made: list[Option] = []
    reasons: list[str] = []
    for level in (True, False):
        if level and bridged >= peak:
            continue
        top = bridged if level else peak + slope * LIFT_MM
        cut = (_below_all(context, region, held, sides, top) if gable is None
               else _below_gable(context, region, gable, top))
        assert context.solid is not None  # `all_options` asks no remedy without one
        lost = None if cut is None else evaluate(cut.solid) ^ context.solid
        if cut is None or lost is None or lost.volume() < NOTHING_MM3:
            reasons.append(f"{NAME}: it would cut nothing")
            continue
        deep = deepest_mm(lost, cut)
        if no := refused(context, lost, deep):
            reasons.append(f"{NAME}: {no}")
        else:
            words = "level at its top, which is bridged" if level else "to a point"
            why = (f"the crown is cut {words}, nowhere flatter than "
                   f"{context.process.angle_deg:.3g}° from the platform up to there, "
                   f"{deep:.2f} mm deep")
            made.append(Option(NAME, finding.id, "cut", cut.solid, RANK, why))
    return made, [] if made else list(dict.fromkeys(reasons))


def _below_all(
    context: Context, region: shapely.Geometry, held: shapely.Geometry, sides: Sequence[Side],
    top: float,
) -> Cut | None:
    """The cut by all planes of a crown, as far past it as it has to go to come out."""
    slope = slope_of(context)
    past = least_past(context, region, held, sides, slope, lambda _: top, held)
    return cut_below(region, held, sides, past or _INTO_MM, slope, top)


def _below_gable(
    context: Context, region: shapely.Geometry, gable: Gable, top: float
) -> Cut:
    """The cut by the two planes of a crown; each of its ends as far past it as it has to go to come
    out."""
    assert context.solid is not None  # `all_options` asks no remedy without one
    first, last = gable.ends(region)
    ends = []
    most = max(PAST_MM)
    around = evaluate(gable.solid(first - most, last + most, top)) ^ context.solid
    for near, far, way in ((first, last, -1.0), (last, first, 1.0)):
        for past in (*PAST_MM, _INTO_MM):
            end = near + way * past
            lost = evaluate(gable.solid(far, end, top)) ^ around
            rim = m3.CrossSection([gable.plan(end - way * RIM_MM, end)], m3.FillRule.NonZero)
            if (lost.project() ^ rim).area() < RIM_MM * RIM_MM:
                break
        ends.append(end)
    room = m3.CrossSection([gable.plan(*ends)], m3.FillRule.NonZero)
    return Cut(gable.solid(ends[0], ends[1], top), room, gable.low_mm, min(top, gable.peak_mm))


def _closing(context: Context, finding: Finding) -> list[Finding]:
    """A slope with all that follows on it up to where the hole is closed, lowest first."""
    gap = _gap_mm(context)
    near = {f.id: shapely.buffer(polygon(f.patch.rings), gap, join_style="mitre")
            for f in context.review.findings
            if f.kind.startswith("air/") and f.kind != "air/island"}
    others = [f for f in context.review.findings if f.id in near]
    members = [finding]
    for member in members:  # grows as it goes
        members += [f for f in others if f not in members and _follows(member, f, near, gap)]
    return sorted(members, key=lambda f: (f.patch.layers, f.at_mm))


def _is_round(context: Context, members: Sequence[Finding]) -> bool:
    """Whether a crown is that of a round hole and nothing else."""
    faces = [context.part.face(name) for f in members for name in f.faces]
    return all(face.surface is Surface.CYLINDER and face.inward for face in faces)


def _gap_mm(context: Context) -> float:
    """Half of what may lie between two that border on each other: a step too narrow to be told."""
    return context.stack.step_mm + TOUCH_MM


def _follows(a: Finding, b: Finding, near: Mapping[str, shapely.Geometry], gap: float) -> bool:
    """Whether two findings border on each other, in the same layers or the next, and not where a
    slope or a bridge among them ends beside the other. `near`: their regions, so much wider."""
    low, high = sorted((a.patch.layers, b.patch.layers))
    if high[0] > low[1] + 1:
        return False
    common = shapely.intersection(near[a.id], near[b.id])
    held_mm = [max(map(line_length, f.patch.anchors), default=0.0) for f in (a, b)]
    # Its outline goes there and back.
    if common.is_empty or 0.5 * common.length < BORDER_SHARE * min(held_mm):
        return False
    border = shapely.get_coordinates(shapely.segmentize(common, 4.0 * TOUCH_MM))
    for finding in (a, b):
        if not finding.patch.anchors:
            continue
        held = shapely.union_all([shapely.linestrings(a) for a in finding.patch.anchors])
        away = shapely.distance(shapely.points(border), held)
        if finding.kind == "air/slope":
            rings = np.concatenate(finding.patch.rings)
            widest = float(shapely.distance(shapely.points(rings), held).max())
            if away.mean() < FARTHER * widest:
                return False
        elif finding.span_mm is not None and (
                away.max() > max(2.0 * gap, NEARER * finding.span_mm)):
            return False
    return True


def _sides(context: Context, members: Sequence[Finding]) -> list[Side]:
    """The planes that rise from the feet of a crown's flanks."""
    regions = [polygon(f.patch.rings) for f in members]
    found: list[Side] = []
    for k, member in enumerate(members):
        if member.kind != "air/slope":
            continue
        rest = shapely.union_all([r for i, r in enumerate(regions) if i != k])
        lines = [part for line in member.patch.anchors for part in away_from(line, rest)]
        lines = [_plain(line) for line in lines]
        found += sides_of(context, member.patch.rings, lines, max(0, member.patch.layers[0] - 1))
    return found


def _plain(line: Floats) -> Floats:
    """A line without the waves of a mesh, if it is so short that these are all that it shows."""
    if line_length(line) > _SHORT_MM:
        return line
    return np.asarray(shapely.simplify(shapely.LineString(line), WAVES_MM).coords)


def _closes(region: shapely.Geometry, sides: Sequence[Side], gap: float) -> bool:
    """Whether two of the planes rise towards each other, with nothing but the crown between."""
    edges = np.concatenate([np.stack([c.polyline[:-1], c.polyline[1:]], axis=1)
                            for side in sides for c in side.patch.chains] or [np.empty((0, 2, 2))])
    way = edges[:, 1] - edges[:, 0]
    longest = np.argsort(-np.linalg.norm(way, axis=1), kind="stable")[:_MOST_EDGES]
    middle, way = edges[longest].mean(axis=1), way[longest]
    # The place is on the left of what holds it.
    inner = np.column_stack([-way[:, 1], way[:, 0]])
    inner /= np.maximum(np.linalg.norm(inner, axis=1), 1e-12)[:, None]
    to = middle[None] - middle[:, None]
    ahead = np.einsum("ijk,ik->ij", to, inner) > 0.0
    facing = ahead & ahead.T & (inner @ inner.T < -OPPOSITE)
    i, j = np.nonzero(np.triu(facing))
    if not len(i):
        return False
    lines = shapely.linestrings(np.stack([middle[i], middle[j]], axis=1))
    whole = shapely.buffer(region, 2.0 * gap, join_style="mitre")
    shapely.prepare(whole)
    return bool(shapely.covers(whole, lines).any())


def _crest(context: Context, region: shapely.Geometry, members: Sequence[Finding]) -> float:
    """Highest point of a crown, also where its last step is too narrow to be told, mm."""
    mesh = context.part.mesh
    facets = np.concatenate([f.patch.triangles for f in members])
    points = mesh.vertices[np.unique(mesh.triangles[facets])]
    near = shapely.dwithin(shapely.points(points[:, :2]), region, _gap_mm(context))
    return max(float(points[near, 2].max(initial=-np.inf)),
               *(f.patch.z_mm[1] for f in members))


def _peak(region: shapely.Geometry, sides: Sequence[Side], slope: float) -> float:
    """Height at which the planes meet, mm."""
    x0, y0, x1, y1 = shapely.bounds(region).tolist()
    x, y = np.meshgrid(np.linspace(x0, x1, _GRID), np.linspace(y0, y1, _GRID))
    points = np.column_stack([x.ravel(), y.ravel()])
    within: NDArray[np.bool_] = shapely.contains_xy(region, points[:, 0], points[:, 1])
    points = np.concatenate([points[within], shapely.get_coordinates(region)])
    planes = [side.low + slope * distance(points, side.patch.chains) for side in sides]
    return float(np.min(planes, axis=0).max())
