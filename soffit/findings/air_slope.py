"""A slope that is too flat: each layer steps out a little farther than the last can hold.

**What happens.** One such step does no harm; ten of them in a row curl upwards, and the
nozzle strikes them. Arcs and fillets are tangent to the horizontal at their end, so their
last part is always too flat, whatever their radius.

**How it is measured.** Strips of L[i] − L[i−1] wider than Δ = h / tan δc that follow each
other over the layers are one slope; where a strip narrows to Δ it ends. The run at a point is
the horizontal distance since the last edge that was properly held (Δ past the edge of the last
layer that did not step out too far): the distance to the edge that holds the strip plus the run
that the strip below has at that edge, the least over all such edges, so that a slope is also held
by what it adjoins. The greatest run is compared with the lip (`capability.lip_mm`). The area is
the sum of the strips: with thin layers it tends to the plan area of the surface flatter than δc,
also where the slope changes along a layer. The crown of a horizontal hole closes as a bridge, so
what counts there is the run up to it (a strip of which strands hold half or more is cut into that
bridge and the rest); that is why holes up to 5 or 6 mm in diameter print and larger ones do not.

**Example.** The lower half of a ball of 10 mm radius: everything flatter than 45°.
A hole of 12 mm diameter: run 2.9 mm, limit 0.8 mm.

**Cures.** A tangent 45° chamfer, a teardrop for a hole, another way up.

**Limits.** A surface within half a degree of the limit passes, but for two steps beside one that
does not; heat that builds up in small layers is not modelled.
"""

from __future__ import annotations

from soffit.findings.model import Severity
from soffit.findings.places import Place
from soffit.findings.words import angle, mm, within
from soffit.process.model import Process

KIND = "air/slope"


def judge(place: Place, process: Process) -> tuple[Severity, float, str]:
    """Severity, limit (mm of run) and message."""
    run, limit = place.reach_mm or 0.0, process.lip_mm
    how = f"mean {angle(place.angle_deg or 0.0)}"
    if within(run, limit):
        return "note", limit, f"too flat for {mm(run)}, within the {mm(limit)} allowed ({how})"
    return "blocker", limit, f"too flat over a run of {mm(run)}; {mm(limit)} is allowed ({how})"
