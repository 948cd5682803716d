"""A crown between two straight flanks: the roof over it as one convex solid.

Where all that holds the flanks runs along one direction, the planes that rise from there are two,
and what lies between them, the line that joins their feet and a level top is a prism. Of planes of
one flank that differ, as where a mesh starts it a layer higher in some stretches, the lowest
counts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from soffit.part.model import Floats
from soffit.part.solid import Hull
from soffit.remedies.anchor import Arc
from soffit.remedies.undercut import SHORTEST_MM, Side

# Edges lean so far from the direction of a crown at most, as a tangent (derived: outlines known to
# 2e-3 mm over a tenth of a mm).
STRAIGHT = 0.02


@dataclass(frozen=True)
class Gable:
    """Two planes that rise towards each other: `along` the crown and `across` it, (2,) in plan.
    The left one passes x across at `left` + slope·x, the right one at `right` − slope·x, mm; their
    feet are at `feet`."""

    along: Floats
    across: Floats
    slope: float
    left: float
    right: float
    feet: tuple[float, float]

    @property
    def peak_mm(self) -> float:
        """Height at which they meet."""
        return 0.5 * (self.left + self.right)

    @property
    def low_mm(self) -> float:
        """Height of the lower foot."""
        return min(self._foot_mm)

    @property
    def _foot_mm(self) -> tuple[float, float]:
        return (self.left + self.slope * self.feet[0], self.right - self.slope * self.feet[1])

    def ends(self, region: shapely.Geometry) -> tuple[float, float]:
        """From where to where a plan region reaches along it, mm."""
        t = shapely.get_coordinates(region) @ self.along
        return float(t.min()), float(t.max())

    def plan(self, low: float, high: float) -> Floats:
        """The rectangle between its feet from `low` to `high` along it, (4, 2)."""
        x0, x1 = self.feet
        return np.array([t * self.along + x * self.across
                         for t, x in ((low, x0), (low, x1), (high, x1), (high, x0))])

    def solid(self, low: float, high: float, top_mm: float) -> Hull:
        """What lies below both planes and `top_mm`, from `low` to `high` along it."""
        (x0, x1), (z0, z1) = self.feet, self._foot_mm
        if top_mm < self.peak_mm:
            roof = [((top_mm - self.left) / self.slope, top_mm),
                    ((self.right - top_mm) / self.slope, top_mm)]
        else:
            roof = [((self.right - self.left) / (2.0 * self.slope), self.peak_mm)]
        return Hull(np.array([
            [*(t * self.along + x * self.across), z]
            for t in (low, high) for x, z in ((x0, z0), (x1, z1), *roof)]))


def gable_of(sides: Sequence[Side], slope: float, near_mm: float) -> Gable | None:
    """The gable that `sides` make up; None where they run along several directions, or the planes
    of one flank differ by more than `near_mm`."""
    edges = [(e, side) for side in sides for c in side.patch.chains for e in c.elements]
    straight = [(e, side) for e, side in edges if not isinstance(e, Arc)]
    if len(straight) < len(edges) or not straight:
        return None
    length = [float(np.linalg.norm(e.end - e.start)) for e, _ in straight]
    along = straight[int(np.argmax(length))][0].along
    across = np.array([-along[1], along[0]])
    planes: tuple[list[float], list[float]] = ([], [])
    feet: tuple[list[float], list[float]] = ([], [])
    for (edge, side), long in zip(straight, length, strict=True):
        if abs(float(edge.along @ across)) > STRAIGHT:
            if long < SHORTEST_MM:
                continue  # a step in the outline of a layer
            return None
        # The place is on the left of what holds it.
        way = 1.0 if float(edge.along @ along) > 0.0 else -1.0
        x = 0.5 * float((edge.start + edge.end) @ across)
        flank = 0 if way > 0.0 else 1
        planes[flank].append(side.low - way * slope * x)
        feet[flank].append(x)
    if not all(planes) or any(max(p) - min(p) > near_mm for p in planes):
        return None
    left, right = (min(p) for p in planes)
    found = Gable(along, across, slope, left, right, (min(feet[0]), max(feet[1])))
    return found if found.feet[0] < found.feet[1] and found.peak_mm > found.low_mm else None
