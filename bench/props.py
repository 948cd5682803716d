"""Props alone against block supports, on every closed part of a folder as drawn, as a table.

`SOFFIT_PARTS` names the folder, else `examples`; `SOFFIT_ONLY` and `SOFFIT_HUNG_S` as of the suite
`corpus`. Plastic and contact are shares of a block support in the same place (15 % of a solid
column, touching all of the place); at most 0.10 of either is wanted in the middle, and 0.20 of the
plastic for nineteen of twenty parts. `left`: over air in the files as written; `least`: posts or
ridges that a strip as wide as each place needs at least, ⌈S/B⌉ − 1 between two held ends, ⌈S/B⌉
from one, one at least, where B is the longest bridge (derived); `force`: what the strongest takes
to be broken off.
"""

from __future__ import annotations

import math
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np

from bench.corpus import ROOT, WORKERS, call_in_mm, parts_of

ON_REQUEST = True


def run() -> None:
    """Print the table and, below it, the middle and the 95th percentile."""
    folder, files = parts_of("props", ROOT / "examples")
    print("| file | exit | over air, mm² | left, mm² | props | ridges | least | plastic, mm³ | "
          "of block | contact, mm² | of block | gives, mm | force, N | time, s |")
    print("|---|---|---|---|---|---|---|---|---|---|---|---|---|---|")
    with ThreadPoolExecutor(WORKERS) as pool:
        shares = [s for s in pool.map(lambda p: look_at(p, folder), files) if s is not None]
    if shares:
        for k, what in enumerate(("plastic", "contact")):
            middle, most = np.percentile([s[k] for s in shares], [50, 95])
            print(f"- Share of the block's {what} over {len(shares)} parts with props: median "
                  f"{middle:.2f}, 95th percentile {most:.2f}.")


def look_at(path: Path, folder: Path) -> tuple[float, float] | None:
    """Print the row of one part; its shares of plastic and contact, None where it has no prop."""
    begun = time.perf_counter()
    with tempfile.TemporaryDirectory() as out:
        code, report, _, _ = call_in_mm("resolve", path, ["--only", "props", "--out", out])
    took = time.perf_counter() - begun
    name = path.relative_to(folder).as_posix()
    if report is None:
        print(f"| {name} | {code} | | | | | | | | | | | | {took:.0f} |", flush=True)
        return None
    over, left = (report[when]["totals"]["over_air_mm2"] for when in ("before", "after"))
    edits = [e for e in report["edits"] if "prop" in e]
    if not edits:
        print(f"| {name} | {code} | {over:.1f} | {left:.1f} | 0 | | | | | | | | | {took:.0f} |",
              flush=True)
        return None
    facts = [e["prop"] for e in edits]
    plastic, contact = sum(e["volume_mm3"] for e in edits), sum(f["contact_mm2"] for f in facts)
    shares = (plastic / sum(f["baseline_mm3"] for f in facts),
              contact / sum(f["baseline_contact_mm2"] for f in facts))
    give, force = (max(f[key] for f in facts) for key in ("give_mm", "force_n"))
    print(f"| {name} | {code} | {over:.1f} | {left:.1f} | {len(edits)} | "
          f"{sum(f['ridges'] for f in facts)} | {least(report)} | {plastic:.0f} | "
          f"{shares[0]:.2f} | {contact:.1f} | {shares[1]:.2f} | {give:.2f} | {force:.0f} | "
          f"{took:.0f} |", flush=True)
    return shares


def least(report: dict[str, Any]) -> int:
    """Ridges that the places over air need at least, each as a strip of its own."""
    bridge = report["before"]["process"]["bridge_mm"]
    needed = 0
    for found in report["before"]["findings"]:
        if found["kind"].startswith("air/") and found["severity"] != "note":
            span = found["span_mm"]
            wide = span if span is not None else found["reach_mm"] or 0.0
            needed += max(1, math.ceil(wide / bridge) - (span is not None))
    return needed
