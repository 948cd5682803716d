"""What a part takes on the machine, from its paths, against one review of the same part.

At most 3 times the review is wanted at 10⁶ triangles. Beside it: the moves that are timed.
"""

from __future__ import annotations

import time

from bench.review import REFINED, block
from soffit.findings.review import review
from soffit.layers.paths import paths_of
from soffit.layers.stack import cut_layers
from soffit.process.load import load_process
from soffit.production.making import making


def run() -> None:
    """Print the table."""
    process = load_process("pla-04")
    print("triangles  review, s  making, s  ratio    moves")
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
