"""Review and resolve every part of a folder of real parts by the command, as a Markdown table.

`SOFFIT_PARTS` names the folder, else `../shared/parts` beside the repository. Every file is
reviewed as drawn; the closed ones of a single body are also resolved with `--up auto`, and where
that takes props, once more with `--forbid prop`. A mesh that states no unit is taken as
millimetres. `SOFFIT_ONLY` is a pattern that chooses files,
`SOFFIT_HUNG_S` the seconds after which a command counts as hung (600). `SOFFIT_ONCE=1` leaves out
the resolutions without props.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import median
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
KINDS = {".step", ".stp", ".stl", ".3mf", ".obj", ".ply"}

# A command that takes longer counts as hung, s (from memory: what a user waits for at most).
HUNG_S = float(os.environ.get("SOFFIT_HUNG_S", "600"))
WORKERS = 2
ONCE = os.environ.get("SOFFIT_ONCE", "") == "1"

ON_REQUEST = True


@dataclass(frozen=True)
class Row:
    """What the two commands said of one file; `resolve` is None where it was not asked, `bare`, of
    a resolution without props, where the first one needs none or is not clean. `time_s`: of review
    and the first resolution."""

    name: str
    review: int | str
    report: dict[str, Any] | None
    resolve: int | str | None
    result: dict[str, Any] | None
    said: str
    time_s: float
    bare: int | str | None = None

    @property
    def props(self) -> int:
        """How many props the resolution has."""
        return sum(e["op"] == "prop" for e in self.result["edits"]) if self.result else 0


def parts_of(suite: str, folder: Path) -> tuple[Path, list[Path]]:
    """The folder that a suite looks at, `SOFFIT_PARTS` or the given one, and its parts, those that
    `SOFFIT_ONLY` names. Ends the bench where there are none."""
    folder = Path(os.environ.get("SOFFIT_PARTS") or folder)
    files = sorted(p for p in folder.rglob(os.environ.get("SOFFIT_ONLY", "*"))
                   if p.suffix.lower() in KINDS)
    if not files:
        sys.exit(f"bench {suite}: no parts in {folder}; set SOFFIT_PARTS to a folder of parts")
    return folder, files


def run() -> None:
    """Print the table and, below it, the sums."""
    folder, files = parts_of("corpus", ROOT.parent / "shared" / "parts")
    # The largest first, so that none is left to run alone at the end.
    files.sort(key=lambda p: (-p.stat().st_size, p))
    with ThreadPoolExecutor(WORKERS) as pool:
        rows = sorted(pool.map(lambda p: look_at(p, folder), files), key=lambda row: row.name)
    print("| file | review | over air, mm² | resolve | left, mm² | edits | no props | time, s |")
    print("|---|---|---|---|---|---|---|---|")
    for row in rows:
        print(line(row))
    print()
    for text in sums(rows):
        print(text)


def look_at(path: Path, folder: Path) -> Row:
    """Review one file and, where it is closed and of one body, resolve it."""
    begun = time.perf_counter()
    name = path.relative_to(folder).as_posix()
    code, report, said, unit = call_in_mm("review", path, [])
    resolved: int | str | None = None
    result = None
    if report is not None and report["part"]["closed"] and report["part"]["bodies"] == 1:
        with tempfile.TemporaryDirectory() as out:
            resolved, result, said = call(
                "resolve", path, [*unit, "--up", "auto", "--out", out]
            )
    row = Row(name, code, report, resolved, result, said, time.perf_counter() - begun)
    if row.resolve == 0 and row.props and not ONCE:
        with tempfile.TemporaryDirectory() as out:
            bare, _, _ = call(
                "resolve", path, [*unit, "--up", "auto", "--forbid", "prop", "--out", out]
            )
        row = replace(row, bare=bare)
    print(line(row), said if 3 in (code, resolved) else "", file=sys.stderr, flush=True)
    return row


def call_in_mm(
    verb: str, path: Path, options: list[str]
) -> tuple[int | str, dict[str, Any] | None, str, list[str]]:
    """As `call`; a file that states no unit is taken as millimetres, by the options named last."""
    code, report, said = call(verb, path, options)
    if code != 2 or "--unit" not in said:
        return code, report, said, []
    unit = ["--unit", "mm"]
    return *call(verb, path, [*options, *unit]), unit


def call(
    verb: str, path: Path, options: list[str]
) -> tuple[int | str, dict[str, Any] | None, str]:
    """Exit code (or "hung"), the JSON report if there is one, and the last line of stderr."""
    command = [sys.executable, "-m", "soffit", verb, str(path), "--format", "json", *options]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT
    ) as process:
        try:
            out, err = process.communicate(timeout=HUNG_S)
        except subprocess.TimeoutExpired:
            process.terminate()  # as a user's Ctrl-C: it cleans up
            process.communicate()
            return "hung", None, ""
    lines = err.strip().splitlines()
    report = json.loads(out) if process.returncode in (0, 1) else None
    return process.returncode, report, lines[-1] if lines else ""


def line(row: Row) -> str:
    """One row of the table."""
    before = after = edits = ""
    if row.report is not None:
        before = f"{row.report['totals']['over_air_mm2']:.1f}"
    if row.result is not None:
        before = f"{row.result['before']['totals']['over_air_mm2']:.1f}"
        after = f"{row.result['after']['totals']['over_air_mm2']:.1f}"
        counts = Counter(e["remedy"] for e in row.result["edits"])
        edits = ", ".join(f"{n} {name}" for name, n in sorted(counts.items()))
    resolved = "" if row.resolve is None else row.resolve
    bare = "" if row.bare is None else row.bare
    return (f"| {row.name} | {row.review} | {before} | {resolved} | {after} | {edits} | {bare} "
            f"| {row.time_s:.0f} |")


def sums(rows: list[Row]) -> Iterator[str]:
    """Exit codes counted, and the share of parts that resolve clean: of all, and by folder."""
    for verb, codes in (("review", Counter(r.review for r in rows)),
                        ("resolve", Counter(r.resolve for r in rows if r.resolve is not None))):
        counted = ", ".join(f"{n} × {code}" for code, n in sorted(codes.items(), key=str))
        yield f"- Exit codes of `{verb}`: {counted}."
    folders = sorted({row.name.split("/")[0] for row in rows if "/" in row.name})
    for folder in (["", *folders] if len(folders) > 1 else [""]):
        asked = [r for r in rows if r.resolve is not None and r.name.startswith(folder)]
        if asked:
            came = sum(r.resolve == 0 for r in asked)
            where = f" in `{folder}`" if folder else ""
            alone = [r for r in asked if r.resolve == 0 and (not r.props or r.bare == 0)]
            yield (f"- Closed parts of one body{where}: {len(asked)}; resolved to a clean verdict: "
                   f"{came}, {100 * came / len(asked):.0f} %; without a prop: "
                   f"{len(alone)}, {100 * len(alone) / len(asked):.0f} %.")
    clean = [r for r in rows if r.resolve == 0 and r.result is not None]
    changed = [r.result for r in clean if r.result is not None and r.result["edits"]]
    yield from medians(changed, [r.time_s for r in clean])


def medians(results: list[dict[str, Any]], seconds: list[float]) -> Iterator[str]:
    """What the parts that were changed and came clean took, in the middle."""
    if not results:
        return
    laid, volume, machine = [], [], []
    for result in results:
        costs = [e["cost"] for e in result["edits"]]
        laid.append(sum(c["plastic_mm3"] for c in costs))
        volume.append(100 * laid[-1] / result["before"]["part"]["volume_mm3"])
        machine.append(sum(c["machine_s"] for c in costs))
    yield (f"- Medians over the {len(results)} parts that were changed and came clean: plastic "
           f"added {median(laid):.0f} mm³ as laid, {median(volume):.1f} % of the part's volume; "
           f"machine time added {median(machine):.0f} s; review and resolve "
           f"{median(seconds):.0f} s.")
