"""Seconds a change sheet, and a floor traveller, of a part with some 300 faces; against one view.

The part is drawn here: a wall with a shelf, and blind pockets from above until it has 300 faces and
more. It is resolved once. Times are the least of some runs; the ratio is to one view of the same
part with its hidden lines by the B-rep kernel, in the same run, so that figures of different
machines compare: a sheet has four such views.
"""

from __future__ import annotations

import datetime
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import soffit
from examples._cad import Drawing, box, cut, fuse, write_step
from soffit.production.first_article import first_article
from soffit.sheet.build import build_sheet
from soffit.sheet.html import to_html
from soffit.sheet.pdf import to_pdf
from soffit.sheet.project import project
from soffit.sheet.traveller import build_traveller
from soffit.sheet.traveller_page import traveller_pdf
from soffit.sheet.view import below

RUNS = 3
ROWS, COLUMNS = 4, 15  # pockets of five faces each, beside those of wall and shelf
ISSUED = datetime.date(2026, 11, 30)


def run() -> None:
    """Print the table."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "pockets.step"
        write_step(Drawing(_part()), path, "pockets")
        part = soffit.place(soffit.read(path))
    result = soffit.resolve(part, "pla-04", quantity=1000)
    faces = len(result.produced.faces)
    reference = _least(lambda: project(result.produced, below(30.0)))
    sheet = build_sheet(result, title="pockets", date=ISSUED)
    checks = first_article(result)
    traveller = build_traveller(result, checks, title="pockets", date=ISSUED)
    print(f"  {faces} faces, {len(result.edits)} edits; one view {reference:.2f} s")
    print(f"  {'':<26}{'s':>7}{'of a view':>13}{'kB':>7}")
    rows: tuple[tuple[str, Callable[[], object], int], ...] = (
        ("sheet: drawings", lambda: build_sheet(result, title="pockets", date=ISSUED), 0),
        ("sheet: PDF", lambda: to_pdf(sheet), len(to_pdf(sheet))),
        ("sheet: HTML", lambda: to_html(sheet), len(to_html(sheet).encode())),
        ("traveller: drawings", lambda: build_traveller(result, checks, title="pockets"), 0),
        ("traveller: PDF", lambda: traveller_pdf(traveller), len(traveller_pdf(traveller))),
    )
    whole = 0.0
    for name, made, size in rows:
        seconds = _least(made)
        whole += seconds if name.startswith("sheet") else 0.0
        kilo = f"{size / 1000:7.0f}" if size else ""
        print(f"  {name:<26}{seconds:7.2f}{seconds / reference:13.1f}{kilo}", flush=True)
    print(f"  {'sheet, all of it':<26}{whole:7.2f}{whole / reference:13.1f}")


def _part() -> object:
    """The drawing."""
    body = fuse(box((0, 0, 0), (6, 80, 40)), box((0, 0, 26), (40, 80, 40)))
    pockets = [box((3 + 9 * row, 3 + 5.2 * column, 34), (9 + 9 * row, 6 + 5.2 * column, 41))
               for row in range(ROWS) for column in range(COLUMNS)]
    for pocket in pockets:
        body = cut(body, pocket)
    return body


def _least(work: Callable[[], object]) -> float:
    found = []
    for _ in range(RUNS):
        begun = time.perf_counter()
        work()
        found.append(time.perf_counter() - begun)
    return min(found)
