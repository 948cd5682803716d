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
from soffit.remedies.context import BRIDGE_SHARE, Context
from soffit.remedies.model import Option
from soffit.remedies.place import closes_a_hole, members_of, place_of
from soffit.remedies.under import Variant, lacking, slopes_under

NAME = "roof"
RANK = 2
SPANS = frozenset({"air/bridge", "air/ceiling"})
KINDS = SPANS | {"air/slope"}


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
    variants = [Variant("roof", RANK, 0.0, "the slopes meet in a peak, nothing flat is left")]
    if not place.pierced:
        words = f"a bridge of {bridge:.1f} mm stays"
        variants.append(Variant("roof leaving a bridge", 4, 0.5 * bridge, words))
    found = slopes_under(context, place, finding, variants, "high")
    return found, [] if found else [f"roof: {lacking(context, place)}"]
