"""What a cure is estimated at in the search for a way up, against what `resolve` makes of it.

For each part of a folder (`SOFFIT_PARTS`, else `examples`; `SOFFIT_ONLY` chooses files) its first
three ways up that stand and hang somewhere are resolved. `estimated` and `resolved`: what the cure
costs, what it is worth to have no props or bridges included. Told at the end: how many pairs of
ways up of a part come in the same order by either, and of how many parts the same one is best.
"""

from __future__ import annotations

import itertools
import time
from pathlib import Path

import soffit
from bench.corpus import ROOT, parts_of
from soffit.errors import SoffitError
from soffit.orient.choose import search
from soffit.plan.resolve import searched
from soffit.process.load import load_process

ON_REQUEST = True
WAYS = 3


def run() -> None:
    """Print the table."""
    _, files = parts_of("cures", ROOT / "examples")
    print("| file | up | over air, mm² | estimated | resolved | left, mm² | time, s |")
    print("|---|---|---|---|---|---|---|")
    agree = pairs = best = parts = 0
    for path in files:
        costs = ways(path)
        if len(costs) < 2:
            continue
        for one, other in itertools.combinations(costs, 2):
            pairs += 1
            agree += (one[0] < other[0]) == (one[1] < other[1])
        parts += 1
        best += min(costs)[1] == min(resolved for _, resolved in costs)
    print(f"- The same order of {agree} of {pairs} pairs, the same best of {best} of {parts}.")


def ways(path: Path) -> list[tuple[float, float]]:
    """Print the rows of one part; what it costs each way up, as estimated and as resolved."""
    process = load_process("pla-04")
    try:
        part = soffit.read(path, unit="mm" if path.suffix.lower() == ".stl" else None)
    except SoffitError as error:
        print(f"| {path.name} | | | | | | {error} |", flush=True)
        return []
    hanging = [o for o in search(part, process).finalists
               if o.stands and not o.roughly and not o.clean]
    costs = []
    for o in hanging[:WAYS]:
        begun = time.perf_counter()
        found = searched(part, process, up=o.up)
        up = ",".join(f"{v:.3g}" for v in o.up)
        print(f"| {path.name} | {up} | {o.over_air_mm2:.0f} | {o.cure_cost:.3f} | "
              f"{found.search.price:.3f} | {found.after.over_air_mm2:.1f} | "
              f"{time.perf_counter() - begun:.0f} |", flush=True)
        costs.append((o.cost, o.cost - o.cure_cost + found.search.price))
    return costs
