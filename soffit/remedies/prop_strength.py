"""Where a prop breaks, and what it bears before: its sections against the strength between layers.

A prop is snapped off by its foot: a force there bends it about its tip. So at a depth d below the
tip it bears M (1 - d/H), with M what snaps the tip and H its height; bending pulls layers apart
everywhere, so that the stress M (1 - d/H) / Z is to be compared with one strength. It breaks at its
tip only if no section below bears more (derived; Z = I / c of the hollow rectangle, about the axis
about which it is weaker). One that does not is rocked off by its head, right where its post begins,
with pliers, so that the post bears nothing: by M over the height of the head.

While it is printed the drag of the nozzle, F, pulls at its tip: F d / Z. A load on its tip buckles
it at P = (pi^2 / 8 H) / integral of sin^2(pi d / 2 H) / (E I) dd (the energy of Euler's column with
a section that changes; Timoshenko & Gere), pi^2 E I / (4 H^2) where it does not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from soffit.process import physics
from soffit.process.model import Process
from soffit.remedies.prop_sections import Sections

# What is so near to the tip is the tip, mm (own choice: five layers; below a long ridge the walls
# lean out slowly, and the corner at the part's surface is where a crack begins).
TIP_MM = 1.0

# Share of its strength that a section may bear when the tip snaps (own choice: a fifth is kept as a
# margin; the strength is the same in both).
MOST_BORNE = 0.8


@dataclass(frozen=True)
class Strength:
    """`borne`: the greatest share of its strength that a section below the tip bears when that
    snaps by a push at the foot of `foot_n`; `head_n`: what rocks it off by its head instead;
    `drag`: the share that it bears while it is printed; `buckles_n`: the load under which it
    buckles, N."""

    borne: float
    foot_n: float
    head_n: float
    drag: float
    buckles_n: float

    @property
    def by_foot(self) -> bool:
        """Whether a push at its foot surely breaks it at its tip and nowhere else."""
        return self.borne <= MOST_BORNE

    @property
    def force_n(self) -> float:
        """What breaks it off, by its foot or else by its head, N."""
        return self.foot_n if self.by_foot else self.head_n

    def comes_off(self, process: Process) -> bool:
        """Whether it can be broken off at its tip by hand."""
        return self.by_foot or self.head_n <= process.props.pull_n.value


def tip_nmm(length_mm: float, process: Process) -> float:
    """Moment that snaps a tip of this length over its narrow way."""
    return physics.snap_moment_nmm(process.bond_mpa, process.line_mm, length_mm)


def strength_of(
    sections: Sections, snap_nmm: float, head_mm: float, process: Process
) -> Strength:
    """That of a post whose tip a moment snaps, and which begins so far below it."""
    s = sections
    bond = process.bond_mpa
    across, along = s.moments_mm4
    modulus = np.minimum(2.0 * across / s.width, 2.0 * along / s.length)
    height = s.step_mm * len(s.depth)
    below = s.depth > TIP_MM
    bending = snap_nmm * (1.0 - s.depth / height) / (bond * modulus)
    drag = process.drag_n * s.depth / (bond * modulus)
    elastic = 1000.0 * process.material.modulus_gpa.value
    wave = np.sin(0.5 * np.pi * s.depth / height) ** 2
    soft = max(float((wave / moment).sum()) for moment in (across, along)) * s.step_mm / elastic
    return Strength(float(bending[below].max(initial=0.0)), snap_nmm / height, snap_nmm / head_mm,
                    float(drag[below].max(initial=0.0)),
                    float(np.pi**2 / (8.0 * height * soft)))


def weakest(found: list[Strength]) -> Strength | None:
    """The worst of several in each respect; None of none."""
    if not found:
        return None
    return Strength(max(s.borne for s in found), max(s.foot_n for s in found),
                    max(s.head_n for s in found), max(s.drag for s in found),
                    min(s.buckles_n for s in found))
