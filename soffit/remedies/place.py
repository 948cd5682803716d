"""Places: a finding with what belongs to it, and the wall below it.

A fillet that runs out into a ledge or a ceiling is one place with it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from soffit.findings.model import Finding
from soffit.layers.stack import GRID_MM
from soffit.part.model import Face, Floats, Surface
from soffit.remedies.anchor import Circle, polygon, rings_of
from soffit.remedies.context import Context
from soffit.remedies.outline import TOUCH_MM, away_from, evened, levelled, with_bridged
from soffit.remedies.patchwork import patchwork
from soffit.remedies.wall import Wall, wall_below

# A closing surface spans both sides of its highest line by this at least (derived: chords of a
# mesh's cylinder lean by up to half a facet, 3.75° at 48 segments).
CROWN_DEG = 8.0
# Facets of a slope begin and end up to half a layer before its first and after its last strip:
# at 15° that is 0.4 mm in plan (derived, doubled).
NEAR_MM = 1.0


@dataclass(frozen=True)
class Place:
    """Findings that are one place: its plan `rings`, its `anchors`, the wall below them, the
    height of its highest point and whether a hole pierces it. `surface` (n, 3): the corners of
    its facets near it, which may go on a little past the last layer that shows them."""

    findings: tuple[Finding, ...]
    region: shapely.Geometry
    rings: tuple[Floats, ...]
    wall: Wall
    surface: Floats
    ceiling_mm: float
    layers: tuple[int, int]
    circles: tuple[Circle, ...]

    @property
    def sloped(self) -> bool:
        """Whether part of it rises."""
        return any(f.kind == "air/slope" for f in self.findings)

    @property
    def pierced(self) -> bool:
        """Whether a hole pierces it."""
        return any(f.patch.pierced for f in self.findings)


def members_of(context: Context, finding: Finding) -> list[Finding]:
    """The findings that are one place with this one, lowest first."""
    members = [finding]
    others = [f for f in context.review.air if f.kind != "air/island"]
    grew = True
    while grew:
        grew = False
        for other in others:
            if other not in members and any(_joined(m, other) for m in members):
                members.append(other)
                grew = True
    return sorted(members, key=lambda f: (f.patch.layers, f.at_mm))


def bridged_beside(context: Context, members: Sequence[Finding]) -> list[Finding]:
    """The bridges short enough to be no more than a note that border on these findings in the
    same layers."""
    layers = {f.patch.layers for f in members}
    regions = shapely.union_all([polygon(f.patch.rings) for f in members])
    return [
        f for f in context.review.findings
        if f.kind == "air/bridge" and f.severity == "note" and f.patch.layers in layers
        and shapely.distance(polygon(f.patch.rings), regions) <= TOUCH_MM
    ]


def place_of(context: Context, members: Sequence[Finding]) -> Place:
    """The place that these findings, as `members_of` gives them, make up."""
    regions = [polygon(f.patch.rings) for f in members]
    whole = shapely.union_all([r.buffer(GRID_MM, join_style="mitre") for r in regions])
    whole = whole.buffer(-GRID_MM, join_style="mitre") if len(members) > 1 else regions[0]
    anchors: list[Floats] = []
    for k, member in enumerate(members):
        rest = shapely.union_all([r for i, r in enumerate(regions) if i != k])
        for line in member.patch.anchors:
            anchors += away_from(line, rest)
    first = max(0, min(f.patch.layers[0] for f in members) - 1)
    if members[0].kind == "air/slope":
        whole, anchors = levelled(context, whole, anchors, first)
    if any(f.severity == "note" for f in members):
        whole, anchors = with_bridged(whole, context.stack.plan(first))
    last = max(first, max(f.patch.layers[1] for f in members) - 1)
    if members[0].kind == "air/slope":
        whole = evened(whole, anchors, context.stack.plan(first), context.stack.plan(last + 1))
    assert context.solid is not None  # `all_options` asks no remedy without one
    x0, y0, x1, y1 = shapely.bounds(whole).tolist()
    # No wedge is deeper than across the whole place, and a fillet as large again.
    deepest = 2.0 * math.hypot(x1 - x0, y1 - y0) * slope_of(context)
    return Place(
        tuple(members),
        whole,
        members[0].patch.rings if whole is regions[0] else rings_of(whole),
        wall_below(context.stack, context.solid, anchors, (first, last), deepest,
                   context.process.lip_mm),
        _surface(context, members, whole),
        max(f.patch.z_mm[1] for f in members),
        (first, last),
        upright_circles(context),
    )


def slope_of(context: Context) -> float:
    """tan δc."""
    return math.tan(math.radians(context.process.angle_deg))


def closes_a_hole(context: Context, members: Sequence[Finding]) -> bool:
    """Whether findings are the crown of a round hole: a hollow round surface that goes down on
    both sides of its highest line. A fillet's ends there."""
    part = context.part
    for name in {f for member in members for f in member.faces}:
        face = part.face(name)
        if face.surface is not Surface.CYLINDER or not face.inward:
            continue
        assert face.axis_dir is not None and face.axis_point is not None  # a cylinder has both
        axis, point = np.array(face.axis_dir), np.array(face.axis_point)
        if abs(axis[2]) > 0.7:
            continue
        side = np.cross(axis, [0.0, 0.0, 1.0])
        side /= np.linalg.norm(side)
        same = [
            f.id
            for f in part.faces
            if f.surface is Surface.CYLINDER and f.inward and _on_axis(f, axis, point)
            and abs((f.radius_mm or 0.0) - (face.radius_mm or 0.0)) < TOUCH_MM
        ]
        normals = part.mesh.normals[part.triangles_of(same)]
        lean = np.degrees(np.arctan2(normals @ side, -normals[:, 2]))
        above = lean[np.abs(lean) < 90.0]
        if len(above) and above.min() < -CROWN_DEG and above.max() > CROWN_DEG:
            return True
    return False


def deepest_wall(place: Place, slope: float) -> float:
    """Greatest depth of wall below the place that a slope can lean on, mm."""
    return float((place.ceiling_mm - place.wall.lowest_foot(slope)).max())


def reach_of(place: Place) -> float:
    """Greatest distance from the whole anchor, mm."""
    patch = patchwork(place.rings, place.wall.lines, 0.0, place.circles)
    return 0.0 if patch is None else patch.reach_mm


def _surface(
    context: Context, members: Sequence[Finding], region: shapely.Geometry
) -> Floats:
    mesh = context.part.mesh
    used = np.unique(np.concatenate([mesh.triangles[f.patch.triangles].ravel() for f in members]))
    points = mesh.vertices[used]
    near = shapely.dwithin(shapely.points(points[:, :2]), region, NEAR_MM)
    return np.asarray(points[near])


def _joined(a: Finding, b: Finding) -> bool:
    """Whether one is a slope that runs out into the other."""
    low, high = sorted((a, b), key=lambda f: f.patch.layers)
    if low.kind != "air/slope" or high.patch.layers[0] > low.patch.layers[1] + 1:
        return False
    gap = shapely.distance(polygon(low.patch.rings), polygon(high.patch.rings))
    return bool(gap <= TOUCH_MM)


def upright_circles(context: Context) -> tuple[Circle, ...]:
    """Axes of the part's upright round faces, with the radius of cylinders; these last."""
    axes: list[Circle] = []
    circles: list[Circle] = []
    for face in context.part.faces:
        if face.axis_point is None or face.surface is Surface.SPHERE:
            continue
        if face.axis_dir is None or abs(face.axis_dir[2]) < 1 - 1e-9:
            continue
        centre = np.array(face.axis_point[:2])
        if face.surface is Surface.CYLINDER:
            circles.append((centre, face.radius_mm))
        else:
            axes.append((centre, None))
    return (*axes, *circles)


def _on_axis(face: Face, axis: Floats, point: Floats) -> bool:
    if face.axis_dir is None or face.axis_point is None:
        return False
    if abs(float(axis @ np.array(face.axis_dir))) < 1 - 1e-9:
        return False
    off = np.array(face.axis_point) - point
    return bool(np.linalg.norm(off - (off @ axis) * axis) < TOUCH_MM)
