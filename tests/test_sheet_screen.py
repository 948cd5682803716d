"""The pages of sheet and traveller on screens of all widths, and for those who cannot see them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from soffit.sheet.html import to_html
from soffit.sheet.traveller_page import traveller_html
from tests import desk_browser
from tests.desk_browser import accessible
from tests.test_sheet import bracket_result, pillow_result, sheet_of
from tests.test_traveller import travellers

browser = desk_browser.chromium

# By how many pixels the page is too wide, and what sticks out of its part of the page.
STICKS_OUT = """() => [
  Math.max(0, document.documentElement.scrollWidth - innerWidth),
  [...document.querySelectorAll("section")].flatMap(part => {
    const right = part.getBoundingClientRect().right + 1;
    return [...part.querySelectorAll("th, td, p, h2, li")]
      .filter(e => e.getBoundingClientRect().right > right).map(e => e.innerText);
  })]"""


PAGES: dict[str, Callable[[], str]] = {
    "bracket": lambda: to_html(sheet_of(bracket_result())),
    "pillow": lambda: to_html(sheet_of(pillow_result())),
    "props": lambda: traveller_html(travellers()[2]),
}


@pytest.mark.parametrize("name", PAGES)
def test_nothing_sticks_out_on_any_screen_and_all_is_read_out(
    browser: Any, tmp_path: Path, name: str
) -> None:
    """From a phone to a wall, with a face of letters that is wider than the one meant."""
    file = tmp_path / "page.html"
    file.write_text(PAGES[name](), encoding="utf-8")
    page = browser.new_page()
    page.goto(file.as_uri())
    for wide in (360, 640, 800, 1000, 1200, 1400, 1920):
        page.set_viewport_size({"width": wide, "height": 900})
        assert page.evaluate(STICKS_OUT) == [0, []], wide
    accessible(page)
    page.close()
