"""A first layer that does not lie down: its edge is rounded, or the part stands on a knife.

**What happens.** The first layer is laid where its middle is, but only what truly lies on the
platform sticks to it. Past a rounded bottom edge the outermost lines hang over nothing, curl up
and are caught by the nozzle. A part that stands on an edge or a point does not stick at all.

**How it is measured.** The reach of the first layer past the surface that lies on the platform,
compared with half a line. For an edge of radius r and a first layer h it is √(r·h − h²/4)
(derived: the layer is cut at its middle, h/2).

**Inputs.** The process: line and first layer.

**Example.** An edge of 5 mm radius and a layer of 0.2 mm: 1.0 mm; 0.2 mm is allowed. A chamfer
of 45°: 0.1 mm.

**Cures.** A flat, or a 45° chamfer in place of the rounding.

**Limits.** How well the platform itself is levelled is not known here.
"""

from __future__ import annotations

import manifold3d as m3
import numpy as np
import shapely

from soffit.findings.built import Built, on_platform, platform_faces
from soffit.findings.model import Finding
from soffit.findings.words import mm, within
from soffit.layers.stack import GRID_MM, offset_of, outline_of

KIND = "bed/edge"

# A strip of the first layer shorter than this is a corner (derived: five lines of 0.4 mm).
LEAST_MM = 2.0


def check(built: Built) -> list[Finding]:
    """Each stretch of the first layer that reaches too far past what lies on the platform."""
    mesh = built.part.mesh
    flat = mesh.vertices[mesh.triangles[on_platform(built.part)]][:, :, :2]
    first = built.stack.regions[0]
    allowed = 0.5 * built.process.line_mm
    # Facets on the platform look down: seen from above they turn the other way.
    lies = m3.CrossSection(list(flat[:, ::-1]), m3.FillRule.Positive)
    beyond = first - offset_of(lies, allowed, m3.JoinType.Round, 2.0, 24)
    if lies.is_empty():
        at = built.part.mesh.bounds.mean(axis=0)[:2]
        return [built.finding(KIND, "marginal", "it stands on an edge or a point: nothing flat "
                              "lies on the platform", (*at, 0.0), (0.0, 0.0), limit=allowed)]
    bed = shapely.multipolygons(
        [shapely.Polygon(r[0], r[1:]) for r in map(outline_of, lies.decompose())])
    found = []
    for region in beyond.decompose():
        if region.area() < GRID_MM:
            continue
        rings = outline_of(region)
        away = shapely.distance(shapely.points(rings[0]), bed)
        reach = float(away.max())
        if within(reach, allowed) or 0.5 * shapely.length(shapely.Polygon(rings[0])) < LEAST_MM:
            continue
        x, y = rings[0][int(np.argmax(away))].tolist()
        message = (f"the first layer reaches {mm(reach)} past what lies on the platform; "
                   f"{mm(allowed)} is allowed")
        found.append(built.finding(KIND, "marginal", message, (x, y, 0.0), (0.0, 0.0),
                                   limit=allowed, rings=rings, faces=platform_faces(built.part)))
    return found
