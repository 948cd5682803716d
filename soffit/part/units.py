"""Units: what a file's numbers mean, who said so, and whether that is plausible."""

from __future__ import annotations

import math

from soffit.errors import InputError, UnitError
from soffit.part.model import FileNote, Vec3

MM_PER_UNIT = {"um": 0.001, "mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, "ft": 304.8}
"""Length of each unit in mm (ISO 80000-3; inch and foot by the 1959 agreement)."""

NAMES = {
    "um": ("um", "µm", "μm", "micron", "microns", "micrometer", "micrometre", "micrometers"),
    "mm": ("mm", "millimeter", "millimetre", "millimeters", "millimetres"),
    "cm": ("cm", "centimeter", "centimetre", "centimeters", "centimetres"),
    "m": ("m", "meter", "metre", "meters", "metres"),
    "in": ("in", "inch", "inches"),
    "ft": ("ft", "foot", "feet"),
}
_BY_NAME = {name: unit for unit, names in NAMES.items() for name in names}

SMALLEST_MM = 0.5
"""A part whose largest dimension is smaller is probably in another unit: it would be narrower
than two lines of 0.4 mm (derived: no slice of it could be printed)."""
LARGEST_MM = 2000.0
"""A part that is larger is probably in another unit (common practice, no source: few machines
for material extrusion are larger)."""
_USUAL_MM = (5.0, 500.0)
_MIDDLE_MM = 100.0
"""Largest dimension of most parts and of a common one (from memory); only to suggest a unit."""


def unit_named(name: str) -> str:
    """The short name of a unit given by any of its usual names.

    Raises InputError for a name that is not a unit of length known here.
    """
    unit = _BY_NAME.get(name.strip().lower()) if isinstance(name, str) else None
    if unit is None:
        raise InputError(f"unit {name!r} is not known: use one of {', '.join(MM_PER_UNIT)}")
    return unit


def size_text(size: Vec3, factor: float = 1.0) -> str:
    """Extents as a person reads them, for example "127 × 63.5 × 34.9"."""
    return " × ".join(f"{extent * factor:.4g}" for extent in size)


def settle_unit(stated: str | None, given: str | None, name: str, size: Vec3,
                by: str = "file") -> tuple[str, str]:
    """Which unit the numbers are in, and who stated it ("file", "object" or "option").

    `stated` is what the file or object says, `given` what the caller says, `size` the extents
    in the file's own numbers.

    Raises UnitError if nobody states a unit, InputError if the two disagree.
    """
    asked = None if given is None else unit_named(given)
    if stated is not None:
        if asked is not None and asked != stated:
            raise InputError(
                f"reading {name}: the {by} states the unit {stated}, but {asked} was asked for: "
                f"leave the unit out, or correct the {by}")
        return stated, by
    if asked is None:
        raise UnitError(
            f"reading {name}: it states no unit; it measures {size_text(size)} in its own numbers, "
            f"which is {size_text(size)} mm, or {size_text(size, 25.4)} mm if they are inches: "
            f"state the unit with --unit mm (or um, cm, m, in, ft)")
    return asked, "option"


def plausible_unit(largest: float) -> str | None:
    """The unit in which a largest dimension of `largest` numbers comes nearest to a usual part."""
    low, high = _USUAL_MM
    fitting = [unit for unit, factor in MM_PER_UNIT.items() if low <= largest * factor <= high]
    middle = math.log(_MIDDLE_MM)
    return min(fitting, default=None,
               key=lambda unit: abs(math.log(largest * MM_PER_UNIT[unit]) - middle))


def size_notes(size: Vec3, unit: str) -> tuple[FileNote, ...]:
    """A note where the size that the unit gives is not one of a part that can be printed.

    `size`: extents in the file's own numbers.
    """
    largest = max(size)
    largest_mm = largest * MM_PER_UNIT[unit]
    if SMALLEST_MM <= largest_mm <= LARGEST_MM:
        return ()
    better = plausible_unit(largest)
    hint = "" if better is None or better == unit else (
        f"; if its numbers were {better}, it would be {size_text(size, MM_PER_UNIT[better])} mm")
    word = "small" if largest_mm < SMALLEST_MM else "large"
    text = size_text(size, MM_PER_UNIT[unit])
    return (FileNote("file/unit", "marginal",
                     f"{text} mm with the unit {unit} is very {word} for a part{hint}: "
                     f"check the unit"),)
