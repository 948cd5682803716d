"""The body of a break-away prop over one ridge, as mesh-kernel solids.

A prop is a hollow house: a ridge one line wide, a roof no flatter than the process prints,
upright walls one line thick in plan, so that any machine lays one bead there, and a cavity
that ends in a peak under the ridge, so that nothing in it hangs. On the platform its walls
stand on a flat sole of two layers; on the part the body narrows again, as steeply, to a
contact with round ends.

Wall of one line: at each height the body is a rectangle in plan and the cavity the same
rectangle less one line on every side (derived).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import manifold3d as m3
import numpy as np

from soffit.layers.stack import offset_of
from soffit.part.model import Floats
from soffit.process.model import Process

# Corners of each round end of a contact (derived: 0.02 mm off a circle of 1 mm radius).
ROUND_CORNERS = 8

# Layers of the sole that ties the walls together on the platform (common practice, no source).
SOLE_LAYERS = 2


@dataclass(frozen=True)
class House:
    """One prop's measures, mm. `line` (2, 2): ends of the ridge in plan. `width`, `length`: of
    the walls' outline. `top`: height of the ridge; `base`: what it stands on. `contact`:
    width of a rounded foot on the part, None on the platform. `sole`: how far the sole stands
    out past the walls."""

    line: Floats
    width: float
    length: float
    top: float
    base: float
    contact: float | None = None
    sole: float = 0.0

    @property
    def ridge(self) -> float:
        """Length of the ridge, mm."""
        return float(np.linalg.norm(self.line[1] - self.line[0]))

    @property
    def along(self) -> Floats:
        """Unit plan direction of the ridge, (2,)."""
        return np.asarray((self.line[1] - self.line[0]) / self.ridge)


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


def shell(house: House, free: m3.CrossSection, process: Process) -> m3.Manifold:
    """The hollow body below the ridge, kept within the plan region `free`."""
    line, slope, h = process.line_mm, rise(process), process.layer_mm
    outer = filled(house, 0.0, process) ^ upright(free, house.base - 1.0, house.top + 1.0)
    cavity = filled(house, line, process)
    if not cavity.is_empty():
        inner = offset_of(free, -line)
        outer = outer - (cavity ^ upright(inner, house.base - 2.0, house.top + 1.0))
    if house.contact is None:
        plate = sole_of(house)
        thick = min(SOLE_LAYERS * h, house.top - house.base - line * slope)
        return outer + upright(plate ^ free, house.base, house.base + thick)
    return outer


def sole_of(house: House) -> m3.CrossSection:
    """The sole in plan: the foot of the walls and `house.sole` past it, corners rounded, so that
    the soles of ridges that meet at an angle make one smooth outline."""
    walls = m3.CrossSection([rectangle(house.line, house.length, house.width)])
    return offset_of(walls, house.sole, m3.JoinType.Round, 2.0, 4 * ROUND_CORNERS)


def filled(house: House, inset: float, process: Process) -> m3.Manifold:
    """The house as a convex solid, `inset` measured level from its faces; empty where the
    walls meet."""
    line, slope = process.line_mm, rise(process)
    width, length = house.width - 2.0 * inset, house.length - 2.0 * inset
    if inset > 0.0 and min(width, length) < line:
        return m3.Manifold()

    def narrowed(end_width: float, end_length: float) -> tuple[float, float, float]:
        """Depth at which the outline is full, and size of the end inset and its depth."""
        full = 0.5 * max(house.width - end_width, house.length - end_length, 0.0) * slope
        start = max(0.0, inset - 0.5 * end_width) * slope
        return full, start, max(0.0, end_width - 2.0 * inset)

    full, start, thin = narrowed(line, house.ridge)
    spread = start / slope
    ridge = max(min(house.ridge + 2.0 * spread, house.length) - 2.0 * inset, 1e-3)
    rings = [(ridge, max(thin, 1e-3), house.top - start), (length, width, house.top - full)]
    if house.contact is None:
        rings.append((length, width, house.base - (1.0 if inset else 0.0)))
    else:
        low = house.base + process.layer_mm
        full, start, thin = narrowed(house.contact, house.ridge)
        rings += [(length, width, low + full),
                  (max(min(house.ridge, house.length) - 2.0 * inset, 1e-3), max(thin, 1e-3),
                   low + start)]
    points = [
        np.column_stack([rectangle(house.line, a, b), np.full(4, z)]) for a, b, z in rings
    ]
    made = m3.Manifold.hull_points(np.concatenate(points))
    if inset and house.contact is None:
        floor = house.base + SOLE_LAYERS * process.layer_mm
        made = made.trim_by_plane((0.0, 0.0, 1.0), floor)
    return made
