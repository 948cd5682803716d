"""A wall thinner than one line vanishes; thinner than two it is weak.

**What happens.** The nozzle lays lines of one width. A wall thinner than that is left out
or comes out as a dotted thread; one line alone has no bond to a neighbour and splits along
its layers.

**How it is measured.** In plan, layer by layer: what a disc two lines wide cannot reach is
thinner than two. Its thickness is twice its area over its outline, that of a long strip
(derived); under one line it vanishes.

**Inputs.** The process: line. At least two lines (trade: common practice, no source).

**Example.** A rib of 0.3 mm with 0.4 mm lines vanishes; one of 0.6 mm is weak.

**Cures.** Thicken the wall to two lines, or leave it out.

**Limits.** What is less than 1 mm high is left out. Thin floors and roofs show in height, not
in plan. Layers are looked at where they change. Corners sharper than 60° in plan end in less
than a line and are left out up to four lines squared.
"""

from __future__ import annotations

import manifold3d as m3

from soffit.findings.built import Built, Strip, strips
from soffit.findings.model import Finding
from soffit.findings.words import mm, within
from soffit.layers.stack import offset_of

KIND = "wall/thin"

LINES = 2.0


def check(built: Built) -> list[Finding]:
    """Each thin wall, once, over the height in which it is thin."""
    line = built.process.line_mm
    found = []
    for strip in strips(built, _thin, 4.0 * line * line):
        thick = strip.wide_mm
        gone = not within(line, thick)
        if gone:
            said = f"a wall of {mm(thick)} vanishes: a line is {mm(line)} wide"
        else:
            said = f"a wall of {mm(thick)} is weak: less than {LINES:.0f} lines of {mm(line)}"
        found.append(_finding(built, strip, said, gone))
    return found


def _finding(built: Built, strip: Strip, said: str, gone: bool) -> Finding:
    return built.finding(KIND, "marginal" if gone else "note", said, (*strip.at_mm, strip.z_mm[0]),
                         strip.z_mm, limit=LINES * built.process.line_mm, rings=strip.rings)


def _thin(region: m3.CrossSection, line_mm: float) -> m3.CrossSection:
    """What of a layer a disc two lines wide, a hair less, cannot reach."""
    r = 0.5 * LINES * line_mm * (1.0 - 1e-3)
    reached = offset_of(offset_of(region, -r), r)
    return region - reached
