"""Roof: wedges from all the edges that hold a ceiling or a bridge, meeting in a peak.

**What it does.** Adds a slope from each held edge, at the smallest angle that holds, until
the slopes meet, or until what is left between them is a short bridge.

**How it is measured.** With t the greatest distance in the patch from a held edge, the peak
is T = t·tan δc high; leaving a bridge B it is (t − B/2)·tan δc (derived, see `wedge`). A
slot of span s takes s²/4 per mm of length and leaves as much open; a round blind ceiling
takes 2πr³/3 and leaves πr³/3.

**Example.** A slot of 12 mm: 36 mm² in section.

**Limits.** It takes room below the ceiling, and the walls must go down as far as it does; the
review of the result decides.
"""

from __future__ import annotations

from soffit.findings.model import Finding
from soffit.remedies.context import Context
from soffit.remedies.model import Option
from soffit.remedies.place import (
    closes_a_hole,
    deepest_wall,
    members_of,
    place_of,
    reach_of,
    slope_of,
)
from soffit.remedies.under import leans_on, solid_of

NAME = "roof"
RANK = 2
SPANS = frozenset({"air/bridge", "air/ceiling"})
KINDS = SPANS | {"air/slope"}

# Share of the bridge limit that a bridge left on purpose may span (common practice, no
# source: a fifth kept as margin).
BRIDGE_SHARE = 0.8


def options(context: Context, finding: Finding) -> tuple[list[Option], list[str]]:
    """A roof to the peak, and one that leaves a bridge; or why there is none."""
    if finding.kind not in KINDS:
        return [], []
    members = members_of(context, finding)
    if not {f.kind for f in members} & SPANS or closes_a_hole(context, members):
        return [], []
    place = place_of(context, members)
    if not len(place.wall.pieces):
        return [], ["roof: no edge holds this place"]
    bridge = BRIDGE_SHARE * context.process.bridge_mm
    found = []
    for name, rank, short, words in (
        ("roof", RANK, 0.0, "the slopes meet in a peak, nothing flat is left"),
        ("roof leaving a bridge", 4, 0.5 * bridge, f"a bridge of {bridge:.1f} mm stays"),
    ):
        if place.pierced and rank == 4:
            continue
        for lean in leans_on(context, place, short):
            if lean.depth_mm > context.process.layer_mm:
                why = f"{lean.depth_mm:.1f} mm high; {words}"
                solid = solid_of(context, place, lean)
                found.append(Option(name, finding.id, "add", solid, rank, why))
    if found:
        return found, []
    slope = slope_of(context)
    need, most = reach_of(place) * slope, deepest_wall(place, slope)
    there = (f"the wall below is only {most:.1f} mm high" if most < need
             else "too little of the wall below stands as deep")
    return [], [f"roof: {need:.1f} mm of wall are needed, {there}"]
