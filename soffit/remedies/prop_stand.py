"""Set props under ridges: how high, on what, how wide, kept clear of the part, and whether
they come out.

**Height.** Above, a ridge is cut by the underside itself, so that it touches it along its whole
length. Where the underside is not level, the hollow body ends at its lowest point over the
ridge and a fin one line thick follows the surface.

**Foot.** Below, the ridge meets the platform or the part. On the platform the walls stand on a
sole; on the part the body narrows to a contact with round ends, cut by the part's surface.

**Width.** F is the drag on the tip, H the height, I the smaller second moment of the walls as
they come out between their surroundings. The narrowest body is taken whose tip gives by no
more than half a line, F H³ / (3 E I) ≤ w/2, and on the platform the smallest sole at whose edge
F H c / I stays within the adhesion (derived; inputs in `physics`).

**Room.** 0.4 mm stay free between the body and the part's walls (trade: clearance to stay free).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import manifold3d as m3
import numpy as np

from soffit.findings.model import Finding
from soffit.layers.stack import GRID_MM, offset_of, tidy
from soffit.part.mesh_solid import evaluate
from soffit.part.model import Floats
from soffit.part.solid import Drop
from soffit.process import physics
from soffit.remedies.context import Context
from soffit.remedies.prop_shape import (
    House,
    rectangle,
    shell,
    sole_of,
    stadium,
    strip,
    upright,
    widest,
)
from soffit.remedies.prop_solid import lumps

# Clearance that keeps two bodies apart in print (trade, common practice, no source).
FREE_MM = 0.4

# Widths of the walls' outline and of the sole past it that are tried, narrowest first, mm
# (common practice, no source).
WIDTHS_MM = (2.4, 3.2, 4.0, 6.0, 8.0, 11.0, 15.0)
SOLES_MM = (0.0, 1.0, 2.0, 3.0, 5.0, 8.0)

# Widest contact on the part that still snaps off by hand (from memory).
MOST_CONTACT_MM = 3.0

# Height below a tip within which a wall beside it counts (derived: five layers of 0.2 mm).
BESIDE_MM = 1.0

# A ridge with less room than this share of itself is moved (common practice, no source: the rest
# still reaches as far as strands may be apart).
ROOM_SHARE = 0.8

# A ridge whose ends differ by less is level (derived: a twentieth of a layer of 0.2 mm).
LEVEL_MM = 0.01

# Lowest hollow body: lower ones are fins (derived: roof and sole of a body 2.4 mm wide).
LEAST_HOUSE_MM = 2.4

# Places along a ridge at which its ends above and below are looked for at most.
MOST_RAYS = 60


class Refused(Exception):
    """Why a prop cannot stand; caught by the remedy, never seen by a user."""


@dataclass(frozen=True)
class Prop:
    """One prop as built: its `body`, the `house` if it is hollow, its `height` and the area
    and length of its tip."""

    body: m3.Manifold
    line: Floats | None
    house: House | None
    height: float
    base: float
    tip_mm: float
    give_mm: float


def give_of(site: Site, section: m3.CrossSection, height: float) -> float:
    """How far the drag of the nozzle bends a body of this section and height at its tip, mm."""
    modulus = 1000.0 * site.context.process.material.modulus_gpa.value
    moment = physics.least_second_moment(section.to_polygons())
    if moment <= 0.0:
        return math.inf
    return physics.tip_deflection_mm(physics.DRAG_N, height, modulus, moment)


@dataclass(frozen=True)
class Site:
    """The surroundings of one finding: the part near it, the underside as a thin slab, and its
    plan region."""

    context: Context
    near: m3.Manifold
    slab: m3.Manifold
    region: m3.CrossSection
    low: float
    high: float
    layers: tuple[int, int]
    known: dict[tuple[float, float], m3.CrossSection] = field(default_factory=dict)


def site_of(context: Context, finding: Finding) -> Site:
    """What props under a finding must know of the part."""
    if context.solid is None:
        raise Refused("the part's surface is not closed")
    patch, h = finding.patch, context.process.layer_mm
    region = m3.CrossSection(list(patch.rings), m3.FillRule.Positive)
    low, high = patch.z_mm
    if not len(patch.triangles):
        # No flat facet lies over it: an edge of steep ones, somewhere in these layers.
        low, high = low - h, high + 0.5 * h
    x0, y0, x1, y1 = region.bounds()
    margin = 0.5 * WIDTHS_MM[-1] + SOLES_MM[-1] + 1.0
    box = m3.Manifold.cube((x1 - x0 + 2 * margin, y1 - y0 + 2 * margin, high + h + 2.0))
    near = context.solid ^ box.translate((x0 - margin, y0 - margin, -1.0))
    if len(patch.triangles) and high - low > 0.25 * h:
        faces = tuple(sorted({int(f) for f in context.part.mesh.face_of[patch.triangles]}))
        slab = evaluate(Drop(faces, patch.triangles, 0.5 * h), context.part)
    else:
        slab = upright(region, low - 0.5 * h, high)
    return Site(context, near, slab, region, low, high, patch.layers)


def props_under(site: Site, lines: tuple[Floats, ...]) -> list[Prop]:
    """Props for all ridges of one way to hold a finding. Raises Refused with the reason."""
    made: list[Prop] = []
    why = Refused("there is no free room right below it for a ridge")
    for line in lines:
        # One ridge less may still do; the review of the whole says so.
        try:
            made += _under(site, _settled(site, line))
        except Refused as no:
            why = no
    if not made:
        raise why
    return made


def _under(site: Site, line: Floats) -> list[Prop]:
    h = site.context.process.layer_mm
    fins = upright(_tip(site, line), 0.0, site.high) - site.near
    made = []
    for fin in lumps(fins):
        touch = fin ^ site.slab
        if touch.volume() <= 1e-5:
            continue
        _, _, bottom, _, _, top = fin.bounding_box()
        if top - bottom < 0.5 * h:
            continue
        made.append(_stand(site, fin, line))
    return made


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
    shift = 0.5 * w + FREE_MM
    clear: Floats | None = None
    least = ROOM_SHARE * (strip(line, w) ^ site.region).area()
    for move in (0.0, shift, -shift, 2.0 * shift, -2.0 * shift, 3.0 * shift, -3.0 * shift):
        moved = np.asarray(line + move * across)
        if _tip(site, moved).area() < least:
            continue
        clear = moved if clear is None else clear
        grounds = np.array([
            [_ground(site, moved[0] + share * way + v * across) for share in (0.1, 0.5, 0.9)]
            for v in (-0.5 * w - FREE_MM, 0.0, 0.5 * w + FREE_MM)
        ])
        if float(np.ptp(grounds, axis=0).max()) < site.context.process.layer_mm:
            return moved
    return line if clear is None else clear


def _ground(site: Site, plan: Floats) -> float:
    """Height of what lies below a point of the place, mm."""
    x, y = plan.tolist()
    hits = site.near.ray_cast((x, y, site.low - 0.1), (x, y, -1.0))
    return max(0.0, float(hits[0].position[2])) if hits else 0.0


def beside(site: Site) -> m3.CrossSection:
    """What of the part stands beside the place right below it, with the clearance to it."""
    key = (-1.0, -1.0)
    if key not in site.known:
        wall = (site.near ^ level(site, site.low - BESIDE_MM, site.low - GRID_MM)).project()
        site.known[key] = offset_of(wall, FREE_MM, m3.JoinType.Round, 2.0, 16)
    return site.known[key]


def level(site: Site, low: float, high: float) -> m3.Manifold:
    x0, y0, _, x1, y1, _ = site.near.bounding_box()
    box = m3.Manifold.cube((x1 - x0, y1 - y0, max(high - low, 1e-6)))
    return box.translate((x0, y0, low))


def _stand(site: Site, fin: m3.Manifold, line: Floats) -> Prop:
    """The prop whose ridge is the top of `fin`, a blade from what is below to the underside."""
    process = site.context.process
    w = process.line_mm
    line = _trimmed(fin, line)
    tops, grounds = _ends(fin, line, w)
    top, base = float(tops.min()), float(grounds.max())
    length = float(np.linalg.norm(line[1] - line[0]))
    if top - base < LEAST_HOUSE_MM:
        return Prop(fin, line, None, float(tops.max()) - base, base, length, 0.0)
    house, free, give = _house(site, line, top, base)
    body = shell(house, free, process)
    keep = 0.5 * w
    upper = fin.trim_by_plane((0.0, 0.0, 1.0), top - keep)
    if float(np.ptp(tops)) > LEVEL_MM:
        body = body + upper
    foot = m3.Manifold()
    if house.contact is not None:
        # Over a hole or past an edge of what is below, the foot has no leg.
        ground = (site.near ^ level(site, base - BESIDE_MM, base)).project()
        plan = stadium(line, house.contact) ^ ground
        foot = upright(plan, max(0.0, base - BESIDE_MM), base + process.layer_mm + 0.01)
        foot = foot - site.near
        foot = lumps_meeting(foot, body)
    # The tip of a body that walls cut away would start in mid-air.
    whole = lumps_meeting(body + foot - site.near, upper, base + process.layer_mm)
    if whole.is_empty():
        raise Refused("walls beside it leave no room for its body")
    return Prop(whole, line, house, top - base, base, length, give)


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


def free_between(site: Site, low: float, high: float) -> m3.CrossSection:
    """Plan region that is free of the part, and of the clearance to it, between two heights."""
    key = (round(low, 4), round(high, 4))
    if key not in site.known:
        blocked = (site.near ^ level(site, low, high)).project()
        x0, y0, _, x1, y1, _ = site.near.bounding_box()
        out = WIDTHS_MM[-1] + SOLES_MM[-1]
        window = m3.CrossSection.square((x1 - x0 + 2 * out, y1 - y0 + 2 * out))
        window = window.translate((x0 - out, y0 - out))
        site.known[key] = tidy(window - offset_of(blocked, FREE_MM, m3.JoinType.Round, 2.0, 16))
    return site.known[key]


def _house(
    site: Site, line: Floats, top: float, base: float
) -> tuple[House, m3.CrossSection, float]:
    """The narrowest body that stands, and the plan region that is free for it."""
    process = site.context.process
    w, h = process.line_mm, process.layer_mm
    on_part = base > 0.5 * h
    height = top - base
    low = base + (h if on_part else GRID_MM)
    free = free_between(site, low, top - GRID_MM)
    ridge = float(np.linalg.norm(line[1] - line[0]))
    contact = _contact(site, ridge, height) if on_part else None
    house = House(line, 0.0, ridge, top, base, contact)
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
    if on_part:
        return house, free, give
    return _with_sole(house, free), free, give


def _walls(house: House, free: m3.CrossSection, w: float) -> m3.CrossSection:
    """The hollow body's walls in plan."""
    outer = m3.CrossSection([rectangle(house.line, house.length, house.width)]) ^ free
    if min(house.length, house.width) < 3.0 * w:
        return outer
    inner = m3.CrossSection([rectangle(house.line, house.length - 2 * w, house.width - 2 * w)])
    return outer - (inner ^ offset_of(free, -w))


def _with_sole(house: House, free: m3.CrossSection) -> House:
    height = house.top - house.base
    for sole in SOLES_MM:
        plate = sole_of(replace(house, sole=sole)) ^ free
        if physics.peel_of(plate.to_polygons(), physics.DRAG_N, height) <= physics.ADHESION_MPA:
            return replace(house, sole=sole)
    raise Refused(f"there is no room for a foot on which a prop of {height:.0f} mm stands steadily")


def _contact(site: Site, ridge: float, height: float) -> float:
    """Width of a contact that the drag of the nozzle does not snap, mm."""
    process = site.context.process
    bond = physics.LAYER_BOND * process.material.strength_mpa.value
    moment = physics.DRAG_N * height
    width = max(process.line_mm, physics.contact_width_mm(moment, ridge, bond))
    if ridge < width:
        width = max(process.line_mm, physics.contact_diameter_mm(moment, bond))
    if width > MOST_CONTACT_MM:
        raise Refused(f"at {height:.0f} mm height over the part its foot would have to be "
                      f"{width:.1f} mm wide; {MOST_CONTACT_MM:.1f} mm still break off")
    return width
