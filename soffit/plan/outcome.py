"""What an option leaves: places over air before and after it, laid one over the other.

A place after belongs to the place before with which it shares most in plan, of those at its
height; where that is little, it is new.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import manifold3d as m3
import numpy as np

from soffit.findings.model import Finding, Review
from soffit.part.model import Floats

# A place that shares less than this of itself with those before is new (common practice, no source:
# a fifth; a lip left at the edge of a ledge lies wholly within it).
SHARED = 0.2

# Heights of one place before and after a change differ by no more, mm (derived: two layers of
# 0.2 mm and a tenth).
HEIGHT_MM = 0.5


@dataclass(frozen=True)
class Outcome:
    """`rest` (n,): what is left of each place before, mm²; `new`: what was not there, mm²;
    `starts`: what of that starts in mid-air, mm²."""

    rest: Floats
    new: float
    starts: float = 0.0


def outcome(before: Sequence[Finding], after: Review) -> Outcome:
    """What of the places `before` is left in a review after a change, and what is new in it.

    Places that the review before had and `before` leaves out are no news: give all of them.
    """
    rest = np.zeros(len(before))
    new = starts = 0.0
    for finding, place in zip(after.air, places_of(before, after.air), strict=True):
        if place is not None:
            rest[place] += finding.area_mm2
            continue
        new += finding.area_mm2
        starts += finding.area_mm2 if finding.kind == "air/island" else 0.0
    return Outcome(rest, new, starts)


def places_of(before: Sequence[Finding], after: Sequence[Finding]) -> list[int | None]:
    """Which of the places `before` each finding after a change is what is left of; None where it is
    new."""
    boxes = [_box(f) for f in before]
    regions: dict[int, m3.CrossSection] = {}
    found: list[int | None] = []
    for finding in after:
        mine = _box(finding)
        near = [k for k, other in enumerate(boxes) if _meet(mine, other)]
        shared: dict[int, float] = {}
        if near and finding.patch.rings:
            region = _region(finding)
            for k in near:
                if k not in regions:
                    regions[k] = _region(before[k])
                shared[k] = (region ^ regions[k]).area()
        best = max(shared, key=lambda k: shared[k], default=None)
        found.append(best if sum(shared.values()) >= SHARED * finding.area_mm2 else None)
    return found


def reaches(option_box: Floats, findings: Sequence[Finding], margin_mm: float) -> Floats:
    """Whether each place lies within `margin_mm` of a box (6,) in plan and not below it, (n,)."""
    low, high = option_box[:3] - margin_mm, option_box[3:] + margin_mm
    found = [_meet((*low, *high), _box(f)) for f in findings]
    return np.array(found, dtype=np.float64)


def _region(finding: Finding) -> m3.CrossSection:
    return m3.CrossSection([np.asarray(r) for r in finding.patch.rings], m3.FillRule.Positive)


def _box(finding: Finding) -> tuple[float, ...]:
    """Lowest and highest x, y, z of a place; in z one layer more below."""
    if not finding.patch.rings:
        x, y, z = finding.at_mm
        return (x, y, z, x, y, z)
    points = np.concatenate(finding.patch.rings)
    (x0, y0), (x1, y1) = points.min(axis=0).tolist(), points.max(axis=0).tolist()
    z0, z1 = finding.patch.z_mm
    return (x0, y0, min(z0, finding.z_mm[0]), x1, y1, max(z1, finding.z_mm[1]))


def _meet(a: tuple[float, ...], b: tuple[float, ...]) -> bool:
    room = (0.0, 0.0, HEIGHT_MM)
    return all(a[i] <= b[i + 3] + room[i] and b[i] <= a[i + 3] + room[i] for i in range(3))
