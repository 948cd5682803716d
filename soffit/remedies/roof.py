"""Roof: wedges from all the edges that hold a ceiling or a bridge, meeting in a peak.

**What it does.** Adds a slope from each held edge, at the smallest angle that holds, until
the slopes meet, or until what is left between them is a short bridge.

**How it is measured.** With t the greatest distance in the patch from a held edge, the peak
is T = t·tan δc high; leaving a bridge B it is (t − B/2)·tan δc (derived, see `wedge`). A
slot of span s takes s²/4 per mm of length and leaves as much open; a round blind ceiling
takes 2πr³/3 and leaves πr³/3.

**Example.** A slot of 12 mm: 36 mm² in section.

**Limits.** It takes room below the ceiling; the review of the result decides.
"""

from __future__ import annotations

import math

from soffit.findings.model import Finding
from soffit.remedies.context import HAIR_MM, Context
from soffit.remedies.model import Option
from soffit.remedies.wedge import patchwork, wedge

NAME = "roof"
RANK = 2
KINDS = ("air/bridge", "air/ceiling")

# Share of the bridge limit that a bridge left on purpose may span (common practice, no
# source: a fifth kept as margin).
BRIDGE_SHARE = 0.8


def options(context: Context, finding: Finding) -> tuple[list[Option], list[str]]:
    """A roof to the peak, and one that leaves a bridge; or why there is none."""
    if finding.kind not in KINDS:
        return [], []
    process = context.process
    patch = patchwork(finding.patch.rings, finding.patch.anchors, HAIR_MM)
    if patch is None:
        return [], ["roof: no edge holds this place"]
    slope = math.tan(math.radians(process.angle_deg))
    ceiling = finding.patch.z_mm[1]
    bridge = BRIDGE_SHARE * process.bridge_mm
    variants = [
        ("roof", RANK, patch.reach_mm, "the slopes meet in a peak, nothing flat is left"),
        (
            "roof leaving a bridge",
            4,
            patch.reach_mm - 0.5 * bridge,
            f"a bridge of {bridge:.1f} mm stays",
        ),
    ]
    found = []
    for name, rank, reach, words in variants:
        depth = reach * slope
        if process.layer_mm < depth <= ceiling and not (finding.patch.pierced and rank == 4):
            solid = wedge(patch, ceiling, depth, slope, HAIR_MM)
            why = f"{depth:.1f} mm high; {words}"
            found.append(Option(name, finding.id, "add", solid, rank, why))
    need = patch.reach_mm * slope
    reason = f"roof: {need:.1f} mm of wall are needed, {ceiling:.1f} mm are there"
    return found, [] if found else [reason]
