"""Props that the user sets by hand, and places that are to stay without any.

A prop is asked for at a point in plan, in the build frame: it gets a tip there, one line by one,
under the lowest underside over that point, or under the one that is nearest to a height. Where no
prop may be, neither a tip nor anything that carries one comes within a distance in plan.
"""

from __future__ import annotations

from collections.abc import Sequence

import manifold3d as m3
import numpy as np

from soffit.errors import InputError
from soffit.findings.model import Finding, Patch
from soffit.part.model import Vec3
from soffit.remedies.context import Context

# A point in plan and how far around it, mm.
Spot = tuple[float, float, float]

# How far around a point no prop may come, where nothing is said (common practice, no source: half a
# finger's tip).
AROUND_MM = 4.0

# Sides of a circle (derived: 0.02 mm off one of 4 mm radius).
SIDES = 32


def kept_clear(spots: Sequence[Spot]) -> m3.CrossSection:
    """The plan region that no prop may enter."""
    return m3.CrossSection.batch_boolean(
        [m3.CrossSection.circle(radius, SIDES).translate((x, y)) for x, y, radius in spots],
        m3.OpType.Add) if spots else m3.CrossSection()


def place_at(context: Context, point: Vec3) -> Finding:
    """The underside over a point, nearest to its height, as a place to be held. Raises InputError
    where there is none."""
    x, y, near_z = point
    process = context.process
    where = f"setting a prop at {x:g},{y:g}"
    if context.solid is None:
        raise InputError(f"{where}: the part's surface is not closed; repair it first")
    _, _, _, _, _, top = context.solid.bounding_box()
    hits = [float(hit.position[2]) for hit in context.solid.ray_cast((x, y, -1.0), (x, y, top + 1))]
    if not hits:
        raise InputError(f"{where}: there is nothing of the part over it; give x,y of the build "
                         "frame, as the review prints them")
    undersides = [z for z in hits[::2] if z > process.layer_mm]
    if not undersides:
        raise InputError(f"{where}: the part stands on the platform there; a prop has no room")
    z = min(undersides, key=lambda height: abs(height - near_z))
    half = 0.5 * process.line_mm
    ring = np.array([[x - half, y - half], [x + half, y - half], [x + half, y + half],
                     [x - half, y + half]])
    layer = context.stack.layer_at(z + 0.5 * process.layer_mm)
    patch = Patch((ring,), (), np.empty(0, dtype=np.int64), (z, z), (layer, layer))
    return Finding(
        id="", kind="air/ledge", severity="marginal", z_mm=(z, z), at_mm=(x, y, z),
        area_mm2=float((2.0 * half) ** 2), reach_mm=None, span_mm=None, angle_deg=None, limit=None,
        faces=(), message="a prop is asked for here", patch=patch)
