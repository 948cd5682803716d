"""Layers so small that each is still soft when the next is laid on it.

**What happens.** A layer of a thin tower takes a second or two. The plastic below is then
still warm, and the tower bends and slumps under the nozzle. Machines slow down to gain time,
as far as they can.

**How it is measured.** The least time of a layer is its plastic over the flow,
t = A·h / Q with Q = min(flow limit, bead area · speed) (derived; one part on the platform,
travel left out). Where t is under the material's minimum the machine must slow down to
v·t / t_min.

**Inputs.** The process: `motion.min_layer_time_s`, `motion.speed_mm_s`,
`motion.flow_limit_mm3_s`. Slowing down helps to a tenth of the speed (common practice, no
source: the hot nozzle itself then keeps the place soft); beyond that the finding is marginal.

**Example.** A tower of 10 × 10 mm in PLA: 20 mm³ at 10.7 mm³/s are 1.9 s; 8 s are wanted.

**Cures.** Print several at once, slow down, or join the tower to the rest.

**Limits.** Several parts on one platform share the time of a layer; that is not counted here.
"""

from __future__ import annotations

from soffit.findings.built import Built
from soffit.findings.model import Finding, Severity
from soffit.process.deposit import flow_mm3_s

KIND = "cool/small-layer"

LEAST_SLOW = 0.1


def check(built: Built) -> list[Finding]:
    """Each stretch of height whose layers are too quick, with its quickest layer."""
    process = built.process
    least, speed = process.motion.min_layer_time_s.value, process.motion.speed_mm_s.value
    flow = flow_mm3_s(process, speed)
    found: list[Finding] = []
    stretch: list[tuple[float, int]] = []
    for k, components in enumerate((*built.layers, ())):
        time = sum(c.area_mm2 for c in components) * process.layer_mm / flow
        if components and time < least:
            stretch.append((time, k))
        elif stretch:
            found.append(_of(built, stretch, least, speed))
            stretch = []
    if stretch:
        found.append(_of(built, stretch, least, speed))
    return found


def _of(
    built: Built, stretch: list[tuple[float, int]], least: float, speed: float
) -> Finding:
    quickest, where = min(stretch)
    low = built.top_mm(stretch[0][1] - 1) if stretch[0][1] else 0.0
    high = built.top_mm(stretch[-1][1])
    slow = speed * quickest / least
    message = (f"from {low:.1f} to {high:.1f} mm a layer takes {quickest:.1f} s or more; "
               f"{least:.0f} s are wanted: slow down to {slow:.0f} mm/s, or print several at once")
    component = built.layers[where][0]
    severity: Severity = "note" if slow >= LEAST_SLOW * speed else "marginal"
    return built.finding(KIND, severity, message, (*component.centre, built.top_mm(where)),
                         (low, high), limit=least, rings=component.rings)
