"""What a change sheet is on paper: sizes, tags, numbers, and that it prints in black and white."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import combinations
from xml.etree import ElementTree

import pymupdf
import pytest

from soffit.sheet import figure as palette
from soffit.sheet.figure import HATCHINGS, PENS
from soffit.sheet.html import to_html
from soffit.sheet.model import Sheet
from soffit.sheet.paper import Paper, lying
from soffit.sheet.pdf import to_pdf
from tests.overlaps import MM, page_faults, words_of
from tests.test_sheet import bracket_result, pillow_result, sheet_of, text_of

MAX_BYTES = 4_000_000


@pytest.fixture(scope="module", params=["bracket", "pillow"])
def sheet(request: pytest.FixtureRequest) -> Sheet:
    return sheet_of(bracket_result() if request.param == "bracket" else pillow_result())


@pytest.mark.parametrize("paper", ["a3", "a4", "letter"])
def test_every_paper_is_its_size_and_nothing_is_cut_or_overlaps(sheet: Sheet, paper: Paper) -> None:
    pdf = to_pdf(sheet, paper)
    with pymupdf.open(stream=pdf, filetype="pdf") as document:
        for page in document:
            assert (page.rect.width / MM, page.rect.height / MM) == pytest.approx(
                lying(paper), abs=0.1)
    assert page_faults(pdf, paper) == []
    assert len(words_of(pdf)) <= (2 if paper == "a3" else 5)


def test_what_stays_open_comes_before_the_drawings_on_small_paper() -> None:
    text = text_of(to_pdf(sheet_of(pillow_result()), "letter"))
    assert text.index("Not clean") < text.index("Why it is open") < text.index("As received seen")


def numbers_of(text: str) -> set[str]:
    """Every figure in a text, with its sign, thousands joined."""
    joined = re.sub(r"(?<=\d)[\u202f\u00a0](?=\d)", "", text)
    return set(re.findall(r"(?<![\w.])[+\u2212]?\d+(?:\.\d+)?", joined))


def test_page_and_pdf_carry_the_same_numbers(sheet: Sheet) -> None:
    """Read back from both, figures and tables together. Only the paper has zones and a count of its
    sheets, only the page spells out the hash in a way that breaks."""
    page = ElementTree.fromstring(to_html(sheet).split("\n", 1)[1])
    html = numbers_of(" ".join(" ".join(e.itertext()) for e in page.iter("body")))
    with pymupdf.open(stream=to_pdf(sheet), filetype="pdf") as document:
        pdf = numbers_of(" ".join(p.get_text() for p in document).replace("\u200b", ""))
    descriptions = numbers_of(" ".join(
        "".join(e.itertext()) for e in page.iter("{http://www.w3.org/2000/svg}desc")))
    assert len(html) > 60
    assert html - pdf <= descriptions
    assert pdf - html <= {str(k) for k in range(1, 9)}


def test_a_changed_number_would_be_noticed(sheet: Sheet) -> None:
    """The check of the check: one figure of the page is another."""
    other = to_html(replace(sheet, measured=(
        replace(sheet.measured[0], values=("987.6", *sheet.measured[0].values[1:])),
        *sheet.measured[1:])))
    assert "987.6" in numbers_of(other) - numbers_of(text_of(to_pdf(sheet)))


def test_pdf_is_tagged_and_every_picture_has_its_description(sheet: Sheet) -> None:
    with pymupdf.open(stream=to_pdf(sheet), filetype="pdf") as document:
        catalog = document.pdf_catalog()
        kinds = {key: document.xref_get_key(catalog, key) for key in
                 ("StructTreeRoot", "MarkInfo/Marked", "Lang")}
        assert kinds["StructTreeRoot"][0] == "xref"
        assert kinds["MarkInfo/Marked"][1] == "true"
        assert kinds["Lang"][1].startswith("en")
        tags = [document.xref_object(x) for x in range(1, document.xref_length())
                if document.xref_get_key(x, "S")[1] == "/Figure"]
    pictures = (*sheet.views, *sheet.sections, *sheet.price)
    described = [tag for tag in tags if "/Alt" in tag]
    assert len(tags) == len(described) >= len(pictures)
    page = ElementTree.fromstring(to_html(sheet).split("\n", 1)[1])
    for drawing in page.iter("{http://www.w3.org/2000/svg}svg"):
        assert drawing.findtext("{http://www.w3.org/2000/svg}desc")


def test_files_are_small(sheet: Sheet) -> None:
    """Also with as many sections as a sheet ever has."""
    full = replace(sheet, sections=tuple(
        replace(f, key=f"s{k}") for k, f in enumerate((sheet.sections or sheet.views[:1]) * 24)))
    assert len(to_pdf(full)) < MAX_BYTES
    assert len(to_html(full).encode()) < MAX_BYTES


def test_versions_and_whole_hashes_are_on_both(sheet: Sheet) -> None:
    result = bracket_result() if sheet.title and not sheet.open else pillow_result()
    for text in (to_html(sheet), text_of(to_pdf(sheet))):
        assert result.received.source.sha256 in text
        assert result.after.part.source.sha256 in text
        assert " ".join(sheet.versions.split()) in text


# Black and white.


def luminance(color: str) -> float:
    """Relative luminance (WCAG 2.1)."""
    channels = [int(color[k:k + 2], 16) / 255.0 for k in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_lines_and_words_stand_out_from_white_paper_without_colour() -> None:
    """3 to 1 for drawings (WCAG 2.1, 1.4.11) and 4.5 to 1 for words (1.4.3)."""
    # "paper" is the ground that words are laid on.
    drawn = {h.color for kind, h in HATCHINGS.items() if kind != "paper"}
    for color in {pen.color for pen in PENS.values()} | drawn:
        assert 1.05 / (luminance(color) + 0.05) >= 3.0, color
    for color in (palette.INK, palette.SOFT, palette.AIR, palette.ADDED, palette.REMOVED):
        assert 1.05 / (luminance(color) + 0.05) >= 4.5, color


def test_kinds_of_area_differ_by_their_hatch_alone() -> None:
    shown = {kind: (HATCHINGS[kind].angles_deg, HATCHINGS[kind].pitch_mm)
             for kind in ("air", "added", "removed", "prop", "material")}
    for one, other in combinations(shown, 2):
        assert shown[one] != shown[other], (one, other)


def test_paper_stays_white_where_nothing_is_drawn(sheet: Sheet) -> None:
    """A ground would print as a haze of dots."""
    with pymupdf.open(stream=to_pdf(sheet), filetype="pdf") as document:
        for page in document:
            gray = page.get_pixmap(dpi=40, colorspace=pymupdf.csGRAY)
            assert sum(value == 255 for value in gray.samples) > 0.75 * len(gray.samples)
    assert "background:#fff" in to_html(sheet).split("@media print")[1]
