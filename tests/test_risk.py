"""How many of a million fail: margins against closed forms, rates against tables, targets."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from html import escape
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from referencing import Registry, Resource
from scipy.stats import norm

import soffit
from soffit.cli.render_quote import quote_lines
from soffit.cli.render_text import resolution_lines
from soffit.errors import InputError
from soffit.findings.model import Margin
from soffit.findings.review import review
from soffit.part.model import Part
from soffit.plan.model import Chance, Resolution, Risk, together_ppm
from soffit.plan.recipe import recipe_toml
from soffit.plan.report import resolve_json
from soffit.process.limits import distribution_of
from soffit.process.load import load_process
from soffit.process.model import Distribution, Grade, Process
from soffit.production.certainty import reach, share_each
from soffit.production.estimate import cases
from soffit.production.price import yield_of
from soffit.production.report import quote_json
from soffit.production.risk import alike, chances, words
from soffit.production.tails import z_range
from soffit.sheet.build import build_sheet
from soffit.sheet.html import to_html
from soffit.sheet.words import THIN
from tests.shapes import box, cross_hole, frustum, fuse, ledge, read, slot
from tests.solids import block, part_of

PLA = load_process("pla-04")
SCHEMAS = Path(__file__).parents[1] / "docs" / "schema"


def margins(part: Part, limit: str, process: Process = PLA) -> list[Margin]:
    return [m for m in review(part, process, unattended=True).margins if m.limit == limit]


def calibrated(process: Process = PLA, count: int = 12) -> Process:
    """The process as if its bridge had been measured: 20 mm on the mean, deviation 1.2."""
    varies = Distribution(mean=20.0, deviation=1.2, count=count, machine="demo", date="2026-11-30")
    bridge = process.capability.bridge_mm.model_copy(update={"distribution": varies})
    capability = process.capability.model_copy(update={"bridge_mm": bridge})
    return process.model_copy(update={"capability": capability})


def test_bridges_and_lips_within_their_limits_are_kept(tmp_path: Path) -> None:
    (bridge,) = margins(read(slot(14.5, 4, 6), tmp_path), "bridge_mm")
    assert bridge.demand == pytest.approx(14.5) and bridge.kind == "air/bridge"
    (lip,) = margins(read(ledge(0.7, 8, 6), tmp_path), "lip_mm")
    assert lip.demand == pytest.approx(0.7)
    # What is far inside of its limit never fails, and what is past it is a finding.
    assert not margins(read(slot(9.0, 4, 6), tmp_path), "bridge_mm")
    assert not margins(read(slot(15.5, 4, 6), tmp_path), "bridge_mm")


@pytest.mark.parametrize("lean_deg", [45.0, 40.0, 33.0])
def test_an_underside_asks_for_its_angle(lean_deg: float, tmp_path: Path) -> None:
    """A bar that leans out so far from the vertical on two sides."""
    found = margins(read(frustum(lean_deg), tmp_path), "angle_deg")
    assert [m.demand for m in found] == pytest.approx([90.0 - lean_deg] * 2, abs=0.05)
    assert all(m.z_mm == pytest.approx((0.1, 10.0), abs=0.11) for m in found)


def test_walls_never_fail_by_their_angle(tmp_path: Path) -> None:
    """However much the angle varies: here by 12° about 30°, so that 8 deviations are 126°."""
    varies = Distribution(mean=30.0, deviation=12.0, count=0)
    angle = PLA.capability.angle_deg.model_copy(update={"distribution": varies})
    wide = PLA.model_copy(update={
        "capability": PLA.capability.model_copy(update={"angle_deg": angle})})
    assert not margins(part_of(block(0, 0, 0, 20, 20, 10)), "angle_deg", wide)
    found = margins(read(frustum(20.0), tmp_path), "angle_deg", wide)
    assert [m.demand for m in found] == pytest.approx([70.0] * 2, abs=0.05)


@pytest.mark.parametrize(("height", "there"), [(0.9, 0), (1.3, 2)])
def test_what_leans_out_for_less_than_a_lip_is_none(
    height: float, there: int, tmp_path: Path
) -> None:
    """One step of 0.2 mm and the lip of 0.8, past the first layer: 1.0 mm and half of it."""
    assert len(margins(read(frustum(45.0, height=height), tmp_path), "angle_deg")) == there


def test_a_hole_fails_at_the_angle_whose_run_is_the_lip(tmp_path: Path) -> None:
    """A level hole is within the lip for some run ρ past 45°; by an angle δ the run is
    ρ + r (sin δ − sin 45°), which is the lip at the angle asked for (derived; layers of 0.2 mm
    make it a degree or two unsure)."""
    radius = 2.2
    part = read(cross_hole(radius, 10, 6), tmp_path)
    (run, other) = (m.demand for m in margins(part, "lip_mm") if m.kind == "air/slope")
    (asked,) = (m.demand for m in margins(part, "angle_deg"))
    assert run == pytest.approx(other)
    due = math.degrees(math.asin(math.sin(math.pi / 4) + (PLA.lip_mm - run) / radius))
    assert asked == pytest.approx(due, abs=2.0)


def test_feet_and_towers_within_their_limits() -> None:
    """A foot of 9 x 9 under 48 mm is pulled at with 6 F H / a³ = 0.1975 MPa of 0.2; a post 2.5
    wide gives F H³ / 3 E I at its top (Roark)."""
    (foot,) = margins(part_of(block(0, 0, 0, 9, 9, 48)), "adhesion_mpa")
    assert foot.demand == pytest.approx(6 * 0.5 * 48 / 9**3)
    plate = block(0, 0, 0, 40, 40, 2) + block(18, 18, 2, 20.5, 20.5, 24)
    (tower,) = margins(part_of(plate), "give_lines")
    gives = 0.5 * 22**3 / (3 * 3500 * 2.5**4 / 12)
    assert tower.demand == pytest.approx(gives / PLA.line_mm, rel=0.03)


def test_rates_are_tails_of_the_limit(tmp_path: Path) -> None:
    """14.5 of 15 mm by what is assumed: mean 19.8, deviation 1.2, z 4.417: 5.01 of a million
    (derived; the tail as in the tables of test_capability)."""
    part = read(slot(14.5, 4, 6), tmp_path)
    (one,) = [c for c in chances(review(part, PLA, unattended=True)) if "bridge" in c.limit]
    assert one.z == pytest.approx((19.8 - 14.5) / 1.2)
    assert one.ppm == pytest.approx(1e6 * norm.sf((19.8 - 14.5) / 1.2))
    assert one.cpk == pytest.approx((19.8 - 14.5) / 3.6)
    assert one.range_ppm is None and not one.calibrated and one.allowed == 15.0
    (sure,) = [c for c in chances(review(part, calibrated(), unattended=True))
               if "bridge" in c.limit]
    z = (20.0 - 14.5) / 1.2
    assert sure.calibrated and sure.ppm == pytest.approx(1e6 * norm.sf(z))
    assert sure.range_ppm == pytest.approx(
        tuple(1e6 * norm.sf(end) for end in reversed(z_range(z, 12))))
    assert sure.range_ppm[0] < sure.ppm < sure.range_ppm[1]


def chance(ppm: float, range_ppm: tuple[float, float] | None, demand: float | None = 1.0,
           edit: str = "") -> Chance:
    known = range_ppm is not None
    return Chance("a place", None, "capability.lip_mm", demand, 1.0, 4.0, 4 / 3, ppm, range_ppm,
                  known, edit)


def test_rates_together() -> None:
    """1 − (1 − 0.1)(1 − 0.2)(1 − 0.5); both ends of a range so too; one place that nobody measured
    leaves the whole without a range."""
    assert together_ppm([1e5, 2e5, 5e5]) == pytest.approx(1e6 * (1 - 0.9 * 0.8 * 0.5))
    assert str(together_ppm([])) == "0.0"
    assert together_ppm([1e6, 3.0]) == pytest.approx(1e6, rel=1e-9)
    assert together_ppm([1e-3] * 5) == pytest.approx(5e-3, rel=1e-6)
    found = Risk((chance(200.0, (100.0, 400.0)), chance(20.0, (10.0, 40.0)),
                  chance(50.0, None, None)))
    assert found.range_ppm == pytest.approx((together_ppm([100, 10, 50]),
                                             together_ppm([400, 40, 50])))
    assert found.places_ppm == pytest.approx(together_ppm([200, 20]))
    assert found.good_share == pytest.approx(0.9998 * 0.99998 * 0.99995)
    assert replace(found, chances=(*found.chances, chance(1.0, None))).range_ppm is None
    assert "uncalibrated" in words(found)  # layers are counted by nobody
    measured = Risk(found.chances[:2])
    assert "uncalibrated" not in words(measured) and "between 110 and 440" in words(measured)


def test_what_is_alike_is_told_as_one() -> None:
    """Two roofs of one place in the same words; the largest first."""
    one, other = chance(5.0, (1.0, 9.0)), replace(chance(8.0, None), what="another")
    (first, second) = alike([other, one, one])
    assert (first.what, first.ppm) == ("2 × a place", pytest.approx(together_ppm([5, 5])))
    assert first.range_ppm == pytest.approx((together_ppm([1, 1]), together_ppm([9, 9])))
    assert second == other


def test_the_risk_of_a_resolution_is_in_its_price_its_text_and_its_report(
    tmp_path: Path
) -> None:
    result = soffit.resolve(read(ledge(6, 8, 8), tmp_path), PLA, only=["chamfer"])
    found = result.risk
    assert found is not None and found.chances[0].limit == "failure.layer_ppm"
    done = cases(result)["resolved"].bill
    assert yield_of(done, result.before.process) == pytest.approx(found.good_share, abs=1e-9)
    # The chamfer stands at the limit: four deviations inside of the mean, 31.7 of a million.
    assert found.of_edit("E1") == pytest.approx(1e6 * norm.sf(4.0), rel=1e-3)
    assert found.uncalibrated == (
        "capability.angle_deg", "capability.lip_mm", "failure.layer_ppm")
    quote = soffit.quote(result, [1000])
    schemas = {p.name: json.loads(p.read_text(encoding="utf-8")) for p in SCHEMAS.glob("*.json")}
    registry: Registry[Any] = Registry().with_resources(
        (name, Resource.from_contents(value)) for name, value in schemas.items())
    for name, report in (("resolve-1.json", resolve_json(result)),
                         ("estimate-1.json", quote_json(quote))):
        data = json.loads(json.dumps(report))
        Draft202012Validator(schemas[name], registry=registry).validate(data)
        assert data["risk"]["total_ppm"] == pytest.approx(found.total_ppm, abs=1e-6)
        rates = [c["ppm"] for c in data["risk"]["chances"]]
        assert rates == sorted(rates, reverse=True)
    for lines in (resolution_lines(result), quote_lines(quote)):
        text = " ".join(line.text.strip() for line in lines)
        assert max(len(line.text) for line in lines) <= 80
        assert f"{found.total_ppm:,.0f} of a million (uncalibrated), yield 99." in text
        assert "underside at 45.0°, z 2.6–8.0 (E1)" in text
        assert "nobody measured capability.angle_deg, capability.lip_mm" in text
    sheet = build_sheet(result, title="shelf")
    assert [(row.fails, row.sure) for row in sheet.changes] == [("31.7", "uncalibrated")]
    page = to_html(sheet)
    for told in ("Fail, of a million", "What fails all the same", *sheet.risk):
        assert escape(told) in page
    assert f"1{THIN}231 of a million (uncalibrated)" in sheet.risk[0]


def test_a_prop_fails_by_its_tip_its_contact_and_at_the_rate_counted(tmp_path: Path) -> None:
    """Of one post that gives just what is allowed, or stands on the widest contact, as many fail as
    assumed of the limit itself, four deviations inside; what is counted of props stands beside."""
    part = read(fuse(box((0, 0, 0), (26, 6, 3)), box((0, 0, 0), (6, 6, 20)),
                     box((0, 0, 16), (26, 6, 20))), tmp_path)
    result = soffit.resolve(part, PLA, only=["prop"])
    (edit,) = result.edits
    facts = edit.prop
    assert facts is not None and PLA.line_mm <= facts.foot_mm < PLA.props.contact_mm.value
    worst = replace(facts, give_mm=PLA.give_mm, foot_mm=PLA.props.contact_mm.value, posts=3)
    before = {c.what: c.ppm for c in chances(result.after, result.edits)}
    after = {c.what: c.ppm for c in chances(result.after, [replace(edit, prop=worst)])}
    due = pytest.approx(together_ppm([1e6 * norm.sf(4.0)] * 3))
    assert {what: ppm for what, ppm in after.items() if what not in before} == {
        "3 × tip that gives 0.50 of a line": due, "3 × contact 3.0 mm wide that stays on": due}
    assert before["E1 prop at the shop's rate"] == PLA.failure.prop_ppm.value


def test_a_target_is_shared_by_its_places() -> None:
    each = share_each(100.0, 7)
    assert 1.0 - (1.0 - each) ** 7 == pytest.approx(1e-4, rel=1e-9)
    assert share_each(100.0, 1) == pytest.approx(1e-4)


@pytest.fixture(name="slotted", scope="module")
def _slotted(tmp_path_factory: pytest.TempPathFactory) -> Part:
    return read(slot(14.5, 4, 3), tmp_path_factory.mktemp("slot"))


def test_a_target_spends_plastic_on_a_bridge_that_passes_by_a_hair(
    slotted: Part, tmp_path: Path
) -> None:
    """14.5 of 15 mm: 5 of a million fail, and it stays. No more than 1 asked for: it is roofed, and
    the roof leaves two undersides, each at half of the target. The recipe says so again."""
    plain = soffit.resolve(slotted, PLA)
    assert plain.clean and not plain.edits
    assert plain.risk is not None and plain.risk.places_ppm == pytest.approx(5.01, abs=0.01)
    sure = soffit.resolve(slotted, PLA, target_ppm=1.0)
    assert sure.clean and [e.remedy for e in sure.edits] == ["roof leaving a bridge"]
    assert sure.risk is not None and sure.risk.reached
    assert 0.9 < sure.risk.places_ppm <= 1.0
    tight = sure.before.process
    assert tight.bridge_mm < 14.0 and tight.capability.bridge_mm.grade is Grade.DERIVED
    assert distribution_of(tight, "bridge_mm") == distribution_of(PLA, "bridge_mm")
    assert "reached with" in "\n".join(line.text for line in resolution_lines(sure))
    told = " ".join(line.text.strip() for line in quote_lines(soffit.quote(sure, [9])))
    assert "past limits that are tightened for the target" in told
    file = tmp_path / "recipe.toml"
    file.write_text(recipe_toml(sure), encoding="utf-8")
    assert "target_ppm = 1.0" in file.read_text(encoding="utf-8")
    again = soffit.resolve(slotted, PLA, recipe=file)
    assert again.replay is not None
    assert [d.status for d in again.replay.decisions] == ["same"]
    assert again.before.process == tight and again.wishes.target_ppm == 1.0
    assert [e.volume_mm3 for e in again.edits] == [e.volume_mm3 for e in sure.edits]


def test_another_way_up_may_be_surer_than_plastic(slotted: Part) -> None:
    """On its side the tunnel has no ceiling; a ceiling of 14.5 mm is no reason to turn it."""
    sure = soffit.resolve(slotted, PLA, up="auto", target_ppm=1.0)
    assert sure.clean and not sure.edits and abs(sure.before.up[2]) < 1.0
    assert sure.risk is not None and sure.risk.reached
    assert sure.risk.places_ppm < 1.0


def test_plastic_that_buys_no_certainty_is_not_spent(slotted: Part) -> None:
    """Where all that is left is a prop, of which more fail than of the bridge, the bridge stays and
    the target is missed; so it is where a tightened limit leaves something open."""
    for options in ({"only": ["prop"]}, {"only": ["teardrop"]}):
        found = soffit.resolve(slotted, PLA, target_ppm=1.0, **options)
        assert found.clean and not found.edits
        assert found.risk is not None and not found.risk.reached
        assert "MISSED with 5.0" in words(found.risk)
    for target in (0.0, -1.0, 1e6, math.nan):
        with pytest.raises(InputError, match="may fail; give more than 0"):
            soffit.resolve(slotted, PLA, target_ppm=target)


def test_a_target_is_shared_anew_where_more_places_are_left(slotted: Part) -> None:
    """By what is left, until it is reached; then no more."""
    drawn = review(slotted, PLA, unattended=True)
    asked: list[float] = []
    left = [3, 9, 9]

    def resolve(process: Process) -> Resolution:
        asked.append(process.bridge_mm)
        count = left[len(asked) - 1]
        each = 1e6 * norm.sf((19.8 - process.bridge_mm) / 1.2)
        done = Risk((chance(each, None),) * count, target_ppm=1.0)
        return replace(soffit_plain, risk=done)

    soffit_plain = soffit.resolve(slotted, PLA)
    reach(1.0, PLA, drawn, resolve)
    assert asked == [pytest.approx(19.8 - 1.2 * norm.isf(1e-6 / n), abs=2e-2) for n in (1, 3, 9)]
