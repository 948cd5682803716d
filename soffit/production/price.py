"""What a part costs at a quantity: plastic, machine, energy, hands, rejects, and what is done once.

    each = (m·c + t·(r + P·e) + s·l) / y + tumbling + (set-up·l + redesign·g) / N

with m the mass as laid and c its price, t the time of a platform on the machine, r its rate, P its
power and e the price of energy, s the work by hand and l its rate, N the quantity, g the rate of an
engineer, and y the yield, (1 − layer)^layers times the share in which every place comes out, by
its margin or by the slicer's support that carries it (`production.risk`; derived, failures taken as
independent, rejects as seen to by hand like the others). One part is printed at a time.

What is made in a mould instead costs its tool once and its price each; both cost the same at
N = (tool − once) / (each − piece) parts, where `each` is without what is done once (derived).
Where the tool is dearer than what printing takes once, printing is the cheaper up to there; where
it is cheaper, and its pieces dearer, from there on.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from soffit.process.model import Process

# The lines of a price, in the order in which they are shown.
LINES = ("plastic", "machine", "energy", "by hand", "tumbling", "rejects", "set-up", "redesign")


@dataclass(frozen=True)
class Bill:
    """What a part takes, one way to make it: plastic as laid, g, time of a platform on the machine,
    s, work by hand, s, layers, the share in which every place comes out, and whether it is tumbled
    and was redesigned."""

    plastic_g: float
    machine_s: float
    labour_s: float
    layers: int
    places_good: float
    tumbled: bool
    redesigned: bool


@dataclass(frozen=True)
class Price:
    """What one part costs at a quantity, by line (see `LINES`), in the currency of the process."""

    quantity: int
    lines: tuple[float, ...]

    @property
    def each(self) -> float:
        """What one part costs."""
        return sum(self.lines)


@dataclass(frozen=True)
class Tooled:
    """Another way to make the part: with a tool, at a price of each, after so many days."""

    tool: float
    piece: float
    days: float


@dataclass(frozen=True)
class Cheaper:
    """Printing is cheaper for more parts than `over` and, where `under` is not None, for fewer."""

    over: float
    under: float | None


ALWAYS, NEVER = Cheaper(0.0, None), Cheaper(0.0, 0.0)


def yield_of(bill: Bill, process: Process) -> float:
    """Share of the parts that are good."""
    layer = 1.0 - process.failure.layer_ppm.value * 1e-6
    return float(layer**bill.layers * bill.places_good)


def price_at(bill: Bill, quantity: int, process: Process) -> Price:
    """What one of so many parts costs."""
    costs = process.costs
    hours = bill.machine_s / 3600.0
    plastic = bill.plastic_g / 1000.0 * process.material.price_per_kg.value
    machine = hours * costs.machine_per_h.value
    energy = hours * costs.power_w.value / 1000.0 * costs.price_per_kwh.value
    hands = bill.labour_s / 3600.0 * costs.labour_per_h.value
    rejects = (plastic + machine + energy + hands) * (1.0 / yield_of(bill, process) - 1.0)
    return Price(quantity, (
        plastic, machine, energy, hands, costs.tumble_each.value if bill.tumbled else 0.0, rejects,
        costs.setup_s.value / 3600.0 * costs.labour_per_h.value / quantity,
        costs.redesign_h.value * costs.engineer_per_h.value / quantity if bill.redesigned else 0.0))


def prices(bill: Bill, quantities: Sequence[int], process: Process) -> tuple[Price, ...]:
    """What one part costs at each of these quantities."""
    return tuple(price_at(bill, quantity, process) for quantity in quantities)


def break_even(bill: Bill, tooled: Tooled, process: Process) -> Cheaper:
    """For how many parts printing is cheaper than a tool."""
    one = price_at(bill, 1, process)
    once = sum(one.lines[LINES.index("set-up"):])
    each = one.each - once
    saved_once, lost_each = tooled.tool - once, each - tooled.piece
    if lost_each == 0.0:
        return ALWAYS if saved_once > 0.0 else NEVER
    same = saved_once / lost_each
    if lost_each > 0.0:
        return Cheaper(0.0, same) if same > 0.0 else NEVER
    return Cheaper(max(0.0, same), None)
