"""An addition without what of it would start in mid-air.

A wedge whose foot is not level, or that runs along a wall which bends away from it, begins beside
the wall: a thin piece of its first layers hangs there alone, until the wedge has grown wide enough
to meet the wall. Those layers of it are cut away there; what then comes first is held by the wall.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import shapely

from soffit.findings.model import Finding
from soffit.part.mesh_solid import evaluate
from soffit.part.solid import Difference, Fitted, Prism, Solid
from soffit.remedies import measured
from soffit.remedies.anchor import polygon, rings_of
from soffit.remedies.context import HAIR_MM, Context
from soffit.remedies.model import Option

# So far beside what starts in mid-air an addition is cut away, mm, and so much the outline of that
# is simplified (derived: a quarter of a line, so that no sliver stays; less than half of that, so
# that nothing of it stays).
BESIDE_MM, STRAIGHT_MM = 0.1, 0.04

_WORDS = "; without what of it would start in mid-air"


def without_starts(context: Context, option: Option, starts: Sequence[Finding]) -> Option | None:
    """An option that adds, without what its review finds to start in mid-air (`starts`), measured;
    None where nothing is left of it."""
    stack, solid = context.stack, option.solid
    low = float(evaluate(solid, context.part).bounding_box()[2]) - HAIR_MM
    for finding in starts:
        last = finding.patch.layers[1]
        wide = shapely.buffer(polygon(finding.patch.rings), BESIDE_MM, join_style="mitre")
        rings = rings_of(shapely.simplify(wide, STRAIGHT_MM))
        if not rings:
            return None
        # What lies lower is too thin to be seen in a layer, or between two.
        solid = _without(solid, Prism(rings, low, float(stack.top_mm[last])))
    why = option.why.removesuffix(_WORDS) + _WORDS
    made = measured(context, replace(option, solid=solid, why=why))
    return made if made.volume_mm3 > 0.0 else None


def _without(solid: Solid, tool: Solid) -> Solid:
    """A solid, in each of its forms, without another."""
    if isinstance(solid, Fitted):
        return Fitted(Difference(solid.mesh, tool),
                      tuple(Difference(form, tool) for form in solid.exact))
    return Difference(solid, tool)
