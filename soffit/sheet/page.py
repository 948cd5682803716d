"""What the HTML pages have in common: style, tables, figures, and the frame of a page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

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

_FAMILY = ", ".join(f"'{f}'" if " " in f else f for f in FONTS)
STYLE = f"""
*{{box-sizing:border-box}}
html{{-webkit-text-size-adjust:100%}}
body{{background:{PAPER};color:{INK};font:15px/1.4 {_FAMILY};max-width:1560px;margin:0 auto;
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
thead th,thead td{{border-bottom:2px solid {INK};font-size:.9rem}}
td.n,th.n{{text-align:right}}
td.n{{white-space:nowrap}}
td.why{{min-width:14rem}}
td.work{{min-width:10rem}}
.unit{{color:{SOFT};font-size:.87rem;display:inline-block;min-width:1.9em;text-align:left}}
td.u{{white-space:nowrap}}
tr{{break-inside:avoid}}
td.pic{{width:40%;min-width:9rem}}
.openbox{{border:3px solid {INK};padding:0 .8rem .4rem}}
.openbox h2{{margin-top:.6rem}}
.small{{color:{SOFT};font-size:.87rem;display:block}}
.hash{{overflow-wrap:anywhere}}
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
.sections{{display:grid;grid-template-columns:repeat(auto-fill,minmax(min(26rem,100%),1fr));gap:1rem}}
.sections svg{{max-width:36rem}}
.price{{margin-top:1.2rem}}
.price svg{{max-width:34rem}}
.ways{{margin:1.2rem 0}}
.ways svg{{max-width:64rem}}
.tables{{columns:32rem;column-gap:2.5rem}}
.tables>*{{display:flow-root;break-inside:avoid}}
.key{{display:flex;flex-wrap:wrap;gap:.2rem 1.4rem;list-style:none;padding:0;margin:.6rem 0 1rem;
font-size:.87rem}}
.key li{{display:flex;align-items:center;gap:.4em}}
.key svg{{width:2em}}
.cautions{{padding-left:1.2rem}}
@media (max-width:1350px){{th,td{{padding-right:.5rem}}td.why{{min-width:10rem}}
td.work{{min-width:8rem}}}}
@media (max-width:900px){{.views{{grid-template-columns:1fr}}}}
@media screen and (max-width:640px){{
body{{padding:1rem}}
.by-height svg{{min-width:29rem}}
.tables th,.tables td{{font-size:.87rem;padding-right:.3rem;overflow-wrap:anywhere}}
.tables td.n{{white-space:normal}}
}}
@media screen and (max-width:1100px){{
.cards thead{{display:none}}
.cards,.cards tbody,.cards tr,.cards td{{display:block}}
.cards tr{{border-bottom:1px solid {INK};padding:.5rem 0}}
.cards td{{border:0;padding:.1rem 0;text-align:left;white-space:normal}}
.cards td.why,.cards td.work{{min-width:0}}
.cards td.m,.cards td.u{{display:inline}}
.cards td.u::before{{content:" "}}
.cards td:empty{{display:none}}
.cards td[data-name]::before{{content:attr(data-name) ": ";color:{SOFT}}}
}}
@media print{{
html{{font-size:9pt}}
body{{background:#fff;max-width:none;padding:0;font-size:1rem}}
.views{{grid-template-columns:120fr 120fr 136fr}}
h2{{break-after:avoid}}
dl.title{{break-inside:avoid}}
*{{-webkit-print-color-adjust:exact;print-color-adjust:exact}}
}}
"""


@dataclass(frozen=True)
class Cell:
    """One cell: its HTML, and its class: "n" a number, "n m" one whose unit follows in the
    next cell, "u" such a unit."""

    html: str
    kind: str = ""


def page(title: str, body: str, *, upright: bool = False) -> str:
    """A whole page without any outside reference; `upright`: how it is printed, on whatever paper
    there is."""
    sheet = f"@page{{size:{'portrait' if upright else 'landscape'};margin:12mm}}"
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"/>'
        '<meta name="viewport" content="width=device-width, initial-scale=1"/>'
        f"<title>{escape(title)}</title>"
        f"<style>{STYLE}{sheet}</style></head>\n<body>{body}</body></html>\n"
    )


def figure_html(figure: Figure) -> str:
    """A drawing with its heading and remark."""
    return (f'<figure class="{escape(figure.key)}"><figcaption>{escape(figure.title)}'
            f"<span>{escape(figure.remark)}</span></figcaption>{to_svg(figure)}</figure>")


def text_cell(text: str) -> Cell:
    """A cell of text."""
    return Cell(escape(text))


def number_cell(text: str) -> Cell:
    """A cell with a number."""
    return Cell(escape(text), "n")


def table(heading: str, columns: Sequence[str], rows: Sequence[Sequence[Cell]]) -> str:
    """A table under its heading; "" where it has no rows."""
    if not rows:
        return ""
    kinds = [cell.kind for cell in rows[0]]
    # A head without words is none.
    top = "".join(f'<th scope="col"{_class(kind)}>{escape(c)}</th>' if c else "<td></td>"
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
