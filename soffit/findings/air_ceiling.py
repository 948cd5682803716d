"""A ceiling: a level underside that is held all round.

**What happens.** It can be spanned in any direction, so the narrowest counts. A ceiling
that is *pierced*, as over a counterbore that opens downwards, is worse than it looks: the
wall ring of the hole is printed first, in the air, before any strand spans.

**How it is measured.** Held all round means that no edge of the patch is in the air. The
span is the longest strand in the direction of least width, against `capability.bridge_mm`.
A ceiling whose outer edge is held while an inner edge is in the air is pierced: the wall of its
hole is printed first, and its reach from the nearest held edge is compared with the lip
(`capability.lip_mm`). Where strands that pass beside the hole cover most of a wide ceiling, what
they cover is a bridge and only the strip that meets the hole is pierced.

**Example.** A blind pocket 10 × 20 mm opening downwards: span 10.0 mm. A counterbore of
11 mm over a hole of 5.5 mm: pierced, 2.75 mm wide.

**Cures.** A peaked or conical roof, a membrane that closes the hole and is drilled out
after printing, a fill.

**Limits.** Where a ceiling has steps, each step is judged by itself.
"""

from __future__ import annotations

from soffit.findings.model import Severity
from soffit.findings.places import Place
from soffit.findings.words import mm, within
from soffit.process.model import Process

KIND = "air/ceiling"


def judge(place: Place, process: Process) -> tuple[Severity, float | None, str]:
    """Severity, limit (mm of span; of a pierced one nothing is allowed) and message."""
    span, limit = place.span_mm or 0.0, process.bridge_mm
    if place.pierced:
        reach = place.reach_mm or 0.0
        if within(reach, process.lip_mm):
            return "note", None, f"pierced ceiling, a lip of only {mm(reach)}"
        return (
            "blocker",
            None,
            f"ceiling of {mm(span)} is pierced: the wall of the hole in it prints in the air, "
            f"{mm(reach)} from the nearest held edge",
        )
    if within(span, limit):
        return "note", limit, f"ceiling of {mm(span)}, within the {mm(limit)} that is spanned"
    return "blocker", limit, f"ceiling of {mm(span)} over air; {mm(limit)} is allowed"
