"""One option tried on the mesh against one review of the whole part; at most 0.5 of it wanted.

A try applies the option, cuts the layers about it again and looks again at what differs there
(docs/decisions/0016-what-a-try-looks-at.md). The review beside it cuts all layers and looks at all.
"""

from __future__ import annotations

import statistics
import time

from bench.review import block
from soffit.findings.review import reviewed
from soffit.layers.stack import cut_layers
from soffit.plan.trials import Rules, State, attempt
from soffit.process.load import load_process
from soffit.remedies import all_options

REFINED = {"1e4": 2, "1e5": 6}


def run() -> None:
    """Print the time of a review, of a try, and their ratio."""
    process = load_process("pla-04")
    print("triangles  places  tries  review, ms  a try, ms (median)  ratio  longest try")
    for name, refined in REFINED.items():
        part = block(refined)
        begun = time.perf_counter()
        stack = cut_layers(part, process)
        found, look = reviewed(part, process, stack=stack)
        whole_s = time.perf_counter() - begun
        state = State(part, (), found, stack, look)
        rules = Rules(found, frozenset(), ())
        tries = []
        for finding in found.air:
            for option in all_options(state.context, finding)[0]:
                begun = time.perf_counter()
                attempt(state, option, "E1", rules)
                tries.append(time.perf_counter() - begun)
        middle = statistics.median(tries)
        print(f"{name:>9}{len(found.air):8d}{len(tries):7d}{1e3 * whole_s:12.0f}"
              f"{1e3 * middle:20.0f}{middle / whole_s:7.2f}{max(tries) / whole_s:13.2f}")
