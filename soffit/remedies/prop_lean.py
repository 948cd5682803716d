"""Props that lean on a wall beside the place that they hold, where the platform is far below.

From a ridge under the place a hollow post leans down to the wall, as flat as the process prints,
one line thick in plan like every prop; it never reaches the platform, so that its plastic does not
grow with the height of the place. The wall cuts it: what it grows out of is a seam as thin as its
own walls, which breaks when the post is pushed aside.

**How it is measured.** A post that leans has in plan the sections of an upright one, each moved on
by a step. From the wall at a distance D its foot is D tan δ lower than its head; with the height H
of the whole its tip gives, pulled level, by F s³ / (3 E I), s = H / sin δ the length of the post, I
the lesser second moment of its walls; the seam bears F H c / I while it is printed. It is pushed
off in its middle, held at both ends: by 8 M / H, M = bond I / c (Roark; derived; inputs in the
profile).

**Limits.** The wall must be upright over the height of the foot, and as wide; it gets a scar as
large as the seam. The post leaves straight, away from the wall.
"""

from __future__ import annotations

import math
from dataclasses import replace

import manifold3d as m3
import numpy as np

from soffit.layers.stack import GRID_MM, offset_of
from soffit.part.model import Floats
from soffit.process import physics
from soffit.process.model import Process
from soffit.remedies.context import HAIR_MM
from soffit.remedies.prop_eject import TOUCH_MM
from soffit.remedies.prop_shape import House, filled, rectangle, rise
from soffit.remedies.prop_site import LEVEL_MM, Refused, Site, free_mm
from soffit.remedies.prop_solid import lumps
from soffit.remedies.prop_stand import Prop, Ridge, lumps_meeting, props_under, ridges_of

# Sides of a post that are tried, mm (common practice, no source: as of upright ones).
POSTS_MM = (2.0, 2.4, 3.2, 4.0)

# Longest ridge of one post, mm: its fan is then 7 mm high (own choice).
LONGEST_MM = 16.0

# Farthest wall, mm (own choice: beyond it a ridge stands on the platform as well), and how much
# farther or nearer the wall may be over a foot (derived: a line of 0.4 mm less the least gap).
FARTHEST_MM = 20.0
FLAT_MM = 0.1

# Pieces of a ridge whose ends are nearer are next to each other, mm (derived: they overlap by a
# line).
NEXT_MM = 1.0

# Lowest foot, mm (own choice: what would reach lower stands on the platform as well).
LOWEST_MM = 2.0


def leaning(site: Site, lines: tuple[Floats, ...]) -> list[Prop]:
    """Props for all ridges of one way to hold a finding: on the wall beside it where there is one,
    else from below. Raises Refused where none has a wall to lean on."""
    made: list[Prop] = []
    rest: list[Floats] = []
    why = Refused("what leans on a wall must hold a level underside")
    for line in lines:
        ridges = ridges_of(site, line)
        if not ridges or not all(ridge.is_level for ridge in ridges):
            rest.append(line)
            continue
        for ridge in ridges:
            for mine in _stretches(ridge.line, site.context.process.line_mm):
                try:
                    made.append(_on_wall(site, ridge, mine))
                except Refused as no:
                    why = no
                    # What stands from below is one ridge again.
                    if rest and np.linalg.norm(rest[-1][1] - mine[0]) <= NEXT_MM:
                        rest[-1] = np.array([rest[-1][0], mine[1]])
                    else:
                        rest.append(mine)
    if not made:
        raise why
    return [*made, *(props_under(site, tuple(rest)) if rest else ())]


def _stretches(line: Floats, line_mm: float) -> list[Floats]:
    """A ridge in pieces for one post each, which reach into each other by a line, so that no faces
    merely touch."""
    length = float(np.linalg.norm(line[1] - line[0]))
    count = max(1, math.ceil(length / LONGEST_MM))
    ends = np.linspace(line[0], line[1], count + 1)
    half = 0.5 * line_mm * (line[1] - line[0]) / length
    return [np.array([ends[k] - (half if k else 0.0),
                      ends[k + 1] + (half if k + 1 < count else 0.0)]) for k in range(count)]


def _on_wall(site: Site, ridge: Ridge, line: Floats) -> Prop:
    """The prop of one stretch of a ridge. Raises Refused."""
    process = site.context.process
    why = Refused("no upright wall beside it is near enough to lean on")
    along = (line[1] - line[0]) / np.linalg.norm(line[1] - line[0])
    across = np.array([-along[1], along[0]])
    for way in (across, -across, along, -along):
        for side in POSTS_MM:
            house = House(line, side, side, ridge.top, 0.0, fan=True)
            high = ridge.top - process.layer_mm - house.fan_mm(process)
            far = _wall_mm(site, house, way, high)
            if far is None or far < 0.5 * side + process.line_mm:
                break
            low = high - (far + 0.5 * side) * rise(process)
            if low < LOWEST_MM:
                why = Refused("a wall to lean on is near, and the platform no farther")
                break
            height = ridge.top - (high - far * rise(process))
            moment = physics.least_second_moment(_ring(house, process))
            long = height / math.sin(math.atan(rise(process)))
            give = physics.tip_deflection_mm(
                process.drag_n, long, 1000.0 * process.material.modulus_gpa.value, moment)
            stress = process.drag_n * height * 0.5 * side / moment
            if give > process.give_mm or stress > process.bond_mpa:
                why = Refused(f"leaning on a wall {far:.0f} mm away its tip would give way to the "
                              f"nozzle by {give:.1f} mm")
                continue
            snap = 8.0 * process.bond_mpa * moment / (0.5 * side)
            if snap > process.props.pull_n.value * height:
                why = Refused("what leans on the wall would not break off by hand")
                break
            body = _body(site, house, way, far, high)
            if body is None:
                why = Refused("there is no room for a post that leans on the wall")
                break
            onto = body.translate((*(TOUCH_MM * way).tolist(), 0.0)) ^ site.near
            return Prop(body, line, (), height, low, house.ridge, snap, give,
                        seam_mm2=float(onto.volume()) / TOUCH_MM)
    raise why


def _wall_mm(site: Site, house: House, way: Floats, high: float) -> float | None:
    """How far a wall is that a post can lean on over all of its foot; None where there is none."""
    aside = 0.5 * house.width * np.array([-way[1], way[0]])
    middle = house.line.mean(axis=0)
    near: list[float] = []
    first = _hit_mm(site, middle, way, high)
    if first is None:
        return None
    foot = high - first * rise(site.context.process)
    reach = 0.5 * house.width * rise(site.context.process)
    for z in (high, foot + reach, foot, foot - reach):
        for share in (-1.0, 0.0, 1.0):
            hit = _hit_mm(site, middle + share * aside, way, z) if z > 0.0 else None
            if hit is None or abs(hit - first) > FLAT_MM:
                return None
            near.append(hit)
    return max(near)


def _hit_mm(site: Site, start: Floats, way: Floats, z: float) -> float | None:
    x, y = (start + FARTHEST_MM * way).tolist()
    hits = site.near.ray_cast((*start.tolist(), z), (x, y, z))
    return float(hits[0].distance) * FARTHEST_MM if hits else None


def _ring(house: House, process: Process) -> list[Floats]:
    inner = rectangle(house.line, house.length - 2.0 * process.line_mm,
                      house.width - 2.0 * process.line_mm)
    return [rectangle(house.line, house.length, house.width), inner[::-1]]


def _body(site: Site, house: House, way: Floats, far: float, high: float) -> m3.Manifold | None:
    """The post, its fan, and what the wall leaves of them; None where something else than the wall
    is near."""
    process = site.context.process
    # As far into the wall as it is wide, so that the wall cuts all of it.
    deep = (far + house.width) * rise(process)
    upright_ = replace(house, base=high - deep, contact=None)
    outer, cavity = (filled(upright_, inset, process).trim_by_plane((0.0, 0.0, 1.0), high - deep)
                     for inset in (0.0, process.line_mm))
    shift = way / rise(process)
    parts = []
    for solid in (outer, cavity):
        # They reach into each other by a hair, so that the two do not merely touch.
        above = solid.trim_by_plane((0.0, 0.0, 1.0), high - HAIR_MM)
        leant = solid.trim_by_plane((0.0, 0.0, -1.0), -high).transform(np.array([
            [1.0, 0.0, -shift[0], shift[0] * high],
            [0.0, 1.0, -shift[1], shift[1] * high],
            [0.0, 0.0, 1.0, 0.0]]))
        parts.append(above + leant)
    whole = parts[0] - parts[1]
    if not _is_clear(site, parts[0], house, way, far):
        return None
    made = lumps_meeting(whole - site.near, site.slab)
    pieces = lumps(made)
    return made if len(pieces) == 1 else None


def _is_clear(
    site: Site, outer: m3.Manifold, house: House, way: Floats, far: float
) -> bool:
    """Whether nothing but the wall is nearer to it than props stay free of the part."""
    process, middle = site.context.process, house.line.mean(axis=0)
    free = free_mm(site)
    # This side of the wall, less the clearance to it.
    wide = 4.0 * FARTHEST_MM
    here = middle + (far - free - LEVEL_MM - 0.5 * wide) * way
    across = 0.5 * wide * np.array([-way[1], way[0]])
    window = m3.CrossSection([rectangle(np.array([here - across, here + across]), wide, wide)])
    low = float(outer.bounding_box()[2])
    for z in np.arange(low + process.layer_mm, house.top - process.layer_mm,
                       2.0 * process.layer_mm).tolist():
        around = offset_of(outer.slice(z), free) ^ window
        if (around ^ site.near.slice(z)).area() > GRID_MM:
            return False
    return True
