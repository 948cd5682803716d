"""A patch made ready for wedges: its region, its anchor and how far it reaches from it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from soffit.part.model import Floats
from soffit.remedies.anchor import (
    ARC_SAGITTA_MM,
    Arc,
    Chain,
    Circle,
    Edge,
    Element,
    chains_of,
    distance,
    polygon,
)

# Plan area below which a lump or a hole of a region says nothing (derived: a hair square).
SPECK_MM2 = 1e-4


@dataclass(frozen=True)
class Patchwork:
    """A patch made ready for wedges: its region, its anchor and its greatest reach.

    `behind_mm`: how far an added solid reaches behind the anchor into the wall, over the
    plan region `strip` (where None: a strip of that width along the anchor).
    """

    region: shapely.Geometry
    chains: tuple[Chain, ...]
    reach_mm: float
    behind_mm: float
    strip: shapely.Geometry | None = None

    @property
    def grown(self) -> shapely.Geometry:
        """The region with the strip behind its anchor."""
        if self.strip is not None:
            return _clean(shapely.union(self.region, self.strip))
        return _grown(self.region, self.chains, self.behind_mm)


def patchwork(
    rings: Sequence[Floats],
    anchors: Sequence[Floats],
    behind_mm: float = 0.0,
    circles: Sequence[Circle] = (),
) -> Patchwork | None:
    """A patch with its anchor recognised; None where it has no anchor or no area. `circles`
    are those of the part's upright round walls, which arcs then follow exactly."""
    region = polygon(rings)
    chains = tuple(chains_of(anchors, region, circles))
    if not chains or region.is_empty:
        return None
    return Patchwork(region, chains, reach(region, chains), behind_mm)


def reach(region: shapely.Geometry, chains: Sequence[Chain]) -> float:
    """Greatest distance inside the region to the anchor, mm, to about 1e-6.

    Candidates are the region's vertices, points along its border and a grid inside; the
    best are polished by solving for the point at equal distance from the elements (and on
    the border, if it is there) that hold it (Gauss-Newton, least norm: a ridge of equal
    height, as in a slot, is no obstacle).
    """
    border = shapely.get_coordinates(region)
    length = float(shapely.length(region))
    dense = shapely.get_coordinates(shapely.segmentize(region, max(length / 400, 1e-3)))
    x0, y0, x1, y1 = shapely.bounds(region).tolist()
    gx, gy = np.meshgrid(np.linspace(x0, x1, 62)[1:-1], np.linspace(y0, y1, 62)[1:-1])
    grid = np.column_stack([gx.ravel(), gy.ravel()])
    grid = grid[shapely.contains_xy(region, grid[:, 0], grid[:, 1])]
    points = np.concatenate([border, dense, grid])
    far = distance(points, chains)
    best = float(distance(border, chains).max())
    step = max(x1 - x0, y1 - y0) / 60 + length / 400
    elements = [e for c in chains for e in c.elements]
    # The distance to an arc has its peak, without slope, at the arc's centre.
    centres = np.array([e.centre for e in elements if isinstance(e, Arc)]).reshape(-1, 2)
    centres = centres[shapely.contains_xy(region, centres[:, 0], centres[:, 1])]
    if len(centres):
        best = max(best, float(distance(centres, chains).max()))
    corner = best
    field = _Field(elements)
    for index in np.argsort(-far, kind="stable")[:24].tolist():
        best = max(best, far[index], _polished(points[index], step, region, field))
    # The middle of a chord of a hole lies farther than the round edge itself.
    return corner if best - corner < ARC_SAGITTA_MM / 2 else best


class _Field:
    """Distances from one point to each of many elements, edges first, all at once."""

    def __init__(self, elements: Sequence[Element]) -> None:
        edges = [e for e in elements if isinstance(e, Edge)]
        arcs = [e for e in elements if isinstance(e, Arc)]
        self._start = np.array([e.start for e in edges]).reshape(-1, 2)
        self._along = np.array([e.end for e in edges]).reshape(-1, 2) - self._start
        self._size = (self._along**2).sum(axis=1)
        self._centre = np.array([a.centre for a in arcs]).reshape(-1, 2)
        self._radius = np.array([a.radius for a in arcs])
        self._a0 = np.array([a.a0 for a in arcs])
        self._turn = np.array([a.turn for a in arcs])
        self._ends = np.array([(a.start, a.end) for a in arcs]).reshape(-1, 2, 2)

    def at(self, point: Floats) -> Floats:
        """Distances, (n,) mm."""
        off = point - self._start
        t = np.clip((off * self._along).sum(axis=1) / self._size, 0.0, 1.0)
        edges = np.linalg.norm(off - t[:, None] * self._along, axis=1)
        v = point - self._centre
        radial = np.hypot(v[:, 0], v[:, 1])
        swept = np.mod((np.arctan2(v[:, 1], v[:, 0]) - self._a0) * np.sign(self._turn), 2 * np.pi)
        ends = np.linalg.norm(point - self._ends, axis=2).min(axis=1)
        beside = (swept <= np.abs(self._turn)) | (radial < 1e-12)
        return np.concatenate([edges, np.where(beside, np.abs(radial - self._radius), ends)])


def _polished(point: Floats, step: float, region: shapely.Geometry, field: _Field) -> float:
    """Distance at the local maximum near `point`, 0 where none is found."""
    here = point.copy()
    eps = 1e-6
    east, north = np.array([eps, 0.0]), np.array([0.0, eps])
    for _ in range(12):
        away = field.at(here)
        near = np.flatnonzero(away < away.min() + step)[:12]
        gx = (field.at(here + east) - away)[near] / eps
        gy = (field.at(here + north) - away)[near] / eps
        rows = np.column_stack([gx, gy, np.full(len(near), -1.0)])
        move = np.linalg.lstsq(rows, away.min() - away[near], rcond=1e-6)[0][:2]
        size = float(np.linalg.norm(move))
        if size > step:
            move *= step / size
        here = here + move
        step = max(0.35 * step, 1e-6)
        if size < 1e-9:
            break
    if not shapely.dwithin(region, shapely.Point(here), 1e-6):
        return 0.0
    return float(field.at(here).min())


def _grown(
    region: shapely.Geometry, chains: Sequence[Chain], behind: float
) -> shapely.Geometry:
    if behind <= 0:
        return region
    strips = []
    for chain in chains:
        if chain.closed:
            disc = shapely.Polygon(chain.polyline)
            # The patch is on the left: inside for a counter-clockwise ring, else outside.
            grow = behind if shapely.is_ccw(shapely.LinearRing(chain.polyline)) else -behind
            other = disc.buffer(grow, join_style="mitre")
            strips.append(disc.symmetric_difference(other))
        else:
            line = shapely.LineString(chain.polyline)
            strips.append(
                line.buffer(-behind, single_sided=True, cap_style="flat", join_style="mitre")
            )
    return shapely.union_all([region, *strips])


def _clean(region: shapely.Geometry) -> shapely.Geometry:
    """The region on a grid of 1e-8 mm (the polygon kernel's own), without specks and pinholes."""
    kept = []
    for part in shapely.get_parts(shapely.set_precision(region, 1e-8)):
        if part.geom_type == "Polygon" and part.area > SPECK_MM2:
            holes = [h for h in part.interiors if shapely.Polygon(h).area > SPECK_MM2]
            kept.append(shapely.Polygon(part.exterior, holes))
    return shapely.multipolygons(kept)
