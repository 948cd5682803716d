"""The change sheet as one self-contained HTML page: for a desk, for a phone, for a printer.

It says what the PDF says, from the same data and with the same drawings as inline SVG. There is
no script and no outside reference. On a narrow screen each row of a ledger becomes a card whose
cells carry the names of their columns.
"""

from __future__ import annotations

from html import escape
from pathlib import Path

from soffit.sheet.figure import to_svg
from soffit.sheet.key import key_figures
from soffit.sheet.model import ChangeRow, Sheet
from soffit.sheet.page import Cell, figure_html, number_cell, page, table, text_cell
from soffit.sheet.words import number, parts_word


def write_html(sheet: Sheet, path: Path) -> None:
    """Write the sheet as HTML without any outside reference."""
    path.write_text(to_html(sheet), encoding="utf-8", newline="\n")


def to_html(sheet: Sheet) -> str:
    """The whole page; what stays open comes first."""
    body = [
        f"<header><h1>{escape(sheet.title)}</h1>",
        f'<p class="under">Change sheet {escape(sheet.number)}, {escape(sheet.date)}</p>',
        _verdict(sheet), "</header>", "<main>",
        f'<div class="views">{"".join(figure_html(f) for f in sheet.views)}</div>',
        _key(), _open(sheet), _changes(sheet), _sections(sheet),
        _ways_up(sheet), '<div class="tables">',
        table("Before and after", ("", "as received", "as produced", ""),
              [(text_cell(r.name), *map(number_cell, r.values), text_cell(r.unit))
               for r in sheet.measured]),
        table(f"Estimate for {number(sheet.quantity, 0)} {parts_word(sheet.quantity)}",
              ("", "as received", "with slicer supports", "resolved", ""),
              [(text_cell(r.name), *map(number_cell, r.values), text_cell(r.unit))
               for r in sheet.estimate]),
        *(f'<section>{figure_html(f)}<p class="small">{escape(sheet.rates)}</p></section>'
          for f in sheet.price),
        table("Alternatives, for each part", ("", "Price", "Plastic, g", "Machine, s", "Hand, s",
                                              "Moved, mm", "Left, mm²"),
              [(_place(f"{r.words}, chosen" if r.chosen else r.words, r.remedies),
                *map(number_cell, r.values)) for r in sheet.alternatives]),
        _risk(sheet),
        table("Protected faces", ("Face", "Chosen by", "Moved, mm", "Allowed, mm", "Untouched"),
              [(text_cell(r.face), text_cell(r.selector), number_cell(f"{r.deviation_mm:.3f}"),
                number_cell(f"{r.allowed_mm:.3f}"),
                text_cell("yes") if r.untouched else Cell("<strong>NO, CHANGED</strong>"))
               for r in sheet.protected]),
        *(table(heading, ("Limit", "Value", "", "Source and grade"),
                [(text_cell(r.name), number_cell(r.value), text_cell(r.unit),
                  text_cell(r.source if r.grade in r.source else f"{r.source} ({r.grade})"))
                 for r in sheet.limits if r.of_props is of_props])
          for heading, of_props in (("Limits used", False), ("Limits of props", True))),
        table("Files and versions", ("File", "SHA-256"),
              [(text_cell(r.what), Cell(f'<span class="small hash">{r.sha256}</span>'))
               for r in sheet.files]),
        table("Also seen", ("No.", "Place", ""),
              [(text_cell(r.number), text_cell(r.place), text_cell(r.text)) for r in sheet.notes]),
        "</div>", f'<p class="small">Made with {escape(sheet.versions)}.</p>',
        "<section><h2>Cautions</h2>", '<ul class="cautions">',
        *(f"<li>{escape(c)}</li>" for c in sheet.cautions), "</ul></section>", "</main>",
        _title_block(sheet),
    ]
    return page(f"{sheet.title} – change sheet", "".join(body))


def _verdict(sheet: Sheet) -> str:
    if sheet.clean:
        return f'<p class="verdict">Clean: {escape(sheet.verdict)}.</p>'
    return (f'<p class="verdict open">Not clean: {escape(sheet.verdict)}. '
            "<span>Open places come first in the list and are drawn in violet in both views."
            "</span></p>")


def _title_block(sheet: Sheet) -> str:
    """Fields of ISO 7200."""
    fields = (
        ("title", sheet.title), ("document", "Change sheet"), ("number", sheet.number),
        ("verdict", sheet.verdict), ("file as received", sheet.file),
        ("as received, sha256", sheet.received_hash),
        ("as produced, sha256", sheet.produced_hash), ("process", sheet.process),
        ("quantity", number(sheet.quantity, 0)), ("way up in the file", sheet.orientation),
        ("off the platform", sheet.ejection or "not looked at"),
        ("revision", sheet.revision or "none stated"), ("date of issue", sheet.date),
        ("prepared for (legal owner)", sheet.prepared_for or "not stated"),
        ("made by", sheet.made_by), ("approved by, date and signature", ""),
    )
    cells = "".join(f"<div><dt>{escape(n)}</dt><dd>{escape(v)}</dd></div>" for n, v in fields)
    return f'<footer><h2>Title block</h2><dl class="title">{cells}</dl></footer>'


def _key() -> str:
    """What the colours and hatches of the drawings mean."""
    items = "".join(f"<li>{to_svg(f)}{escape(f.title)}</li>" for f in key_figures())
    return f'<ul class="key">{items}</ul>'


def _open(sheet: Sheet) -> str:
    rows = [(_number("air", r.number), _place(r.place, r.where), *_measured(r.measure, r.unit),
             _limit(r.limit), text_cell(r.reason), _picks("accept as it is", "change in CAD"))
            for r in sheet.open]
    shown = table("Open",
                  ("No.", "Place", "Measured", "", "Limit", "Why it is open", "Decision"), rows)
    return f'<div class="openbox">{shown}</div>' if rows else ""


def _changes(sheet: Sheet) -> str:
    rows = [(_number(r.op, r.number, r.edit), _place(r.place, r.where),
             *_measured(r.measure, r.unit), _limit(r.limit), text_cell(r.change),
             Cell(escape(r.why), "why"), _takes(r), _fails(r.fails, r.sure),
             Cell(escape(r.after or "none"), "work"),
             _picks("approve", "decline"))
            for r in sheet.changes]
    if not rows:
        none = "None: nothing prints over air as received." if sheet.clean else "None was found."
        return f"<section><h2>Changes</h2><p>{none}</p></section>"
    return table("Changes", ("No.", "Place", "Measured", "", "Limit", "Change", "Why this one",
                             "Plastic, time, price", "Fail, of a million", "Work after printing",
                             "Decision"), rows)


def _sections(sheet: Sheet) -> str:
    if not sheet.sections:
        return ""
    drawn = "".join(figure_html(f) for f in sheet.sections)
    return f'<section><h2>Sections</h2><div class="sections">{drawn}</div></section>'


def _ways_up(sheet: Sheet) -> str:
    drawn = "".join(figure_html(f) for f in sheet.ways_up)
    return f'<section class="ways">{drawn}</section>' if drawn else ""


def _risk(sheet: Sheet) -> str:
    told = "".join(f"<p>{escape(text)}</p>" for text in sheet.risk)
    return f"<section><h2>What fails all the same</h2>{told}</section>" if told else ""


def _number(kind: str, name: str, edit: str = "") -> Cell:
    small = f'<span class="small">{escape(edit)}</span>' if edit else ""
    return Cell(f'<span class="no {kind}">{escape(name)}</span>{small}')


def _place(place: str, where: str) -> Cell:
    return Cell(f'<div class="place">{escape(place)}<span class="small">{escape(where)}'
                 "</span></div>")


def _measured(measure: str, unit: str) -> tuple[Cell, Cell]:
    return Cell(escape(measure), "n m"), Cell(escape(unit), "u")


def _fails(fails: str, sure: str) -> Cell:
    small = f'<span class="small">{escape(sure)}</span>' if sure else ""
    return Cell(escape(fails) + small, "n")


def _takes(row: ChangeRow) -> Cell:
    """What a change takes, a line each: volume, mass, time, price."""
    lines = ((number(row.volume_mm3, 1, signed=True), "mm³"), (row.plastic, "g"), (row.time, "s"),
             (row.price, ""))
    return Cell("<br/>".join(f'{escape(value)} <span class="unit">{unit}</span>'
                             for value, unit in lines if value), "n")


def _limit(limit: str) -> Cell:
    return number_cell(limit)


def _picks(*words: str) -> Cell:
    return Cell("".join(f'<span class="pick"><span class="box"></span>{escape(w)}</span>'
                         for w in words))
