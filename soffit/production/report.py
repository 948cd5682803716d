"""A quote as JSON: `soffit.estimate/1`."""

from __future__ import annotations

from typing import Any

from soffit.plan.report_parts import number, optional, part_json, process_json, risk_json
from soffit.production.price import LINES
from soffit.production.quote import Offer, Quote
from soffit.production.run import DAY_H


def quote_json(quote: Quote) -> dict[str, Any]:
    """Of each case what it takes and what one part costs at each quantity, line by line."""
    tooled = quote.tooled
    return {
        "schema": "soffit.estimate/1",
        "part": part_json(quote.result.received),
        "process": process_json(quote.result.before.process),
        "clean": quote.result.clean,
        "edits": len(quote.result.edits),
        "cases": {case: _offer(offer) for case, offer in quote.offers.items()},
        "added": [{
            "edit": one.edit,
            "remedy": one.remedy,
            "volume_mm3": number(one.volume_mm3),
            "plastic_mm3": number(one.plastic_mm3),
        } for one in quote.filled],
        "platform": {
            "parts": len(quote.plate.layout.spots),
            "how": quote.plate.layout.how,
            "held_back": len(quote.plate.layout.held),
            "machine_s": number(quote.plate.machine_s),
            "foot_mm2": number(quote.plate.foot_mm2),
        },
        **({} if quote.result.risk is None else {"risk": risk_json(quote.result.risk)}),
        "run": None if quote.lead is None else {
            "quantity": max(quote.quantities),
            "machines": quote.lead.machines,
            "days": number(quote.lead.middle_h / DAY_H),
            "days_low": number(quote.lead.low_h / DAY_H),
            "days_high": number(quote.lead.high_h / DAY_H),
        },
        "tooled": None if tooled is None else {
            "tool": number(tooled.tool), "piece": number(tooled.piece),
            "days": number(tooled.days)},
    }


def _offer(offer: Offer) -> dict[str, Any]:
    bill = offer.bill
    return {
        "plastic_g": number(bill.plastic_g),
        "machine_s": number(bill.machine_s),
        "labour_s": number(bill.labour_s),
        "layers": bill.layers,
        "good_share": number(offer.good_share),
        "cheaper": None if offer.cheaper is None else {
            "over": number(offer.cheaper.over), "under": optional(offer.cheaper.under)},
        "prices": [{
            "quantity": price.quantity,
            "each": number(price.each),
            "lines": {name: number(value)
                      for name, value in zip(LINES, price.lines, strict=True)},
        } for price in offer.prices],
    }
