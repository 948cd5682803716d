"""The soles on which bodies stand on the platform, as one plate.

Soles that meet have a common outline without slivers between them, and the first layer is drawn
smaller by what it is pressed out (`bead.spread_mm`), so that it does not stick to the part beside.
"""

from __future__ import annotations

import manifold3d as m3

from soffit.layers.stack import offset_of, plan_of
from soffit.process.model import Process
from soffit.remedies.anchor import rings_of
from soffit.remedies.context import HAIR_MM
from soffit.remedies.prop_shape import SOLE_LAYERS, upright

# What is nowhere wider than so many lines is a wall, not a sole (derived: the narrowest post has
# four).
WALL_LINES = 3.0

# Gaps between soles narrower than so many lines are closed: no bead fits in there (derived).
GAP_LINES = 1.0

# Outlines are taken this coarsely, mm (derived: an eighth of the clearance to the part, and a third
# of what a first layer is pressed out; arcs then have few corners).
COARSE_MM = 0.05

# Gaps between soles are not worth closing below this, mm² (derived: a bead's width squared, and a
# sixteenth of it).
LEAST_MM2 = 0.01


def soled(body: m3.Manifold, process: Process) -> m3.Manifold:
    """A body with what it stands on the platform with as one plate; doing it again changes
    nothing."""
    if body.slice(0.5 * process.first_layer_mm).is_empty():
        return body
    half_wall, half_gap = (0.5 * lines * process.line_mm for lines in (WALL_LINES, GAP_LINES))
    foot = body.slice(process.first_layer_mm + 0.5 * process.layer_mm)
    wide = offset_of(offset_of(foot, -half_wall), half_wall)
    if wide.is_empty():
        return body
    closed = offset_of(offset_of(wide, half_gap), -half_gap)
    if (closed - wide).area() < LEAST_MM2:
        # Walls that are flush with their sole stay so: a step of rounding would be a sliver.
        return _pressed(body, wide, process)
    plate = _coarse(closed)
    high = SOLE_LAYERS * process.layer_mm
    # The walls reach into it by a hair, so that the two do not merely touch.
    walls = body - upright(offset_of(plate, 2.0 * COARSE_MM), -1.0, high - HAIR_MM)
    return walls + _pressed(upright(plate, 0.0, high), plate, process)


def _pressed(body: m3.Manifold, plate: m3.CrossSection, process: Process) -> m3.Manifold:
    """A body without the rim of its plate, and no more than that, in the first layer."""
    rim = offset_of(plate, 2.0 * COARSE_MM) - offset_of(plate, -process.bead.spread_mm.value)
    return body - upright(rim, -1.0, process.first_layer_mm)


def _coarse(region: m3.CrossSection) -> m3.CrossSection:
    """A region with as few corners as it needs."""
    return m3.CrossSection(list(rings_of(plan_of(region).simplify(COARSE_MM))),
                           m3.FillRule.Positive)
