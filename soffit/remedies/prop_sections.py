"""A house on a post as a beam: its sections from the tip down, and how much that tip gives.

With the depth d below the tip, the outline ℓ × w there and walls of one line t:
I = (ℓ w³ − (ℓ−2t)(w−2t)³)/12 against the drag F across the ridge, and I' with ℓ and w changed over
against that along it; δ = F ∫ d²/(E I) dd (Castigliano; Timoshenko & Gere). Pulled at an end of its
fan a post turns as well: by F (L/2)² ∫ dd/(G J), J = 4 A²t/u of a thin wall about the area A with
the girth u (Bredt; Roark).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from soffit.part.model import Floats
from soffit.process.model import Process
from soffit.remedies.prop_shape import SOLE_LAYERS, House

# A contact of width w with round ends is as stiff as one with square ends that is shorter by these
# shares of w. Across: (L - c w) w³/12 = (L - w) w³/12 + π w⁴/64. Along: what the corners lack,
# (1 - π/4) w², at L/2 from the middle, against w L² c w / 4; that is from below where L is near w
# (derived).
ROUND_ACROSS, ROUND_ALONG = 1.0 - 12.0 * math.pi / 64.0, 1.0 - math.pi / 4.0

# Depths at which the outline is looked at (derived: layers of 0.2 mm of a prop 40 mm high).
DEPTHS = 200


@dataclass(frozen=True)
class Sections:
    """A house on a post at depths below its tip (n,), in the middle of as many equal steps of
    `step_mm` down to its base: outer and inner length and width, (n,) mm; 0 where it is solid.
    `blunt`: by how much shorter what is as stiff across is, as its ends are round, (n,) mm."""

    step_mm: float
    depth: Floats
    length: Floats
    width: Floats
    inner_length: Floats
    inner_width: Floats
    blunt: Floats

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
        blunt = np.zeros(DEPTHS)
        if house.contact is not None:
            share = (above - below - process.layer_mm) / max(house.neck_mm(process), 1e-9)
            share = np.clip(share, 0.0, 1.0)
            width = np.minimum(width, house.contact + share * (house.width - house.contact))
            foot = max(float(np.linalg.norm(np.diff(house.foot, axis=0))), house.contact)
            foot -= ROUND_ALONG * house.contact
            length = np.where(share < 1.0, foot + share * (house.length - foot), length)
            blunt = (1.0 - share) * (ROUND_ACROSS - ROUND_ALONG) * house.contact
        floor = below + (1 if house.contact is not None else SOLE_LAYERS) * process.layer_mm
        hollow = (above > floor) & (width > 2.0 * line) & (length > 2.0 * line)
        return cls(height / DEPTHS, depth, length, width,
                   np.where(hollow, length - 2.0 * line, 0.0),
                   np.where(hollow, width - 2.0 * line, 0.0), blunt)

    @cached_property
    def moments_mm4(self) -> tuple[Floats, Floats]:
        """Second moments against bending across the ridge and along it, (n,) each."""
        across = ((self.length - self.blunt) * self.width**3
                  - self.inner_length * self.inner_width**3)
        along = self.width * self.length**3 - self.inner_width * self.inner_length**3
        return across / 12.0, along / 12.0

    @property
    def plastic_mm3(self) -> float:
        """Plastic of it, what its sole stands out not counted."""
        walls = self.length * self.width - self.inner_length * self.inner_width
        return float(walls.sum() * self.step_mm)


def give_mm(
    sections: Sections, lever_mm: float, process: Process, most_mm4: float = math.inf
) -> float:
    """By how much a tip that is so far from the axis of a post gives to the nozzle, mm, where no
    section has a second moment of more than `most_mm4` (see the module)."""
    across, along = bends_mm(sections, process, most_mm4)
    return max(across + turns_mm(sections, lever_mm, process), along)


def bends_mm(
    s: Sections, process: Process, most_mm4: float = math.inf
) -> tuple[float, float]:
    """By how much the tip bends across the ridge and along it, mm."""
    modulus = 1000.0 * process.material.modulus_gpa.value
    one, other = (float((s.depth**2 / np.minimum(moment, most_mm4)).sum())
                  for moment in s.moments_mm4)
    per_mm = process.drag_n * s.step_mm / modulus
    return per_mm * one, per_mm * other


def turns_mm(s: Sections, lever_mm: float, process: Process) -> float:
    """By how much a point so far from the axis moves as the post turns, pulled there, mm."""
    line, material = process.line_mm, process.material
    shear = 1000.0 * material.modulus_gpa.value / (2.0 * (1.0 + material.poisson.value))
    area = (s.length - line) * np.maximum(s.width - line, 0.0)
    tube = 4.0 * area**2 * line / (2.0 * (s.length + s.width - 2 * line))
    # The solid ends, a tip of one line and a sole, are short and turn with what they are part of.
    soft = s.inner_width > 0.0
    return process.drag_n * lever_mm**2 * s.step_mm / shear * float((1.0 / tube[soft]).sum())
