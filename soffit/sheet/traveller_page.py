"""The floor traveller as HTML and as PDF, from one model."""

from __future__ import annotations

import datetime
from dataclasses import asdict
from html import escape
from pathlib import Path
from typing import Any

from soffit.production.first_article import Check
from soffit.sheet.figure import to_svg
from soffit.sheet.page import Cell, figure_html, number_cell, page, table, text_cell
from soffit.sheet.paper import Paper, upright
from soffit.sheet.traveller import Traveller, Work
from soffit.sheet.typeset import breakable, picture, shortened, typeset
from soffit.sheet.words import number

TEMPLATE = Path(__file__).with_name("traveller.typ")


def traveller_html(found: Traveller) -> str:
    """The page as HTML without any outside reference."""
    fields = (
        ("number, as of the change sheet", found.number), ("file as received", found.file),
        ("process", found.process), ("quantity", number(found.quantity, 0)),
        ("way up in the file", found.orientation), ("as produced, sha256", found.produced_hash),
        ("revision", found.revision or "none stated"), ("date of issue", found.date),
        ("made by", found.made_by),
        ("machine, operator", ""), ("first article passed: date and signature", ""),
        ("run started", ""), ("parts made, parts rejected", ""),
    )
    block = "".join(f"<div><dt>{escape(n)}</dt><dd>{escape(v)}</dd></div>" for n, v in fields)
    off = f" Off the platform: {found.ejection}." if found.ejection else ""
    stop = "" if found.clean else (
        f'<p class="verdict open">Do not run: {escape(found.verdict)}. '
        "<span>The change sheet says what is open.</span></p>")
    works = table("By hand, after printing", ("No.", "Edit", "What", "How", ""),
                  [(Cell(f'<span class="no">{escape(w.number)}</span>'), text_cell(w.edit),
                    text_cell(w.kind), text_cell(w.how), Cell(_picture(w), "pic"))
                   for w in found.works])
    if not works:
        works = ("<section><h2>By hand, after printing</h2><p>Nothing: no prop, nothing to drill "
                 "out.</p></section>")
    body = [
        f"<header><h1>{escape(found.title)}</h1>",
        f'<p class="under">Floor traveller {escape(found.number)}, {escape(found.date)}</p>',
        stop, "</header><main>",
        f'<div class="views">{"".join(figure_html(f) for f in found.figures)}</div>',
        f"<p><strong>Platform.</strong> {escape(found.platform)} {escape(found.takes)}"
        f"{escape(off)}</p>", '<div class="tables">',
        table("What the geometry relies on", ("Setting", "Value", "", "Why it must not differ"),
              [(text_cell(s.name), number_cell(s.value), text_cell(s.unit), text_cell(s.why))
               for s in found.settings]),
        f"<div>{works}<p><strong>Tumbling.</strong> {escape(found.tumbling)}</p></div>", "</div>",
        table("First article", ("No.", "Check", "With", "Nominal", "Within", "", "Measured"),
              [(Cell(f'<span class="no">{escape(c.id)}</span>'), text_cell(c.what),
                text_cell(c.how), number_cell(nominal(c)), number_cell(within(c)),
                text_cell(c.unit), text_cell("")) for c in found.checks]),
        f'<p class="small">Write what was measured into the record (CSV or JSON) '
        f"too; “soffit record” holds it against its limits. {escape(sources(found.checks))}</p>",
        "<section><h2>Cautions</h2>", '<ul class="cautions">',
        *(f"<li>{escape(c)}</li>" for c in found.cautions), "</ul></section></main>",
        f'<footer><dl class="title">{block}</dl></footer>',
    ]
    return page(f"{found.title} – floor traveller", "".join(body), upright=True)


def _picture(work: Work) -> str:
    return "" if work.picture is None else to_svg(work.picture)


def traveller_pdf(found: Traveller, paper: Paper = "a4") -> bytes:
    """The page as PDF, upright."""
    issued = datetime.date.fromisoformat(found.date)
    return typeset(TEMPLATE, lambda folder: _data(found, issued, paper, folder), issued,
                   f"the floor traveller of {found.file}")


def nominal(check: Check) -> str:
    """What is aimed at, as it is written."""
    return "" if check.nominal is None else f"{check.nominal:.2f}"


def within(check: Check) -> str:
    """The limits as they are written."""
    if check.low is None or check.high is None:
        return "yes" if check.unit == "yes/no" else ""
    if check.low == check.nominal == 0.0:
        return f"at most {check.high:.2f}"
    return f"{check.low:.2f} to {check.high:.2f}"


def sources(checks: tuple[Check, ...]) -> str:
    """Where the limits come from, each source once."""
    by: dict[str, list[str]] = {}
    for check in checks:
        ids = by.setdefault(check.source, [])
        if check.id[0] not in ids:
            ids.append(check.id[0])
    return "Limits: " + "; ".join(f"{', '.join(ids)}: {source}" for source, ids in by.items()) + "."


def _data(found: Traveller, issued: datetime.date, paper: Paper, folder: Path) -> dict[str, Any]:
    width, height = upright(paper)
    data = {name: value for name, value in vars(found).items()
            if name not in ("figures", "checks", "settings", "works")}
    return data | {
        "paper": {"width": width, "height": height},
        "year": issued.year, "month": issued.month, "day": issued.day,
        "figures": [picture(figure, folder) for figure in found.figures],
        "settings": [asdict(row) for row in found.settings],
        "works": [{"number": w.number, "edit": w.edit, "kind": w.kind, "how": w.how,
                   "picture": None if w.picture is None else picture(w.picture, folder)}
                  for w in found.works],
        "checks": [{"id": c.id, "what": breakable(shortened(c.what, 110)), "how": c.how,
                    "unit": c.unit, "nominal": nominal(c), "within": within(c)}
                   for c in found.checks],
        "sources": sources(found.checks),
        "title_text": breakable(shortened(found.title, 60)),
        "file_text": breakable(shortened(found.file, 80)),
        "revision_text": breakable(shortened(found.revision or "none stated", 30)),
        "process_text": breakable(shortened(found.process, 60)),
        "quantity_text": number(found.quantity, 0),
    }
