"""The body of a break-away prop over one ridge, as mesh-kernel solids.

A prop is a hollow house: a ridge one line wide, a roof no flatter than the process prints,
upright walls one line thick in plan, so that any machine lays one bead there, and a cavity
that ends in a peak under the ridge, so that nothing in it hangs. Below the roof it may be shorter
than its ridge: a post that opens into a fan, whose ends lean out no farther than the process
prints. On the platform its walls stand on a flat sole of two layers (see `prop_sole`); on the part
the body narrows again, as steeply, to a contact with round ends.

Wall of one line: at each height the body is a rectangle in plan and the cavity the same
rectangle less one line on every side (derived).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import manifold3d as m3
import numpy as np

from soffit.layers.stack import offset_of
from soffit.part.model import Floats
from soffit.process.model import Process
from soffit.remedies.context import HAIR_MM

# Corners of each round end of a contact (derived: 0.02 mm off a circle of 1 mm radius).
ROUND_CORNERS = 8

# Layers of the sole that ties the walls together on the platform (common practice, no source).
SOLE_LAYERS = 2


@dataclass(frozen=True, eq=False)
class House:
    """One prop's measures, mm. `line` (2, 2): ends of the ridge in plan. `width`, `length`: of
    the walls' outline. `top`: height of the ridge; `base`: what it stands on. `contact`:
    width of a rounded foot on the part, None on the platform. `sole`: how far the sole stands
    out past the walls. `fan`: whether it opens from a post as long as `length` to its ridge.
    `drop`: how far below `base` the surface that its contact stands on reaches."""

    line: Floats
    width: float
    length: float
    top: float
    base: float
    contact: float | None = None
    sole: float = 0.0
    fan: bool = False
    drop: float = 0.0

    @cached_property
    def ridge(self) -> float:
        """Length of the ridge, mm."""
        return float(np.linalg.norm(self.line[1] - self.line[0]))

    @cached_property
    def along(self) -> Floats:
        """Unit plan direction of the ridge, (2,)."""
        return np.asarray((self.line[1] - self.line[0]) / self.ridge)

    @property
    def foot(self) -> Floats:
        """Ends of what stands below in plan, (2, 2): of the ridge, or of its post."""
        if not self.fan:
            return self.line
        half = 0.5 * self.length * self.along
        middle = self.line.mean(axis=0)
        return np.array([middle - half, middle + half])

    def fan_mm(self, process: Process) -> float:
        """Height of the fan, below a layer in which the ridge is upright: its ends and its roof are
        no flatter than the process prints."""
        across = max(self.ridge - self.length, self.width - process.line_mm)
        return 0.5 * across * rise(process)

    def neck_mm(self, process: Process) -> float:
        """Height in which a post widens from its contact with round ends to its outline, whose
        corners are farthest from it."""
        if self.contact is None:
            return 0.0
        corner = math.hypot(min(self.contact, self.length), self.width) - self.contact
        return 0.5 * max(0.0, corner, self.width - self.contact) * rise(process)


@dataclass(frozen=True)
class Room:
    """What is free for a body: a plan region up to each of some heights, rising, the last of which
    is infinite."""

    bands: tuple[tuple[float, m3.CrossSection], ...]

    @classmethod
    def of(cls, free: m3.CrossSection) -> Room:
        """The same region at all heights."""
        return cls(((math.inf, free),))

    def solid(self, low: float, high: float, inset: float = 0.0) -> m3.Manifold:
        """It between two heights, without what is so near to its border."""
        made, base, before = [], low, m3.CrossSection()
        for upto, region in self.bands:
            if base >= high:
                break
            inner = offset_of(region, -inset) if inset else region
            made.append(upright(inner, base, min(upto, high)))
            # Two bodies that merely touch would stay two.
            made.append(upright(inner ^ before, base - HAIR_MM, min(base + HAIR_MM, high)))
            base, before = max(base, upto), inner
        return m3.Manifold.batch_boolean(made, m3.OpType.Add)


def rise(process: Process) -> float:
    """Height gained per length across on the flattest slope that holds, tan δ (derived)."""
    return process.layer_mm / process.step_mm


def rectangle(line: Floats, length: float, width: float) -> Floats:
    """Outline about the middle of `line` and along it, (4, 2) counter-clockwise."""
    along = line[1] - line[0]
    along = along / np.linalg.norm(along)
    u, v = 0.5 * length * along, 0.5 * width * np.array([-along[1], along[0]])
    middle = line.mean(axis=0)
    return np.array([middle - u - v, middle + u - v, middle + u + v, middle - u + v])


def strip(line: Floats, width: float) -> m3.CrossSection:
    """A ridge of this width in plan."""
    length = float(np.linalg.norm(line[1] - line[0]))
    return m3.CrossSection([rectangle(line, length, width)])


def stadium(line: Floats, width: float) -> m3.CrossSection:
    """A ridge in plan whose ends are round; it is as long as `line` where that is longer than
    its width."""
    along = line[1] - line[0]
    length = float(np.linalg.norm(along))
    half = max(0.0, 0.5 * (length - width))
    middle = line.mean(axis=0)
    turn = math.atan2(along[1], along[0])
    points = []
    for way, start in ((half, turn - 0.5 * math.pi), (-half, turn + 0.5 * math.pi)):
        end = middle + way * along / length
        for k in range(ROUND_CORNERS + 1):
            a = start + math.pi * k / ROUND_CORNERS
            points.append(end + 0.5 * width * np.array([math.cos(a), math.sin(a)]))
    return m3.CrossSection.hull_points(np.array(points))


def upright(region: m3.CrossSection, low: float, high: float) -> m3.Manifold:
    """`region` as a solid between two heights."""
    if region.is_empty() or high <= low:
        return m3.Manifold()
    return region.extrude(high - low).translate((0.0, 0.0, low))


def widest(house: House, process: Process) -> float:
    """Widest outline that the height allows between ridge and foot, mm."""
    height, line = house.top - house.base, process.line_mm
    if house.contact is None:
        return line + 2.0 * height / rise(process)
    return 0.5 * (line + house.contact) + max(0.0, height - process.layer_mm) / rise(process)


def shell(house: House, room: Room, process: Process) -> m3.Manifold:
    """The hollow body below the ridge, kept within the room for it."""
    line, slope, h = process.line_mm, rise(process), process.layer_mm
    outer = filled(house, 0.0, process) ^ room.solid(house.base - 1.0, house.top + 1.0)
    cavity = filled(house, line, process)
    if not cavity.is_empty():
        outer = outer - (cavity ^ room.solid(house.base - 2.0, house.top + 1.0, line))
    if house.contact is None:
        plate = sole_of(house) ^ room.bands[0][1]
        thick = min(SOLE_LAYERS * h, house.top - house.base - line * slope)
        return outer + upright(plate, house.base, house.base + thick)
    return outer


def sole_of(house: House) -> m3.CrossSection:
    """The sole in plan: the foot of the walls and `house.sole` past it."""
    out = 2.0 * house.sole
    return m3.CrossSection([rectangle(house.line, house.length + out, house.width + out)])


def filled(house: House, inset: float, process: Process) -> m3.Manifold:
    """The house as a solid, `inset` measured level from its faces; empty where the walls meet."""
    line, slope = process.line_mm, rise(process)
    width, length = house.width - 2.0 * inset, house.length - 2.0 * inset
    if inset > 0.0 and min(width, length) < line:
        return m3.Manifold()
    start, thin = max(0.0, inset - 0.5 * line) * slope, max(0.0, line - 2.0 * inset)
    if house.fan:
        # It is wider than its post, so that the two are not one convex body.
        full, top = house.fan_mm(process), house.top - process.layer_mm
        # Where the roof is two lines wide its walls meet.
        start = full * max(0.0, 2.0 * inset - line) / max(house.width - line, 1e-9)
        ridge = house.ridge - (house.ridge - house.length) * start / full - 2.0 * inset
        fan = _hull(house, [(max(ridge, 1e-3), max(thin, 1e-3), top - start),
                            (length, width, top - full)])
        tip = m3.Manifold() if inset else _hull(
            house, [(house.ridge, line, z) for z in (house.top, top)])
        return tip + fan + post(house, inset, process, top - full)
    full = 0.5 * max(house.width - line, house.length - house.ridge, 0.0) * slope
    ridge = min(house.ridge + 2.0 * start / slope, house.length) - 2.0 * inset
    rings = [(max(ridge, 1e-3), max(thin, 1e-3), house.top - start),
             (length, width, house.top - full)]
    if house.contact is None:
        rings.append((length, width, house.base - (1.0 if inset else 0.0)))
    else:
        low = house.base + process.layer_mm
        full = 0.5 * max(house.width - house.contact, house.length - house.ridge, 0.0) * slope
        start = max(0.0, inset - 0.5 * house.contact) * slope
        rings += [(length, width, low + full),
                  (max(min(house.ridge, house.length) - 2.0 * inset, 1e-3),
                   max(house.contact - 2.0 * inset, 1e-3), low + start)]
    return _floored(house, _hull(house, rings), inset, process)


def post(house: House, inset: float, process: Process, high: float) -> m3.Manifold:
    """What stands below a fan, up to a height: as `filled`."""
    width, length = house.width - 2.0 * inset, house.length - 2.0 * inset
    if inset > 0.0 and min(width, length) < process.line_mm:
        return m3.Manifold()
    top = (length, width, high)
    if house.contact is None:
        made = _hull(house, [top, (length, width, house.base - (1.0 if inset else 0.0))])
        return _floored(house, made, inset, process)
    low, neck = house.base + process.layer_mm, house.neck_mm(process)
    above = (length, width, low + neck)
    contact = stadium(house.foot, house.contact)
    if inset and house.contact <= 2.0 * inset:
        # Where the neck is two lines wide its walls meet.
        start = neck * (2.0 * inset - house.contact) / max(house.width - house.contact, 1e-9)
        return _hull(house, [top, above, (length, 1e-3, low + start)])
    ring = (offset_of(contact, -inset) if inset else contact).to_polygons()[0]
    return _hull(house, [top, above]) + m3.Manifold.hull_points(np.concatenate([
        _ring(house, *above), np.column_stack([ring, np.full(len(ring), low)])]))


def _floored(house: House, made: m3.Manifold, inset: float, process: Process) -> m3.Manifold:
    """A cavity on the platform, over the layers of the sole."""
    if not inset or house.contact is not None:
        return made
    return made.trim_by_plane((0.0, 0.0, 1.0), house.base + SOLE_LAYERS * process.layer_mm)


def _hull(house: House, rings: list[tuple[float, float, float]]) -> m3.Manifold:
    """The convex body of rectangles about the middle of the ridge: lengths, widths, heights."""
    return m3.Manifold.hull_points(np.concatenate([_ring(house, *ring) for ring in rings]))


def _ring(house: House, length: float, width: float, z: float) -> Floats:
    return np.column_stack([rectangle(house.line, length, width), np.full(4, z)])
