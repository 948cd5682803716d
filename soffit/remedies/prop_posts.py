"""How a ridge stands: on one body as long as itself, or on posts that open into fans.

Everything that is printed must lie within a step of what is below it, so a wall may lean out to
both sides along itself until it meets its neighbour's: below a height of half their distance a
ridge needs no wall, but posts alone. Few posts with high fans or many with low ones, slim or wide:
the set of least plastic is taken whose tip gives by no more than half a line to the nozzle while
each post still stands by itself.

**How much a tip gives.** With the depth d below the tip, the outline ℓ × w there and walls of one
line t: I = (ℓ w³ − (ℓ−2t)(w−2t)³)/12 against the drag F across the ridge and I' with ℓ and w
changed over against that along it; δ = F ∫ d²/(E I) dd (Castigliano; Timoshenko & Gere). Pulled at
an end of its fan a post turns as well: by F (L/2)² ∫ dd/(G J), J = 4 A²t/u of a thin wall about the
area A with the girth u (Bredt; Roark).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from soffit.part.model import Floats
from soffit.process import physics
from soffit.process.model import Process
from soffit.remedies.prop_shape import SOLE_LAYERS, House

# Widths and lengths of a post's outline that are tried, mm (common practice, no source).
POSTS_MM = (2.4, 3.2, 4.0, 5.0, 6.0, 8.0, 11.0)

# Widths of a contact on the part that are tried where the narrowest that holds makes the post too
# weak, mm (common practice, no source; wider ones do not break off by hand).
CONTACTS_MM = (1.5, 2.0, 2.5, 3.0)

# Posts of one ridge at most (derived: of a ridge of 100 mm, 8 mm apart).
MOST_POSTS = 12

# Lowest post below a fan, mm (derived: the two layers of its sole, and as much above).
LEAST_POST_MM = 0.8

# Depths at which the outline is looked at (derived: layers of 0.2 mm of a prop 40 mm high).
DEPTHS = 200


@dataclass(frozen=True)
class Posts:
    """A way for a ridge to stand: its houses, by how much a tip gives, mm, and the plastic."""

    houses: tuple[House, ...]
    give_mm: float
    plastic_mm3: float


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
                if give <= 0.5 * process.line_mm:
                    found.append(Posts(tuple(_set(house, one, count, process)), give,
                                       count * sections.plastic_mm3))
                    break
    return sorted(found, key=lambda p: (round(p.plastic_mm3, 3), len(p.houses)))


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


def has_post(house: House, process: Process) -> bool:
    """Whether there is room for a post between its fan and its neck."""
    return (house.top - house.fan_mm(process) - LEAST_POST_MM
            >= house.base + 2.0 * process.layer_mm + house.neck_mm(process))


def sizes_of(one: House, length: float, width: float, contact: float | None) -> list[House]:
    """A post of this outline on the narrowest contact that holds, and on wider ones."""
    wider = [] if contact is None else [c for c in CONTACTS_MM if contact < c < width]
    return [replace(one, length=length, width=width, contact=c) for c in (contact, *wider)]


def _set(house: House, one: House, count: int, process: Process) -> Iterator[House]:
    """So many posts side by side under the whole ridge."""
    pitch = one.ridge - process.line_mm
    for k in range(count):
        yield replace(one, line=one.line + (k - 0.5 * (count - 1)) * pitch * house.along)


@dataclass(frozen=True)
class Sections:
    """A house on a post at depths below its tip (n,), in the middle of as many equal steps of
    `step_mm` down to its base: outer and inner length and width, (n,) mm; 0 where it is solid."""

    step_mm: float
    depth: Floats
    length: Floats
    width: Floats
    inner_length: Floats
    inner_width: Floats

    @classmethod
    def of(
        cls, house: House, process: Process, *, tip_mm: float | None = None,
        fan_mm: float | None = None,
    ) -> Sections:
        """Those of a house; of one whose ridge is `tip_mm` wide, not a line, and whose fan is so
        high. On a slope half of what its contact reaches down counts: so much is free in the
        middle."""
        line, below = process.line_mm, 0.5 * house.drop
        height = house.top - house.base + below
        tip_mm = line if tip_mm is None else tip_mm
        fan_mm = house.fan_mm(process) if fan_mm is None else fan_mm
        depth = (np.arange(DEPTHS) + 0.5) * height / DEPTHS
        above = height - depth
        share = np.clip((depth - process.layer_mm) / fan_mm, 0.0, 1.0)
        length = house.ridge + share * (house.length - house.ridge)
        width = tip_mm + share * (house.width - tip_mm)
        if house.contact is not None:
            share = (above - below - process.layer_mm) / max(house.neck_mm(process), 1e-9)
            width = np.minimum(width, house.contact + np.clip(share, 0.0, 1.0) * (
                house.width - house.contact))
        floor = below + (1 if house.contact is not None else SOLE_LAYERS) * process.layer_mm
        hollow = (above > floor) & (width > 2.0 * line) & (length > 2.0 * line)
        return cls(height / DEPTHS, depth, length, width,
                   np.where(hollow, length - 2.0 * line, 0.0),
                   np.where(hollow, width - 2.0 * line, 0.0))

    @property
    def plastic_mm3(self) -> float:
        """Plastic of it, what its sole stands out not counted."""
        walls = self.length * self.width - self.inner_length * self.inner_width
        return float(walls.sum() * self.step_mm)


def give_mm(sections: Sections, lever_mm: float, process: Process) -> float:
    """By how much a tip that is so far from the axis of a post gives to the nozzle, mm (see the
    module)."""
    across, along = bends_mm(sections, process)
    return max(across + turns_mm(sections, lever_mm, process), along)


def bends_mm(s: Sections, process: Process) -> tuple[float, float]:
    """By how much the tip bends across the ridge and along it, mm."""
    modulus = 1000.0 * process.material.modulus_gpa.value
    across = (s.length * s.width**3 - s.inner_length * s.inner_width**3) / 12.0
    along = (s.width * s.length**3 - s.inner_width * s.inner_length**3) / 12.0
    one, other = (physics.DRAG_N * s.step_mm / modulus * float((s.depth**2 / moment).sum())
                  for moment in (across, along))
    return one, other


def turns_mm(s: Sections, lever_mm: float, process: Process) -> float:
    """By how much a point so far from the axis moves as the post turns, pulled there, mm."""
    line = process.line_mm
    shear = 1000.0 * process.material.modulus_gpa.value / (2.0 * (1.0 + physics.POISSON))
    area = (s.length - line) * np.maximum(s.width - line, 0.0)
    tube = 4.0 * area**2 * line / (2.0 * (s.length + s.width - 2 * line))
    # The solid ends, a tip of one line and a sole, are short and turn with what they are part of.
    soft = s.inner_width > 0.0
    return physics.DRAG_N * lever_mm**2 * s.step_mm / shear * float((1.0 / tube[soft]).sum())
