"""An island: material that starts in mid-air.

**What happens.** The first layer of it has nothing beneath and nothing beside it. It is
dragged along by the nozzle and ends up anywhere in the part.

**How it is measured.** A component of L[i] that has no edge in common with material held by
L[i−1]. Nothing is allowed.

**Example.** A hook whose tip hangs lower than its arm: the tip is an island until the arm
reaches it.

**Cures.** Another way up, a fill from below, a break-away prop with its tip under the
lowest point.

**Limits.** Islands smaller than a quarter of a line's width squared are not printed and not
reported.
"""

from __future__ import annotations

from soffit.findings.model import Severity
from soffit.findings.places import Place
from soffit.process.model import Process

KIND = "air/island"


def judge(place: Place, _process: Process) -> tuple[Severity, None, str]:
    """Severity, limit (none) and message."""
    area = sum(p.area_mm2 for p in place.patches)
    return "blocker", None, f"{area:.1f} mm² start in mid-air; nothing holds them"
