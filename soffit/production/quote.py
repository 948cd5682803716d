"""A quote: what a part costs at several quantities, as received, with supports, and resolved."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from soffit.errors import InputError
from soffit.plan.model import Resolution
from soffit.production.estimate import Plate, bills, plate
from soffit.production.price import Bill, Price, Tooled, break_even, prices, yield_of


@dataclass(frozen=True)
class Offer:
    """One way to make the part: `bill`, its price at each quantity, the share that is good, and up
    to how many it is cheaper than a tool (see `price.break_even`)."""

    bill: Bill
    prices: tuple[Price, ...]
    good_share: float
    cheaper_up_to: float | None


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
    anything."""

    result: Resolution
    quantities: tuple[int, ...]
    offers: dict[str, Offer]
    filled: tuple[Filled, ...]
    plate: Plate
    tooled: Tooled | None


def quote(
    result: Resolution, quantities: Sequence[int], tooled: Tooled | None = None
) -> Quote:
    """Price a resolution at these quantities. Raises InputError where one is less than 1."""
    if not quantities or min(quantities) < 1:
        raise InputError(f"pricing {result.received.source.file}: quantities are "
                         f"{', '.join(map(str, quantities)) or 'none'}; give 1 or more of each")
    process = result.before.process
    offers = {
        case: Offer(bill, prices(bill, quantities, process), yield_of(bill, process),
                    None if tooled is None else break_even(bill, tooled, process))
        for case, bill in bills(result).items()
    }
    filled = tuple(Filled(edit.id, edit.remedy, edit.volume_mm3, edit.cost.plastic_mm3)
                   for edit in result.edits if edit.op == "add" and edit.cost is not None)
    return Quote(result, tuple(quantities), offers, filled, plate(result), tooled)
