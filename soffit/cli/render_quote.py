"""A quote as text of at most 80 columns."""

from __future__ import annotations

import math

from soffit.cli.render_text import Line, _count, _table, part_lines, wrap
from soffit.plan.model import Chance, together_ppm
from soffit.process.model import Grade
from soffit.production.figures import CASES, figure_rows
from soffit.production.price import LINES
from soffit.production.quote import Quote
from soffit.production.risk import (
    LARGEST,
    alike,
    chance_words,
    ppm_words,
    target_words,
    total_words,
    uncalibrated_words,
)
from soffit.production.run import DAY_H


def quote_lines(quote: Quote) -> list[Line]:
    """What each case takes, what a part costs at each quantity, of what that is made up at the
    last, and what added material takes."""
    process = quote.result.before.process
    right = set(range(1, len(CASES) + 1))
    lines = [*part_lines(quote.result.received), *_takes(quote), Line("")]
    rows = [(f"{quantity:,}", *(f"{offer.prices[k].each:,.2f}" for offer in quote.offers.values()))
            for k, quantity in enumerate(quote.quantities)]
    lines += [*_table(("price of each of", *CASES.values()), rows, right), Line("")]
    last = [offer.prices[-1] for offer in quote.offers.values()]
    rows = [(name, *(f"{price.lines[k]:.3f}" for price in last)) for k, name in enumerate(LINES)]
    sure = " (uncalibrated)" if quote.result.risk and quote.result.risk.uncalibrated else ""
    rows.append((f"good of 1,000{sure}",
                 *(f"{1000.0 * offer.good_share:.1f}" for offer in quote.offers.values())))
    lines += [*_table((f"of which, at {quote.quantities[-1]:,}", *CASES.values()), rows, right),
              Line("")]
    if quote.filled:
        rows = [(one.edit, one.remedy, f"{one.volume_mm3:,.1f}", f"{one.plastic_mm3:,.1f}",
                 f"{one.plastic_mm3 / one.volume_mm3:.2f}" if one.volume_mm3 else "")
                for one in quote.filled]
        lines += [*_table(("edit", "adds", "volume mm³", "plastic mm³", "share"), rows, {2, 3, 4}),
                  Line("")]
    lines += _risk(quote)
    lines += _plate(quote)
    lines += _run(quote)
    lines += _tooled(quote)
    tables = (process.costs, process.cycle, process.failure, process.park)
    rates = [value for table in tables for _, value in table if value.grade is Grade.DEMO]
    if rates:
        lines += wrap(
            f"Prices are in the currency of the process. {len(rates)} rates of {process.name} are "
            "invented for the demo shop; give a profile of your own with --process.")
    if quote.result.before.air:
        tight = quote.result.risk is not None and quote.result.risk.reached
        lines += wrap("As received it is past limits that are tightened for the target: its price "
                      "is of parts of which more fail." if tight else
                      "As received it prints over air: its price is of parts that nobody can use.")
    return lines


def _takes(quote: Quote) -> list[Line]:
    """What one part takes in each case."""
    figures = {case: {"plastic_g": offer.bill.plastic_g, "machine_s": offer.bill.machine_s,
                      "labour_s": offer.bill.labour_s} for case, offer in quote.offers.items()}
    rows = [(row.heading, *("" if v is None else f"{v:,.{row.decimals}f}"
                                           for v in row.values)) for row in figure_rows(figures)]
    return _table(("one part takes", *CASES.values()), rows, set(range(1, len(CASES) + 1)))


def _risk(quote: Quote) -> list[Line]:
    """What of a million resolved parts fails, and by what."""
    found = quote.result.risk
    if found is None:
        return []

    def sure(chance: Chance) -> str:
        if chance.range_ppm is None:
            return "" if chance.calibrated else "uncalibrated"
        return " to ".join(map(ppm_words, chance.range_ppm))

    together = alike(found.chances)
    rows = [(ppm_words(c.ppm), sure(c), "" if c.cpk is None else f"{c.cpk:.2f}", chance_words(c))
            for c in together[:LARGEST]]
    rest = together[LARGEST:]
    if rest:
        rows.append((ppm_words(together_ppm(c.ppm for c in rest)),
                     "" if all(c.calibrated for c in rest) else "uncalibrated", "",
                     f"{len(rest)} more"))
    lines = _table(("fail", "", "Cpk", "of a million resolved, by"), rows, {0, 2})
    told = [f"All together {total_words(found)}.",
            "Places that stay open are not counted." if found.open else "",
            f"The {target_words(found)}." if found.target_ppm is not None else "",
            uncalibrated_words(found)]
    return [*lines, *(line for text in told for line in wrap(text)), Line("")]


def _plate(quote: Quote) -> list[Line]:
    """How many fit on a platform."""
    plate, room = quote.plate, quote.result.before.process.platform
    size = f"{room.width_mm.value:g} × {room.depth_mm.value:g} mm"
    count = len(plate.layout.spots)
    if not count:
        return [*wrap(f"It does not fit on a platform of {size}."), Line("")]
    how = "in rows" if plate.layout.how == "rows" else "into each other by their outlines"
    held = len(plate.layout.held)
    back = (f"; pushed off along +y, {held} of them {'is' if held == 1 else 'are'} held back by "
            "others" if held else "")
    return [*wrap(
        f"Prices are of one part on the platform at a time. {count} fit on {size}, {how}, "
        f"{room.gap_mm.value:g} mm apart{back}: then {plate.machine_s / 60.0:.1f} min on the "
        "machine for each."), Line("")]


def _run(quote: Quote) -> list[Line]:
    """How long the run takes."""
    many = f"{max(quote.quantities):,}"
    if quote.lead is None:
        return [] if quote.days is None else [*wrap(
            f"No number of machines makes {many} parts in {quote.days:g} days."), Line("")]
    one, asked = quote.lead, "" if quote.days is None else f" within {quote.days:g} days"
    return [*wrap(
        f"{many} parts{asked} on {_count(one.machines, 'machine')}: {one.middle_h / DAY_H:,.1f} "
        f"days, nine times of ten between {one.low_h / DAY_H:,.1f} and {one.high_h / DAY_H:,.1f}, "
        "with failures, service and shifts as in the profile."), Line("")]


def _tooled(quote: Quote) -> list[Line]:
    """How it compares with a tool."""
    cheaper = quote.offers["resolved"].cheaper
    if quote.tooled is None or cheaper is None:
        return []
    over, under = cheaper.over, cheaper.under
    if under is not None:
        said = f"up to {math.floor(under):,} parts" if under >= 1.0 else "at none"
    else:
        said = (f"from {math.floor(over) + 1:,} parts on: its parts cost less, what is done once "
                "costs more" if over >= 1.0 else "at every quantity")
    return [*wrap(
        f"Printed is cheaper than a tool of {quote.tooled.tool:,.0f} and {quote.tooled.piece:,.2f} "
        f"each {said}; the tool takes {quote.tooled.days:g} days first."), Line("")]
