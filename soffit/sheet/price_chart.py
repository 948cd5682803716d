"""What one part costs, from one to a million: with a slicer's supports and resolved.

Both axes are logarithmic. Where the lines cross, the change to the part has paid for itself.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import replace

import numpy as np

from soffit.part.model import Floats
from soffit.plan.model import Resolution
from soffit.process.model import Process
from soffit.production.estimate import cases
from soffit.production.price import Bill, price_at
from soffit.sheet.figure import Figure, Label, Stroke
from soffit.sheet.words import number

WIDTH_MM, HEIGHT_MM = 84.0, 44.0
LEFT_MM, RIGHT_MM, LOW_MM, HIGH_MM = 10.0, 62.0, 5.0, 39.5
TEXT_MM, GAP_MM = 2.6, 3.4

# Decades of quantity that are drawn.
DECADES = 6
STEPS = 60

# The lines: case, words beside its end, pen. None stands on colour alone.
DRAWN = (("slicer_supported", "supports", "hidden"), ("resolved", "resolved", "visible"))


def price_chart(resolution: Resolution) -> Figure:
    """The chart of a resolution, its quantity marked."""
    process = resolution.before.process
    made = {name: case.bill for name, case in cases(resolution).items()}
    quantities = np.unique(np.round(np.logspace(0, DECADES, STEPS)).astype(int))
    curves = {case: np.array([price_at(made[case], int(n), process).each for n in quantities])
              for case, _, _ in DRAWN}
    low, high = _range(np.concatenate(list(curves.values())))
    paid = pays_from(made, process)
    figure = Figure(
        "price", "Price of one part", "in the currency of the process, by quantity",
        _described(resolution, made, paid), WIDTH_MM, HEIGHT_MM)

    def x(quantity: float) -> float:
        return LEFT_MM + (RIGHT_MM - LEFT_MM) * math.log10(quantity) / DECADES

    def y(price: float) -> float:
        share = (math.log10(max(price, 1e-12)) - low) / (high - low)
        return LOW_MM + (HIGH_MM - LOW_MM) * share

    strokes: list[Stroke] = []
    labels: list[Label] = []
    for decade in range(DECADES + 1):
        at = x(10.0**decade)
        strokes.append(Stroke(np.array([(at, LOW_MM), (at, HIGH_MM)]), "fine"))
        if decade % 2 == 0:
            labels.append(Label(number(10**decade, 0), at, LOW_MM - 4.0, 2.2, "middle"))
    for price in _ticks(low, high):
        strokes.append(Stroke(np.array([(LEFT_MM, y(price)), (RIGHT_MM, y(price))]), "fine"))
        labels.append(Label(f"{price:g}", LEFT_MM - 1.2, y(price) - 0.8, 2.2, "end"))
    if 1 <= resolution.quantity <= 10**DECADES:
        at = x(resolution.quantity)
        strokes.append(Stroke(np.array([(at, LOW_MM), (at, HIGH_MM)]), "axis"))
        labels.append(Label("this quantity", at, HIGH_MM + 1.2, 2.2, "middle"))
    ends = [y(float(curves[case][-1])) for case, _, _ in DRAWN]
    # The words at the ends of the lines stand apart where those do not.
    if abs(ends[0] - ends[1]) < GAP_MM:
        middle, up = 0.5 * sum(ends), 1.0 if ends[0] >= ends[1] else -1.0
        ends = [middle + 0.5 * up * GAP_MM, middle - 0.5 * up * GAP_MM]
    for (case, words, pen), end in zip(DRAWN, ends, strict=True):
        line = np.array([(x(n), y(p)) for n, p in zip(
            quantities.tolist(), curves[case].tolist(), strict=True)])
        strokes.append(Stroke(line, pen))
        labels.append(Label(f"{words} {curves[case][-1]:.2f}", RIGHT_MM + 1.5, end - 0.8, TEXT_MM))
    return replace(figure, strokes=tuple(strokes), labels=tuple(labels))


def pays_from(made: dict[str, Bill], process: Process) -> int | None:
    """The first quantity at which the part is cheaper resolved than with supports; None up to the
    end of the chart."""
    def gains(quantity: int) -> bool:
        return bool(price_at(made["resolved"], quantity, process).each
                    < price_at(made["slicer_supported"], quantity, process).each)

    # What is done once is shared by more and more, so that from one quantity on it is cheaper.
    first = bisect_left(range(1, 10**DECADES + 1), True, key=gains)
    return first + 1 if first < 10**DECADES else None


def _range(prices: Floats) -> tuple[float, float]:
    """Decadic logarithms that hold all prices, at least one decade."""
    positive = prices[prices > 0.0]
    if not len(positive):
        return -1.0, 0.0
    low, high = math.log10(float(positive.min())) - 0.05, math.log10(float(positive.max())) + 0.05
    more = max(0.0, 1.0 - (high - low))
    return low - 0.5 * more, high + 0.5 * more


def _ticks(low: float, high: float) -> list[float]:
    """Round prices to be written."""
    found = [step * 10.0**decade for decade in range(math.floor(low), math.ceil(high) + 1)
             for step in (1.0, 2.0, 5.0)]
    return [price for price in found if low <= math.log10(price) <= high]


def _described(resolution: Resolution, made: dict[str, Bill], paid: int | None) -> str:
    process = resolution.before.process
    said = [f"{words}: {price_at(made[case], 1, process).each:.2f} for one, "
            f"{price_at(made[case], 10**DECADES, process).each:.2f} for a million"
            for case, words, _ in DRAWN]
    when = "not within a million" if paid is None else f"from {paid:,} parts on"
    return f"Price of one part by quantity. {'; '.join(said)}. Resolved is cheaper {when}."
