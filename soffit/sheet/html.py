"""The change sheet as one self-contained HTML page."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from pathlib import Path

from soffit.sheet.figure import Figure, to_svg
from soffit.sheet.model import Sheet

STYLE = """
body{background:#fbfaf6;color:#1c1c1c;font:14px/1.45 Georgia,'Liberation Serif',serif;
max-width:1200px;margin:2rem auto;padding:0 1.5rem}
h1{font-size:1.5rem;margin:0}h2{font-size:1.1rem;margin:2rem 0 .5rem}
.verdict{font-weight:bold;border:2px solid #1c1c1c;padding:.4rem .8rem;display:inline-block}
table{border-collapse:collapse;width:100%}th,td{text-align:left;vertical-align:top;
padding:.3rem .6rem .3rem 0;border-bottom:1px solid #bbb}th{border-bottom:2px solid #1c1c1c}
td.n{text-align:right;font-variant-numeric:tabular-nums}
figure{margin:0;break-inside:avoid}figcaption{color:#555}svg{max-width:100%;height:auto}
.figures{display:grid;grid-template-columns:repeat(auto-fit,minmax(320px,1fr));gap:1.5rem}
@media print{body{background:#fff;margin:0}}
"""


def write_html(sheet: Sheet, path: Path) -> None:
    """Write the sheet as HTML without any outside reference."""
    path.write_text(to_html(sheet), encoding="utf-8")


def to_html(sheet: Sheet) -> str:
    """The whole page; open findings come first."""
    e = escape
    title = (
        ("file", sheet.file), ("revision", sheet.revision), ("prepared for", sheet.prepared_for),
        ("date", sheet.date), ("process", sheet.process), ("quantity", f"{sheet.quantity:,}"),
        ("way up", sheet.orientation), ("as received", sheet.received_hash),
        ("as produced", sheet.produced_hash),
    )
    body = [
        f"<h1>{e(sheet.title)}</h1><p class=verdict>{e(sheet.verdict)}</p>",
        _table("", (), [row for row in title if row[1]]),
        _table("Still open", ("No.", "Place", "Where", "Measured", "Limit", "Why it is open"),
               [(r.number, r.place, r.where, r.measure, r.limit, r.reason) for r in sheet.open]),
        _figures("Views", sheet.views),
        _table("Changes",
               ("No.", "Place", "Where", "Measured", "Limit", "Change", "Why", "mm³", "After",
                "Decision"),
               [(r.number, r.place, r.where, r.measure, r.limit, r.change, r.why,
                 f"{r.volume_mm3:.1f}", r.after, "☐ approve ☐ decline") for r in sheet.changes]),
        _figures("Sections", sheet.sections),
        _table("Protected faces", ("Face", "Selected by", "Deviation mm", "Allowed mm", "Untouched"),  # noqa: E501
               [(r.face, r.selector, f"{r.deviation_mm:.3f}", f"{r.allowed_mm:.3f}",
                 "yes" if r.untouched else "NO") for r in sheet.protected]),
        _table("Before and after", ("", "as received", "as produced", "unit"),
               [(r.name, *r.values, r.unit) for r in sheet.measured]),
        _table("Estimate", ("", "as received", "with supports", "resolved", "unit"),
               [(r.name, *r.values, r.unit) for r in sheet.estimate]),
        _table("Limits used", ("Limit", "Value", "Unit", "Source", "Grade"),
               [(r.name, r.value, r.unit, r.source, r.grade) for r in sheet.limits]),
        _table("Notes", ("No.", "Place", "Note"),
               [(r.number, r.place, r.text) for r in sheet.notes]),
        "<h2>Cautions</h2><ul>" + "".join(f"<li>{e(c)}</li>" for c in sheet.cautions) + "</ul>",
    ]
    return (
        f"<!doctype html><html lang=en><meta charset=utf-8><title>{e(sheet.title)}</title>"
        f"<style>{STYLE}</style><body>{''.join(body)}</body></html>\n"
    )


def _figures(heading: str, figures: Sequence[Figure]) -> str:
    if not figures:
        return ""
    drawn = "".join(
        f"<figure>{to_svg(f)}<figcaption>{escape(f.title)}</figcaption></figure>" for f in figures
    )
    return f"<h2>{escape(heading)}</h2><div class=figures>{drawn}</div>"


def _table(heading: str, columns: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    if not rows:
        return ""
    head = f"<h2>{escape(heading)}</h2>" if heading else ""
    top = "".join(f"<th scope=col>{escape(c)}</th>" for c in columns)
    body = "".join(
        "<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in rows
    )
    return f"{head}<table>{f'<tr>{top}</tr>' if top else ''}{body}</table>"
