"""What a change costs: plastic, time and work by hand as one price.

Time is the plastic over the flow of the nozzle (as in `deposit`, without the least time of a
layer). Work by hand: taking the part up, once, and breaking off or drilling.

    price = mass·price_per_kg + time·machine_per_h + work·labour_per_h
"""

from __future__ import annotations

from dataclasses import dataclass

from soffit.process.deposit import flow_mm3_s
from soffit.process.model import Process


@dataclass(frozen=True)
class Cost:
    """What an option takes: `plastic_mm3` as laid, `machine_s`, `labour_s` by hand for each part,
    `changed_mm2` of the surface as it was covered, cut away or marked, `deviation_mm` the largest
    distance of the new surface from it, `price` in the currency of the process for each part.

    `avoid` is what it is worth to the shop to do without, in the same currency (see
    `process.model.Costs`); it counts in a choice and is never part of the price.
    """

    plastic_mm3: float
    machine_s: float
    labour_s: float
    deviation_mm: float
    changed_mm2: float
    price: float
    avoid: float


def price_of(
    process: Process, plastic_mm3: float, machine_s: float, labour_s: float = 0.0
) -> float:
    """What so much plastic, time on the machine and work by hand costs, by the formula above."""
    mass_kg = plastic_mm3 * process.material.density_g_cm3.value * 1e-6
    return (mass_kg * process.material.price_per_kg.value
            + machine_s / 3600.0 * process.costs.machine_per_h.value
            + labour_s / 3600.0 * process.costs.labour_per_h.value)


def cost_of(
    process: Process, *, plastic_mm3: float, changed_mm2: float, deviation_mm: float,
    props: float = 0, works: int = 0, leaves: bool = False,
) -> Cost:
    """The cost of a change that leaves so many props, or bits of one, to break off and so much
    other work to do by hand; `leaves`: a bridge or a lip stays in the part."""
    costs = process.costs
    labour = props * costs.break_off_s.value + works * costs.drill_s.value
    if props or works:
        labour += costs.handle_s.value
    time = plastic_mm3 / flow_mm3_s(process, process.motion.speed_mm_s.value)
    price = price_of(process, plastic_mm3, time, labour)
    avoid = ((costs.avoid_prop.value if props else 0.0) + works * costs.avoid_work.value
             + (costs.avoid_bridge.value if leaves else 0.0))
    return Cost(plastic_mm3, time, labour, deviation_mm, changed_mm2, price, avoid)
