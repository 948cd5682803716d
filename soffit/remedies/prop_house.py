"""What a ridge stands on: posts, or one body as long as itself.

**Width.** F is the drag on the tip, H the height. The narrowest body is taken, and on the part the
narrowest contact below it, whose tip gives by no more than half a line as a beam
(`prop_sections`), no section of which is stiffer than the walls as they come out between their
surroundings; and on the platform the smallest sole at whose edge F H c / I stays within the
adhesion (derived; inputs in the profile). Posts: see `prop_posts`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import manifold3d as m3
import numpy as np

from soffit.layers.stack import GRID_MM, offset_of
from soffit.part.model import Floats
from soffit.process import physics
from soffit.process.model import Process
from soffit.remedies.prop_posts import has_post, posts, sizes_of
from soffit.remedies.prop_sections import Sections, give_mm
from soffit.remedies.prop_shape import House, Room, rectangle, sole_of, stadium, strip, widest
from soffit.remedies.prop_site import (
    LEVEL_MM,
    SOLES_MM,
    WIDTHS_MM,
    Refused,
    Site,
    floor_of,
    free_between,
    ground_below,
)
from soffit.remedies.prop_strength import Strength

# How far a contact may reach down a slope that it stands on, mm (derived: 45 degrees under the
# narrowest post).
MOST_DROP_MM = 2.4

# Heights at which the room of a post changes are multiples of this, mm (own choice).
STEP_MM = 0.5

# Ways to stand on posts that are looked at for room, and the share of a fan that a wall may cut off
# (own choice: each takes a millisecond; what is cut off is hollow wall).
MOST_POSTED = 60
CUT_SHARE = 0.05


@dataclass(frozen=True)
class Stood:
    """What a ridge stands on, how much its tip gives, mm, and what its posts bear, None where it
    stands on one body as long as itself."""

    houses: tuple[House, ...]
    give_mm: float
    strength: Strength | None


@dataclass(frozen=True)
class Ground:
    """What posts from one height to another stand on."""

    site: Site
    top: float
    base: float

    @property
    def on_part(self) -> bool:
        """Whether that is the part, not the platform."""
        return self.base > 0.5 * self.site.context.process.layer_mm

    @property
    def free(self) -> m3.CrossSection:
        """The plan region that is free for posts."""
        above = self.site.context.process.layer_mm if self.on_part else GRID_MM
        return free_between(self.site, self.base + above, self.top - GRID_MM)

    def contact_mm(self, length: float) -> float | None:
        """Width of the contact of a post of so much length that the drag of the nozzle does not
        snap; None on the platform, infinite where it would not break off by hand."""
        if not self.on_part:
            return None
        process = self.site.context.process
        bond, moment = process.bond_mpa, process.drag_n * (self.top - self.base)
        width = max(process.line_mm, physics.contact_width_mm(moment, length, bond))
        if length < width:
            width = max(process.line_mm, physics.contact_diameter_mm(moment, bond))
        return width if width <= process.props.contact_mm.value else math.inf

    def room(self, house: House, tips: m3.CrossSection, high: float) -> Room | None:
        """What is free for a post that opens from a height to these tips: one region for all of
        it if that will do; else one for each of its parts, as close above what it stands on, beside
        its neck, a slope may rise nearer to it than bodies that are to stay apart. None where not
        nearly all of it has room."""
        outline = m3.CrossSection([rectangle(house.line, house.length, house.width)])
        whole = m3.CrossSection.batch_hull([tips, outline])
        if _has_room(whole, self.free):
            return Room.of(self.free)
        process = self.site.context.process
        low = self.base + (process.layer_mm if self.on_part else GRID_MM)
        # Few different heights, so that few regions are to be found.
        opens = max(low, STEP_MM * math.floor(high / STEP_MM))
        neck = low
        if self.on_part:
            neck = low + house.neck_mm(process) + process.props.free_mm.value
            neck = min(opens, STEP_MM * math.ceil(neck / STEP_MM))
        bands = [(neck, low, outline, 0.0), (opens, neck, outline, None),
                 (math.inf, opens, whole, None)]
        found = []
        for upto, start, region, apart in bands:
            if upto <= start:
                continue
            free = free_between(self.site, start, min(upto, self.top - GRID_MM), apart)
            if not _has_room(region, free):
                return None
            found.append((upto, free))
        return Room(tuple(found))

    def stood(self, house: House, tips: m3.CrossSection, high: float) -> House | None:
        """A post that opens from a height to these tips, on the platform on the smallest sole that
        holds it; None where not nearly all of it has room."""
        room = self.room(house, tips, high)
        if room is None:
            return None
        if not self.on_part or house.contact is None:
            return _with_sole(house, room.bands[0][1], self.site.context.process)
        contact = stadium(house.foot, house.contact)
        return house if _has_room(
            contact, floor_of(self.site, house.base, house.drop + LEVEL_MM)) else None


def _has_room(region: m3.CrossSection, free: m3.CrossSection) -> bool:
    return bool((region - free).area() <= CUT_SHARE * region.area())


def houses_of(site: Site, line: Floats, top: float, grounds: Floats) -> Stood:
    """What a ridge stands on with least plastic: posts, or one body as long as itself where there
    is no room for those; `grounds` are the heights of what lies below it. Raises Refused."""
    process, low, base = site.context.process, float(grounds.min()), float(grounds.max())
    ridge = float(np.linalg.norm(line[1] - line[0]))
    ground = Ground(site, top, base)
    # On the highest of what lies below, then each on what lies below it, as if all stood on the
    # lowest.
    for level, stands in [(True, ground), (False, Ground(site, top, low))]:
        if not level and base - low <= LEVEL_MM:
            continue
        house = House(line, 0.0, ridge, top, stands.base)
        for way in posts(house, process, stands.contact_mm)[:MOST_POSTED]:
            stood = [_landed(site, h, level=level) for h in way.houses]
            if all(stood):
                return Stood(tuple(h for h in stood if h is not None), way.give_mm, way.strength)
    house = House(line, 0.0, ridge, top, base, ground.contact_mm(ridge),
                  drop=min(base - low, MOST_DROP_MM))
    long, give = _long(site, house, ground.free)
    return Stood((long,), give, None)


def _landed(site: Site, post: House, *, level: bool) -> House | None:
    """A post on what lies below it; None where there is no room for it."""
    process, tips = site.context.process, strip(post.line, site.context.process.line_mm)
    if not level:
        if post.contact is None:
            return None
        rim = stadium(post.foot, post.contact).to_polygons()[0]
        below = [ground_below(site, p) for p in (*rim, *post.foot, post.foot.mean(axis=0))]
        post = replace(post, base=max(below), drop=max(below) - min(below))
        if post.drop > MOST_DROP_MM or not has_post(post, process):
            return None
        if give_mm(Sections.of(post, process), 0.5 * post.ridge, process) > process.give_mm:
            return None
    return Ground(site, post.top, post.base).stood(post, tips, fan_base(post, process))


def fan_base(post: House, process: Process) -> float:
    """The height from which a post opens."""
    return post.top - process.layer_mm - post.fan_mm(process)


def room_of(site: Site, house: House) -> Room:
    """What is free for a house."""
    process, ground = site.context.process, Ground(site, house.top, house.base)
    room = None
    if house.fan:
        room = ground.room(house, strip(house.line, process.line_mm), fan_base(house, process))
    return room or Room.of(ground.free)


def _long(site: Site, house: House, free: m3.CrossSection) -> tuple[House, float]:
    """The narrowest body as long as its ridge that stands, and by how much its tip gives."""
    process = site.context.process
    height, ridge = house.top - house.base, house.ridge
    if house.contact == math.inf:
        raise Refused(f"at {height:.0f} mm height over the part its foot would have to be wider "
                      f"than the {process.props.contact_mm.value:.1f} mm that still break off")
    limit = widest(house, process)
    give = math.inf
    for one in (one for width in sorted({min(width, limit) for width in WIDTHS_MM})
                for one in sizes_of(house, max(ridge, width), width, house.contact)):
        give = _give_mm(one, free, process)
        if give <= process.give_mm:
            house = one
            break
    else:
        raise Refused(f"at {height:.0f} mm height its tip would give way to the nozzle by "
                      f"{give:.1f} mm")
    if house.contact is not None:
        return house, give
    stood = _with_sole(house, free, process)
    if stood is None:
        raise Refused(
            f"there is no room for a foot on which a prop of {height:.0f} mm stands steadily")
    return stood, give


def _give_mm(house: House, free: m3.CrossSection, process: Process) -> float:
    """By how much the tip of a body gives whose walls are cut by what is free."""
    left = physics.least_second_moment(_walls(house, free, process.line_mm).to_polygons())
    if left <= 0.0:
        return math.inf
    return give_mm(Sections.of(house, process), 0.5 * house.ridge, process, left)


def _walls(house: House, free: m3.CrossSection, w: float) -> m3.CrossSection:
    """The hollow body's walls in plan."""
    outer = m3.CrossSection([rectangle(house.line, house.length, house.width)]) ^ free
    if min(house.length, house.width) < 3.0 * w:
        return outer
    inner = m3.CrossSection([rectangle(house.line, house.length - 2 * w, house.width - 2 * w)])
    return outer - (inner ^ offset_of(free, -w))


def _with_sole(house: House, free: m3.CrossSection, process: Process) -> House | None:
    """The house on the smallest sole that holds it on the platform; None where none has room."""
    height, holds = house.top - house.base, process.capability.adhesion_mpa.value
    for sole in SOLES_MM:
        plate = sole_of(replace(house, sole=sole)) ^ free
        if physics.peel_of(plate.to_polygons(), process.drag_n, height) <= holds:
            return replace(house, sole=sole)
    return None
