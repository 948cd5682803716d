"""How a ridge stands: on one body as long as itself, or on posts that open into fans.

Everything that is printed must lie within a step of what is below it, so a wall may lean out to
both sides along itself until it meets its neighbour's: below a height of half their distance a
ridge needs no wall, but posts alone. Few posts with high fans or many with low ones, slim or wide:
the set of least plastic is taken whose tip gives by no more than half a line to the nozzle while
each post still stands by itself and, when it is snapped off by its foot, breaks at its tip.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from soffit.process.model import Process
from soffit.remedies.prop_sections import Sections, give_mm
from soffit.remedies.prop_shape import SOLE_LAYERS, House
from soffit.remedies.prop_site import SOLES_MM
from soffit.remedies.prop_strength import Strength, strength_of, tip_nmm

# Widths and lengths of a post's outline that are tried, mm (common practice, no source).
POSTS_MM = (1.6, 2.0, 2.4, 3.2, 4.0, 5.0, 6.0, 8.0, 11.0)

# Widths of a contact on the part that are tried where the narrowest that holds makes the post too
# weak, mm (common practice, no source; wider ones do not break off by hand).
CONTACTS_MM = (1.0, 1.5, 2.0, 2.5, 3.0)

# Posts of one ridge at most (derived: of a ridge of 100 mm, 8 mm apart).
MOST_POSTS = 12

# Lowest post below a fan, mm (derived: the two layers of its sole, and as much above).
LEAST_POST_MM = 0.8


@dataclass(frozen=True)
class Posts:
    """A way for the ridge of a house to stand: `count` houses like `one`, by how much a tip gives,
    mm, the plastic, and what each bears."""

    ridge: House
    one: House
    count: int
    pitch_mm: float
    give_mm: float
    plastic_mm3: float
    strength: Strength

    @cached_property
    def houses(self) -> tuple[House, ...]:
        """They, side by side under the whole ridge."""
        middle, along = 0.5 * (self.count - 1), self.ridge.along
        return tuple(
            replace(self.one, line=self.one.line + (k - middle) * self.pitch_mm * along)
            for k in range(self.count))


def posts(
    house: House, process: Process, contact_mm: Callable[[float], float | None]
) -> list[Posts]:
    """Ways for the ridge of a house to stand on posts, least plastic first, all that are stiff
    enough. `contact_mm`: width of the contact on the part of a post of so much length, None on the
    platform, infinite where it would not break off by hand."""
    found = []
    for count in range(1, MOST_POSTS + 1):
        for sizes in _alike(house, count, process, contact_mm):
            for one in sizes:
                sections = Sections.of(one, process)
                give = give_mm(sections, 0.5 * one.ridge, process)
                if give > process.give_mm:
                    continue
                head = one.fan_mm(process) + process.layer_mm
                strength = strength_of(sections, tip_nmm(one.ridge, process), head, process)
                if strength.comes_off(process):
                    plastic = count * (sections.plastic_mm3 + sole_mm3(one, process))
                    found.append(Posts(house, one, count, one.ridge - process.line_mm, give,
                                       plastic, strength))
                    break
    return sorted(found, key=lambda p: (round(p.plastic_mm3, 3), p.count))


def _alike(
    house: House, count: int, process: Process, contact_mm: Callable[[float], float | None]
) -> Iterator[list[House]]:
    """One of so many posts in a row, in the middle of the ridge, in all sizes that have room; of
    each those with a narrow contact first."""
    line = process.line_mm
    # They reach into each other by a line, so that no faces merely touch.
    ridge = (house.ridge + (count - 1) * line) / count
    half = 0.5 * ridge * house.along
    middle = house.line.mean(axis=0)
    one = replace(house, line=np.array([middle - half, middle + half]), fan=True)
    for length in POSTS_MM:
        contact = contact_mm(length)
        if length >= ridge or contact == math.inf:
            continue
        for width in POSTS_MM:
            yield [post for post in sizes_of(one, length, width, contact)
                   if has_post(post, process)]


def sole_mm3(house: House, process: Process) -> float:
    """Plastic of what the sole of a post on the platform stands out past it, where it has room for
    the smallest that holds: F H c / I of a rectangle about its weak axis within the adhesion, MPa
    (derived; its corners not rounded)."""
    if house.contact is not None:
        return 0.0
    moment = process.drag_n * (house.top - house.base)
    for sole in SOLES_MM:
        sides = sorted((house.length + 2.0 * sole, house.width + 2.0 * sole))
        if 6.0 * moment / (sides[1] * sides[0] ** 2) <= process.capability.adhesion_mpa.value:
            break
    out = sides[0] * sides[1] - house.length * house.width
    return out * SOLE_LAYERS * process.layer_mm


def has_post(house: House, process: Process) -> bool:
    """Whether there is room for a post between its fan and its neck."""
    return (house.top - house.fan_mm(process) - LEAST_POST_MM
            >= house.base + 2.0 * process.layer_mm + house.neck_mm(process))


def sizes_of(one: House, length: float, width: float, contact: float | None) -> list[House]:
    """A post of this outline on the narrowest contact that holds, and on wider ones."""
    wider = [] if contact is None else [c for c in CONTACTS_MM if contact < c < width]
    return [replace(one, length=length, width=width, contact=c) for c in (contact, *wider)]
