"""Faces of recognised features, and how the user names them.

    features                             the holes and patterns that fit some use
    threads, pins, bearing seats, …      all that may be one (see `NAMES`)
    hole near 10,20,5                    the round hole whose middle is nearest to a point of
                                         the file's frame; likewise `pattern near` and
                                         `mating face near`
"""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np

from soffit.errors import SelectorError
from soffit.part.features.model import Feature, Features, HolePattern, MatingFace, RoundHole, Use
from soffit.part.features.recognise import recognise
from soffit.part.model import Part
from soffit.part.place import in_file

ALL = "features"

# What each selector of a class takes, of whatever is recognised.
NAMES = (*(use.value for use in Use), "round holes", "hole patterns", "mating faces")

_KINDS: dict[str, type[Feature]] = {
    "hole": RoundHole, "pattern": HolePattern, "mating face": MatingFace,
}
_NUMBER = r"[-+]?\d*\.?\d+(?:e[-+]?\d+)?"
_NEAR = re.compile(rf"({'|'.join(_KINDS)})\s+near\s+({_NUMBER}),({_NUMBER}),({_NUMBER})$")


def names_features(text: str) -> bool:
    """Whether a selector in lower case is one of those above."""
    return text == ALL or text in NAMES or _NEAR.match(text) is not None


def feature_faces(part: Part, selector: str, text: str) -> tuple[int, ...]:
    """Ids of the faces that a selector names; `text` is it in lower case with single blanks.

    Raises SelectorError if the part has no such feature.
    """
    found = recognise(part)
    if near := _NEAR.match(text):
        return _nearest(part, found, selector, near).faces
    chosen: Sequence[Feature] = [f for f in found.all if text in classes(f)]
    if text == ALL:
        chosen = [f for f in found.all if f.protect]
    if not chosen:
        raise SelectorError(f"--protect '{selector}': none was recognised; {_there(part, found)}")
    return tuple(sorted({face for f in chosen for face in f.faces}))


def classes(feature: Feature) -> tuple[str, ...]:
    """The class selectors that take a feature, in the order of `NAMES`."""
    if isinstance(feature, MatingFace):
        return ("mating faces",)
    uses = {reading.use.value for reading in feature.may_be}
    own = "hole patterns" if isinstance(feature, HolePattern) else "round holes"
    return tuple(name for name in NAMES if name in uses or name == own)


def selector_of(part: Part, feature: Feature) -> str:
    """A selector that names this feature of the part, also in the part's next revision."""
    kind = next(name for name, made in _KINDS.items() if isinstance(feature, made))
    at = in_file(part, feature.at_mm)
    return f"{kind} near " + ",".join(f"{round(v, 2) + 0.0:.10g}" for v in at)


def _nearest(part: Part, found: Features, selector: str, near: re.Match[str]) -> Feature:
    own = [f for f in found.all if isinstance(f, _KINDS[near[1]])]
    if not own:
        raise SelectorError(f"--protect '{selector}': none was recognised; {_there(part, found)}")
    point = np.array([float(near[k]) for k in (2, 3, 4)])
    away = [np.linalg.norm(np.asarray(in_file(part, f.at_mm)) - point) for f in own]
    return own[int(np.argmin(np.round(away, 6)))]


def _there(part: Part, found: Features) -> str:
    """What was recognised, for a selector that names none of it."""
    if not part.closed:
        return "the surface is not closed, so nothing can be recognised"
    counts = ((name, sum(name in classes(f) for f in found.all)) for name in NAMES)
    there = ", ".join(f"{name} ({count})" for name, count in counts if count)
    return f"on the part: {there}" if there else "the part has no round hole"
