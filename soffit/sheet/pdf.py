"""The change sheet as PDF: typeset on A3 with the fonts that the typesetter carries, tagged, and
the same bytes for the same sheet."""

from __future__ import annotations

import datetime
import json
import re
import tempfile
from dataclasses import asdict
from pathlib import Path
from typing import Any

from soffit.errors import SoffitError
from soffit.sheet.figure import Figure, to_svg
from soffit.sheet.key import key_figures
from soffit.sheet.ledger import number, parts_word
from soffit.sheet.model import Sheet

# After what joins the pieces of a name, and within what has no such place.
_BREAK = re.compile(r"([_\-./,]|[^\W_]{16})(?=\S)")
TEMPLATE = Path(__file__).with_name("sheet.typ")


def write_pdf(sheet: Sheet, path: Path) -> None:
    """Write the sheet as a PDF; its creation date is the sheet's date of issue.

    Raises SoffitError where the typesetter cannot set the sheet.
    """
    path.write_bytes(to_pdf(sheet))


def to_pdf(sheet: Sheet) -> bytes:
    """The PDF as bytes."""
    import typst

    issued = datetime.date.fromisoformat(sheet.date)
    noon = datetime.datetime(issued.year, issued.month, issued.day, 12,
                             tzinfo=datetime.UTC)
    with tempfile.TemporaryDirectory(prefix="soffit-sheet-") as name:
        folder = Path(name)
        (folder / "sheet.typ").write_bytes(TEMPLATE.read_bytes())
        (folder / "data.json").write_text(json.dumps(_data(sheet, issued, folder)),
                                          encoding="utf-8")
        try:
            made = typst.compile(str(folder / "sheet.typ"), root=name, format="pdf",
                                 ignore_system_fonts=True, font_paths=[],
                                 timestamp=int(noon.timestamp()), pdf_standards=["ua-1"])
        except (RuntimeError, typst.TypstError) as error:
            raise SoffitError(f"setting the change sheet of {sheet.file}: {error}; "
                              "take the HTML sheet, and report this") from None
    if not isinstance(made, bytes):
        raise SoffitError(f"setting the change sheet of {sheet.file}: the typesetter gave no "
                          "pages; take the HTML sheet, and report this")
    return made


def _data(sheet: Sheet, issued: datetime.date, folder: Path) -> dict[str, Any]:
    figures = {"views": sheet.views, "sections": sheet.sections,
               "ways_up": sheet.ways_up, "price": sheet.price, "key": key_figures()}
    text = {name: value for name, value in vars(sheet).items() if name not in figures}
    data: dict[str, Any] = {
        name: [asdict(row) if hasattr(row, "__dataclass_fields__") else row for row in value]
        if isinstance(value, tuple) else value
        for name, value in text.items()}
    data |= {name: [_picture(f, folder) for f in group] for name, group in figures.items()}
    for row, change in zip(data["changes"], sheet.changes, strict=True):
        row["volume_text"] = number(change.volume_mm3, 1, signed=True)
    for row, face in zip(data["protected"], sheet.protected, strict=True):
        row |= {"deviation": f"{face.deviation_mm:.3f}", "allowed": f"{face.allowed_mm:.3f}"}
    for group in ("open", "changes", "notes", "protected"):
        for row in data[group]:
            row |= {name: breakable(v) for name, v in row.items() if isinstance(v, str)}
    data |= {"title_text": breakable(shortened(sheet.title, 90)),
             "file_text": breakable(shortened(sheet.file, 120)),
             "year": issued.year, "month": issued.month, "day": issued.day,
             "quantity_text": number(sheet.quantity, 0),
             "parts_word": parts_word(sheet.quantity),
             "process_text": breakable(shortened(sheet.process, 80)),
             "revision_text": breakable(shortened(sheet.revision or "none stated", 30)),
             "prepared_text": breakable(shortened(sheet.prepared_for or "not stated", 50))}
    return data


def shortened(text: str, most: int) -> str:
    """A text of at most so many characters, its middle left out where it is longer."""
    if len(text) <= most:
        return text
    kept = most - 1
    return f"{text[: kept - kept // 2]}…{text[len(text) - kept // 2:]}"


def breakable(text: str) -> str:
    """A text with places where a line may break in long words, such as names of files."""
    return re.sub(r"\S{20,}", lambda word: _BREAK.sub("\\1\u200b", word[0]), text)


def _picture(figure: Figure, folder: Path) -> dict[str, Any]:
    path = folder / f"{figure.key}.svg"
    path.write_text(to_svg(figure), encoding="utf-8")
    return {"path": path.name, "title": figure.title, "remark": figure.remark,
            "alt": figure.alt, "width": figure.width_mm}
