"""A quote: what a part costs at several quantities, as received, with supports, and resolved."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from soffit.errors import InputError
from soffit.plan.model import Resolution
from soffit.production.estimate import Plate, cases, plate
from soffit.production.price import Bill, Cheaper, Price, Tooled, break_even, prices, yield_of
from soffit.production.run import DAY_H, MOST_MACHINES, Lead, lead, machines_for, park_of


@dataclass(frozen=True)
class Offer:
    """One way to make the part: `bill`, its price at each quantity, the share that is good, and for
    how many it is cheaper than a tool, None where there is none to compare with."""

    bill: Bill
    prices: tuple[Price, ...]
    good_share: float
    cheaper: Cheaper | None


@dataclass(frozen=True)
class Filled:
    """What one edit that adds material takes: its volume and the plastic that the part takes more
    for it, mm³. The walls that it buries and the skins that it saves are why these differ."""

    edit: str
    remedy: str
    volume_mm3: float
    plastic_mm3: float


@dataclass(frozen=True)
class Quote:
    """What a resolution costs, one part on a platform at a time. `offers` by case, as in
    `figures.CASES`; `plate`: as many as fit on a platform; `tooled`: what it is compared with, if
    anything; `lead`: how long the largest quantity takes on the machines that were asked for, or
    that the days asked for need; `days`: those."""

    result: Resolution
    quantities: tuple[int, ...]
    offers: dict[str, Offer]
    filled: tuple[Filled, ...]
    plate: Plate
    tooled: Tooled | None
    lead: Lead | None
    days: float | None


def quote(
    result: Resolution, quantities: Sequence[int], tooled: Tooled | None = None, *,
    machines: int | None = None, days: float | None = None,
) -> Quote:
    """Price a resolution at these quantities, and play the run of the largest on so many
    `machines`, or on as many as are done within `days`. Raises InputError where a quantity is less
    than 1, or where both are given."""
    if machines is not None and days is not None:
        raise InputError(f"pricing {result.received.source.file}: machines and days are both "
                         "given; give one, the other is what is found")
    if not quantities or min(quantities) < 1:
        raise InputError(f"pricing {result.received.source.file}: quantities are "
                         f"{', '.join(map(str, quantities)) or 'none'}; give 1 or more of each")
    process = result.before.process
    made = cases(result)
    offers = {
        name: Offer(case.bill, prices(case.bill, quantities, process), yield_of(case.bill, process),
                    None if tooled is None else break_even(case.bill, tooled, process))
        for name, case in made.items()
    }
    filled = tuple(Filled(edit.id, edit.remedy, edit.volume_mm3, edit.cost.plastic_mm3)
                   for edit in result.edits if edit.op == "add" and edit.cost is not None)
    if machines is not None and not 1 <= machines <= MOST_MACHINES:
        raise InputError(f"pricing {result.received.source.file}: machines are {machines:,}; give "
                         f"1 to {MOST_MACHINES:,}")
    done = offers["resolved"]
    cycle_h = done.bill.machine_s / 3600.0
    found = None
    if machines is not None:
        found = lead(max(quantities), cycle_h, done.good_share, park_of(process, machines))
    elif days is not None:
        found = machines_for(max(quantities), cycle_h, done.good_share, park_of(process, 1),
                             DAY_H * days)
    return Quote(result, tuple(quantities), offers, filled,
                 plate(made["resolved"], process), tooled, found, days)
