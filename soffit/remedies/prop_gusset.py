"""Gussets: break-away plates in the corner between a place and the wall that it hangs on.

A plate one line thick stands under each ridge that runs from the wall to the free edge
(`prop_spokes`). Its lower edge rises from the wall as steeply as the process needs, so that it
holds itself, never reaches the platform, and its plastic does not grow with the height of the
place. Where the plate alone would give way to the nozzle, a flange along its lower edge stiffens
it; below a level place such a plate stays clear of the wall above its foot. Where the free edge is
bent the flange spreads to a bar at its tip.

**How it is measured.** Pushed aside at its tip by F, a plate that is as deep below each point as
that is far from the tip bends by 6 F G² / (E t³ tan δ), t a line, G the farthest that its edge is
from the part in any layer: under a level place its reach D, in a rounded corner less. The flange, a
strip of breadth b, one to three lines thick, and length s = D / cos δ, bends by F s³ / (3 E I), I =
n t sin δ b³ / 12; it is thicker where the next gusset leaves it little breadth. Bonded to a plate
it is stiffer than alone, as it could bend as the whole does (derived from the least energy). It
breaks off along its seams when its lower edge is pushed aside: with hinges along both seams and
from their corner to the middle of the edge, by 4 m + 2 m' at most, m and m' the moments that a
millimetre of the seam and of the plate bears, and (2 M + 4 M') / s for the flange (yield lines,
Johansen; derived).

**Limits.** The line from the tip down to the wall must meet the wall, across all of the flange, and
more than 2 mm above the platform. The wall keeps a scar as wide as a line.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import manifold3d as m3
import numpy as np

from soffit.part.model import Floats
from soffit.process import physics
from soffit.process.model import Process
from soffit.remedies.prop_eject import TOUCH_MM
from soffit.remedies.prop_lean import LOWEST_MM
from soffit.remedies.prop_shape import rise, strip
from soffit.remedies.prop_site import LEVEL_MM, Refused, Site, free_mm
from soffit.remedies.prop_solid import lumps
from soffit.remedies.prop_spokes import INSET_MM, Spoke
from soffit.remedies.prop_stand import Prop, props_under

# Farthest that a wall is looked for from a tip, and widest flange, mm (own choices: one of one line
# is as wide for a reach of 33 mm).
FARTHEST_MM, WIDEST_MM = 40.0, 10.0
# Flanges are drawn in steps of so much, mm (own choice), and are at least so many lines wide
# (derived: the plate and a line on either side).
STEP_MM, LEAST_LINES = 0.2, 3.0
# Thickest flange, lines (own choice: what is thicker than a wall saves no breadth to speak of).
MOST_LINES = 3
# How much nearer the wall may be beside a plate than at it, mm (derived: more than the clearance
# would be a body in the way; a wall of 2 mm radius is a tenth nearer).
NEARER_MM = 0.3
# Height of the foot of a flanged plate, in which it is one with the wall, mm (own choice: more than
# what the plate stands out in front of its flange).
FOOT_MM = 2.0
# Heights at which it is asked how far a gusset is from the part (own choice).
GAPS = 12
# Facets that face aside by more than this are a gusset's own sides (derived: 45 degrees).
ASIDE = 0.71
# A plate is drawn so far into the wall that cuts it, and the wall may be so much farther beside it,
# mm (own choice: a wall 1 mm deep; a round one of 4 mm radius at a flange of 4 mm).
INTO_MM = 1.0


@dataclass(frozen=True)
class Gusset:
    """Measures of one gusset, mm: the point (2,) in plan below its outermost end and the unit
    vector (2,) from there to the wall, the height `tip` of what it holds there, its `reach`, the
    greatest `gap` of its edge from the part, the breadth of its `flange`, 0 without one, how many
    `lines` thick that is and how far its middle is `aside` of the plate's. `bar`, `back`: as of its
    spoke."""

    start: Floats
    way: Floats
    tip: float
    reach: float
    gap: float
    flange: float = 0.0
    lines: int = 1
    aside: float = 0.0
    bar: float = 0.0
    back: float = 0.0

    def length_mm(self, process: Process) -> float:
        """Length of its lower edge, D / cos δ."""
        return self.reach * math.hypot(1.0, rise(process))

    def thick_mm(self, process: Process) -> float:
        """Thickness of its flange at right angles to it, which is so many lines level."""
        return self.lines * process.line_mm * math.sin(math.atan(rise(process)))


def gussets_under(site: Site, ways: tuple[Spoke, ...]) -> list[Prop]:
    """Gussets for ridges that run from a wall to a free edge; those that find no wall
    to grow out of stand on posts. Raises Refused where none finds one."""
    made: list[Prop] = []
    rest: list[Floats] = []
    why = Refused("nothing that it hangs on has a wall below it")
    roots = np.array([spoke.line[0] for spoke in ways])
    for spoke in ways:
        apart = np.sort(np.linalg.norm(roots - spoke.line[0], axis=1))[1:2]
        try:
            made.append(_gusset(site, spoke, float(apart.min(initial=math.inf))))
        except Refused as no:
            why = no
            rest.append(spoke.line)
    if not made:
        raise why
    made, most = _together(made), site.context.process.props.pull_n.value
    if any(one.snap_nmm > most * one.height for one in made):
        raise Refused("gussets that meet would not break off by hand")
    return [*made, *(props_under(site, tuple(rest)) if rest else ())]


def _together(made: list[Prop]) -> list[Prop]:
    """Gussets, those that meet each with what breaks all of them off."""
    whole = lumps(m3.Manifold.batch_boolean([one.body for one in made], m3.OpType.Add))
    if len(whole) == len(made):
        return made
    group = [next(k for k, lump in enumerate(whole) if (lump ^ one.body).volume() > 1e-5)
             for one in made]
    force = [sum(other.snap_nmm / other.height for other, at in zip(made, group, strict=True)
                 if at == mine) for mine in group]
    return [replace(one, snap_nmm=one.height * newtons)
            for one, newtons in zip(made, force, strict=True)]


def breadth_mm(site: Site, line: Floats) -> float | None:
    """Breadth of the flange of the gusset under a ridge by itself, 0 where it needs none; None
    where none can stand."""
    try:
        return _measured(site, line, math.inf).flange
    except Refused:
        return None


def _measured(site: Site, line: Floats, apart: float) -> Gusset:
    """The gusset of a ridge, so far apart from the next. Raises Refused."""
    process = site.context.process
    inward = (line[0] - line[1]) / np.linalg.norm(line[1] - line[0])
    start = line[1] - 0.5 * process.line_mm * inward
    tip = _tip_mm(site, line[1], inward)
    reach = _wall_mm(site, start, inward, tip, 0.0)
    if reach is None:
        raise Refused("nothing that it hangs on has a wall below it")
    foot = start + reach * inward
    if (strip(np.array([foot, start]), process.line_mm) ^ site.context.clear).area() > 0.0:
        raise Refused("a place that is to stay clear is in the way of a gusset")
    bare = Gusset(start, inward, tip, reach, _gap_mm(site, start, inward, tip, reach))
    gusset = stiffened(bare, process, apart - free_mm(site))
    if gusset is None:
        raise Refused(f"a gusset {reach:.0f} mm long would give way to the nozzle")
    # Where the wall ends beside it, its flange is on the other side alone.
    half = 0.5 * max(gusset.flange, process.line_mm)
    past = half - 0.5 * process.line_mm
    aside = next((by for by in dict.fromkeys((0.0, past, -past))
                  if _is_clear(site, start, inward, tip, reach, (by - half, by + half))), None)
    if aside is None:
        raise Refused("there is no room for a gusset beside the wall that it hangs on")
    return replace(gusset, aside=aside)


def _gusset(site: Site, spoke: Spoke, apart: float) -> Prop:
    """The prop of a ridge, so far apart from the next. Raises Refused."""
    process, line = site.context.process, spoke.line
    gusset = replace(_measured(site, line, apart), bar=spoke.bar, back=spoke.back)
    inward, tip, reach = gusset.way, gusset.tip, gusset.reach
    low = tip - process.layer_mm - reach * rise(process)
    plate, flange = drawn(gusset, site.high, process)
    beside = site.near
    level = site.high - site.low < LEVEL_MM
    if gusset.flange and level:
        shifted = site.near.translate((*(-free_mm(site) * inward).tolist(), 0.0))
        beside = beside + shifted.trim_by_plane((0.0, 0.0, 1.0), low + FOOT_MM)
    body = lumps((plate - beside) + (flange - site.near))
    body = [lump for lump in body if (lump ^ site.slab).volume() > 1e-5]
    if len(body) != 1:
        raise Refused("there is no room for a gusset below it")
    height = tip - low
    return Prop(body[0], line, (), height, low, float(np.linalg.norm(line[1] - line[0])),
                force_n(gusset, process) * height, give_mm(gusset, process),
                seam_mm2=_seam_mm2(site, body[0], inward, level), gusset=True)


def _seam_mm2(site: Site, body: m3.Manifold, inward: Floats, level: bool) -> float:
    """Area in which a gusset touches the part beside the plan area that is above it."""
    if level:
        return _touches_mm2(site, body, np.array([*inward, 0.0]))
    # Where wall and underside are one surface: of its facets those that were the part's and do not
    # face aside, as where its side is flush with an end of the part.
    mesh = body.to_mesh64()
    corners = np.asarray(mesh.vert_properties)[:, :3][np.asarray(mesh.tri_verts)]
    normal = 0.5 * np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    area = np.linalg.norm(normal, axis=1)
    area[np.abs(normal[:, :2] @ [-inward[1], inward[0]]) > ASIDE * area] = 0.0
    bounds = np.asarray(mesh.run_index) // 3
    names = np.asarray(mesh.run_original_id).tolist()
    touched = float(sum(area[bounds[run] : bounds[run + 1]].sum()
                        for run, name in enumerate(names) if name in site.context.names))
    return max(0.0, touched - _touches_mm2(site, body, np.array([0.0, 0.0, 1.0])))


def _touches_mm2(site: Site, body: m3.Manifold, way: Floats) -> float:
    """Area, seen along a way (3,), in which a body touches the part ahead of it."""
    x, y, z = (TOUCH_MM * way).tolist()
    return float((body.translate((x, y, z)) ^ site.near).volume()) / TOUCH_MM


def _is_clear(
    site: Site, start: Floats, inward: Floats, tip: float, reach: float, sides: tuple[float, float]
) -> bool:
    """Whether the wall goes on over the breadth of a gusset, and nothing is nearer beside it."""
    for edge, out in zip(sides, (-free_mm(site), free_mm(site)), strict=True):
        # A wall that ends flush with it is met just within its breadth.
        inset = math.copysign(INSET_MM, out)
        at = _wall_mm(site, start, inward, tip, edge - inset)
        beside = _wall_mm(site, start, inward, tip, edge + out)
        if at is None or at > reach + INTO_MM:
            return False
        if min(at, at if beside is None else beside) < reach - NEARER_MM:
            return False
    return True


def stiffened(bare: Gusset, process: Process, room: float = math.inf) -> Gusset | None:
    """A gusset with the flange that makes it stiff enough, none where it needs none; None where
    none does. It is thicker where it keeps within so much room then."""
    wanted = process.drag_n / process.give_mm
    if wanted <= _plate_n_mm(bare, process):
        return bare
    moment = wanted * bare.length_mm(process) ** 3 / (3.0 * _modulus_mpa(process))
    ways = []
    for lines in range(1, MOST_LINES + 1):
        made = replace(bare, lines=lines)
        breadth = (12.0 * moment / made.thick_mm(process)) ** (1.0 / 3.0)
        breadth = max(STEP_MM * math.ceil(breadth / STEP_MM - 1e-9), LEAST_LINES * process.line_mm)
        if breadth <= WIDEST_MM:
            ways.append(replace(made, flange=breadth))
    # Where none keeps within its room, it meets the next and both break off as one.
    return next((way for way in ways if way.flange <= room), ways[0] if ways else None)


def give_mm(gusset: Gusset, process: Process) -> float:
    """How far the drag of the nozzle pushes its tip aside, at most."""
    if not gusset.flange:
        return process.drag_n / _plate_n_mm(gusset, process)
    moment = gusset.thick_mm(process) * gusset.flange**3 / 12.0
    return physics.tip_deflection_mm(
        process.drag_n, gusset.length_mm(process), _modulus_mpa(process), moment)


def force_n(gusset: Gusset, process: Process) -> float:
    """What its lower edge is pushed aside with, at most, until it breaks along its seams."""
    seam, within = process.bond_mpa, process.material.strength_mpa.value
    plate = [physics.snap_moment_nmm(mpa, process.line_mm, 1.0) for mpa in (seam, within)]
    flange = [physics.snap_moment_nmm(mpa, gusset.flange, gusset.thick_mm(process))
              for mpa in (seam, within)]
    return (4.0 * plate[0] + 2.0 * plate[1]
            + (2.0 * flange[0] + 4.0 * flange[1]) / gusset.length_mm(process))


def drawn(gusset: Gusset, top: float, process: Process) -> tuple[m3.Manifold, m3.Manifold]:
    """The plate of a gusset and its flange, up to a height and into the wall; both cut them."""
    w, slope, high = process.line_mm, rise(process), gusset.tip - process.layer_mm
    far = gusset.reach + INTO_MM
    plate = _upright([(0.0, high), (0.0, top), (far, top), (far, high - far * slope)], w)
    flange = m3.Manifold()
    if gusset.flange:
        thick = gusset.lines * w
        sheet = _upright([(0.0, high), (thick, high), (far, high - (far - thick) * slope),
                          (far, high - far * slope)], gusset.flange)
        sheet = sheet + _upright([(0.0, high), (thick, high), (thick, top), (0.0, top)],
                                 gusset.flange)
        flange = sheet.translate((gusset.back, gusset.aside, 0.0))
    if gusset.bar > max(w, gusset.flange):
        # Toward the tip it spreads, as steeply as it is printed.
        foot = max(w, gusset.flange)
        at = 0.5 * (gusset.bar - foot)
        low = high - at * slope
        flange = flange + m3.Manifold.hull_points(np.array(
            [(u + gusset.back, gusset.aside + side * 0.5 * long, z) for side in (-1.0, 1.0)
             for u, long, z in ((at, foot, low), (at + w, foot, low), (0.0, gusset.bar, high),
                                (w, gusset.bar, high), (0.0, gusset.bar, top),
                                (w, gusset.bar, top))]))
    (ux, uy), (x, y) = gusset.way.tolist(), gusset.start.tolist()
    turn = np.array([[ux, -uy, 0.0, x], [uy, ux, 0.0, y], [0.0, 0.0, 1.0, 0.0]])
    return plate.transform(turn), flange.transform(turn)


def _upright(outline: list[tuple[float, float]], thick: float) -> m3.Manifold:
    """A convex outline, in distance from the tip and height, so thick across."""
    return m3.Manifold.hull_points(np.array(
        [(u, side * 0.5 * thick, z) for side in (-1.0, 1.0) for u, z in outline]))


def _plate_n_mm(gusset: Gusset, process: Process) -> float:
    return float(_modulus_mpa(process) * process.line_mm**3 * rise(process)
                 / (6.0 * gusset.gap**2))


def _modulus_mpa(process: Process) -> float:
    return 1000.0 * process.material.modulus_gpa.value


def _tip_mm(site: Site, plan: Floats, inward: Floats) -> float:
    """Height of the underside over a tip, the lowest across its width."""
    aside = 0.45 * site.context.process.line_mm * np.array([-inward[1], inward[0]])
    found = []
    for point in (plan - aside, plan, plan + aside):
        x, y = point.tolist()
        hits = site.near.ray_cast((x, y, site.low - 0.1), (x, y, site.high + 1.0))
        found.append(float(hits[0].position[2]) if hits else site.high)
    return min(found)


def _gap_mm(site: Site, start: Floats, inward: Floats, tip: float, reach: float) -> float:
    """How far the lower edge of a gusset is from the part, level, where it is farthest."""
    process = site.context.process
    high, gaps = tip - process.layer_mm, []
    for share in np.linspace(0.0, 1.0, GAPS, endpoint=False).tolist():
        x, y = (start + share * reach * inward).tolist()
        z = high - share * reach * rise(process)
        hits = site.near.ray_cast((x, y, z), (*(start + 2.0 * reach * inward).tolist(), z))
        if hits:
            gaps.append(float(hits[0].distance) * (2.0 - share) * reach)
    return max(gaps, default=reach)


def _wall_mm(site: Site, start: Floats, inward: Floats, tip: float, aside: float) -> float | None:
    """How far from its tip, level, the lower edge of a gusset meets a wall, so far aside of its
    middle; None where it does not, or too low."""
    process = site.context.process
    high = tip - process.layer_mm
    far = min(FARTHEST_MM, (high - LOWEST_MM) / rise(process))
    if far <= 0.0:
        return None
    begin = start + aside * np.array([-inward[1], inward[0]])
    x, y = (begin + far * inward).tolist()
    hits = site.near.ray_cast((*begin.tolist(), high), (x, y, high - far * rise(process)))
    return far * float(hits[0].distance) if hits else None
