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

import shapely

from soffit.findings.model import Finding
from soffit.layers.stack import plan_of
from soffit.part.mesh_solid import evaluate
from soffit.remedies.context import Context
from soffit.remedies.model import Option
from soffit.remedies.place import place_of, slope_of
from soffit.remedies.undercut import (
    NOTHING_MM3,
    PAST_MM,
    comes_out,
    cut_below,
    deepest_mm,
    least_past,
    refused,
    sides_of,
)

NAME = "steeper cut"
RANK = 3

# A cut that does not come out ends with its place, if the step that it leaves there is no higher
# than a share of a layer (derived: half, so that no layer sees more of it than its own thickness).
STEP_SHARE = 0.5


def options(context: Context, finding: Finding) -> tuple[list[Option], list[str]]:
    """The underside of a slope cut at the limit; or why not."""
    if finding.kind != "air/slope" or finding.angle_deg is None:
        return [], []
    assert context.solid is not None  # `all_options` asks no remedy without one
    place = place_of(context, [finding])
    if not len(place.wall.lines):
        return [], [f"{NAME}: no edge holds this place, so there is nothing to start from"]
    sides = sides_of(context, place.rings, place.wall.lines, place.layers[0])
    if not sides:
        return [], [f"{NAME}: the surface is not there where the place is held"]
    reach = max(side.patch.reach_mm for side in sides)
    slope, held = slope_of(context), plan_of(context.stack.regions[place.layers[0]])
    highest, nowhere = max(side.low for side in sides), shapely.Polygon()

    def top_at(past: float) -> float:
        return highest + (reach + 2.0 * past) * slope

    past = least_past(context, place.region, held, sides, slope, top_at, nowhere)
    cut = cut_below(place.region, held, sides, past or 0.0, slope, top_at(past or 0.0))
    no_way = f"{NAME}: it would not come out of the part within {max(PAST_MM):.0f} mm"
    if cut is None:
        return [], [no_way]
    lost = evaluate(cut.solid) ^ context.solid
    if lost.volume() < NOTHING_MM3:
        return [], [f"{NAME}: it would cut nothing"]
    deep = deepest_mm(lost, cut)
    if (past is None and deep > STEP_SHARE * context.process.layer_mm
            and not comes_out(lost, cut.room, sides, nowhere)):
        return [], [no_way]
    if no := refused(context, lost, deep):
        return [], [f"{NAME}: {no}"]
    why = (f"the underside is cut at {context.process.angle_deg:.3g}° from the platform, "
           f"{finding.angle_deg:.3g}° as drawn, {deep:.2f} mm deep")
    return [Option(NAME, finding.id, "cut", cut.solid, RANK, why)], []
