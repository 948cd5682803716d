"""The change sheet as one self-contained HTML page: for a desk, for a phone, for a printer.

It says what the PDF says, from the same data and with the same drawings as inline SVG. There is
no script and no outside reference. On a narrow screen each row of a ledger becomes a card whose
cells carry the names of their columns.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path

from soffit.sheet.figure import (
    ADDED,
    AIR,
    FONTS,
    INK,
    PAPER,
    PROP,
    REMOVED,
    RULE,
    SOFT,
    Figure,
    to_svg,
)
from soffit.sheet.key import key_figures
from soffit.sheet.ledger import number, parts_word
from soffit.sheet.model import Sheet

_FAMILY = ", ".join(f"'{f}'" if " " in f else f for f in FONTS)
STYLE = f"""
*{{box-sizing:border-box}}
html{{-webkit-text-size-adjust:100%}}
body{{background:{PAPER};color:{INK};font:15px/1.4 {_FAMILY};max-width:1320px;margin:0 auto;
padding:1.25rem 1.5rem 3rem;font-variant-numeric:lining-nums tabular-nums}}
h1{{font-size:1.6rem;line-height:1.2;margin:0 0 .2rem;overflow-wrap:anywhere}}
h2{{font-size:1.2rem;margin:1.8rem 0 .4rem}}
.under{{color:{SOFT};margin:0 0 .8rem;overflow-wrap:anywhere}}
.verdict{{font-weight:700;font-size:1.1rem;margin:.6rem 0 1rem;padding:.5rem .8rem;
border:1px solid {INK}}}
.verdict.open{{border-width:3px}}
.verdict span{{font-weight:400;font-size:.95rem}}
dl.title{{display:grid;grid-template-columns:repeat(auto-fit,minmax(11rem,1fr));margin:0;
border-top:1px solid {INK};border-left:1px solid {INK}}}
dl.title div{{border-right:1px solid {INK};border-bottom:1px solid {INK};padding:.3rem .6rem}}
dl.title dt{{color:{SOFT};font-size:.8rem}}
dl.title dd{{margin:0;overflow-wrap:anywhere;min-height:1.4em}}
table{{border-collapse:collapse;width:100%}}
th,td{{text-align:left;vertical-align:top;padding:.35rem .8rem .35rem 0;
border-bottom:1px solid {RULE};overflow-wrap:break-word}}
thead th{{border-bottom:2px solid {INK};font-size:.9rem}}
td.n,th.n{{text-align:right;white-space:nowrap}}
td.u{{white-space:nowrap}}
tr{{break-inside:avoid}}
.openbox{{border:3px solid {INK};padding:0 .8rem .4rem}}
.openbox h2{{margin-top:.6rem}}
.small{{color:{SOFT};font-size:.87rem;display:block}}
.place{{min-width:9rem}}
.no{{font-weight:700;white-space:nowrap}}
.air{{color:{AIR}}}.add{{color:{ADDED}}}.cut{{color:{REMOVED}}}.prop{{color:{PROP}}}
.box{{display:inline-block;width:.75em;height:.75em;border:1px solid {INK};margin-right:.4em}}
.pick{{display:block;white-space:nowrap}}
figure{{margin:0;break-inside:avoid;overflow-x:auto}}
figcaption{{font-weight:700}}
figcaption span{{font-weight:400;color:{SOFT};font-size:.87rem;margin-left:.5em}}
svg{{display:block;width:100%;height:auto}}
.views{{display:grid;grid-template-columns:120fr 120fr 136fr;gap:1rem}}
.sections{{display:grid;grid-template-columns:repeat(auto-fill,minmax(17rem,1fr));gap:1rem}}
.sections svg{{max-width:24rem}}
.ways{{margin:1.2rem 0}}
.ways svg{{max-width:64rem}}
.tables{{display:grid;grid-template-columns:repeat(auto-fit,minmax(25rem,1fr));gap:0 2.5rem;
align-items:start}}
.key{{display:flex;flex-wrap:wrap;gap:.2rem 1.4rem;list-style:none;padding:0;margin:.6rem 0 1rem;
font-size:.87rem}}
.key li{{display:flex;align-items:center;gap:.4em}}
.key svg{{width:2em}}
.cautions{{padding-left:1.2rem}}
@media (max-width:900px){{.views{{grid-template-columns:1fr}}}}
@media (max-width:640px){{
body{{padding:1rem}}
.by-height svg{{min-width:29rem}}
.tables{{grid-template-columns:1fr}}
.cards thead{{display:none}}
.cards,.cards tbody,.cards tr,.cards td{{display:block}}
.cards tr{{border-bottom:1px solid {INK};padding:.5rem 0}}
.cards td{{border:0;padding:.1rem 0;text-align:left;white-space:normal}}
.cards td.m,.cards td.u{{display:inline}}
.cards td.u::before{{content:" "}}
.cards td:empty{{display:none}}
.cards td[data-name]::before{{content:attr(data-name) ": ";color:{SOFT}}}
}}
@media print{{
@page{{size:A4 landscape;margin:12mm}}
body{{background:#fff;max-width:none;padding:0;font-size:9pt}}
.views{{grid-template-columns:120fr 120fr 136fr}}
h2{{break-after:avoid}}
.tables section{{break-inside:avoid}}
*{{-webkit-print-color-adjust:exact;print-color-adjust:exact}}
}}
"""

@dataclass(frozen=True)
class _Cell:
    """One cell: its HTML, and its class: "n" a number, "n m" one whose unit follows in the
    next cell, "u" such a unit."""

    html: str
    kind: str = ""


def write_html(sheet: Sheet, path: Path) -> None:
    """Write the sheet as HTML without any outside reference."""
    path.write_text(to_html(sheet), encoding="utf-8", newline="\n")


def to_html(sheet: Sheet) -> str:
    """The whole page; what stays open comes first."""
    body = [
        f"<header><h1>{escape(sheet.title)}</h1>",
        f'<p class="under">Change sheet {escape(sheet.number)}, {escape(sheet.date)}</p>',
        _verdict(sheet), "</header>", "<main>",
        f'<div class="views">{"".join(_figure(f) for f in sheet.views)}</div>',
        _key(), _open(sheet), _changes(sheet), _sections(sheet),
        _ways_up(sheet), '<div class="tables">',
        _table("Before and after", ("", "as received", "as produced", ""),
               [(_text(r.name), *map(_figure_cell, r.values), _text(r.unit))
                for r in sheet.measured]),
        _table(f"Estimate for {number(sheet.quantity, 0)} {parts_word(sheet.quantity)}",
               ("", "as received", "with slicer supports", "resolved", ""),
               [(_text(r.name), *map(_figure_cell, r.values), _text(r.unit))
                for r in sheet.estimate]),
        *(f"<section>{_figure(f)}</section>" for f in sheet.price),
        _table("Protected faces", ("Face", "Chosen by", "Moved, mm", "Allowed, mm", "Untouched"),
               [(_text(r.face), _text(r.selector), _figure_cell(f"{r.deviation_mm:.3f}"),
                 _figure_cell(f"{r.allowed_mm:.3f}"),
                 _text("yes") if r.untouched else _Cell("<strong>NO, CHANGED</strong>"))
                for r in sheet.protected]),
        _table("Limits used", ("Limit", "Value", "", "Source and grade"),
               [(_text(r.name), _figure_cell(r.value), _text(r.unit),
                 _text(r.source if r.grade in r.source else f"{r.source} ({r.grade})"))
                for r in sheet.limits]),
        _table("Also seen", ("No.", "Place", ""),
               [(_text(r.number), _text(r.place), _text(r.text)) for r in sheet.notes]),
        "</div>", "<section><h2>Cautions</h2>", '<ul class="cautions">',
        *(f"<li>{escape(c)}</li>" for c in sheet.cautions), "</ul></section>", "</main>",
        _title_block(sheet),
    ]
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"/>'
        '<meta name="viewport" content="width=device-width, initial-scale=1"/>'
        f"<title>{escape(sheet.title)} – change sheet</title>"
        f"<style>{STYLE}</style></head>\n<body>{''.join(body)}</body></html>\n"
    )


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
             _limit(r.limit), _text(r.reason), _picks("accept as it is", "change in CAD"))
            for r in sheet.open]
    table = _table("Open",
                   ("No.", "Place", "Measured", "", "Limit", "Why it is open", "Decision"), rows)
    return f'<div class="openbox">{table}</div>' if rows else ""


def _changes(sheet: Sheet) -> str:
    rows = [(_number(r.op, r.number, r.edit), _place(r.place, r.where),
             *_measured(r.measure, r.unit), _limit(r.limit), _text(r.change), _text(r.why),
             _figure_cell(number(r.volume_mm3, 1, signed=True)), _text(r.after or "none"),
             _picks("approve", "decline"))
            for r in sheet.changes]
    if not rows:
        none = "None: nothing prints over air as received." if sheet.clean else "None was found."
        return f"<section><h2>Changes</h2><p>{none}</p></section>"
    return _table("Changes", ("No.", "Place", "Measured", "", "Limit", "Change", "Why this one",
                              "Volume, mm³", "Work after printing", "Decision"), rows)


def _sections(sheet: Sheet) -> str:
    if not sheet.sections:
        return ""
    drawn = "".join(_figure(f) for f in sheet.sections)
    return f'<section><h2>Sections</h2><div class="sections">{drawn}</div></section>'


def _ways_up(sheet: Sheet) -> str:
    drawn = "".join(_figure(f) for f in sheet.ways_up)
    return f'<section class="ways">{drawn}</section>' if drawn else ""


def _figure(figure: Figure) -> str:
    return (f'<figure class="{escape(figure.key)}"><figcaption>{escape(figure.title)}'
            f"<span>{escape(figure.remark)}</span></figcaption>{to_svg(figure)}</figure>")


def _text(text: str) -> _Cell:
    return _Cell(escape(text))


def _figure_cell(text: str) -> _Cell:
    return _Cell(escape(text), "n")


def _number(kind: str, name: str, edit: str = "") -> _Cell:
    small = f'<span class="small">{escape(edit)}</span>' if edit else ""
    return _Cell(f'<span class="no {kind}">{escape(name)}</span>{small}')


def _place(place: str, where: str) -> _Cell:
    return _Cell(f'<div class="place">{escape(place)}<span class="small">{escape(where)}'
                 "</span></div>")


def _measured(measure: str, unit: str) -> tuple[_Cell, _Cell]:
    return _Cell(escape(measure), "n m"), _Cell(escape(unit), "u")


def _limit(limit: str) -> _Cell:
    return _figure_cell(limit)


def _picks(*words: str) -> _Cell:
    return _Cell("".join(f'<span class="pick"><span class="box"></span>{escape(w)}</span>'
                         for w in words))


def _table(heading: str, columns: Sequence[str], rows: Sequence[Sequence[_Cell]]) -> str:
    if not rows:
        return ""
    kinds = [cell.kind for cell in rows[0]]
    top = "".join(f'<th scope="col"{_class(kind)}>{escape(c)}</th>'
                  for c, kind in zip(columns, kinds, strict=True))
    body = "".join(
        "<tr>" + "".join(f"<td{_class(cell.kind)}{_name(name)}>{cell.html}</td>"
                         for name, cell in zip(columns, row, strict=True)) + "</tr>"
        for row in rows)
    # Wide ledgers fall apart into cards on a phone; small tables fit as they are.
    cards = ' class="cards"' if len(columns) > 5 else ""
    return (f"<section><h2>{escape(heading)}</h2><table{cards}><thead><tr>{top}</tr></thead>"
            f"<tbody>{body}</tbody></table></section>")


def _class(kind: str) -> str:
    return f' class="{kind}"' if kind else ""


def _name(column: str) -> str:
    return f' data-name="{escape(column)}"' if column not in ("", "No.", "Place") else ""
