"""Options of one remedy at one place, told apart by their own words.

A remedy may have several things to offer for a place: ridges one way or the other, a crown cut
level or to a point. Each says in a sentence what it is; the first clause of it that no namesake
has too is what it is called by: "prop: 27 ridges on 20 posts". On a part that was changed meanwhile
the numbers of a clause may be others; then the one with the same words and the nearest numbers is
meant.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Protocol

_NUMBER = re.compile(r"\d+(?:\.\d+)?")
_BETWEEN = re.compile(r"[,;:] ")

# Between the name of a remedy and the words that tell which of its options is meant.
WORDS = ": "


class Described(Protocol):
    """What is looked at of an option: what it is called, its sentence, and what it takes."""

    @property
    def remedy(self) -> str: ...
    @property
    def why(self) -> str: ...
    @property
    def volume_mm3(self) -> float: ...


def parted(named: str) -> tuple[str, str]:
    """The name of a remedy and the words behind it, "" for none."""
    name, _, words = named.partition(WORDS)
    return name, words


def variants(options: Sequence[Described]) -> list[str]:
    """For each option of one place what tells it from those of the same remedy, "" where there
    are none."""
    found = []
    for option in options:
        others = [o for o in options if o.remedy == option.remedy and o is not option]
        taken = {clause for other in others for clause in _clauses(other)}
        own = [clause for clause in _clauses(option) if clause not in taken]
        # Where no clause is its own, all of them together say what they can.
        found.append("" if not others else own[0] if own else ", ".join(_clauses(option)))
    return found


def alike(words: str, options: Sequence[Described], near: bool = True) -> list[int]:
    """Which of some options these words mean: those that say just that, else, where `near` is
    asked for, the one that says it with other numbers, the nearest; none where none says it."""
    wanted = _split(words)
    exact = [k for k, o in enumerate(options) if set(wanted) <= set(_clauses(o))]
    if exact or not near:
        return exact
    far = [(_distance(wanted, _clauses(o)), k) for k, o in enumerate(options)]
    found = [(distance, k) for distance, k in far if distance is not None]
    return [min(found)[1]] if found else []


def _clauses(option: Described) -> list[str]:
    return [*_split(option.why), f"{option.volume_mm3:.2f} mm³"]


def _split(text: str) -> list[str]:
    return [clause for clause in _BETWEEN.split(text) if clause]


def _distance(wanted: Sequence[str], clauses: Sequence[str]) -> float | None:
    """How far the numbers of clauses are from those of others with the same words, each as a share
    of the larger; None where the words are not the same."""
    total = 0.0
    for one in wanted:
        same = [c for c in clauses if _NUMBER.sub("#", c) == _NUMBER.sub("#", one)]
        if not same:
            return None
        total += min(_apart(one, other) for other in same)
    return total


def _apart(a: str, b: str) -> float:
    pairs = zip(map(float, _NUMBER.findall(a)), map(float, _NUMBER.findall(b)), strict=True)
    return sum(abs(x - y) / max(x, y, 1e-9) for x, y in pairs)
