"""One post for several ridges that are near each other: a cup that opens from the post to them.

Ridges around a hole or along a curve are short and close; a post for each would stand in those of
its neighbours. One wall from a single post leans out to the smallest convex outline about all of
their tips, no farther than the process prints; within it each ridge is a plate that grows out of
that wall. Between the ridges the wall ends below the underside, so that it touches nothing there.
A plate that no wall reaches, as the wall leans out past it, would stand by itself from the post up
and give way: a tie along it, from wall to wall, holds all of it but its tip.

**How it is measured.** At a share s of the height between the post and the tips the outline is
(1 − s) post + s outline of the tips (Minkowski), and so it leans by the greatest difference of
their support functions over the height (derived). How much it gives: as `prop_posts` for the
rectangles about both; plates not counted, but for those that stand by themselves, as F h³ / (3 E I)
over the height h in which they do (derived). Its plastic is estimated from above, as if each ridge
were a plate beside the wall.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import manifold3d as m3
import numpy as np

from soffit.layers.stack import GRID_MM, components, offset_of
from soffit.part.model import Floats
from soffit.process import physics
from soffit.process.model import Process
from soffit.remedies.prop_posts import LEAST_POST_MM, POSTS_MM, sizes_of, sole_mm3
from soffit.remedies.prop_sections import Sections, give_mm
from soffit.remedies.prop_shape import (
    SOLE_LAYERS,
    House,
    Room,
    post,
    rectangle,
    rise,
    sole_of,
    strip,
    upright,
)
from soffit.remedies.prop_strength import Strength, strength_of

# Directions in which outlines are compared (derived: 0.1 % of a circle's radius).
DIRECTIONS = 72

# Layers below the tips in which the wall between ridges has ended (common practice, no source: one
# that holds what is above it would be a contact).
RIM_LAYERS = 2

# How far a cavity reaches past the tips, so that it is open, mm (derived: any will do).
OPEN_MM = 1.0

# How far below the tips a tie ends, mm (derived: three layers; so low a stub does not give).
TIP_MM = 0.6


@dataclass(frozen=True)
class Cup:
    """A post that opens from the height `high` to `crown`, the convex outline about its tips,
    (n, 2); `house` has the measures of the post and, as its ridge, the longer of those of the
    crown. `snap_nmm`: the moment that snaps all of its tips."""

    house: House
    crown: Floats
    high: float
    give_mm: float
    plastic_mm3: float
    snap_nmm: float
    strength: Strength


def cups(
    tips: m3.CrossSection, along: Floats, top: float, base: float, process: Process,
    contact_mm: Callable[[float], float | None],
) -> list[Cup]:
    """Posts that hold all `tips`, in line with `along`, least plastic first, all that are stiff
    enough; `contact_mm` as of `prop_posts.posts`."""
    crown = np.asarray(tips.hull().to_polygons()[0])
    across = np.array([-along[1], along[0]])
    u, v = crown @ along, crown @ across
    middle = 0.5 * (float(u.min() + u.max()) * along + float(v.min() + v.max()) * across)
    long, wide = float(np.ptp(u)), float(np.ptp(v))
    line = np.array([middle - 0.5 * long * along, middle + 0.5 * long * along])
    ridges = tips.area() / process.line_mm
    snap = snap_of(tips, process)
    found = []
    for one in _sizes(House(line, 0.0, long, top, base, fan=True), contact_mm):
        high = top - process.layer_mm - _lean_mm(crown, one) * rise(process)
        neck = process.layer_mm + one.neck_mm(process) if one.contact is not None else 0.0
        if high < base + neck + LEAST_POST_MM:
            continue
        sections = Sections.of(one, process, tip_mm=wide, fan_mm=top - process.layer_mm - high)
        give = give_mm(sections, 0.5 * math.hypot(long, wide), process)
        strength = strength_of(sections, snap, top - high, process)
        if give <= process.give_mm and strength.comes_off(process):
            plates = process.line_mm * ridges * (top - high)
            plastic = sections.plastic_mm3 + plates + sole_mm3(one, process)
            found.append(Cup(one, crown, high, give, plastic, snap, strength))
    return sorted(found, key=lambda c: round(c.plastic_mm3, 3))


def snap_of(tips: m3.CrossSection, process: Process) -> float:
    """Moment that breaks the first of several tips, about the way in which they are weaker, N·mm
    (derived: bond I / c of all of them together)."""
    rings = tips.to_polygons()
    _, least, _, centre = physics.second_moments(rings)
    far = float(np.linalg.norm(np.concatenate(rings) - centre, axis=1).max())
    return process.bond_mpa * least / far


def _sizes(house: House, contact_mm: Callable[[float], float | None]) -> Iterator[House]:
    for length in POSTS_MM:
        contact = contact_mm(length)
        if contact == math.inf:
            continue
        for width in POSTS_MM:
            yield from sizes_of(house, length, width, contact)


def _lean_mm(crown: Floats, house: House) -> float:
    """How far the outline of the tips reaches past that of the post, at most."""
    turn = np.linspace(0.0, 2.0 * math.pi, DIRECTIONS, endpoint=False)
    ways = np.column_stack([np.cos(turn), np.sin(turn)])
    outline = rectangle(house.line, house.length, house.width)
    return max(float(((crown @ ways.T).max(axis=0) - (outline @ ways.T).max(axis=0)).max()), 1e-2)


def body_of(
    cup: Cup, tips: m3.CrossSection, room: Room, process: Process, lines: Sequence[Floats] = ()
) -> m3.Manifold:
    """The cup as a hollow body, its plates, tied along the `lines` of their ridges where they stand
    by themselves, and its sole, kept within the room for it; in the last layer it is upright."""
    house, line = cup.house, process.line_mm
    outer = _filled(cup, 0.0, process) ^ room.solid(house.base - 1.0, house.top + 1.0)
    cavity = _filled(cup, line, process)
    wall = outer - (cavity ^ room.solid(house.base - 2.0, house.top + 2.0, line))
    made = wall.trim_by_plane((0.0, 0.0, -1.0), RIM_LAYERS * process.layer_mm - house.top)
    # The plates begin at the walls and meet in a peak over the post.
    plates = upright(tips, cup.high, house.top) + upright(
        _ties(cup, tips, wall, lines, process), cup.high, house.top - TIP_MM)
    made = made + ((plates ^ outer) - _peak(cup, process))
    for k in range(RIM_LAYERS):
        # What of the wall leans out to the tips above it.
        below = offset_of(tips, (k + 1) * process.step_mm, m3.JoinType.Miter)
        low = house.top - (k + 1) * process.layer_mm
        made = made + (wall ^ upright(below, low, low + process.layer_mm))
    if house.contact is None:
        made = made + upright(sole_of(house) ^ room.bands[0][1], house.base,
                              house.base + SOLE_LAYERS * process.layer_mm)
    return made


def _ties(
    cup: Cup, tips: m3.CrossSection, wall: m3.Manifold, lines: Sequence[Floats], process: Process
) -> m3.CrossSection:
    """Strips in plan along the plates that would give way by themselves, from wall to wall."""
    far, h = float(np.ptp(cup.crown, axis=0).sum()), process.layer_mm
    heights = np.arange(cup.house.top - 0.5 * h, cup.high, -h)
    walls = [wall.slice(z) for z in heights.tolist()]
    modulus = 1000.0 * process.material.modulus_gpa.value
    found = m3.CrossSection()
    for plate in components(tips):
        reached = (k for k, section in enumerate(walls) if (plate ^ section).area() > GRID_MM)
        free = h * next(reached, len(walls))
        gives = physics.tip_deflection_mm(process.drag_n, free, modulus,
                                          physics.least_second_moment(plate.to_polygons()))
        if cup.give_mm + gives <= process.give_mm:
            continue
        for line in lines:
            if (strip(line, process.line_mm) ^ plate).area() > GRID_MM:
                along = far * (line[1] - line[0]) / np.linalg.norm(line[1] - line[0])
                found = found + strip(np.array([line[0] - along, line[1] + along]), process.line_mm)
    return found


def _peak(cup: Cup, process: Process) -> m3.Manifold:
    """A roof over the room in the post."""
    house, line = cup.house, process.line_mm
    room = rectangle(house.line, house.length - 2.0 * line, house.width - 2.0 * line)
    tall = 0.5 * (max(house.length, house.width) - 2.0 * line) * rise(process)
    low = cup.high - OPEN_MM
    return m3.Manifold.hull_points(np.concatenate([
        np.column_stack([room, np.full(4, low)]), np.column_stack([room, np.full(4, cup.high)]),
        [[*house.line.mean(axis=0), cup.high + tall]]]))


def _filled(cup: Cup, inset: float, process: Process) -> m3.Manifold:
    house = cup.house
    crown = m3.CrossSection([cup.crown])
    width, length = house.width - 2.0 * inset, house.length - 2.0 * inset
    inner = offset_of(crown, -inset) if inset else crown
    if inner.is_empty() or min(width, length) < process.line_mm:
        return m3.Manifold()
    top = house.top - process.layer_mm
    ends = [(ring, z) for ring in inner.to_polygons() for z in (top, house.top + (
        OPEN_MM if inset else 0.0))]
    low = rectangle(house.line, length, width)
    points: Sequence[Floats] = [
        np.column_stack([ring, np.full(len(ring), z)]) for ring, z in [*ends, (low, cup.high)]]
    return m3.Manifold.hull_points(np.concatenate(points)) + post(house, inset, process, cup.high)
