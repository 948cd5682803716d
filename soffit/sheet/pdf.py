"""The change sheet as PDF: typeset on A3 with the fonts that the typesetter carries, tagged, and
the same bytes for the same sheet."""

from __future__ import annotations

import datetime
from dataclasses import asdict
from pathlib import Path
from typing import Any

from soffit.sheet.key import key_figures
from soffit.sheet.model import Sheet
from soffit.sheet.paper import Paper, lying
from soffit.sheet.typeset import breakable, picture, shortened, typeset
from soffit.sheet.words import number, parts_word

TEMPLATE = Path(__file__).with_name("sheet.typ")


def write_pdf(sheet: Sheet, path: Path, paper: Paper = "a3") -> None:
    """Write the sheet as a PDF; its creation date is the sheet's date of issue.

    Raises SoffitError where the typesetter cannot set the sheet.
    """
    path.write_bytes(to_pdf(sheet, paper))


def to_pdf(sheet: Sheet, paper: Paper = "a3") -> bytes:
    """The PDF as bytes, on this paper, lying."""
    issued = datetime.date.fromisoformat(sheet.date)
    return typeset(TEMPLATE, lambda folder: _data(sheet, issued, paper, folder), issued,
                   f"the change sheet of {sheet.file}")


def _data(sheet: Sheet, issued: datetime.date, paper: Paper, folder: Path) -> dict[str, Any]:
    figures = {"views": sheet.views, "sections": sheet.sections,
               "ways_up": sheet.ways_up, "price": sheet.price, "key": key_figures()}
    text = {name: value for name, value in vars(sheet).items() if name not in figures}
    data: dict[str, Any] = {
        name: [asdict(row) if hasattr(row, "__dataclass_fields__") else row for row in value]
        if isinstance(value, tuple) else value
        for name, value in text.items()}
    data |= {name: [picture(f, folder) for f in group] for name, group in figures.items()}
    for row, change in zip(data["changes"], sheet.changes, strict=True):
        row["volume_text"] = number(change.volume_mm3, 1, signed=True)
    for row, face in zip(data["protected"], sheet.protected, strict=True):
        row |= {"deviation": f"{face.deviation_mm:.3f}", "allowed": f"{face.allowed_mm:.3f}"}
    for group in ("open", "changes", "notes", "protected"):
        for row in data[group]:
            row |= {name: breakable(v) for name, v in row.items() if isinstance(v, str)}
    width, height = lying(paper)
    data |= {"paper": {"width": width, "height": height},
             "title_text": breakable(shortened(sheet.title, 90)),
             "file_text": breakable(shortened(sheet.file, 120)),
             "year": issued.year, "month": issued.month, "day": issued.day,
             "quantity_text": number(sheet.quantity, 0),
             "parts_word": parts_word(sheet.quantity),
             "process_text": breakable(shortened(sheet.process, 80)),
             "revision_text": breakable(shortened(sheet.revision or "none stated", 30)),
             "prepared_text": breakable(shortened(sheet.prepared_for or "not stated", 50))}
    return data
