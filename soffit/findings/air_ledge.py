"""A ledge: a level underside that is held along some of its edges and ends in the air.

**What happens.** The first layer of the ledge is laid over nothing. Its outer strands have
no second end to hang from; they curl, droop or fall.

**How it is measured.** The patch is what L[i] − L[i−1] adds past what the layer below can
hold, back to the edges that hold it, and cannot be spanned in any direction. Its reach is the
greatest distance from a point of it to an edge that the layer below holds, or to what lies beside
it and steps out by no more than Δ; where the layer below itself hung over air at that edge, the
run that it had there is added, so that a stair of lips is not taken for many small ones. It is
compared with the lip that the process tolerates (`capability.lip_mm`; published range 0.5–1.5 mm,
low grade).

**Example.** A shelf that stands out 20 mm from a wall: reach 20.0 mm, limit 0.8 mm.

**Cures.** A 45° chamfer beneath it, filling the gap, a break-away prop.

**Limits.** Reach is measured straight, not around corners of the patch. What is nowhere half a
line wide and less than a line squared is not reported: the bead beside it covers it.
"""

from __future__ import annotations

from soffit.findings.model import Severity
from soffit.findings.places import Place
from soffit.findings.words import mm, within
from soffit.process.model import Process

KIND = "air/ledge"


def judge(place: Place, process: Process) -> tuple[Severity, float, str]:
    """Severity, limit (mm of reach) and message."""
    reach, limit = place.reach_mm or 0.0, process.lip_mm
    if within(reach, limit):
        return "note", limit, f"lip of {mm(reach)}, within the {mm(limit)} that the process holds"
    return "blocker", limit, f"ledge reaches {mm(reach)} over air; {mm(limit)} is allowed"
