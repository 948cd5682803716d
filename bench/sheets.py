"""A change sheet and floor traveller of every part of a folder of real parts, as a Markdown table.

`SOFFIT_PARTS` names the folder, else `../shared/parts` beside the repository; `SOFFIT_ONLY` is a
pattern that chooses files, `SOFFIT_HUNG_S` the seconds after which a part counts as hung (600).
Remedies are limited to those of `SOFFIT_REMEDIES` (chamfer), which is quick and leaves places
open, so that every kind of row is drawn. Each part is worked on in a process of its own. The
columns: edits and open places; seconds for the drawings of the sheet, and for all of it and the
traveller in both forms; kB of the largest file; pages on A3, A4 and Letter; overlaps: of words and
balloons with each other, the drawing and the frame, on all three.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import soffit
from bench.corpus import ROOT, parts_of
from soffit.errors import InputError, UnitError
from soffit.production.first_article import first_article
from soffit.sheet.build import build_sheet
from soffit.sheet.html import to_html
from soffit.sheet.paper import PAPERS
from soffit.sheet.pdf import to_pdf
from soffit.sheet.traveller import build_traveller
from soffit.sheet.traveller_page import traveller_html, traveller_pdf

HUNG_S = float(os.environ.get("SOFFIT_HUNG_S", "600"))
REMEDIES = os.environ.get("SOFFIT_REMEDIES", "chamfer").split(",")

ON_REQUEST = True


def run() -> None:
    """Print the table, and below it what is wrong, part by part."""
    folder, files = parts_of("sheets", ROOT.parent / "shared" / "parts")
    print("| file | edits | open | drawn, s | all, s | kB | pages | overlaps |")
    print("|---|---|---|---|---|---|---|---|")
    wrong: list[str] = []
    for path in files:
        name = path.relative_to(folder).as_posix()
        try:
            done = subprocess.run([sys.executable, "-m", "bench.sheets", str(path)], cwd=ROOT,
                                  capture_output=True, text=True, timeout=HUNG_S)
        except subprocess.TimeoutExpired:
            print(f"| {name} | hung | | | | | | |", flush=True)
            wrong.append(f"{name}: hung")
            continue
        if done.returncode:
            said = (done.stderr.strip().splitlines() or ["no word"])[-1]
            print(f"| {name} | {said} | | | | | | |", flush=True)
            wrong.append(f"{name}: {said}")
            continue
        row = json.loads(done.stdout)
        print(f"| {name} | " + " | ".join(map(str, row["cells"])) + " |", flush=True)
        wrong += [f"{name}: {fault}" for fault in row["faults"]]
    print(f"\n- Wrong: {len(wrong) or 'nothing'}.")
    for text in wrong:
        print(f"  - {text}")


def look_at(path: Path) -> dict[str, object]:
    """The cells of one part, and its faults."""
    from tests.overlaps import page_faults, sheet_faults

    try:
        try:
            part = soffit.read(path)
        except UnitError:
            part = soffit.read(path, unit="mm")
    except InputError as error:
        said = " ".join(str(error).split()).replace(str(path), path.name)
        return {"cells": [f"refused: {said}", "", "", "", "", "", ""], "faults": []}
    result = soffit.resolve(part, "pla-04", only=REMEDIES, quantity=1000)
    begun = time.perf_counter()
    sheet = build_sheet(result, title=path.stem)
    drawn_s = time.perf_counter() - begun
    pdfs = {paper: to_pdf(sheet, paper) for paper in PAPERS}
    traveller = build_traveller(result, first_article(result), title=path.stem)
    files = [*pdfs.values(), to_html(sheet).encode(), traveller_html(traveller).encode(),
             traveller_pdf(traveller)]
    whole_s = time.perf_counter() - begun
    faults = sheet_faults(sheet)
    faults += [f"{paper}: {fault}" for paper, pdf in pdfs.items()
               for fault in page_faults(pdf, paper)]
    pages = "/".join(str(_pages(pdf)) for pdf in pdfs.values())
    if _pages(files[-1]) != 1:
        faults.append(f"the traveller has {_pages(files[-1])} pages")
    return {"cells": [len(sheet.changes), len(sheet.open), f"{drawn_s:.1f}", f"{whole_s:.1f}",
                      max(map(len, files)) // 1000, pages, len(faults)], "faults": faults}


def _pages(pdf: bytes) -> int:
    from tests.overlaps import words_of

    return len(words_of(pdf))


if __name__ == "__main__":
    print(json.dumps(look_at(Path(sys.argv[1]))))
