"""A gap so narrow that it closes up in print.

**What happens.** Lines spread a little past their nominal width. Two walls with less than a
clearance between them weld, and what was meant to move or to slide in does not.

**How it is measured.** In plan, layer by layer: what lies outside the part and a disc as wide as
the clearance cannot reach, between two walls. The width said is twice its area over its outline
(derived).

**Inputs.** Clearance of 0.2 mm to move (trade: common practice, no source).

**Example.** A slot of 0.15 mm closes; one of 0.4 mm stays free.

**Cures.** Widen the gap to 0.4 mm, or join the walls.

**Limits.** What is less than 1 mm high is left out. Gaps in height, between a floor and what is
above it, are not looked at here.
"""

from __future__ import annotations

import manifold3d as m3

from soffit.findings.built import Built, strips
from soffit.findings.model import Finding
from soffit.findings.words import mm
from soffit.layers.stack import offset_of

KIND = "wall/gap"

CLEARANCE_MM = 0.2


def check(built: Built) -> list[Finding]:
    """Each narrow gap, once, over the height in which it is narrow."""
    found = []
    for strip in strips(built, _narrow, built.process.line_mm**2):
        said = f"a gap of {mm(strip.wide_mm)} closes up; {mm(CLEARANCE_MM)} stays open"
        found.append(built.finding(KIND, "marginal", said, (*strip.at_mm, strip.z_mm[0]),
                                   strip.z_mm, limit=CLEARANCE_MM, rings=strip.rings))
    return found


def _narrow(region: m3.CrossSection, _line_mm: float) -> m3.CrossSection:
    r = 0.5 * CLEARANCE_MM * (1.0 - 1e-3)
    closed = offset_of(offset_of(region, r), -r)
    return closed - region
