"""Blades on the platform, on soles: they have no walls apart from each other to stand on.

F is the drag of the nozzle, H the height: the smallest sole is taken at whose edge F H c / I stays
within the adhesion (derived; inputs in the profile). Where none has room for that, the one that
holds best; `bed/topple` then says so.
"""

from __future__ import annotations

import manifold3d as m3

from soffit.layers.stack import GRID_MM, offset_of
from soffit.part.topology import ring_area
from soffit.process import physics
from soffit.remedies.prop_shape import SOLE_LAYERS, upright
from soffit.remedies.prop_site import SOLES_MM, Site, free_between

# Layers that stay free between a sole and the underside above it (derived: so that a bead over it
# does not touch it).
FREE_LAYERS = 2


def with_sole(site: Site, body: m3.Manifold) -> m3.Manifold:
    """A body on the sole that holds it, where it stands on the platform and has room for one."""
    process = site.context.process
    _, _, bottom, _, _, top = body.bounding_box()
    high = SOLE_LAYERS * process.layer_mm
    if bottom > GRID_MM or min(top, site.low) < high + FREE_LAYERS * process.layer_mm:
        return body
    foot = body.slice(0.5 * process.first_layer_mm)
    outline = m3.CrossSection([ring for ring in foot.to_polygons() if ring_area(ring) > 0.0],
                              m3.FillRule.Positive)
    free = free_between(site, GRID_MM, high)
    best, least = body, _pull_mpa(site, foot, top)
    for sole in SOLES_MM[1:]:
        if least <= process.capability.adhesion_mpa.value:
            break
        plate = offset_of(outline, sole, m3.JoinType.Round, 2.0, 24) ^ free
        pull = _pull_mpa(site, plate, top)
        if pull < least:
            best, least = body + upright(plate, 0.0, high), pull
    return best


def _pull_mpa(site: Site, foot: m3.CrossSection, height: float) -> float:
    return physics.peel_of(foot.to_polygons(), site.context.process.drag_n, height)
