"""Which ridges a level place needs: what is between them is judged as the review judges it.

Ridges part the place into cells. A cell whose strands hold, by ridges or by the part, is spanned;
the rest is left in the air. Of ridges that cost different amounts the dearest go first, each that
is left away without leaving more in the air (what remains needs each of its ridges; that it is the
cheapest such set is not claimed).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import shapely

from soffit.findings.model import Patch
from soffit.findings.patches import RawPatch
from soffit.findings.places import Place, level_places
from soffit.findings.words import within
from soffit.process.model import Process
from soffit.remedies.anchor import rings_of
from soffit.remedies.prop_place import HELD_MM, polygon_of

# More than this left in the air is more, mm² (derived: a bead's width squared, and a sixteenth).
LEAST_MM2 = 0.17


# Cells that hang together by less than twice this are apart, mm (derived: an eighth of a line on
# either side; ridges end a little inside of a free edge).
NECK_MM = 0.05
# Share of the lip that ledges beside ridges may take (own choice).
LIP_SURE = 0.9


@dataclass
class Cover:
    """What of a patch stays in the air between ridges; each cell is judged once."""

    patch: Patch
    process: Process
    known: dict[bytes, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.area = polygon_of(self.patch)
        self.anchor = shapely.union_all([shapely.linestrings(a) for a in self.patch.anchors])

    def left_mm2(self, ridges: Sequence[shapely.Geometry]) -> float:
        """Area that stays in the air beside these ridges, as plan regions."""
        drawn = shapely.union_all(list(ridges))
        # What is empty has no boundary, not an empty one.
        holds = shapely.union(self.anchor, shapely.boundary(drawn)) if ridges else self.anchor
        total = 0.0
        between = shapely.difference(self.area, drawn)
        for way in (-NECK_MM, NECK_MM):
            between = shapely.buffer(between, way, join_style="mitre")
        for cell in shapely.get_parts(between):
            if cell.geom_type != "Polygon" or cell.area < LEAST_MM2:
                continue
            key = shapely.to_wkb(shapely.set_precision(shapely.normalize(cell), HELD_MM))
            if key not in self.known:
                self.known[key] = self._left_mm2(cell, holds)
            total += self.known[key]
        return total

    def needed(
        self, ridges: Sequence[shapely.Geometry], costs: Sequence[float]
    ) -> tuple[int, ...]:
        """Which of the ridges it takes, by index."""
        kept = list(range(len(ridges)))
        least = self.left_mm2(ridges)
        for k in sorted(kept, key=lambda k: (-round(costs[k], 3), k)):
            fewer = [j for j in kept if j != k]
            if self.left_mm2([ridges[j] for j in fewer]) <= least + LEAST_MM2:
                kept = fewer
        return tuple(kept)

    def _left_mm2(self, cell: shapely.Geometry, holds: shapely.Geometry) -> float:
        rings = rings_of(cell)
        held = []
        for ring in rings:
            middle = shapely.points(0.5 * (ring + np.roll(ring, -1, axis=0)))
            held.append(np.asarray(shapely.distance(middle, holds) <= HELD_MM, dtype=bool))
        raw = RawPatch(0, rings, tuple(held), float(cell.area), np.empty(0, dtype=np.int64))
        if raw.held_length_mm == 0.0:
            return float(cell.area)
        return sum(place.patches[0].area_mm2 for place in level_places(raw, self.process)
                   if not self._passes(place))

    def _passes(self, place: Place) -> bool:
        if place.shape == "bridge" or (place.shape == "ceiling" and not place.pierced):
            return within(place.span_mm or 0.0, self.process.bridge_mm)
        # How far exactly depends on which way strands are laid; some of the lip is kept for that.
        most = LIP_SURE * self.process.lip_mm
        return place.shape == "ledge" and within(place.reach_mm or 0.0, most)
