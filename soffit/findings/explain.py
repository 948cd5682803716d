"""The manual of each finding kind, from the docstring of its check."""

from __future__ import annotations

import difflib
import inspect

from soffit.errors import InputError
from soffit.findings import file_notes
from soffit.findings.review import CHECKS, JUDGES


def kinds() -> list[str]:
    """All finding kinds, sorted."""
    return sorted([m.KIND for m in (*JUDGES.values(), *CHECKS)] + list(file_notes.MANUAL))


def explain(kind: str) -> str:
    """What a kind means, how it is measured and what cures it.

    Raises InputError for an unknown kind, naming the nearest.
    """
    for module in (*JUDGES.values(), *CHECKS):
        if kind == module.KIND:
            return f"{kind}\n\n{inspect.cleandoc(module.__doc__ or '')}\n"
    if kind in file_notes.MANUAL:
        return f"{kind}\n\n{file_notes.MANUAL[kind]}\n"
    near = difflib.get_close_matches(kind, kinds(), n=1, cutoff=0.3)
    hint = f"; did you mean {near[0]}?" if near else ""
    raise InputError(f"explain {kind}: no such kind{hint} Known: {', '.join(kinds())}")
