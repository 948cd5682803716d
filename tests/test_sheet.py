"""The change sheet: what its drawings show, what it says, and that nothing is cut or overlaps."""

from __future__ import annotations

import datetime
import json
import math
import re
from dataclasses import replace
from functools import cache
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pymupdf
import pytest
from jsonschema import Draft202012Validator
from referencing import Registry, Resource

import soffit
import soffit.remedies
from soffit.findings.model import NO_PATCH
from soffit.part.edit import make_body
from soffit.part.model import Part
from soffit.part.solid import box as box_solid
from soffit.plan.model import Alternative, OpenFinding, Resolution
from soffit.plan.report import resolve_json
from soffit.plan.resolve import resolve
from soffit.process.load import load_process
from soffit.process.model import Grade
from soffit.production.first_article import first_article
from soffit.remedies.model import Edit
from soffit.sheet import pdf
from soffit.sheet.build import build_sheet
from soffit.sheet.crop import trimmed
from soffit.sheet.figure import Balloon, Figure, Label, Stroke
from soffit.sheet.html import to_html
from soffit.sheet.ledger import note_rows
from soffit.sheet.limits import limit_rows, rates_words
from soffit.sheet.lines import length_mm, pieces
from soffit.sheet.model import NoteRow, Sheet
from soffit.sheet.pdf import to_pdf
from soffit.sheet.profile import Bar, add_profile, spread
from soffit.sheet.project import project
from soffit.sheet.sections import across
from soffit.sheet.tables import CAUTIONS
from soffit.sheet.traveller import build_traveller
from soffit.sheet.traveller_page import traveller_pdf
from soffit.sheet.typeset import BOX, breakable, shortened, without
from soffit.sheet.view import FRONT, below
from soffit.sheet.words import number
from tests.overlaps import MM, page_faults, words_of
from tests.shapes import box, counterbore, ledge, read, resolved_afresh
from tests.shared import once
from tests.solids import block, part_of

ISSUED = datetime.date(2026, 11, 25)
SCHEMAS = Path(__file__).parents[1] / "docs" / "schema"


@cache
def resolved_by(name: str, *remedies: str) -> Resolution:
    """An example resolved by these remedies only, so that another one changes no sheet here."""
    def resolve() -> Resolution:
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("soffit.plan.wishes.CHANGES", remedies)
            patch.setattr("soffit.plan.survey.LAST_RESORT", ())
            return resolved_afresh(name)

    return once("-".join((name, *remedies)), resolve)


def bracket_result() -> Resolution:
    return resolved_by("ledge_bracket", "chamfer")


def pillow_result() -> Resolution:
    return resolved_by("pillow_block", "chamfer", "teardrop")


def sheet_of(result: Resolution, title: str = "a part") -> Sheet:
    return build_sheet(result, title=title, date=ISSUED)


@pytest.fixture(scope="module")
def bracket() -> Sheet:
    return sheet_of(bracket_result())


@pytest.fixture(scope="module")
def pillow() -> Sheet:
    return sheet_of(pillow_result())


def text_of(pdf: bytes) -> str:
    """All words, one blank apart."""
    return " ".join(word for page in words_of(pdf) for _, word in page).replace("\u200b", "")


def test_overlap_and_cut_text_are_noticed() -> None:
    """The check of the check: two words over each other, one across the frame."""
    with pymupdf.open() as document:
        page = document.new_page(width=420 * MM, height=297 * MM)
        page.insert_text((100, 100), "first", fontsize=12)
        page.insert_text((104, 105), "second", fontsize=12)
        page.insert_text((410 * MM - 10, 300), "outside", fontsize=12)
        page.insert_text((10, 300), "A", fontsize=7)
        assert len(page_faults(document.tobytes())) == 2


# Drawings.


@pytest.mark.parametrize("kernel", ["brep", "mesh"])
def test_box_in_a_view_from_below_has_nine_edges_and_three_hidden(
    tmp_path: Path, kernel: str
) -> None:
    """Lengths of the image: edges along x, y, z are seen short by √(1 − (axis · sight)²)."""
    part = read(box((0, 0, 0), (30, 20, 10)), tmp_path)
    view = below(30.0)
    drawing = project(part if kernel == "brep" else replace(part, brep=None), view)
    assert drawing.engine == kernel
    assert len(pieces(drawing.visible)) == 9
    assert len(pieces(drawing.hidden)) == 3
    assert not drawing.smooth
    seen = [size * math.sqrt(1 - float(a) ** 2)
            for size, a in zip((30, 20, 10), view.axes[2], strict=True)]
    assert length_mm(drawing.visible) == pytest.approx(3 * sum(seen), rel=1e-6)
    # In a mesh what is nearer by less than 2e-5 of the part hides nothing: ends are a hair short.
    assert length_mm(drawing.hidden) == pytest.approx(sum(seen), rel=1e-4)


def test_box_from_the_front_is_its_outline(tmp_path: Path) -> None:
    part = read(box((0, 0, 0), (30, 20, 10)), tmp_path)
    drawing = project(part, FRONT)
    assert length_mm(drawing.visible) == pytest.approx(80.0)
    assert not drawing.hidden
    assert np.ptp(drawing.bounds, axis=0) == pytest.approx([30.0, 10.0])


def test_pictures_have_a_balloon_for_each_place_and_each_edit(bracket: Sheet) -> None:
    result = bracket_result()
    received, produced = bracket.views[:2]
    assert [b.text for b in received.balloons] == [str(k + 1) for k in
                                                   range(len(result.before.air))]
    assert len(produced.balloons) == len(result.edits) == len(bracket.changes) >= 1
    assert {b.text for b in produced.balloons} == {c.number for c in bracket.changes}
    assert [c.edit for c in bracket.changes] == [e.id for e in result.edits]
    assert {a.kind for a in received.areas} == {"air"}
    assert {a.kind for a in produced.areas} == {"added"}
    for figure in (*bracket.views, *bracket.sections):
        for b in figure.balloons:
            assert b.radius_mm <= b.x <= figure.width_mm - b.radius_mm
            assert b.radius_mm <= b.y <= figure.height_mm - b.radius_mm


def test_each_edit_has_a_section_that_shows_what_it_adds(bracket: Sheet) -> None:
    assert len(bracket.sections) == len(bracket.changes)
    for figure in bracket.sections:
        assert {"material", "added"} <= {a.kind for a in figure.areas}
        assert any(label.text == "45°" for label in figure.labels)
    # The shelf reaches 18 mm out; that is what its section has as a dimension.
    assert any(label.text == "18.0" for label in bracket.sections[0].labels)


def test_a_change_without_a_section_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("soffit.sheet.build.MAX_SECTIONS", 0)
    sheet = sheet_of(bracket_result())
    assert not sheet.sections
    assert [row.place for row in sheet.notes if "section" in row.place] == ["No section of E1"]


def test_protected_face_is_outlined_in_both_pictures(pillow: Sheet, bracket: Sheet) -> None:
    for figure in pillow.views[:2]:
        assert any(s.pen == "protected" for s in figure.strokes)
    assert not any(s.pen == "protected" for f in bracket.views for s in f.strokes)


def rectangle(w: float, d: float) -> np.ndarray:
    return np.array([[0.0, 0.0], [w, 0.0], [w, d], [0.0, d]])


def test_round_places_are_cut_along_an_axis_and_long_ones_across() -> None:
    """A search may find any direction for a circle; a reader expects the axis of the drawing."""
    angle = np.linspace(0.0, 2 * math.pi, 64, endpoint=False)
    circle = 5.0 * np.column_stack([np.cos(angle), np.sin(angle)])
    ten = (math.cos(math.radians(10)), math.sin(math.radians(10)))
    at_ten = replace(NO_PATCH, rings=(circle,), bridge_dir=ten)
    assert across(at_ten).tolist() == [1.0, 0.0]
    long = replace(NO_PATCH, rings=(rectangle(30, 10),), bridge_dir=(0.0, -1.0))
    assert across(long).tolist() == [0.0, 1.0]
    turn = np.array([[ten[0], ten[1]], [-ten[1], ten[0]]])
    oblique = replace(NO_PATCH, rings=(rectangle(10, 30) @ turn,), bridge_dir=ten)
    assert across(oblique) == pytest.approx(ten)
    held = np.array([[0.0, 0.0], [20.0, 0.0]])
    assert across(replace(NO_PATCH, rings=(rectangle(20, 8),), anchors=(held,))) == pytest.approx(
        [0.0, 1.0])


def test_membrane_is_a_band_with_its_thickness(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One layer of 0.2 mm is too thin for a hatch; over a bore of radius 3 it is 6 mm long."""
    monkeypatch.setattr("soffit.plan.wishes.CHANGES", ("membrane",))
    result = soffit.resolve(read(counterbore(6, 3, 6), tmp_path), "pla-04")
    assert [e.remedy for e in result.edits] == ["membrane"]
    sheet = sheet_of(result)
    (section,) = sheet.sections
    (band,) = [s for s in section.strokes if s.pen == "added-band"]
    # The band's round ends reach 0.7 mm of paper further at either side.
    long = float(np.ptp(band.points[:, 0])) + 1.4
    assert long / scale_of(section, "detail") == pytest.approx(6.0, rel=0.03)
    assert any(label.text == "6.0" for label in section.labels)
    assert any(label.text == "0.20 thick" for label in section.labels)
    assert sheet.changes[0].after
    assert sheet.changes[0].after in to_html(sheet)


def test_props_are_drawn_in_their_own_colour_and_cut_in_their_section() -> None:
    """A block that stands under the shelf, not where the place's own section runs."""
    result = bracket_result()
    low = result.received.mesh.bounds[0]
    solid = box_solid((low[0] + 2, low[1] + 2, 0.0), (low[0] + 6, low[1] + 6, 40.0))
    body = make_body("E9 prop", solid, result.produced)
    prop = Edit("E9", "", "prop", "prop", 640.0, (), (low[0] + 4, low[1] + 4, 20.0), (0.0, 40.0),
                "it carries the tip", "snap it off", solid)
    sheet = sheet_of(replace(result, edits=(*result.edits, prop), props=(body,)))
    row = sheet.changes[-1]
    assert (row.op, row.volume_mm3, row.after) == ("prop", 640.0, "Snap it off")
    assert row.place == "Arose from E1"
    assert any(s.pen == "prop" for s in sheet.views[1].strokes)
    assert "prop" in {a.kind for a in sheet.sections[-1].areas}
    assert ("Prop volume", ("0", number(body.mesh.volume_mm3, 0))) in [
        (r.name, r.values) for r in sheet.measured]
    assert not page_faults(to_pdf(sheet))


def test_profile_draws_areas_of_both_elevations_to_one_scale() -> None:
    def widths(before: tuple[Bar, ...], after: tuple[Bar, ...], like: tuple[Bar, ...]
               ) -> list[float]:
        figure = add_profile(Figure("p", "", "", "", 100, 100), 10, 5, 1.0, 40.0, 44.0, before,
                             after, like)
        return [float(np.ptp(a.rings[0][:, 0])) for a in figure.areas]

    large, small = Bar("1", (10.0, 10.0), 600.0), Bar("2", (20.0, 20.0), 150.0)
    (a, b), (c,) = widths((large, small), (), ()), widths((), (small,), (large, small))
    assert a / b == pytest.approx(4.0)
    assert c == pytest.approx(b)
    empty = add_profile(Figure("p", "", "", "", 100, 100), 10, 5, 1.0, 40.0, 44.0, (), ())
    assert any(label.text == "nothing over air" for label in empty.labels)


def test_labels_are_spread_no_further_than_they_must() -> None:
    assert spread(np.array([1.0, 5.0, 9.0]), 2.0, 0.0, 10.0) == pytest.approx([1.0, 5.0, 9.0])
    assert spread(np.array([5.0, 5.0, 5.0]), 2.0, 0.0, 10.0) == pytest.approx([3.0, 5.0, 7.0])
    with pytest.raises(ValueError, match="do not fit"):
        spread(np.array([5.0, 5.0, 5.0]), 6.0, 0.0, 10.0)


def scale_of(figure: Figure, panel: str) -> float:
    """Mm of paper per mm in a panel of a section, as it is written over it."""
    (text,) = [label.text for label in figure.labels if label.text.startswith(panel)]
    over, under = text.removeprefix(panel).split(":")
    return float(over) / float(under)


# Words and figures.


def test_figures_are_those_of_the_report(bracket: Sheet) -> None:
    result = bracket_result()
    report = json.loads(json.dumps(resolve_json(result)))
    measured = {r.name: r.values for r in bracket.measured}
    totals = [report[s]["totals"]["over_air_mm2"] for s in ("before", "after")]
    assert measured["Over air"] == tuple(number(v, 1) for v in totals)
    assert totals[0] == pytest.approx(1032.7, abs=0.5)
    assert [c.volume_mm3 for c in bracket.changes] == pytest.approx(
        [e["volume_mm3"] for e in report["edits"]], abs=1e-6)
    plastic = next(r for r in bracket.estimate if r.unit == "g")
    cases = ("as_received", "slicer_supported", "resolved")
    assert plastic.values == tuple(f"{report['estimate'][c]['plastic_g']:.2f}" for c in cases)
    for text in (text_of(to_pdf(bracket)), to_html(bracket)):
        for change in bracket.changes:
            assert number(change.volume_mm3, 1, signed=True) in text
        for value in (*measured["Over air"], *plastic.values):
            assert value in text


def test_what_a_change_takes_is_its_cost_in_the_report(bracket: Sheet) -> None:
    """Plastic in g by the density of the profile; time of machine and hand together."""
    (edit,) = resolve_json(bracket_result())["edits"]
    density = bracket_result().before.process.material.density_g_cm3.value
    cost = edit["cost"]
    (row,) = bracket.changes
    assert row.plastic == number(cost["plastic_mm3"] * density / 1000.0, 2, signed=True)
    assert row.time == number(cost["machine_s"] + cost["labour_s"], 0, signed=True)
    assert row.price == number(cost["price"], 2, signed=True)
    for text in (text_of(to_pdf(bracket)), text_of(to_pdf(bracket, "a4")), to_html(bracket)):
        assert all(value in text for value in (row.plastic, row.time, row.price))


def test_alternatives_stand_beside_what_was_chosen(bracket: Sheet) -> None:
    one = Alternative("least price", (("chamfer", 2),), 0.12, 1500.0, 60.0, 0.0, 8.61, 2046.0,
                      0.0, True)
    other = replace(one, words="least plastic", remedies=(("prop", 1),), labour_s=25.4,
                    chosen=False)
    assert not bracket.alternatives
    sheet = sheet_of(replace(bracket_result(), alternatives=(one, other)))
    assert [row.chosen for row in sheet.alternatives] == [True, False]
    density = bracket_result().before.process.material.density_g_cm3.value
    assert sheet.alternatives[1].values == (
        "0.12", f"{1.5 * density:.2f}", "60", "25", "8.6", "0.0")
    for text in (text_of(to_pdf(sheet)), to_html(sheet)):
        for words in ("Least price, chosen", "2 chamfer", "Least plastic", "1 prop"):
            assert words in text, words
    assert page_faults(to_pdf(sheet)) == []


def test_report_with_edits_fits_the_published_schema() -> None:
    schemas = {p.name: json.loads(p.read_text(encoding="utf-8")) for p in SCHEMAS.glob("*.json")}
    registry = Registry().with_resources(
        (name, Resource.from_contents(value)) for name, value in schemas.items())
    check = Draft202012Validator(schemas["resolve-1.json"], registry=registry)
    result = bracket_result()
    later = replace(result.edits[0], id="E2", finding="", after="drill it out")
    report = json.loads(json.dumps(resolve_json(replace(result, edits=(result.edits[0], later)))))
    check.validate(report)
    assert report["edits"][1]["after"] == "drill it out"
    assert report["edits"][1]["at_mm"] == pytest.approx(result.edits[0].at_mm, abs=1e-6)
    report["edits"][1]["at_mm"] = [0.0, 1.0]
    assert not check.is_valid(report)


def test_both_forms_say_every_row_and_every_caution(bracket: Sheet) -> None:
    page = ElementTree.fromstring(to_html(bracket).split("\n", 1)[1])
    html = " ".join("".join(e.itertext()) for e in page.iter("main"))
    pdf = text_of(to_pdf(bracket))
    for text in (html, pdf):
        flat = " ".join(text.split())
        assert all(" ".join(c.split()) in flat for c in CAUTIONS)
        for row in bracket.changes:
            for words in (row.place, row.where, row.measure, row.unit, row.change, row.why):
                assert " ".join(words.split()) in flat, words
        for limit in bracket.limits:
            assert limit.value in flat
            assert " ".join(limit.source.split()) in flat
        assert " ".join(bracket.rates.split()) in flat
        for figure in (*bracket.views, *bracket.sections):
            assert figure.title in flat
    assert "nothing over air" in pdf
    assert "Not clean" not in pdf + html


def test_each_limit_that_was_used_is_told_once_with_its_source() -> None:
    process = load_process("pla-04")
    plain = limit_rows(process, props=False, seen=())
    seen = limit_rows(process, props=False, seen={"bed/topple", "cool/small-layer", "wall/gap"})
    more = {row.name: (row.value, row.unit) for row in seen if row not in plain}
    # 8 s, 0.5 N and 0.2 MPa are of the profile, from memory; 3° and 0.2 mm are common practice.
    assert more == {"Least time of a layer": ("8", "s"), "Drag of the nozzle": ("0.5", "N"),
                    "Adhesion of a first layer": ("0.20", "MPa"), "Least tipping angle": ("3", "°"),
                    "Gap that stays open": ("0.2", "mm")}
    props = [row.name for row in limit_rows(process, props=True, seen={"bed/topple"})]
    assert len(props) == len(set(props)) and {*more} - {*props} == {
        "Least time of a layer", "Gap that stays open"}
    assert all(row.source and row.grade for row in seen)


def test_rates_of_a_shop_that_does_not_exist_are_told() -> None:
    """All prices of the profiles that come with it are invented; a shop that states its own is not
    told so."""
    process = load_process("pla-04")
    demo = [value for table in (process.costs, process.cycle, process.failure)
            for _, value in table if value.grade is Grade.DEMO]
    assert f"{len(demo) + 1} invented for a demo shop" in rates_words(process)  # and the plastic
    own = {name: getattr(process, name).model_copy(update={
        key: value.model_copy(update={"grade": Grade.MEASURED})
        for key, value in getattr(process, name)}) for name in ("costs", "cycle", "failure")}
    assert "1 invented" in rates_words(process.model_copy(update=own))


def test_what_stays_open_is_said_first_and_loudly(pillow: Sheet) -> None:
    result = pillow_result()
    assert not pillow.clean
    assert len(pillow.open) == len(result.open) == 2
    html, pdf = to_html(pillow), text_of(to_pdf(pillow))
    assert pdf.index("Not clean: 2 places open") < pdf.index("As received")
    assert html.index("Not clean: 2 places open") < html.index("As received")
    for row in pillow.open:
        assert "protected face 19" in row.reason
        assert " ".join(row.reason.split()) in pdf
        assert row.unit in html
    (kept,) = pillow.protected
    assert kept.untouched
    assert f"{kept.deviation_mm:.3f}" in pdf
    assert kept.selector in html


def test_what_is_wrong_with_the_whole_part_is_said_and_not_pointed_at(pillow: Sheet) -> None:
    result = pillow_result()
    whole = replace(result.open[0].finding, id="F9", kind="file/build-volume", faces=(),
                    message="the part is 300 mm long, the platform 250 mm", patch=NO_PATCH)
    sheet = sheet_of(replace(result, open=(OpenFinding(whole, "change it in CAD"), *result.open)))
    assert sheet.open[0].reason == (
        "The part is 300 mm long, the platform 250 mm. Change it in CAD")
    assert sheet.open[0].where == ""
    assert [len(f.balloons) for f in sheet.views] == [len(f.balloons) for f in pillow.views]
    assert sheet.verdict == "3 places open"


# Form.


def test_html_is_well_formed_and_needs_nothing_else(bracket: Sheet, pillow: Sheet) -> None:
    for sheet in (bracket, pillow):
        html = to_html(sheet)
        page = ElementTree.fromstring(html.split("\n", 1)[1])
        tags = {e.tag.split("}")[-1] for e in page.iter()}
        assert not tags & {"script", "link", "img", "iframe", "object", "image", "use"}
        assert not re.search(r"url\(|@import|\ssrc=|\shref=", html)
        assert set(re.findall(r"https?://[^\"'\s<]+", html)) == {"http://www.w3.org/2000/svg"}
        ids = [e.get("id") for e in page.iter() if e.get("id")]
        assert len(ids) == len(set(ids))
        drawings = list(page.iter("{http://www.w3.org/2000/svg}svg"))
        # The key has five, the price one.
        assert len(drawings) == len(sheet.views) + len(sheet.sections) + len(sheet.price) + 5
        balloons = [e for e in page.iter("{http://www.w3.org/2000/svg}g")
                    if e.get("class") == "balloon"]
        assert len(balloons) == sum(len(f.balloons) for f in sheet.views)
        assert any(e.get("name") == "viewport" for e in page.iter("meta"))


def test_markup_in_names_is_shown_as_it_is(bracket: Sheet) -> None:
    odd = "<b>&amp; #strong[x] $y$ \\ \"q\" 'r'.step"
    sheet = replace(bracket, title=odd, file=odd)
    page = ElementTree.fromstring(to_html(sheet).split("\n", 1)[1])
    assert page.findtext("body/header/h1") == odd
    assert odd in text_of(to_pdf(sheet))


def test_same_resolution_gives_the_same_bytes(bracket: Sheet) -> None:
    again = sheet_of(bracket_result())
    assert to_html(again) == to_html(bracket)
    assert to_pdf(again) == to_pdf(bracket)


def test_a_part_with_one_change_is_one_page(bracket: Sheet, pillow: Sheet) -> None:
    pdf = to_pdf(bracket)
    assert len(words_of(pdf)) == 1
    assert not page_faults(pdf)
    # Two places open, four tables and a note: the note may go over the page.
    assert len(words_of(to_pdf(pillow))) <= 2
    assert not page_faults(to_pdf(pillow))


def test_a_figure_is_as_low_as_what_is_drawn_and_nothing_of_it_is_lost() -> None:
    """Drawn from 10 to 32 mm of 50: lines, and words whose base line is at 30, 2 mm high, of which
    0.75 stand above it; 0.6 mm is left around (derived). Two are cut alike."""
    line = Stroke(np.array([[1.0, 10.0], [9.0, 20.0]]), "visible")
    low = Figure("a", "a", "", "", 20.0, 50.0, strokes=(line,),
                 labels=(Label("x", 5.0, 30.0, 2.0),),
                 balloons=(Balloon("1", 5.0, 25.0, 3.0, (4.0, 12.0), "#000000"),))
    (one,) = trimmed(low)
    assert one.height_mm == pytest.approx(30.0 + 1.5 + 0.6 - (10.0 - 0.6))
    assert one.strokes[0].points[:, 1] == pytest.approx([0.6, 10.6])
    assert (one.balloons[0].y, *one.balloons[0].target) == pytest.approx((15.6, 4.0, 2.6))
    assert trimmed(one)[0].height_mm == pytest.approx(one.height_mm)
    high = replace(low, strokes=(replace(line, points=line.points + np.array([0.0, 25.0])),))
    pair = trimmed(low, high)
    assert [figure.height_mm for figure in pair] == pytest.approx([45.0 + 0.6 - 9.4] * 2)
    assert pair[1].strokes[0].points[:, 1] == pytest.approx([25.6, 35.6])
    assert trimmed(Figure("b", "", "", "", 20.0, 50.0))[0].height_mm == 50.0


def test_pictures_are_made_smaller_where_that_saves_a_page(
    bracket: Sheet, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The bracket's sheet fits on two pages of A4 by that alone."""
    assert len(words_of(to_pdf(bracket, "a4"))) == 2
    shares = "(100%, 90%, 80%, 70%)"
    text = pdf.TEMPLATE.read_text(encoding="utf-8")
    assert text.count(shares) == 1
    whole = tmp_path / "sheet.typ"
    whole.write_text(text.replace(shares, "(100%,)"), encoding="utf-8")
    monkeypatch.setattr(pdf, "TEMPLATE", whole)
    assert len(words_of(to_pdf(bracket, "a4"))) == 3


@pytest.mark.parametrize("size", [(2.0, 5.0, 3.0), (40.0, 300.0, 50.0)])
def test_tiny_and_large_parts_are_laid_out(
    tmp_path: Path, size: tuple[float, float, float]
) -> None:
    """Ledges that make parts of 8 mm and of 300 mm, the latter too long for the platform."""
    part: Part = read(ledge(*size), tmp_path)
    result = soffit.resolve(part, "pla-04", only=["chamfer"])
    assert result.edits
    sheet = sheet_of(result)
    assert not page_faults(to_pdf(sheet))
    for figure in (*sheet.views, *sheet.sections):
        points = np.concatenate([s.points for s in figure.strokes])
        assert points.min() >= -0.5, figure.key
        assert points[:, 0].max() <= figure.width_mm + 0.5, figure.key
        assert points[:, 1].max() <= figure.height_mm + 0.5, figure.key


def test_many_rows_and_long_names_flow_over_pages(bracket: Sheet, pillow: Sheet) -> None:
    long = "a_name_that_somebody_gave_to_a_part_" * 6
    change, left, cut = bracket.changes[0], pillow.open[0], bracket.sections[0]
    sheet = replace(
        pillow, title=long, file=f"{long}.step",
        verdict="12 places open, 3 protected faces changed",
        prepared_for="an invented customer with a long name, hall 4, purchasing of series parts",
        open=tuple(replace(left, number=str(k), reason=f"{left.reason}; " * (1 + k % 5))
                   for k in range(1, 13)),
        changes=tuple(replace(change, number=str(k), edit=f"E{k}", op=("add", "cut", "prop")[k % 3],
                              volume_mm3=(k % 3 - 1) * 1234567.8, why=f"{change.why}. " * (k % 4),
                              after="Drill out the membrane and blow out the chips")
                      for k in range(13, 45)),
        sections=tuple(replace(cut, key=f"s{k}", title=f"Section at {k}",
                               remark="through 110.0, 110.0 at 137° to x · 1 : 1.5")
                       for k in range(13, 37)),
        protected=tuple(replace(pillow.protected[0], face=f"face {k}",
                                selector="face near 123.456,-123.456,123.456 facing -0.7,0.7,0")
                        for k in range(12)),
        notes=tuple(NoteRow(str(k), "Ceiling with a hole in it, faces 3, 7, 9 and 4 more",
                            "Three places within the limit. " * (1 + k % 7)) for k in range(40)))
    pdf = to_pdf(sheet)
    assert page_faults(pdf) == []
    pages, text = words_of(pdf), text_of(pdf)
    assert 5 <= len(pages) <= 10
    for k in range(len(pages)):
        assert f"{k + 1} of {len(pages)}" in " ".join(word for _, word in pages[k])
    assert all(f"E{k}" in text.split() for k in range(13, 45))
    # No row of the ledger stands alone, and its heads are on every page that it is on.
    rows = [[word for _, word in page if re.fullmatch(r"E\d+", word)] for page in pages]
    assert sum(map(len, rows)) == 32
    for page, names in zip(pages, rows, strict=True):
        assert len(names) != 1
        assert bool(names) <= ({"Volume,", "Plastic,"} <= {word for _, word in page})
    assert all(f"Section at {k}" in text for k in range(13, 37))
    assert text.count("Three places within the limit.") == sum(1 + k % 7 for k in range(40))
    ElementTree.fromstring(to_html(sheet).split("\n", 1)[1])


def test_a_part_without_a_volume_gets_a_sheet_and_a_traveller(tmp_path: Path) -> None:
    """One flat triangle: it has no height and covers nothing of a layer."""
    path = tmp_path / "flat.stl"
    corners = "".join(f"vertex {x} {y} 0\n" for x, y in ((0, 0), (30, 0), (0, 20)))
    path.write_text(f"solid flat\nfacet normal 0 0 1\nouter loop\n{corners}endloop\nendfacet\n"
                    "endsolid flat\n", encoding="ascii")
    result = soffit.resolve(soffit.read(path, unit="mm"), "pla-04")
    sheet = sheet_of(result)
    assert not sheet.clean
    assert page_faults(to_pdf(sheet)) == []
    traveller = build_traveller(result, first_article(result), title="flat", date=ISSUED)
    assert not traveller.clean
    assert "Do not run" in text_of(traveller_pdf(traveller))


def test_names_in_letters_that_no_font_has_do_not_keep_the_sheet_from_being_set(
    bracket: Sheet
) -> None:
    """Cuneiform is in no font that the typesetter carries, and hardly in one of the system; Greek
    is. What cannot be shown is a box, and the page has it all."""
    whom = "\U00012000\U0001202d Ελλάς & Söhne"
    sheet = replace(bracket, prepared_for=whom)
    text = text_of(to_pdf(sheet))
    assert "Ελλάς & Söhne" in text
    assert whom in text or f"{BOX}{BOX} Ελλάς" in text
    assert whom.replace("&", "&amp;") in to_html(sheet)
    assert without("部品 a 部 ж", "部") == f"{BOX}{BOX} a {BOX} ж"


def test_long_words_may_break_and_keep_both_ends() -> None:
    word = "abcdefghijklmnopqrstuvwxyz_0123456789.step"
    assert breakable(word).replace("\u200b", "") == word
    assert "_\u200b0" in breakable(word)
    assert breakable("short words stay as they are") == "short words stay as they are"
    assert shortened(word, 100) == word
    assert shortened(word, 11) == "abcde….step"


def test_what_is_said_of_several_places_in_the_same_words_is_one_row() -> None:
    """Three pins of one height are slim alike, and one of another height by itself."""
    base = block(0, 0, 0, 60, 20, 4)
    pins = [block(x, 9, 3, x + 2, 11, high) for x, high in ((5, 40), (20, 40), (35, 40), (50, 30))]
    result = resolve(part_of(base + pins[0] + pins[1] + pins[2] + pins[3]), load_process("pla-04"))
    slim = [row.text for row in note_rows(result, ()) if "tip gives" in row.text]
    assert len(slim) == 2
    (three,) = [text for text in slim if "40.0 mm" in text]
    assert three.endswith("(3 places)") and "places" not in slim[1 - slim.index(three)]
