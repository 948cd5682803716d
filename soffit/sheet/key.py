"""What the colours and hatches of the drawings mean: one swatch each, drawn as they are."""

from __future__ import annotations

import numpy as np

from soffit.sheet.figure import Area, AreaKind, Figure, Stroke

WIDTH_MM, HEIGHT_MM = 8.0, 4.0

_KINDS: tuple[tuple[str, AreaKind], ...] = (
    ("over air", "air"), ("added", "added"), ("taken away", "removed"), ("prop", "prop"))


def key_figures() -> tuple[Figure, ...]:
    """A swatch for each kind of area, then the outline of a protected face."""
    ring = np.array([[0.4, 0.4], [WIDTH_MM - 0.4, 0.4], [WIDTH_MM - 0.4, HEIGHT_MM - 0.4],
                     [0.4, HEIGHT_MM - 0.4]])
    swatches = [_swatch(kind, name).plus(areas=(Area((ring,), kind, kind),))
                for name, kind in _KINDS]
    outline = Stroke(np.vstack([ring, ring[:1]]), "protected")
    return (*swatches, _swatch("protected", "protected face").plus(strokes=(outline,)))


def _swatch(key: str, name: str) -> Figure:
    return Figure(f"key-{key}", name, "", f"How {name} is drawn.", WIDTH_MM, HEIGHT_MM)
