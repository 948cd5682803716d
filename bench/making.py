"""What a part takes on the machine, from its paths, against one review of the same part.

First, for each example, its time by plastic over flow and by paths. Then paths against a review of
the same part: at most 3 times is wanted at 10⁶ triangles. Beside it: the moves that are timed.
"""

from __future__ import annotations

import time

import soffit
from bench.corpus import ROOT
from bench.review import REFINED, block
from soffit.findings.review import review
from soffit.layers.paths import paths_of
from soffit.layers.stack import cut_layers
from soffit.process.deposit import print_time_s
from soffit.process.load import load_process
from soffit.production.making import making
from soffit.production.run import PLAYS, lead, park_of


def run() -> None:
    """Print the table."""
    process = load_process("pla-04")
    print("example              by flow, s  by paths, s  ratio")
    for path in sorted((ROOT / "examples").glob("*.st*")):
        part = soffit.place(soffit.read(path, unit="mm" if path.suffix == ".stl" else None))
        made = making(cut_layers(part, process), process)
        plain_s, paths_s = print_time_s(made.plastic_mm3, process), float(made.time_s.sum())
        print(f"{path.stem:<20}{plain_s:12.0f}{paths_s:13.0f}{paths_s / plain_s:7.2f}", flush=True)
    begun = time.perf_counter()
    lead(100_000, 0.75, 0.995, park_of(process, 20))
    print(f"\n100,000 parts on 20 machines, {PLAYS} plays: {time.perf_counter() - begun:.2f} s")
    print("\ntriangles  review, s  making, s  ratio    moves")
    for name, refined in REFINED.items():
        part = block(refined)
        begun = time.perf_counter()
        stack = cut_layers(part, process)
        review(part, process, stack=stack)
        review_s = time.perf_counter() - begun
        begun = time.perf_counter()
        making(cut_layers(part, process), process)
        making_s = time.perf_counter() - begun
        moves = len(paths_of(stack, process).layer)
        print(f"{name:>9}{review_s:11.2f}{making_s:11.2f}{making_s / review_s:7.2f}{moves:9,d}",
              flush=True)
