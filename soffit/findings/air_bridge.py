"""A bridge: strands run over air between two held ends.

**What happens.** A strand between two held ends is pulled straight while it is warm. Up to
some span it stays; beyond that it sags, and the next layers print on sagging plastic.

**How it is measured.** A patch is a bridge where, in some direction, every strand has both its ends
on edges that the layer *below* holds, or, if the patch is somewhere a line wide, on what steps out
from it there by no more than Δ = h / tan δc, which half a bead farther lies on it. Of all such
directions the one whose longest strand is shortest counts; that strand is the span, compared with
`capability.bridge_mm` (claims in the trade run from 5 to 80 mm, so low grade: calibrate it).
Strands are chords of the true outline, so in a ring or an L they count as long as they are. Where
no one direction does, up to four are tried one after another, each on what the last has left: the
branches of a T, say. The edge of a piece that was spanned is no anchor for the next, because it is
itself printed over air in the same layer. What no strand covers is a ledge.

**Example.** The roof of a slot 12 mm wide and 40 mm long, open at both ends: span 12.0 mm.

**Cures.** A peaked roof from both sides, two haunches that leave a short bridge, a fill, a
prop beneath.

**Limits.** Sag near a hot platform, cooling and strand order are not modelled.
"""

from __future__ import annotations

from soffit.findings.model import Severity
from soffit.findings.places import Place
from soffit.findings.words import mm, within
from soffit.process.model import Process

KIND = "air/bridge"


def judge(place: Place, process: Process) -> tuple[Severity, float, str]:
    """Severity, limit (mm of span) and message."""
    span, limit = place.span_mm or 0.0, process.bridge_mm
    if within(span, limit):
        return "note", limit, f"bridge of {mm(span)}, within the {mm(limit)} that the process spans"
    return "blocker", limit, f"bridge of {mm(span)} over air; {mm(limit)} is allowed"
