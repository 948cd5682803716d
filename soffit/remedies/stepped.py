"""Stepped ceiling: the hole of a pierced ceiling comes in over two or three layers, squared off.

**What it does.** Where a counterbore or a stepped bore opens downwards, the wall ring of the
hole would start in the air. Instead, the ceiling's first layer is cut open as a strip as wide
as the hole, so that only two straight-edged pieces are left, each a bridge from wall to
wall. The second layer narrows the strip to a square round the hole, bridged on the first. If
the corners of the square still reach too far, the third is an octagon. From there on the
hole is what was drawn. Nothing is left to do after printing, and the seat stays but for a strip.

**How it is measured.** The strip runs along the ceiling's bridging direction. With the radius r
of the hole and R of a round ceiling the first bridges are 2√(R² − r²) long, the second 2r.
The corners of the square reach r(√2 − 1) past the circle, those of the octagon
r(1/cos 22.5° − 1) (derived). Each step is one layer high, the first as high as the ceiling's
own layer.

**Example.** A counterbore of 11 mm over a hole of 5.5 mm: bridges of 9.5 and 5.5 mm; 3 layers.

**Limits.** One round hole in a level ceiling; two lines of ceiling must be left beside the strip.
"""

from __future__ import annotations

import math

import numpy as np
import shapely

from soffit.findings.model import Finding
from soffit.findings.words import mm, within
from soffit.part.model import Floats, Part, Surface
from soffit.part.solid import Cone, Fitted, Intersection, Prism, Solid, Union
from soffit.remedies.anchor import rings_of
from soffit.remedies.context import HAIR_MM, Context
from soffit.remedies.membrane import Opening, find_openings
from soffit.remedies.model import Option

NAME = "stepped ceiling"
RANK = 2

# Lines of ceiling that must stay on either side of the strip (common practice, no source).
SIDE_LINES = 2.0

# Each step is so much wider than the one below, so that what is bridged falls into separate pieces,
# and the first so much wider than the hole, so that no plane merely touches its wall; the ledge
# between two is then no sliver in CAD (common practice, no source: a seventh of a line).
LEDGE_MM = 0.06

UP = (0.0, 0.0, 1.0)


def options(context: Context, finding: Finding) -> tuple[list[Option], list[str]]:
    """The squared-off steps for the hole of a pierced ceiling; or why there are none."""
    if finding.kind != "air/ceiling" or not finding.patch.pierced:
        return [], []
    process, patch = context.process, finding.patch
    if patch.z_mm[1] - patch.z_mm[0] > 0.5 * process.layer_mm:
        return [], ["stepped ceiling: the ceiling is not level"]
    openings = find_openings(context, finding)
    if len(openings) != 1 or openings[0].centre is None:
        return [], ["stepped ceiling: it needs one round hole in the ceiling"]
    hole = openings[0]
    outer = shapely.Polygon(max(patch.rings, key=lambda r: shapely.Polygon(r).area))
    if not outer.is_valid:
        return [], ["stepped ceiling: the outline of the ceiling touches itself"]
    along = np.array(patch.bridge_dir or (1.0, 0.0))
    sides = _sides(outer, hole, along)
    across = np.array([-along[1], along[0]])
    width = min(_lengths(sides, across), default=0.0)
    span = max(_lengths(sides, along), default=math.inf)
    # The chords of a round wall lie inside it.
    least = SIDE_LINES * process.line_mm - context.stack.slack_mm
    if len(sides) != 2 or not within(least, width):
        return [], ["stepped ceiling: beside the hole too little ceiling is left to bridge"]
    if not within(max(span, 2 * hole.radius_mm), process.bridge_mm):
        return [], [f"stepped ceiling: it needs bridges of {mm(max(span, 2 * hole.radius_mm))}; "
                    f"{mm(process.bridge_mm)} can be spanned"]
    steps = _steps(hole, along, float(shapely.length(outer)), process.lip_mm)
    stack, z0 = context.stack, patch.z_mm[0]
    first = patch.layers[0]
    if first + len(steps) >= len(stack):
        return [], ["stepped ceiling: the part ends too soon above the ceiling"]
    tops = [float(stack.top_mm[first + k]) for k in range(len(steps))]
    mesh: list[Solid] = []
    exact: list[Solid] = []
    wall = _wall(context.part, outer)
    for k, (shape, top) in enumerate(zip(steps, tops, strict=True)):
        low = z0 if k == 0 else tops[k - 1]
        within_wall = shape.intersection(outer)
        mesh.append(Prism(rings_of(within_wall), low - HAIR_MM, top))
        if k == 0 and wall is not None:
            (x, y), radius = wall
            round_ = Cone((x, y, low), UP, top - low, radius, radius)
            exact.append(Intersection((Prism(rings_of(shape), low, top), round_)))
        else:
            exact.append(Prism(rings_of(within_wall), low, top))
    why = (f"the hole of {2 * hole.radius_mm:.4g} mm comes in over {len(steps)} layers, squared "
           f"off; bridges of {mm(span)} and {mm(2 * hole.radius_mm)}")
    solid = Fitted(Union(tuple(mesh)), (Union(tuple(exact)), Union(tuple(mesh))))
    return [Option(NAME, finding.id, "cut", solid, RANK, why)], []


def _box(hole: Opening, along: Floats, half_mm: float, wide_mm: float) -> shapely.Polygon:
    """A box about the hole: to both sides of its middle `half_mm` along the strip and
    `wide_mm` across it."""
    assert hole.centre is not None
    middle, across = np.array(hole.centre), np.array([-along[1], along[0]])
    return shapely.Polygon([middle + a * half_mm * along + b * wide_mm * across
                            for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))])


def _sides(outer: shapely.Polygon, hole: Opening, along: Floats) -> list[shapely.Polygon]:
    """What the strip leaves of the ceiling."""
    reach = float(shapely.length(outer))
    left = outer.difference(_box(hole, along, reach, hole.radius_mm + LEDGE_MM))
    return [p for p in shapely.get_parts(left) if p.area > HAIR_MM]


def _lengths(pieces: list[shapely.Polygon], direction: Floats) -> list[float]:
    """Length of each polygon along a direction, mm."""
    return [float(np.ptp(np.asarray(p.exterior.coords) @ direction)) for p in pieces]


def _steps(
    hole: Opening, along: Floats, reach_mm: float, lip_mm: float
) -> list[shapely.Polygon]:
    """Plan shapes of the cuts, lowest first: strip, square and, for a wide hole, octagon."""
    assert hole.centre is not None
    strip, square, octagon = (hole.radius_mm + k * LEDGE_MM for k in (1, 2, 3))
    steps = [_box(hole, along, reach_mm, strip), _box(hole, along, strip, square)]
    if not within(square * (math.sqrt(2.0) - 1.0), lip_mm):
        turn = math.atan2(along[1], along[0]) + math.pi / 8 + np.arange(8) * math.pi / 4
        corners = octagon / math.cos(math.pi / 8) * np.column_stack([np.cos(turn), np.sin(turn)])
        steps.append(shapely.Polygon(np.array(hole.centre) + corners))
    return steps


def _wall(part: Part, outer: shapely.Polygon) -> tuple[tuple[float, float], float] | None:
    """Centre and radius of the round wall that bounds a ceiling, else None."""
    ring = np.asarray(outer.exterior.coords)
    blur = max(HAIR_MM, 2.0 * part.deflection_mm)
    for face in part.faces:
        upright = face.axis_dir is not None and abs(face.axis_dir[2]) > 1.0 - 1e-9
        if face.surface is Surface.CYLINDER and face.inward and upright and face.axis_point:
            away = np.linalg.norm(ring - np.array(face.axis_point[:2]), axis=1)
            if np.abs(away - (face.radius_mm or 0.0)).max() <= blur:
                return (face.axis_point[0], face.axis_point[1]), face.radius_mm or 0.0
    return None
