"""What it takes to cure what is over air one way up, as far as the findings tell.

No remedy is worked out: that takes seconds for each place, and there are dozens of ways up. A place
gets the cheaper of two that nearly always can be had, at the costs of the process:

- a wedge at 45° below it, laid as walls along its face and infill behind them, where something
  holds the place and there is as much height below as the wedge reaches out: of a ledge or a slope
  of `area · reach / 2` (derived: of a ledge exactly, less of a slope); of a bridge or a ceiling
  from both sides, up to the bridge that may be left, so with `t = (span − limit) / 2` of `area · t²
  / span` (derived; less of a ceiling, which all sides share). A rounded edge, which starts on the
  platform, is filled down to it;
- a prop, of `PROP_SHARE` of the room below it, broken off by hand.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from soffit.findings.model import Finding
from soffit.findings.room import support_layers_mm3
from soffit.layers.plastic import laid_about_mm3
from soffit.layers.stack import LayerStack
from soffit.process.cost import Cost, cost_of
from soffit.process.model import Process

# Share of the room below a place that its prop takes (measured: `bench --suite props`, about half
# of the block support that it is compared with there, of 0.15).
PROP_SHARE = 0.08


# A slope that starts on the platform is a rounded edge where it rises more than so on the average,
# degrees; else the part leans on an edge, which is no way to put it (derived: a quarter round up to
# 45° rises by 21°).
EDGE_DEG = 10.0


@dataclass(frozen=True)
class Cure:
    """What it takes: plastic, mm³, time on the machine, s, `price` in the currency of the process,
    what it is `worth` to be without it, and how many props it needs."""

    plastic_mm3: float
    machine_s: float
    price: float
    worth: float
    props: int


def cure_of(stack: LayerStack, places: tuple[Finding, ...], process: Process) -> Cure:
    """What it takes to cure all `places`, each by itself."""
    plastic = time = price = worth = 0.0
    props = 0
    for finding in places:
        wedge = _wedge(finding, process)
        prop = _prop(stack, finding, process)
        best = prop if wedge is None or _weight(prop) < _weight(wedge) else wedge
        props += best is prop
        plastic, time = plastic + best.plastic_mm3, time + best.machine_s
        price += best.price
        worth += best.avoid
    return Cure(plastic, time, price, worth, props)


def _weight(cost: Cost) -> float:
    return cost.price + cost.avoid


def _wedge(finding: Finding, process: Process) -> Cost | None:
    if finding.kind == "air/island":
        return None
    span, reach = finding.span_mm, finding.reach_mm
    if reach is not None:
        volume = 0.5 * finding.area_mm2 * reach
    elif span is not None:
        reach = max(0.0, 0.5 * (span - process.bridge_mm))
        volume = finding.area_mm2 * reach**2 / max(span, reach)
    else:
        return None
    if finding.z_mm[0] < reach and not _is_edge(finding, process):
        return None
    laid = laid_about_mm3(volume, math.sqrt(2.0) * finding.area_mm2, process)
    return cost_of(process, plastic_mm3=laid, changed_mm2=finding.area_mm2, deviation_mm=reach,
                   leaves=finding.reach_mm is None)


def _is_edge(finding: Finding, process: Process) -> bool:
    """Whether it is a rounded edge at the platform."""
    return (finding.kind == "air/slope" and finding.z_mm[0] < process.first_layer_mm
            and (finding.angle_deg or 0.0) > EDGE_DEG)


def _prop(stack: LayerStack, finding: Finding, process: Process) -> Cost:
    room = float(support_layers_mm3(stack, (finding,)).sum())
    return cost_of(process, plastic_mm3=PROP_SHARE * room, changed_mm2=0.0, deviation_mm=0.0,
                   props=1)
