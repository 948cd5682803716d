"""What a hole of this size, or a pattern of this pitch, may be for: the tables in `sizes.toml`."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

from soffit.part.features.model import Confidence, Reading, RoundHole, Section, Shape, Use

TABLES = Path(__file__).parent / "sizes.toml"

# A diameter this near to a listed one is that one (own limit: rounding of drawings).
EXACT_MM = 0.02

# A size at its limit may be beyond it by this (derived: half a hundredth, to which sizes are drawn
# and shown, so that facets do not decide).
_ROUND_MM = 0.005

# A depth may fall short of a limit, or pass it, by this (own limit: a quarter of a layer).
_DEPTH_MM = 0.05

# Holes of a flange are no further from its screw than this share of it: from a tap drill to a wide
# clearance (own limit).
_SCREW_SHARE = 0.3

# A seat's depth is the bearing's width to within this share (own limit).
_EXACT_DEPTH = 0.1

_SURE: tuple[Confidence, ...] = ("likely", "as listed", "near")

_TABLE_OF = {
    Use.THREAD: "threads",
    Use.CLEARANCE: "clearance",
    Use.PIN: "pins",
    Use.BEARING: "bearings",
    Use.INSERT: "inserts",
    Use.FLANGE: "flanges",
}


@dataclass(frozen=True)
class _Size:
    """A listed diameter: `what` uses it, `key` is what it is for whichever of its sizes fits."""

    key: str
    what: str
    diameter_mm: float
    least_mm: float = 0.0
    most_mm: float = math.inf
    width_mm: float = 0.0


@cache
def tables() -> dict[str, Any]:
    """The tables as the data file has them."""
    return tomllib.loads(TABLES.read_text(encoding="utf-8"))


@cache
def _sizes(use: Use) -> tuple[_Size, ...]:
    table = tables()[_TABLE_OF[use]]
    rows = table["rows"]
    least = table.get("least_depth", 0.0)
    if use is Use.THREAD:
        # H = sqrt(3)/2 P; minor diameter d - 2 * 5/8 H (ISO 68-1, ISO 724).
        return tuple(
            _Size(f"M{d:g}", f"M{d:g} × {p:g} thread, {drawn}", size, least * d)
            for d, p in rows
            for drawn, size in (("tap drill", d - p),
                                ("minor diameter", d - 1.25 * math.sqrt(0.75) * p)))
    if use is Use.CLEARANCE:
        return tuple(_Size(f"M{d:g}", f"M{d:g} screw, {series} series", size)
                     for d, *wide in rows
                     for series, size in zip(("fine", "medium", "coarse"), wide, strict=True))
    if use is Use.PIN:
        return tuple(_Size(f"{d:g}", f"{d:g} mm dowel pin", d, least * d) for d in rows)
    if use is Use.INSERT:
        return tuple(_Size(f"M{d:g}", f"M{d:g} heat-set insert", hole, length)
                     for d, hole, length in rows)
    return tuple(
        _Size(name, f"bearing {name} ({inner:g} × {outer:g} × {width:g})", outer, least * width,
              table["most_depth"] * width, width)
        for name, inner, outer, width in rows)


def with_readings(hole: RoundHole) -> RoundHole:
    """The hole with all that it may be, the surest first."""
    found = [r for section in _enterable(hole) for r in _section_readings(hole, section)]
    uses = {r.use for r in found}
    if len(uses) > 1:
        found = [replace(r, confidence="as listed") if r.confidence == "likely" else r
                 for r in found]
    order = list(Use)
    found.sort(key=lambda r: (_SURE.index(r.confidence), order.index(r.use),
                              round(abs(r.measured_mm - r.nominal_mm), 3), r.nominal_mm, r.what))
    return replace(hole, may_be=tuple(found))


def _enterable(hole: RoundHole) -> Iterator[Section]:
    """Cylindrical sections that nothing narrower bars on the way from an open end."""
    ways = (hole.sections, hole.sections[::-1]) if hole.through else (hole.sections,)
    seen: set[tuple[int, ...]] = set()
    for way in ways:
        free = math.inf
        for section in way:
            free = min(free, section.enter_mm, section.end_mm)
            wide = section.enter_mm <= free + 1e-6
            if not section.tapered and wide and section.faces not in seen:
                seen.add(section.faces)
                yield section


def _section_readings(hole: RoundHole, section: Section) -> Iterator[Reading]:
    diameter, depth = section.enter_mm, section.depth_mm
    screw = diameter <= hole.diameter_mm + 1e-6
    for use in (Use.THREAD, Use.CLEARANCE, Use.PIN, Use.BEARING, Use.INSERT):
        if use in (Use.THREAD, Use.CLEARANCE) and not screw:
            continue  # a wider step takes the screw's head
        if use is Use.CLEARANCE and not hole.through:
            continue  # a screw has nowhere to pass to
        table = tables()[_TABLE_OF[use]]
        under, over = table["under_mm"], table["over_mm"]
        nearest: dict[str, _Size] = {}
        for size in _sizes(use):
            off = diameter - size.diameter_mm
            fits = (-under - _ROUND_MM <= off <= over + _ROUND_MM
                    and size.least_mm <= depth + _DEPTH_MM and depth <= size.most_mm + _DEPTH_MM)
            best = nearest.get(size.key)
            if fits and (best is None or abs(off) < abs(diameter - best.diameter_mm)):
                nearest[size.key] = size
        for size in nearest.values():
            yield Reading(use, size.what, size.diameter_mm, diameter,
                          _confidence(use, hole, section, size), table["source"], table["grade"])


def _confidence(use: Use, hole: RoundHole, section: Section, size: _Size) -> Confidence:
    if abs(section.enter_mm - size.diameter_mm) > EXACT_MM:
        return "near"
    if use is not Use.BEARING:
        return "as listed"
    if abs(section.depth_mm - size.width_mm) > _EXACT_DEPTH * size.width_mm:
        return "near"
    # A bearing comes to rest on something.
    rests = not hole.through or section.enter_mm > hole.diameter_mm + 1e-6
    return "likely" if rests else "as listed"


def flange_readings(shape: Shape, size_mm: tuple[float, ...], hole: RoundHole
                    ) -> tuple[Reading, ...]:
    """What four equal holes in a square may be the flange of; `size_mm` are its sides.

    "likely" where the holes fit its screw too.
    """
    table = tables()[_TABLE_OF[Use.FLANGE]]
    if shape != "rectangle" or size_mm[0] - size_mm[1] > table["over_mm"]:
        return ()
    side = 0.5 * (size_mm[0] + size_mm[1])
    found = []
    for name, drawn, listed, screw in table["rows"]:
        measured = side if drawn == "square" else side * math.sqrt(2.0)
        plausible = abs(hole.diameter_mm - screw) <= _SCREW_SHARE * screw
        under, over = table["under_mm"] + _ROUND_MM, table["over_mm"] + _ROUND_MM
        if plausible and -under <= measured - listed <= over:
            fits = any(r.use in (Use.THREAD, Use.CLEARANCE) and r.what.startswith(f"M{screw:g} ")
                       for r in hole.may_be)
            found.append(Reading(Use.FLANGE, name, listed, measured,
                                 "likely" if fits else "near", table["source"],
                                 table["grade"]))
    return tuple(sorted(found, key=lambda r: (abs(r.measured_mm - r.nominal_mm), r.what)))
