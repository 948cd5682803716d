"""What a ridge stands on: posts, or one body as long as itself.

**Width.** F is the drag on the tip, H the height, I the smaller second moment of the walls as
they come out between their surroundings. The narrowest body is taken whose tip gives by no
more than half a line, F H³ / (3 E I) ≤ w/2, and on the platform the smallest sole at whose edge
F H c / I stays within the adhesion (derived; inputs in `physics`). Posts: see `prop_posts`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import manifold3d as m3
import numpy as np

from soffit.layers.stack import GRID_MM, offset_of
from soffit.part.model import Floats
from soffit.process import physics
from soffit.remedies.prop_posts import posts
from soffit.remedies.prop_shape import House, rectangle, sole_of, stadium, strip, widest
from soffit.remedies.prop_site import (
    SOLES_MM,
    WIDTHS_MM,
    Refused,
    Site,
    bond_mpa,
    floor_of,
    free_between,
    give_of,
)

# Widest contact on the part that still snaps off by hand (from memory).
MOST_CONTACT_MM = 3.0

# Ways to stand on posts that are looked at for room, and the share of a fan that a wall may cut off
# (own choice: each takes a millisecond; what is cut off is hollow wall).
MOST_POSTED = 60
CUT_SHARE = 0.02


@dataclass(frozen=True)
class Stood:
    """What a ridge stands on, the plan region that is free for it, and how much its tip gives."""

    houses: tuple[House, ...]
    free: m3.CrossSection
    give_mm: float


@dataclass(frozen=True)
class Ground:
    """What posts from one height to another stand on: the plan region that is `free` for them, and
    the `floor` of the part below, None on the platform."""

    site: Site
    top: float
    base: float
    free: m3.CrossSection
    floor: m3.CrossSection | None

    @classmethod
    def of(cls, site: Site, top: float, base: float) -> Ground:
        """That between two heights."""
        layer = site.context.process.layer_mm
        on_part = base > 0.5 * layer
        free = free_between(site, base + (layer if on_part else GRID_MM), top - GRID_MM)
        return cls(site, top, base, free, floor_of(site, base) if on_part else None)

    def contact_mm(self, length: float) -> float | None:
        """Width of the contact of a post of so much length that the drag of the nozzle does not
        snap; None on the platform, infinite where it would not break off by hand."""
        if self.floor is None:
            return None
        process = self.site.context.process
        bond, moment = bond_mpa(process), physics.DRAG_N * (self.top - self.base)
        width = max(process.line_mm, physics.contact_width_mm(moment, length, bond))
        if length < width:
            width = max(process.line_mm, physics.contact_diameter_mm(moment, bond))
        return width if width <= MOST_CONTACT_MM else math.inf

    def stood(self, house: House, tips: m3.CrossSection) -> House | None:
        """A post that opens to these tips, on the platform on the smallest sole that holds it; None
        where not nearly all of it has room."""
        whole = m3.CrossSection.batch_hull([
            tips, m3.CrossSection([rectangle(house.line, house.length, house.width)])])
        if (whole - self.free).area() > CUT_SHARE * whole.area():
            return None
        if self.floor is None or house.contact is None:
            return _with_sole(house, self.free)
        contact = stadium(house.foot, house.contact)
        return house if (contact - self.floor).area() <= CUT_SHARE * contact.area() else None


def houses_of(site: Site, line: Floats, top: float, base: float) -> Stood:
    """What a ridge stands on with least plastic: posts, or one body as long as itself where there
    is no room for those. Raises Refused."""
    process, ground = site.context.process, Ground.of(site, top, base)
    ridge = float(np.linalg.norm(line[1] - line[0]))
    house = House(line, 0.0, ridge, top, base)
    for way in posts(house, process, ground.contact_mm)[:MOST_POSTED]:
        stood = [ground.stood(h, strip(h.line, process.line_mm)) for h in way.houses]
        if all(stood):
            return Stood(tuple(h for h in stood if h is not None), ground.free, way.give_mm)
    long, give = _long(site, replace(house, contact=ground.contact_mm(ridge)), ground.free)
    return Stood((long,), ground.free, give)


def _long(site: Site, house: House, free: m3.CrossSection) -> tuple[House, float]:
    """The narrowest body as long as its ridge that stands, and by how much its tip gives."""
    process = site.context.process
    w, height, ridge = process.line_mm, house.top - house.base, house.ridge
    if house.contact == math.inf:
        raise Refused(f"at {height:.0f} mm height over the part its foot would have to be wider "
                      f"than the {MOST_CONTACT_MM:.1f} mm that still break off")
    limit = widest(house, process)
    give = math.inf
    for width in sorted({min(width, limit) for width in WIDTHS_MM}):
        house = replace(house, width=width, length=max(ridge, width))
        give = give_of(site, _walls(house, free, w), height)
        if give <= 0.5 * w:
            break
    else:
        raise Refused(f"at {height:.0f} mm height its tip would give way to the nozzle by "
                      f"{give:.1f} mm")
    if house.contact is not None:
        return house, give
    stood = _with_sole(house, free)
    if stood is None:
        raise Refused(
            f"there is no room for a foot on which a prop of {height:.0f} mm stands steadily")
    return stood, give


def _walls(house: House, free: m3.CrossSection, w: float) -> m3.CrossSection:
    """The hollow body's walls in plan."""
    outer = m3.CrossSection([rectangle(house.line, house.length, house.width)]) ^ free
    if min(house.length, house.width) < 3.0 * w:
        return outer
    inner = m3.CrossSection([rectangle(house.line, house.length - 2 * w, house.width - 2 * w)])
    return outer - (inner ^ offset_of(free, -w))


def _with_sole(house: House, free: m3.CrossSection) -> House | None:
    """The house on the smallest sole that holds it on the platform; None where none has room."""
    height = house.top - house.base
    for sole in SOLES_MM:
        plate = sole_of(replace(house, sole=sole)) ^ free
        if physics.peel_of(plate.to_polygons(), physics.DRAG_N, height) <= physics.ADHESION_MPA:
            return replace(house, sole=sole)
    return None
