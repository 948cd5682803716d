"""The floor traveller: one page, the same in both forms, with what is done by hand shown."""

from __future__ import annotations

import re
import tempfile
from dataclasses import replace
from functools import cache
from pathlib import Path
from xml.etree import ElementTree

import manifold3d as m3
import numpy as np
import pymupdf
import pytest

import soffit
from soffit.layers.stack import cut_layers
from soffit.part.model import Part
from soffit.production.first_article import first_article
from soffit.production.platform import layout
from soffit.sheet.paper import Paper, upright
from soffit.sheet.tables import CAUTIONS
from soffit.sheet.traveller import Traveller, build_traveller
from soffit.sheet.traveller_page import traveller_html, traveller_pdf
from tests.overlaps import MM, inked, words_of
from tests.shapes import ledge, read
from tests.shared import once
from tests.test_sheet import ISSUED, bracket_result, pillow_result, sheet_of, text_of
from tests.test_sheet_forms import numbers_of


@cache
def travellers() -> tuple[Traveller, Traveller, Traveller]:
    """One without work by hand, one that must not run, one with props."""
    def make() -> tuple[Traveller, Traveller, Traveller]:
        props = soffit.resolve(_ledge(), "pla-04", only=["props"], quantity=1000)
        one, two, three = (
            build_traveller(result, first_article(result), title="a part", date=ISSUED)
            for result in (bracket_result(), pillow_result(), props))
        return one, two, three

    return once("travellers", make)


def _ledge() -> Part:
    with tempfile.TemporaryDirectory() as folder:
        return read(ledge(6, 8, 8), Path(folder))


def faults(pdf: bytes, paper: Paper) -> list[str]:
    """Words that leave the margins, or lie over each other, and pages that are too many."""
    width, height = upright(paper)
    inner = pymupdf.Rect(10 * MM, 8 * MM, (width - 9) * MM, (height - 9) * MM)
    pages = words_of(pdf)
    found = [] if len(pages) == 1 else [f"{len(pages)} pages"]
    with pymupdf.open(stream=pdf, filetype="pdf") as document:
        size = document[0].rect
        if abs(size.width - width * MM) > 0.5 or abs(size.height - height * MM) > 0.5:
            found.append(f"page of {size}")
    for words in pages:
        found += [f"{word!r} leaves the page" for rect, word in words if not inner.contains(rect)]
        box = np.array([inked(rect) for rect, _ in words])
        over = np.triu((np.minimum(box[:, None, 2:], box[None, :, 2:])
                        - np.maximum(box[:, None, :2], box[None, :, :2]) > 0.3).all(axis=2), k=1)
        found += [f"{words[i][1]!r} over {words[j][1]!r}" for i, j in np.argwhere(over)]
    return found


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_it_is_one_page_and_nothing_is_cut(paper: Paper) -> None:
    for one in travellers():
        assert faults(traveller_pdf(one, paper), paper) == []


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_it_stays_one_page_with_the_most_that_it_shows(paper: Paper) -> None:
    one = travellers()[2]
    work = replace(one.works[0], how=f"{one.works[0].how}, sideways, 60° from x, sideways, 30°")
    check = replace(one.checks[-1], what="Sag of the bridge of 14.4 mm at x -46.8, y 112.0, z 137")
    full = replace(
        one, clean=False, verdict="12 places open, 3 protected faces changed",
        title="a_name_that_somebody_gave_to_a_part_" * 3,
        works=(work,) * 9, checks=tuple(replace(check, id=f"B{k}") for k in range(40)))
    pdf = traveller_pdf(full, paper)
    assert faults(pdf, paper) == []
    assert "more checks are in the record" in text_of(pdf)
    assert traveller_html(full).count("Sag of the bridge") == 40


def test_both_forms_say_the_same(travelled: Traveller) -> None:
    page = ElementTree.fromstring(traveller_html(travelled).split("\n", 1)[1])
    html = " ".join(" ".join("".join(e.itertext()) for e in page.iter("body")).split())
    pdf = text_of(traveller_pdf(travelled))
    said = [travelled.number, travelled.platform, travelled.takes, travelled.tumbling,
            *CAUTIONS, *(w.how for w in travelled.works), *(c.what for c in travelled.checks),
            *(f"{c.high:.2f}" for c in travelled.checks if c.high is not None),
            *(s.why for s in travelled.settings), *(f.title for f in travelled.figures)]
    for words in said:
        assert " ".join(words.split()) in pdf, words
        assert " ".join(words.split()) in html, words


def test_both_forms_carry_the_same_numbers(travelled: Traveller) -> None:
    """Read back from both; only the page has descriptions in its text."""
    page = ElementTree.fromstring(traveller_html(travelled).split("\n", 1)[1])
    html = numbers_of(" ".join(" ".join(e.itertext()) for e in page.iter("body")))
    pdf = numbers_of(text_of(traveller_pdf(travelled)))
    told = numbers_of(" ".join(
        "".join(e.itertext()) for e in page.iter("{http://www.w3.org/2000/svg}desc")))
    assert len(html) > 40
    assert html - pdf <= told
    assert pdf <= html


@pytest.fixture(params=[0, 1, 2])
def travelled(request: pytest.FixtureRequest) -> Traveller:
    return travellers()[request.param]


def test_what_is_not_clean_must_not_be_run() -> None:
    clean, open_, _ = travellers()
    assert "Do not run: 2 places open" in text_of(traveller_pdf(open_))
    assert "Do not run: 2 places open" in traveller_html(open_)
    assert "Do not run" not in text_of(traveller_pdf(clean)) + traveller_html(clean)
    assert open_.number == sheet_of(pillow_result()).number


def test_props_are_pictured_from_below_with_how_each_comes_off() -> None:
    clean, _, props = travellers()
    assert [f.key for f in clean.figures] == ["standing", "platform"]
    assert clean.works == () and clean.tumbling.startswith("Not needed")
    below = props.figures[-1]
    assert below.remark == "seen from below"
    assert [b.text for b in below.balloons] == [w.number for w in props.works]
    # Each close up, within its picture, with an arrow on the way out.
    for work in props.works:
        picture = work.picture
        assert picture is not None
        assert picture.alt.endswith("leaves straight down, off the platform.")
        points = np.concatenate([s.points for s in picture.strokes])
        assert points.min() >= -0.1
        assert (points.max(axis=0) <= (picture.width_mm + 0.1, picture.height_mm + 0.1)).all()
        assert {"prop"} == {a.kind for a in picture.areas}
        shaft, head = [s.points for s in picture.strokes if s.pen == "cut"]
        assert shaft[1, 1] < shaft[0, 1] and shaft[0, 0] == pytest.approx(shaft[1, 0])
        assert head[1] == pytest.approx(shaft[1])
    assert all(re.search(r"\d N each; leaves? ", w.how) for w in props.works)
    assert {c.id for c in props.checks if c.id[0] == "P"} == {
        f"P{k + 1}" for k in range(len(props.works))}


def test_platform_is_drawn_with_as_many_as_fit() -> None:
    result = bracket_result()
    process = result.after.process
    outline = m3.CrossSection.batch_boolean(
        list(cut_layers(result.produced, process).regions), m3.OpType.Add)
    found = layout(outline, 250.0, 250.0, 5.0)  # the profile's platform, demo
    drawn = travellers()[0].figures[1]
    assert [label.text for label in drawn.labels] == [
        str(k + 1) for k in range(len(found.spots))]
    assert travellers()[0].platform.startswith(f"{len(found.spots)} at most")


def test_nothing_of_one_machine_is_on_it(travelled: Traveller) -> None:
    """Speeds, accelerations and temperatures belong to a machine."""
    assert not [s.name for s in travelled.settings
                if re.search("speed|acceler|temperature|retract|flow", s.name, re.IGNORECASE)]
    assert {"Nozzle", "Line", "Layer", "Walls"} <= {s.name for s in travelled.settings}
