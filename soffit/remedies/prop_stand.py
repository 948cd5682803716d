"""Set props under ridges: how high, on what, how wide, kept clear of the part, and whether
they come out.

**Height.** Above, a ridge is cut by the underside itself, so that it touches it along its whole
length. Where the underside is not level, the hollow body ends at its lowest point over the
ridge and a fin one line thick follows the surface.

**Foot.** Below, the ridge meets the platform or the part. On the platform the walls stand on a
sole; on the part the body narrows to a contact with round ends, cut by the part's surface.

**Width.** See `prop_house`.

**Room.** `props.free_mm` stay free between the body and the part's walls.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import manifold3d as m3
import numpy as np

from soffit.part.model import Floats
from soffit.remedies.prop_house import Stood, houses_of, room_of
from soffit.remedies.prop_shape import House, shell, stadium, strip, upright
from soffit.remedies.prop_shared import Post, Shared, shared_posts
from soffit.remedies.prop_site import (
    BESIDE_MM,
    LEVEL_MM,
    Refused,
    Site,
    beside,
    floor_of,
    free_mm,
    ground_below,
)
from soffit.remedies.prop_solid import lumps
from soffit.remedies.prop_steady import with_sole
from soffit.remedies.prop_strength import Strength, tip_nmm

# A ridge is moved where that gives it more room by this share (common practice, no source: the rest
# still reaches as far as strands may be apart).
ROOM_SHARE = 0.8

# Lowest hollow body: lower ones are fins (derived: roof and sole of a body 2.4 mm wide).
LEAST_HOUSE_MM = 2.4

# Places along a ridge at which its ends above and below are looked for at most.
MOST_RAYS = 60


@dataclass(frozen=True)
class Prop:
    """One prop as built: its `body`, the `houses` that it is, none if it is a fin, its `height`,
    the length of its tip, the moment that snaps what of it breaks at once, N·mm, and how many
    ridges that is. `seam_mm2`: the area in which it leans on a wall, 0 if it does not; `gusset`:
    whether it is a plate that grows out of one."""

    body: m3.Manifold
    line: Floats | None
    houses: tuple[House, ...]
    height: float
    base: float
    tip_mm: float
    snap_nmm: float
    give_mm: float
    ridges: int = 1
    strength: Strength | None = None
    seam_mm2: float = 0.0
    gusset: bool = False


@dataclass(frozen=True)
class Ridge:
    """A ridge over what it stands on: `fin`, a blade from there to the underside, its `line` in
    plan, and the heights of its upper and lower end along it."""

    fin: m3.Manifold
    line: Floats
    tops: Floats
    grounds: Floats

    @property
    def top(self) -> float:
        """Where the hollow body ends."""
        return float(self.tops.min())

    @property
    def base(self) -> float:
        """Where it stands."""
        return float(self.grounds.max())

    @property
    def is_level(self) -> bool:
        """Whether the hollow body reaches the underside all along."""
        return float(np.ptp(self.tops)) <= LEVEL_MM


def props_under(site: Site, lines: tuple[Floats, ...]) -> list[Prop]:
    """Props for all ridges of one way to hold a finding. Raises Refused with the reason."""
    made: list[Prop] = []
    ridges: list[Ridge] = []
    stood: list[Stood] = []
    why = Refused("there is no free room right below it for a ridge")
    for ridge in [r for line in lines for r in ridges_of(site, _settled(site, line))]:
        if ridge.top - ridge.base < LEAST_HOUSE_MM:
            made.append(_fin(site, ridge))
            continue
        # One ridge less may still do; the review of the whole says so.
        try:
            stood.append(houses_of(site, ridge.line, ridge.top, ridge.grounds))
            ridges.append(ridge)
        except Refused as no:
            why = no
    posts = [Post(k, house, (strip(house.line, site.context.process.line_mm)
                             ^ ridge.fin.project()))
             for k, (ridge, own) in enumerate(zip(ridges, stood, strict=True)) if ridge.is_level
             for house in own.houses]
    shared = shared_posts(site, posts)
    for cup in shared:
        made.append(_cup(site, cup))
    taken = {post.house for cup in shared for post in cup.posts}
    for ridge, own in zip(ridges, stood, strict=True):
        left = tuple(h for h in own.houses if h not in taken)
        if not left:
            continue
        try:
            made.append(_stand(site, ridge, replace(own, houses=left)))
        except Refused as no:
            why = no
    if not made:
        raise why
    return made


def ridges_of(site: Site, line: Floats) -> list[Ridge]:
    """What of one ridge is under the place, in pieces where something parts it."""
    h = site.context.process.layer_mm
    fins = upright(_tip(site, line), 0.0, site.high) - site.near
    found = []
    for fin in lumps(fins):
        touch = fin ^ site.slab
        if touch.volume() <= 1e-5:
            continue
        _, _, bottom, _, _, top = fin.bounding_box()
        if top - bottom < 0.5 * h:
            continue
        own = _trimmed(fin, line)
        found.append(Ridge(fin, own, *_ends(fin, own, site.context.process.line_mm)))
    return found


def _tip(site: Site, line: Floats) -> m3.CrossSection:
    """What of a ridge is under the place and clear of the walls that stand beside it."""
    tip = strip(line, site.context.process.line_mm) ^ site.region
    return tip - beside(site) if site.low > 2.0 * site.context.process.layer_mm else tip


def _settled(site: Site, line: Floats) -> Floats:
    """The ridge moved across a little where it would stand half on a step below it, or right above
    the rim of a wall that it must stay clear of."""
    way = line[1] - line[0]
    across = np.array([-way[1], way[0]]) / np.linalg.norm(way)
    w = site.context.process.line_mm
    aside = 0.5 * w + free_mm(site)
    clear: Floats | None = None
    moves = [np.asarray(line + k * aside * across) for k in (0, 1, -1, 2, -2, 3, -3)]
    areas = [float(_tip(site, moved).area()) for moved in moves]
    for moved, area in zip(moves, areas, strict=True):
        if area < ROOM_SHARE * max(areas):
            continue
        clear = moved if clear is None else clear
        grounds = np.array([
            [ground_below(site, moved[0] + share * way + v * across) for share in (0.1, 0.5, 0.9)]
            for v in (-aside, 0.0, aside)
        ])
        if float(np.ptp(grounds, axis=0).max()) < site.context.process.layer_mm:
            return moved
    return line if clear is None else clear


def _fin(site: Site, ridge: Ridge) -> Prop:
    """A ridge so low that it stands as it is, or on a sole."""
    length, process = float(np.linalg.norm(ridge.line[1] - ridge.line[0])), site.context.process
    return Prop(with_sole(site, ridge.fin), ridge.line, (), float(ridge.tops.max()) - ridge.base,
                ridge.base, length, tip_nmm(length, process), 0.0)


def _stand(site: Site, ridge: Ridge, own: Stood) -> Prop:
    """The prop of a ridge on its houses."""
    process = site.context.process
    top, base = ridge.top, ridge.base
    body = m3.Manifold.batch_boolean(
        [shell(h, room_of(site, h), process) for h in own.houses], m3.OpType.Add)
    upper = ridge.fin.trim_by_plane((0.0, 0.0, 1.0), top - 0.5 * process.line_mm)
    if not ridge.is_level:
        body = body + upper
    # The tip of a body that walls cut away would start in mid-air.
    whole = lumps_meeting(body + _feet(site, own.houses, body) - site.near, upper,
                          base + process.layer_mm)
    if whole.is_empty():
        raise Refused("walls beside it leave no room for its body")
    length = float(np.linalg.norm(ridge.line[1] - ridge.line[0])) / len(own.houses)
    return Prop(whole, ridge.line, own.houses, top - base, base, length,
                tip_nmm(length, process), own.give_mm, strength=own.strength)


def _cup(site: Site, shared: Shared) -> Prop:
    """The prop of several ridges on one post."""
    house = shared.cup.house
    foot = _feet(site, (house,), shared.body)
    return Prop(shared.body + foot - site.near, house.line, (house,), house.top - house.base,
                house.base, shared.tips.area() / site.context.process.line_mm, shared.cup.snap_nmm,
                shared.cup.give_mm, len({post.ridge for post in shared.posts}),
                shared.cup.strength)


def _feet(site: Site, houses: tuple[House, ...], body: m3.Manifold) -> m3.Manifold:
    """The contacts with the part below, cut by its surface."""
    feet = []
    for house in houses:
        if house.contact is not None:
            # Over a hole or past an edge of what is below, a foot has no leg.
            down = max(house.drop + LEVEL_MM, BESIDE_MM)
            plan = stadium(house.foot, house.contact) ^ floor_of(site, house.base, down)
            feet.append(upright(plan, max(0.0, house.base - down),
                                house.base + site.context.process.layer_mm + 0.01))
    if not feet:
        return m3.Manifold()
    return lumps_meeting(m3.Manifold.batch_boolean(feet, m3.OpType.Add) - site.near, body)


def lumps_meeting(
    body: m3.Manifold, other: m3.Manifold, low: float = math.inf
) -> m3.Manifold:
    """The pieces of a body that meet another and reach down to a height."""
    kept = [b for b in lumps(body)
            if b.bounding_box()[2] <= low and (b ^ other).volume() > 1e-7]
    return m3.Manifold.batch_boolean(kept, m3.OpType.Add) if kept else m3.Manifold()


def _trimmed(fin: m3.Manifold, line: Floats) -> Floats:
    """The stretch of the ridge that the fin really has."""
    along = (line[1] - line[0]) / np.linalg.norm(line[1] - line[0])
    points = fin.to_mesh64().vert_properties[:, :2]
    u = (points - line[0]) @ along
    low, high = float(u.min()), max(float(u.max()), float(u.min()) + 1e-3)
    return np.array([line[0] + low * along, line[0] + high * along])


def _ends(fin: m3.Manifold, line: Floats, w: float) -> tuple[Floats, Floats]:
    """Heights of the fin's upper and lower end along its middle and both its sides."""
    along = line[1] - line[0]
    length = float(np.linalg.norm(along))
    along = along / length
    across = np.array([-along[1], along[0]])
    count = int(np.clip(length / w, 2, MOST_RAYS))
    inset = min(0.02, 0.25 * length)
    tops, grounds = [], []
    _, _, bottom, _, _, high = fin.bounding_box()
    for u in np.linspace(inset, length - inset, count):
        for v in (-0.45 * w, 0.0, 0.45 * w):
            x, y = (line[0] + u * along + v * across).tolist()
            hits = fin.ray_cast((x, y, high + 1.0), (x, y, bottom - 1.0))
            if len(hits) >= 2:
                tops.append(float(hits[0].position[2]))
                grounds.append(float(hits[-1].position[2]))
    if not tops:
        return np.array([high]), np.array([bottom])
    return np.array(tops), np.array(grounds)


