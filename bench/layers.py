"""How review grows with triangles and with layers; at most 2× bare work, n log n and 8 GB wanted.

The block of `bench.review` in ever finer facets, and at about 1e5 facets in ever finer layers,
each row in a fresh process. Bare work and review take turns, and the fastest of up to five runs
counts, in processor time: whatever else the machine does only adds. `growth` is d log t / d log n
of the review from the row above, with that of n log n beside it. `checks` is what the nine checks
of an unattended run take on top. Memory is the greatest of the process, the making of the block
included.
"""

from __future__ import annotations

import math
import multiprocessing
import sys
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from bench.review import bare, block
from soffit.findings.built import Built
from soffit.findings.review import CHECKS, review
from soffit.layers.stack import cut_layers, layer_tops
from soffit.process.load import load_process

# Each edge of the block cut in so many: about 1e4, 3e4, … 1e7 facets.
REFINED = (2, 4, 7, 11, 21, 36, 66)
MIDDLE = 7
LAYERS = (10, 30, 100, 300, 1000, 2000)
RUNS, ENOUGH_S = 5, 20.0
MOST_RATIO, MOST_GB = 2.0, 8.0
WIDE, HIGH = 60, 16


@dataclass(frozen=True)
class Row:
    """One block, cut in so many layers; `memory_gb` is None where it cannot be asked."""

    triangles: int
    layers: int
    bare_s: float
    review_s: float
    checks_s: float
    memory_gb: float | None


def run() -> None:
    """Both tables, each with its plot."""
    _show((_apart(refined, None) for refined in REFINED), lambda row: row.triangles, "triangles")
    _show((_apart(MIDDLE, layers) for layers in LAYERS), lambda row: row.layers, "layers")


def _apart(refined: int, layers: int | None) -> Row:
    context = multiprocessing.get_context("spawn")
    answer: multiprocessing.Queue[Row] = context.Queue()
    child = context.Process(target=_measure, args=(refined, layers, answer))
    child.start()
    while child.is_alive() and answer.empty():
        child.join(0.1)
    if answer.empty():
        sys.exit(f"bench layers: the process for {refined}, {layers} ended by itself")
    row = answer.get()
    child.join()
    return row


def _measure(refined: int, layers: int | None, answer: multiprocessing.Queue[Row]) -> None:
    part = block(refined)
    process = load_process("pla-04")
    if layers is not None:
        above = part.size_mm[2] - process.first_layer_mm
        process = process.thicker(above / (layers - 1) / process.layer_mm)
    ours = [_seconds(lambda: review(part, process))]
    memory = _peak_gb()
    kernel = [_seconds(lambda: bare(part, process))]
    while len(ours) < RUNS and sum(ours) + sum(kernel) < ENOUGH_S:
        ours.append(_seconds(lambda: review(part, process)))
        kernel.append(_seconds(lambda: bare(part, process)))
    stack = cut_layers(part, process)
    checks = _seconds(lambda: [c.check(built) for built in [Built(part, process, stack)]
                               for c in CHECKS])
    count = len(layer_tops(part.size_mm[2], process))
    answer.put(Row(len(part.mesh.triangles), count, min(kernel), min(ours), checks, memory))


def _seconds(work: Callable[[], object]) -> float:
    start = time.process_time()
    work()
    return time.process_time() - start


def _peak_gb() -> float | None:
    if sys.platform == "win32":
        return None
    import resource

    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / (1024**2 if sys.platform != "darwin" else 1024**3)


def _show(measured: Iterable[Row], size: Callable[[Row], int], name: str) -> None:
    rows: list[Row] = []
    print(f"  {'triangles':>10} {'layers':>6} {'bare':>9} {'review':>9} {'ratio':>6} {'growth':>6} "
          f"{'n log n':>7} {'checks':>9} {'memory':>8}")
    for row in measured:
        growth = allowed = ""
        if rows:
            n0, n1 = size(rows[-1]), size(row)
            doubled = math.log(n1 / n0)
            growth = f"{math.log(row.review_s / rows[-1].review_s) / doubled:.2f}"
            allowed = f"{1.0 + math.log(math.log(n1) / math.log(n0)) / doubled:.2f}"
        memory = "" if row.memory_gb is None else f"{row.memory_gb:.2f} GB"
        print(f"  {row.triangles:>10,} {row.layers:>6,} {row.bare_s:>8.3f}s {row.review_s:>8.3f}s "
              f"{row.review_s / row.bare_s:>5.2f}× {growth:>6} {allowed:>7} {row.checks_s:>8.3f}s "
              f"{memory:>8}", flush=True)
        rows.append(row)
    print(f"  wanted: ratio at most {MOST_RATIO:g}× at 1e6 triangles, growth no more than that of "
          f"n log n, {MOST_GB:g} GB at 1e7\n")
    print("\n".join(_plot(rows, size, name)) + "\n")


def _plot(rows: Sequence[Row], size: Callable[[Row], int], name: str) -> list[str]:
    """Seconds over `name`, both logarithmic, with n log n through the last review."""
    sizes = [size(row) for row in rows]
    times = [t for row in rows for t in (row.bare_s, row.review_s)]
    low, high = math.log(min(times)), math.log(max(times))
    left, right = math.log(sizes[0]), math.log(sizes[-1])
    grid = [[" "] * WIDE for _ in range(HIGH)]

    def mark(log_n: float, log_t: float, sign: str) -> None:
        x = round((log_n - left) / (right - left) * (WIDE - 1))
        y = round((log_t - low) / (high - low) * (HIGH - 1))
        if 0 <= y < HIGH:
            grid[HIGH - 1 - y][x] = sign

    for k in range(WIDE):
        log_n = left + (right - left) * k / (WIDE - 1)
        mark(log_n, math.log(rows[-1].review_s) + log_n - right + math.log(log_n / right), ".")
    for row, n in zip(rows, sizes, strict=True):
        mark(math.log(n), math.log(row.bare_s), "b")
        mark(math.log(n), math.log(row.review_s), "R")
    labels = {0: f"{max(times):.2f} s", HIGH - 1: f"{min(times):.2f} s"}
    lines = [f"  {labels.get(k, ''):>10} |{''.join(row)}" for k, row in enumerate(grid)]
    first, last = f"{sizes[0]:,}", f"{sizes[-1]:,} {name}"
    blank = " " * 13
    return [*lines, f"{blank}+{'-' * WIDE}", f"{blank} {first}{last:>{WIDE - len(first)}}",
            f"{blank} b bare, R review, . n log n"]
