"""Typesetting: a template and its data to a tagged PDF, with the fonts that the typesetter carries,
and the same bytes for the same data."""

from __future__ import annotations

import datetime
import json
import re
import tempfile
import unicodedata
from collections.abc import Callable
from pathlib import Path
from typing import Any

from soffit.errors import SoffitError
from soffit.sheet.figure import Figure, to_svg

# What stands for a letter that no font has, and up to where letters are never replaced: Latin.
BOX = "\u25a1"
_BASIC = 0x24F
# How the typesetter says that a text cannot be shown.
_LACKING = re.compile(r'the text `"(.+?)"` could not be displayed')

# After what joins the pieces of a name, and within what has no such place.
_BREAK = re.compile(r"([_\-./,]|[^\W_]{16})(?=\S)")


def typeset(template: Path, data_of: Callable[[Path], dict[str, Any]], issued: datetime.date,
            what: str) -> bytes:
    """The PDF of a template. `data_of` gives its data and puts the pictures that it names into the
    folder. PDF/UA-1: tagged, every picture with its description.

    Raises SoffitError, naming `what`, where it cannot be set.
    """
    import typst

    noon = datetime.datetime(issued.year, issued.month, issued.day, 12, tzinfo=datetime.UTC)
    with tempfile.TemporaryDirectory(prefix="soffit-sheet-") as name:
        folder = Path(name)
        (folder / template.name).write_bytes(template.read_bytes())
        text = json.dumps(data_of(folder), ensure_ascii=False)
        # Names may be in letters that no font here has: first those of the system are asked.
        system = False
        while True:
            (folder / "data.json").write_text(text, encoding="utf-8")
            try:
                made = typst.compile(str(folder / template.name), root=name, format="pdf",
                                     ignore_system_fonts=not system, font_paths=[],
                                     timestamp=int(noon.timestamp()), pdf_standards=["ua-1"])
            except (RuntimeError, typst.TypstError) as error:
                lacking = _LACKING.search(str(error))
                less = without(text, lacking[1]) if lacking and system else text
                if lacking is None or (system and less == text):
                    raise SoffitError(f"setting {what}: {error}; take the HTML, and report this"
                                      ) from None
                text, system = less, True
            else:
                break
    if not isinstance(made, bytes):
        raise SoffitError(f"setting {what}: the typesetter gave no pages; take the HTML, and "
                          "report this")
    return made


def without(text: str, lacking: str) -> str:
    """A text in which a box stands for each letter of the scripts that these letters are of."""
    scripts = {_script(letter) for letter in lacking if ord(letter) > _BASIC}
    return "".join(BOX if ord(letter) > _BASIC and _script(letter) in scripts else letter
                   for letter in text)


def _script(letter: str) -> str:
    """What a letter's name begins with, which is its script; its block where it has no name."""
    return unicodedata.name(letter, f"{ord(letter) >> 8:x}").split()[0]


def shortened(text: str, most: int) -> str:
    """A text of at most so many characters, its middle left out where it is longer."""
    if len(text) <= most:
        return text
    kept = most - 1
    return f"{text[: kept - kept // 2]}…{text[len(text) - kept // 2:]}"


def breakable(text: str) -> str:
    """A text with places where a line may break in long words, such as names of files."""
    return re.sub(r"\S{20,}", lambda word: _BREAK.sub("\\1\u200b", word[0]), text)


def picture(figure: Figure, folder: Path) -> dict[str, Any]:
    """A figure as a file in the folder, and what a template needs of it."""
    path = folder / f"{figure.key}.svg"
    path.write_text(to_svg(figure), encoding="utf-8")
    return {"path": path.name, "title": figure.title, "remark": figure.remark,
            "alt": figure.alt, "width": figure.width_mm, "height": figure.height_mm}
