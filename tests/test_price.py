"""Prices against closed forms, and a quote as it is shown and written."""

from __future__ import annotations

import itertools
import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from jsonschema import Draft202012Validator
from referencing import Registry, Resource

import soffit
from soffit.cli.options import parse_quantities, parse_tooled
from soffit.cli.render_quote import quote_lines
from soffit.errors import InputError
from soffit.production.estimate import cases
from soffit.production.price import (
    ALWAYS,
    LINES,
    NEVER,
    Bill,
    Tooled,
    break_even,
    price_at,
    prices,
    yield_of,
)
from soffit.production.report import quote_json
from soffit.sheet.figure import text_width_mm
from soffit.sheet.price_chart import pays_from, price_chart
from tests.shapes import process_with, resolved

SCHEMAS = Path(__file__).parents[1] / "docs" / "schema"

# Round numbers: 1 kg costs 20, the machine 3.6 an hour and its 1000 W another 0.36, hands 36.
RATES = process_with(price_per_kg=20, machine_per_h=3.6, power_w=1000, price_per_kwh=0.36,
                     labour_per_h=36, setup_s=1000, redesign_h=2, engineer_per_h=50,
                     tumble_each=0.1, layer_ppm=0)
BILL = Bill(plastic_g=50, machine_s=1000, labour_s=20, layers=100, places_good=1.0,
            tumbled=True, redesigned=True)


def lines(bill: Bill, quantity: int) -> dict[str, float]:
    return dict(zip(LINES, price_at(bill, quantity, RATES).lines, strict=True))


def test_each_line_by_hand() -> None:
    """1 of plastic, 1000 s at 0.001 a second and a tenth of that in energy, 20 s of hands at 0.01;
    10 of set-up and 100 of redesign once."""
    assert lines(BILL, 100) == pytest.approx({
        "plastic": 1.0, "machine": 1.0, "energy": 0.1, "by hand": 0.2, "tumbling": 0.1,
        "rejects": 0.0, "set-up": 0.1, "redesign": 1.0})
    assert price_at(BILL, 100, RATES).each == pytest.approx(3.5)
    plain = replace(BILL, tumbled=False, redesigned=False)
    assert lines(plain, 100)["tumbling"] == lines(plain, 100)["redesign"] == 0.0


@pytest.mark.parametrize(("layers", "places", "ppm"), [(0, 0, 0), (200, 0, 0), (200, 7, 3000)])
def test_rejects_are_made_again(layers: int, places: int, ppm: float) -> None:
    """Of what is made in vain each good part bears its share: 1/y − 1 of it."""
    process = process_with(layer_ppm=100)
    places_good = (1 - ppm * 1e-6)**places
    bill = replace(BILL, layers=layers, places_good=places_good)
    good = 0.9999**layers * places_good
    assert yield_of(bill, process) == pytest.approx(good)
    found = dict(zip(LINES, price_at(bill, 10, process).lines, strict=True))
    made = sum(found[name] for name in ("plastic", "machine", "energy", "by hand"))
    assert found["rejects"] == pytest.approx(made * (1 / good - 1))


def test_a_price_falls_to_what_each_takes() -> None:
    found = [price.each for price in prices(BILL, [1, 10, 1000, 10**9], RATES)]
    assert found == sorted(found, reverse=True)
    assert found[-1] == pytest.approx(2.4) and found[0] == pytest.approx(112.4)


def test_break_even_is_where_both_cost_the_same() -> None:
    """With a tool of 20,000 and 0.4 each: (20,000 − 110) / (2.4 − 0.4) parts."""
    tooled = Tooled(tool=20_000, piece=0.4, days=30)
    found = break_even(BILL, tooled, RATES)
    at = found.under
    assert at == pytest.approx(19_890 / 2.0) and found.over == 0.0
    assert at is not None
    printed = at * price_at(BILL, round(at), RATES).each
    assert printed == pytest.approx(tooled.tool + at * tooled.piece, rel=1e-6)
    assert break_even(BILL, replace(tooled, piece=2.5), RATES) == ALWAYS
    assert break_even(BILL, replace(tooled, tool=50), RATES) == NEVER
    assert break_even(BILL, replace(tooled, tool=50, piece=2.4), RATES) == NEVER
    # A mould from what lies about for 10, and 3.4 each: printed is 1 less each and 100 more once.
    cheap = replace(tooled, tool=10, piece=3.4)
    found = break_even(BILL, cheap, RATES)
    assert (found.over, found.under) == (pytest.approx(100.0), None)
    for count, wins in ((99, False), (101, True)):
        printed = count * price_at(BILL, count, RATES).each
        assert (printed < cheap.tool + count * cheap.piece) is wins


def test_a_quote_of_a_resolution() -> None:
    result = resolved("ledge_bracket")
    quote = soffit.quote(result, [1, 1000], Tooled(18_000, 0.35, 30))
    supported, done = quote.offers["slicer_supported"], quote.offers["resolved"]
    # Peeling 1033 mm² at 6 s for each cm², and taking the part in hand.
    assert supported.bill.labour_s == pytest.approx(
        10.0 + 6.0 * result.before.over_air_mm2 / 100.0)
    assert done.bill.labour_s == 0.0 and done.bill.redesigned
    assert done.good_share > supported.good_share
    assert done.prices[0].each > supported.prices[0].each  # one part is not worth a redesign
    assert done.prices[1].each < supported.prices[1].each
    (edit,), (added,) = result.edits, quote.filled
    assert edit.cost is not None
    assert added.volume_mm3 == edit.volume_mm3 and added.plastic_mm3 == edit.cost.plastic_mm3
    # A wedge is mostly infill, and buries the wall that was outside before.
    assert 0.0 < added.plastic_mm3 < 0.3 * added.volume_mm3
    assert quote.result.estimate["resolved"]["price_each"] == pytest.approx(
        soffit.quote(result, [result.quantity]).offers["resolved"].prices[0].each)


def test_a_quote_as_json_and_as_text() -> None:
    result = resolved("ledge_bracket")
    tooled = Tooled(18_000, 0.35, 30)
    quote = soffit.quote(result, [1, 1000], tooled, machines=5)
    report = json.loads(json.dumps(quote_json(quote)))
    schemas = {p.name: json.loads(p.read_text(encoding="utf-8")) for p in SCHEMAS.glob("*.json")}
    Draft202012Validator.check_schema(schemas["estimate-1.json"])
    registry: Registry[Any] = Registry().with_resources(
        (name, Resource.from_contents(value)) for name, value in schemas.items())
    Draft202012Validator(schemas["estimate-1.json"], registry=registry).validate(report)
    case = report["cases"]["resolved"]
    for price in case["prices"]:
        assert sum(price["lines"].values()) == pytest.approx(price["each"], abs=1e-5)
    # Five machines that never stop would take 200 cycles each.
    assert report["run"]["machines"] == 5
    assert report["run"]["days"] > 200 * case["machine_s"] / 86_400
    text = [line.text for line in quote_lines(quote)]
    assert max(map(len, text)) <= 80
    whole = "\n".join(text)
    assert f"{case['prices'][1]['each']:.2f}" in whole
    assert "tool of 18,000 and 0.35 each up to" in whole
    assert "nobody can use" in whole
    assert "1,000 parts on 5 machines" in whole
    dear = soffit.quote(result, [9], Tooled(5, 30, 3))
    assert dear.offers["resolved"].cheaper is not None
    over = math.floor(dear.offers["resolved"].cheaper.over) + 1
    assert over > 1
    assert f"30.00 each from {over} parts on" in "\n".join(
        line.text for line in quote_lines(dear)).replace("\n  ", " ")
    late = "\n".join(line.text for line in quote_lines(soffit.quote(result, [9], days=0.01)))
    assert "No number of machines makes 9 parts in 0.01 days" in late
    with pytest.raises(InputError, match="machines and days"):
        soffit.quote(result, [9], machines=1, days=1)
    for machines in (0, 10_001):
        with pytest.raises(InputError, match=r"machines are .*; give 1 to 10,000"):
            soffit.quote(result, [9], machines=machines)


def test_the_chart_crosses_where_the_change_has_paid() -> None:
    """210 for the engineer, over what is saved on each; drawn within its frame, the texts apart."""
    result = resolved("ledge_bracket")
    process = result.before.process
    made = {name: case.bill for name, case in cases(result).items()}
    saved = (price_at(made["slicer_supported"], 10**9, process).each
             - price_at(made["resolved"], 10**9, process).each)
    assert pays_from(made, process) == pytest.approx(210.0 / saved, abs=1.0)
    worse = {**made, "resolved": replace(made["resolved"], plastic_g=1e6)}
    assert pays_from(worse, process) is None
    chart = price_chart(replace(result, quantity=20_000))
    assert f"Resolved is cheaper from {pays_from(made, process):,} parts on" in chart.alt
    points = np.concatenate([stroke.points for stroke in chart.strokes])
    assert points.min() >= 0.0 and (points <= (chart.width_mm, chart.height_mm)).all()
    boxes = []
    for label in chart.labels:
        wide = text_width_mm(label.text, label.size_mm)
        left = label.x - {"start": 0.0, "middle": 0.5, "end": 1.0}[label.anchor] * wide
        assert left >= 0.0 and left + wide <= chart.width_mm
        boxes.append(shapely.box(left, label.y, left + wide, label.y + label.size_mm))
    assert not any(a.intersects(b) for a, b in itertools.combinations(boxes, 2))


def test_quantities_that_cannot_be() -> None:
    assert parse_quantities("1000,1,1_000,20") == (1, 20, 1000)
    assert parse_tooled(None) is None and parse_tooled("5,0.1,20") == Tooled(5, 0.1, 20)
    for text in ("", "0", "-1", "1.5", "ten"):
        with pytest.raises(InputError, match="--quantity"):
            parse_quantities(text)
    for text in ("1,2", "1,2,-3", "a,b,c"):
        with pytest.raises(InputError, match="--tooled"):
            parse_tooled(text)
    with pytest.raises(InputError, match="quantities are 0"):
        soffit.quote(resolved("ledge_bracket"), [0])
