"""The body of one break-away prop.

A prop is a hollow house: seen along its ridge, straight walls and a roof as steep as the
process needs, up to a ridge one line wide; seen from the side, a trapeze from foot to ridge.
Every wall is exactly one line thick in plan, so that any machine lays one bead there, and the
cavity ends in a peak under the ridge, so that nothing in it hangs. Where the part's underside
is not level, a fin one line thick carries the ridge up to it.

Wall of one line: at each height the body is an interval [l, r] in plan; the cavity is
[l + w, r − w] (derived). Its peak lies (w/2) tan δ below the ridge.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
import shapely.affinity

from soffit.part.model import Floats
from soffit.part.solid import Cone, Difference, Extrusion, Intersection, Prism, Solid, Union
from soffit.process.model import Process

# Share of a round contact's radius at which the body starts on it: the corners of the body
# then stand out past the round end by 0.2 of the radius (derived: 0.85·√2 − 1).
START_SHARE = 0.85


@dataclass(frozen=True)
class Stand:
    """One prop and where it stands. Lengths mm.

    `centre` (2,) and unit `along` (2,): plan origin and direction of the ridge. `tip`: ends of
    the ridge along it; `foot`: ends of the foot along it. `left`, `right`: how far the body
    reaches across, from the ridge. `base`, `top`: heights of foot and ridge. `fin` (n, 2):
    (along, height) of an edge above a ridge that is not level. `contact`: half the width of a
    rounded foot on the part; None on the platform. `plate`: thickness of a closed floor.
    """

    centre: Floats
    along: Floats
    tip: tuple[float, float]
    foot: tuple[float, float]
    left: float
    right: float
    base: float
    top: float
    fin: Floats | None = None
    contact: float | None = None
    plate: float = 0.0

    @property
    def across(self) -> Floats:
        """Unit plan direction across the ridge, to its left."""
        return np.array([-self.along[1], self.along[0]])

    @property
    def length(self) -> float:
        """Length of the ridge, mm."""
        return self.tip[1] - self.tip[0]

    def at(self, u: float, v: float, z: float) -> Floats:
        """Point `u` along and `v` across the ridge at height `z`, (3,)."""
        plan = self.centre + u * self.along + v * self.across
        return np.array([plan[0], plan[1], z])

    def reach(self, z: float) -> tuple[float, float]:
        """Ends of the body along the ridge at height `z`."""
        share = min(1.0, max(0.0, (z - self.base) / (self.top - self.base)))
        return (
            self.foot[0] + share * (self.tip[0] - self.foot[0]),
            self.foot[1] + share * (self.tip[1] - self.foot[1]),
        )


def rise(process: Process) -> float:
    """Height gained per length across on the steepest step that holds, tan δ."""
    return process.layer_mm / process.step_mm


def cross_profile(stand: Stand, process: Process) -> Floats:
    """Outline of the body seen along its ridge, (n, 2) as (across, height), counter-clockwise."""
    half, slope = 0.5 * process.line_mm, rise(process)
    bottom, start = _start(stand, process)

    def side(out: float) -> list[tuple[float, float]]:
        """Points from the foot up to the ridge for a wall `out` from it."""
        shoulder = stand.top - (out - half) * slope
        if start is None:
            return [(out, bottom), (out, shoulder), (half, stand.top)]
        knee = bottom + (out - start) * slope
        return [(start, bottom), (out, knee), (out, shoulder), (half, stand.top)]

    right = side(stand.right)
    left = [(-x, z) for x, z in side(stand.left)][::-1]
    return _distinct(right + left)  # type: ignore[arg-type]


def side_profile(stand: Stand, process: Process) -> Floats:
    """Outline of the body seen across its ridge, (4, 2) as (along, height)."""
    bottom, _ = _start(stand, process)
    low, high = stand.foot
    if stand.contact is not None:
        inset = (1.0 - START_SHARE) * stand.contact
        low, high = low + inset, high - inset
    return np.array([(low, bottom), (high, bottom), (stand.tip[1], stand.top),
                     (stand.tip[0], stand.top)])


def widest(height_mm: float, process: Process, contact_mm: float | None = None) -> float:
    """How far a body of this height can reach to one side of its ridge, mm."""
    half = 0.5 * process.line_mm
    if contact_mm is None:
        return half + height_mm / rise(process)
    room = height_mm - process.layer_mm
    return 0.5 * (half + START_SHARE * contact_mm + room / rise(process))


def _start(stand: Stand, process: Process) -> tuple[float, float | None]:
    """Height at which the body starts, and half its width there if it stands on the part."""
    if stand.contact is None:
        return stand.base, None
    return stand.base + process.layer_mm, START_SHARE * stand.contact


def outer(stand: Stand, process: Process) -> Solid:
    """The body filled, without what carries it on the part and without the fin."""
    return _swept(stand, cross_profile(stand, process), side_profile(stand, process))


def cavity(stand: Stand, process: Process) -> Solid | None:
    """What is hollow in the body; None where the walls meet.

    Open to below on the platform, so that no floor is printed unless `plate` asks for one.
    """
    line = process.line_mm
    across = _hollow(cross_profile(stand, process), line)
    side = _hollow(side_profile(stand, process), line)
    if across is None or side is None:
        return None
    if stand.contact is None:
        floor = stand.base + stand.plate
        across = _opened(across, stand.base, floor)
        side = _opened(side, stand.base, floor)
        if across is None or side is None:
            return None
    return _swept(stand, across, side)


def extras(stand: Stand, process: Process) -> list[Solid]:
    """The fin above the ridge and the rounded contact under the foot, where there are any."""
    made: list[Solid] = []
    half = 0.5 * process.line_mm
    if stand.fin is not None:
        made.append(_fin(stand, half, process))
    if stand.contact is not None:
        made.append(_contact(stand, stand.contact, process.layer_mm))
    return made


def shell(stands: list[Stand], process: Process) -> Solid:
    """Props whose feet run into each other as one hollow body, or one prop by itself."""
    bodies = [outer(s, process) for s in stands]
    hollows = [c for s in stands if (c := cavity(s, process)) is not None]
    body = _one(bodies)
    if hollows:
        body = Difference(body, _one(hollows))
    added = [e for s in stands for e in extras(s, process)]
    return _one([body, *added])


def _one(parts: list[Solid]) -> Solid:
    return parts[0] if len(parts) == 1 else Union(tuple(parts))


def _fin(stand: Stand, half: float, process: Process) -> Solid:
    assert stand.fin is not None
    # It starts inside the roof, where the body is two lines wide or less.
    low = max(stand.base, stand.top - half * rise(process))
    outline = [(stand.tip[0], low), (stand.tip[1], low),
               *[(float(u), float(z)) for u, z in stand.fin[::-1]]]
    polygon = np.array([stand.at(u, -half, z) for u, z in outline])
    return Extrusion(polygon, _vector(2.0 * half * stand.across))


def _contact(stand: Stand, radius: float, height: float) -> Solid:
    """A foot with round ends: true cylinders and a box between them."""
    low, high = stand.foot[0] + radius, stand.foot[1] - radius
    ends: list[Solid] = []
    for u in sorted({low, max(low, high)}):
        x, y, z = stand.at(u, 0.0, stand.base).tolist()
        ends.append(Cone((x, y, z), (0.0, 0.0, 1.0), height, radius, radius))
    if high - low < 1e-9:
        return ends[0]
    ring = np.array([stand.at(u, v, 0.0)[:2] for u, v in
                     ((low, -radius), (high, -radius), (high, radius), (low, radius))])
    return Union((Prism((ring,), stand.base, stand.base + height), *ends))


def _swept(stand: Stand, across: Floats, side: Floats) -> Solid:
    """The solid with these two outlines: one sweep where the side is upright."""
    low, high = float(side[:, 0].min()), float(side[:, 0].max())
    polygon = np.array([stand.at(low, v, z) for v, z in across.tolist()])
    along = Extrusion(polygon, _vector((high - low) * stand.along))
    upright = all(abs(u - low) < 1e-9 or abs(u - high) < 1e-9 for u in side[:, 0].tolist())
    if upright:
        return along
    near, far = float(across[:, 0].min()), float(across[:, 0].max())
    face = np.array([stand.at(u, near, z) for u, z in side.tolist()])
    return Intersection((along, Extrusion(face, _vector((far - near) * stand.across))))


def _vector(plan: Floats) -> tuple[float, float, float]:
    return (float(plan[0]), float(plan[1]), 0.0)


def _hollow(outline: Floats, line: float) -> Floats | None:
    """An outline less one line at each side, measured level; None if less than a line is left."""
    shape = shapely.Polygon(outline)
    inner = shapely.intersection(
        shapely.affinity.translate(shape, line, 0.0), shapely.affinity.translate(shape, -line, 0.0)
    )
    if inner.is_empty or not isinstance(inner, shapely.Polygon):
        return None
    low, _, high, _ = inner.bounds
    if high - low < line:
        return None
    return _distinct(list(shapely.orient_polygons(inner).exterior.coords)[:-1])


def _opened(outline: Floats, base: float, floor: float) -> Floats | None:
    """A cavity cut off at its floor, or carried on below the platform where it has none."""
    shape = shapely.Polygon(outline)
    if floor > base:
        low, _, high, top = shape.bounds
        shape = shapely.intersection(shape, shapely.box(low - 1, floor, high + 1, top + 1))
    else:
        foot = outline[outline[:, 1] < base + 1e-9, 0]
        shape = shapely.union(shape, shapely.box(foot.min(), base - 1.0, foot.max(), base))
    if shape.is_empty or not isinstance(shape, shapely.Polygon):
        return None
    return _distinct(list(shapely.orient_polygons(shape).exterior.coords)[:-1])


def _distinct(points: list[tuple[float, ...]]) -> Floats:
    """Points without repeats and without those on a straight line between their neighbours."""
    ring = np.asarray(points, dtype=np.float64)
    ring = ring[np.linalg.norm(ring - np.roll(ring, 1, axis=0), axis=1) > 1e-7]
    before, after = ring - np.roll(ring, 1, axis=0), np.roll(ring, -1, axis=0) - ring
    turn = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    size = np.linalg.norm(before, axis=1) * np.linalg.norm(after, axis=1)
    return np.asarray(ring[np.abs(turn) > 1e-9 * np.maximum(size, math.ulp(1.0))])
