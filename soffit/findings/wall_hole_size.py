"""An upright hole so small that it closes, or comes out of size.

**What happens.** The inner line of a small circle is pulled towards its middle while it is
laid: holes print 0.2 to 0.3 mm undersize, and those under 2 mm may close.

**How it is measured.** Round openings in plan (area within a tenth of that of the circle of their
outline: common practice, no source), with the diameter of a circle of the same area, compared
with 2 mm.

**Inputs.** Least diameter 2 mm, undersize 0.2 to 0.3 mm (trade: common practice, no source).

**Example.** A hole of 1.5 mm: print it as a dimple and drill it.

**Cures.** Drill it after printing, or enlarge it.

**Limits.** What is less than 1 mm high is left out. Holes lying down are judged by what hangs
in their crown (`air/*`).
"""

from __future__ import annotations

import math

import shapely

from soffit.findings.built import Built, Strip, followed
from soffit.findings.model import Finding
from soffit.findings.words import mm, within
from soffit.part.topology import ring_area

KIND = "wall/hole-size"

LEAST_MM = 2.0
ROUND = 0.9


def check(built: Built) -> list[Finding]:
    """Each small round opening, once, over its height."""
    seen: list[list[Strip]] = []
    for k, components in enumerate(built.layers):
        low = built.top_mm(k - 1) if k else 0.0
        here = []
        for component in components:
            for ring in component.rings[1:]:
                area, round_ = -ring_area(ring), float(shapely.length(shapely.LinearRing(ring)))
                diameter = 2.0 * math.sqrt(max(area, 0.0) / math.pi)
                if not within(LEAST_MM, diameter) and 4.0 * math.pi * area > ROUND * round_**2:
                    x, y = ring.mean(axis=0).tolist()
                    here.append(Strip((ring,), (x, y), (low, built.top_mm(k)), diameter))
        seen.append(here)
    found = []
    for hole in followed(seen):
        said = (f"a hole of {mm(hole.wide_mm)} may close; {mm(LEAST_MM)} and more stay open, "
                "0.2 to 0.3 mm undersize")
        found.append(built.finding(KIND, "marginal", said, (*hole.at_mm, hole.z_mm[0]), hole.z_mm,
                                   limit=LEAST_MM))
    return found
