"""Steeper cut: an underside that is a little too flat is cut until it holds.

**What it does.** A slope that rises too flat from where it is held is cut from below by the plane
that rises from there at the smallest angle that holds, as far as that goes before it meets the
part's surface again or leaves the part. Nothing is added below, so it also fits in holes and where
a prop could not be taken out.

**How it is measured.** With t the distance from where the slope is held, θ its angle and δ the
limit, the plane passes t·(tan δ − tan θ) above the surface. It starts where the slope has run on by
a share of the lip, s, so that it meets the surface in one clean line: ½(t − s)²(tan δ − tan θ) per
mm of a straight slope whose end is upright (derived).

**Example.** 40° instead of 45° over 6 mm from a wall: 0.93 mm deep at its end.

**Limits.** Two lines of material must remain above the cut, and it is no deeper than 2 mm. The
surface moves: protect the face where it must stay.
"""

from __future__ import annotations

import math
from dataclasses import replace

import manifold3d as m3
import numpy as np
import shapely

from soffit.findings.model import Finding
from soffit.layers.stack import offset_of, plan_of
from soffit.part.mesh_solid import evaluate
from soffit.part.solid import Difference, Prism
from soffit.remedies.anchor import rings_of
from soffit.remedies.context import HAIR_MM, Context
from soffit.remedies.model import Option
from soffit.remedies.patchwork import Patchwork, patchwork
from soffit.remedies.place import Place, place_of, slope_of
from soffit.remedies.probe import hits
from soffit.remedies.wedge import slope_above

NAME = "steeper cut"
RANK = 3

# Deepest cut, mm (from memory: what a customer may still take for the same shape).
MOST_MM = 2.0

# Share of the lip after which the cut starts (common practice, no source: a third, as the rest of
# the lip is kept as margin).
START_SHARE = 0.3

# How far past the place the cut may have to go on, mm, tried in turn (own choice). At last it ends
# with the place, if the step that it leaves there is no higher than a share of a layer (derived:
# half, so that no layer sees more of it than its own thickness).
PAST_MM = (0.5, 1.0, 2.0, 4.0, 0.0)
STEP_SHARE = 0.5

# So far inside the place its surface is looked for, mm (derived: two hairs).
_ASIDE_MM = 2 * HAIR_MM

# What cuts less cuts nothing, mm³ (derived: a hair deep and wide over a line's length).
NOTHING_MM3 = 1e-4

# A cut that still goes on in so wide a rim of its room has not come out, but for four times as much
# about what holds the place, mm (derived: an eighth of a line; half of one).
RIM_MM = 0.05

# Share of a cut over which less may remain than two lines (common practice, no source: at an edge
# that is round).
THIN_SHARE = 0.1


def options(context: Context, finding: Finding) -> tuple[list[Option], list[str]]:
    """The underside of a slope cut at the limit; or why not."""
    if finding.kind != "air/slope" or finding.angle_deg is None:
        return [], []
    place = place_of(context, [finding])
    patch = patchwork(place.rings, place.wall.lines, 0.0, place.circles)
    if patch is None:
        return [], [f"{NAME}: no edge holds this place, so there is nothing to start from"]
    there = _start(context, place, patch)
    if there is None:
        return [], [f"{NAME}: the surface is not there where the place is held"]
    slope, rise = slope_of(context), math.tan(math.radians(finding.angle_deg))
    late = START_SHARE * context.process.lip_mm
    steeper = max(0.0, slope - rise)
    # The surface is met a little way in.
    low = there - _ASIDE_MM * rise - late * steeper
    deep = max(0.0, patch.reach_mm - late) * steeper
    if deep > MOST_MM:
        return [], [f"{NAME}: it would be {deep:.1f} mm deep; {MOST_MM:.0f} mm are the most"]
    for past in PAST_MM:
        solid = _below(context, place, patch, low, past)
        if solid is None:
            continue
        lost = evaluate(solid) ^ context.solid
        if lost.volume() < NOTHING_MM3:
            return [], [f"{NAME}: it would cut nothing"]
        step = STEP_SHARE * context.process.layer_mm if past == 0.0 else 0.0
        if deep > step and not _comes_out(lost, solid, patch):
            continue
        wall = 2.0 * context.process.line_mm
        bare = (lost.translate((0.0, 0.0, wall)) - context.solid).volume()
        if bare > THIN_SHARE * lost.volume():
            return [], [f"{NAME}: less than {wall:.2f} mm of wall would remain over it"]
        why = (f"the underside is cut at {context.process.angle_deg:.3g}° from the platform, "
               f"{finding.angle_deg:.3g}° as drawn, {deep:.2f} mm deep")
        return [Option(NAME, finding.id, "cut", solid, RANK, why)], []
    return [], [f"{NAME}: it would not come out of the part within {max(PAST_MM):.0f} mm"]


def _start(context: Context, place: Place, patch: Patchwork) -> float | None:
    """Lowest height of the surface where the place is held, mm."""
    assert context.solid is not None  # `all_options` asks no remedy without one
    stack = context.stack
    base = float(stack.cut_mm[place.layers[0]]) - context.process.layer_mm
    found = []
    for chain in patch.chains:
        line = chain.polyline
        way = np.diff(line, axis=0)
        length = np.maximum(np.linalg.norm(way, axis=1), 1e-12)
        # The place is on the left of its anchor.
        inner = _ASIDE_MM * np.column_stack([-way[:, 1], way[:, 0]]) / length[:, None]
        for x, y in (0.5 * (line[1:] + line[:-1]) + inner).tolist():
            up = hits(context.solid, np.array([x, y, base]), np.array([0.0, 0.0, 1.0]),
                      3.0 * context.process.layer_mm)
            found += [base + h.at_mm for h in up if h.entering][:1]
    return min(found, default=None)


def _below(
    context: Context, place: Place, patch: Patchwork, low: float, past: float
) -> Difference | None:
    """All below the plane over the place and a little past it, but not over what holds it."""
    slope = slope_of(context)
    held = plan_of(context.stack.regions[place.layers[0]])
    wide = shapely.buffer(place.region, past, join_style="mitre") if past else place.region
    room = shapely.union_all([
        p for p in shapely.get_parts(wide.difference(held))
        if p.geom_type == "Polygon" and shapely.intersects(p, place.region)
    ])
    if room.is_empty:
        return None
    depth = (patch.reach_mm + 2.0 * past) * slope
    tent = slope_above(replace(patch, region=room), low + depth, depth, slope)
    return None if tent is None else Difference(Prism(rings_of(room), low, low + depth), tent)


def _comes_out(lost: m3.Manifold, solid: Difference, patch: Patchwork) -> bool:
    """Whether a cut ends within its room but where the place is held."""
    assert isinstance(solid.base, Prism)
    room = m3.CrossSection(list(solid.base.rings), m3.FillRule.Positive)
    rim = room - offset_of(room, -RIM_MM)
    there = plan_of(lost.project() ^ rim)
    beside = shapely.union_all([shapely.LineString(c.polyline) for c in patch.chains])
    left = there.difference(shapely.buffer(beside, 4.0 * RIM_MM))
    return bool(left.area < RIM_MM * RIM_MM)
