"""The manual of remedies, from the docstring of each, beside that of the kinds of finding."""

from __future__ import annotations

import difflib
import inspect

from soffit.errors import InputError
from soffit.findings import explain as findings
from soffit.remedies import modules


def remedies() -> list[str]:
    """All remedies, in the order of preference."""
    return [module.NAME for module in modules()]


def topics() -> list[str]:
    """All that `explain` knows: kinds of finding, then remedies."""
    return [*findings.kinds(), *remedies()]


def explain(topic: str) -> str:
    """What a kind of finding means, or what a remedy does; a variant is explained by its remedy
    ("roof leaving a bridge" by "roof").

    Raises InputError for what is neither, naming the nearest.
    """
    if topic in findings.kinds():
        return findings.explain(topic)
    for module in modules():
        if topic == module.NAME or topic.startswith(f"{module.NAME} "):
            return f"{module.NAME}\n\n{inspect.cleandoc(module.__doc__ or '')}\n"
    near = difflib.get_close_matches(topic, topics(), n=1, cutoff=0.3)
    hint = f"; did you mean {near[0]}?" if near else ""
    raise InputError(
        f"explain {topic}: no such kind of finding or remedy{hint} Known: {', '.join(topics())}")
