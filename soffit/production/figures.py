"""The figures of an estimate as a reader sees them: words, unit and number."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

CASES = {
    "as_received": "as received",
    "slicer_supported": "with slicer supports",
    "resolved": "resolved",
}

# Words and unit of each figure, in the order in which they are shown.
_WORDS = {
    "plastic_mm3": ("Plastic, as laid", "mm³"),
    "plastic_g": ("Plastic, as laid", "g"),
    "thrown_away_g": ("of it thrown away", "g"),
    "time_s": ("Time to print", "s"),
    "machine_s": ("Time on the machine", "s"),
    "labour_s": ("Work by hand", "s"),
    "price_each": ("Price of each", ""),
    "run_plastic_kg": ("Plastic of the run", "kg"),
    "run_time_h": ("Machine time of the run", "h"),
}


@dataclass(frozen=True)
class FigureRow:
    """One figure of an estimate: `values` follow `CASES`, None where a case has none."""

    words: str
    unit: str
    decimals: int
    values: tuple[float | None, ...]

    @property
    def heading(self) -> str:
        """Words and unit."""
        return f"{self.words}, {self.unit}" if self.unit else self.words


def figure_rows(estimate: dict[str, dict[str, float]]) -> tuple[FigureRow, ...]:
    """The figures of an estimate side by side, each in a unit that reads well."""
    rows = []
    for name, (words, unit) in _WORDS.items():
        values = [estimate.get(case, {}).get(name) for case in CASES]
        if any(v is not None for v in values):
            rows.append(_row(words, unit, values))
    return tuple(rows)


def _row(words: str, unit: str, values: Sequence[float | None]) -> FigureRow:
    largest = max(abs(v) for v in values if v is not None)
    by = 1.0
    if unit == "s" and largest >= 7200.0:
        by, unit = 3600.0, "h"
    elif unit == "s" and largest >= 300.0:
        by, unit = 60.0, "min"
    largest /= by
    decimals = 0 if largest >= 10_000 or unit == "mm³" else 1 if largest >= 100 and unit else 2
    return FigureRow(words, unit, decimals, tuple(None if v is None else v / by for v in values))
