"""Prop: a break-away support that is part of the drawing.

**What it does.** Where the geometry of the part may not change, thin-walled hollow bodies stand
under it, each with a ridge one line wide that touches the surface. They are drawn bodies, the
same on every machine, and cost a small share of what a solid column would. It is the last
choice: a prop must be broken off by hand.

**Where the ridges go.** Along the free edge, just inside it, and so that between ridges and
anchors no strand is longer than 0.8 of `capability.bridge_mm`. Under an underside that slopes
one way strands lie along its contours and the ridges run down the slope; under one that
slopes to all sides blades stand so near that between them nothing reaches past the lip.
`--prop-at` sets one where the user wants it, `--no-prop-at` keeps a place clear.

Where a wall is near and the platform is far, posts lean on the wall (`prop_lean`). What hangs on a
wall is also held by gussets in the corner below it (`prop_gusset`).

`--demand "F2=prop leaning"` asks for posts that lean on a wall, `"prop of gussets"` for plates that
grow out of it, `"prop of fins"` for blades along a slope, and `--forbid` forbids them: then it
stands on posts.

**How a prop is shaped and sized.** See `prop_shape`, `prop_posts` and `prop_house`: walls one
line thick in plan, roof and cavity no flatter than the process prints; below the height in which
they can lean out to hold all of a ridge, posts alone, slim or wide as the drag of the nozzle
demands. On ground that slopes or is curved each post stands on the highest point below its
contact, which reaches down to the rest.

**Example.** A shelf 10 mm deep and 20 mm wide, 14 mm above the platform: one ridge of 19.6 mm
under its free edge; the 9.4 mm behind it are bridged.

**Checked.** The part is reviewed with its props as one scene. Each prop must leave the part
along a straight direction, proved by sweeping its outline on layers (`prop_way`), a tool must get
at it (`prop_reach`), and it must leave the platform with the part or be pushed off (`prop_eject`);
else it is not offered.

**Limits.** The surface over a ridge is rougher there; eye protection when breaking props off,
edges are sharp.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import partial

import manifold3d as m3
import numpy as np

from soffit.findings.leaning import LEVEL_DEG
from soffit.findings.model import Finding
from soffit.layers.stack import offset_of
from soffit.part.model import Floats
from soffit.part.words import plural
from soffit.process import physics
from soffit.remedies.context import Context
from soffit.remedies.model import Option, PropFacts
from soffit.remedies.prop_eject import TOUCH_MM, least_sure, on_one_way
from soffit.remedies.prop_fins import fins_under
from soffit.remedies.prop_gusset import breadth_mm, gussets_under
from soffit.remedies.prop_lean import leaning
from soffit.remedies.prop_place import combs, rim
from soffit.remedies.prop_removal import Removal, removal
from soffit.remedies.prop_shape import upright
from soffit.remedies.prop_site import Refused, Site, site_of
from soffit.remedies.prop_sole import soled
from soffit.remedies.prop_solid import as_solid, lumps
from soffit.remedies.prop_spokes import spokes
from soffit.remedies.prop_stand import Prop, props_under
from soffit.remedies.prop_strength import weakest
from soffit.remedies.prop_way import ways_words

NAME = "prop"
RANK = 5
# Kinds that can be demanded or forbidden by their own name; those on posts have none of their own.
LEANING, FINS, GUSSETS = f"{NAME} leaning", f"{NAME} of fins", f"{NAME} of gussets"

# Ridges of one way to hold a place at most, and combs in other directions where some of it is to
# stay clear (derived: each way costs a review, each ridge some ms).
MOST_RIDGES = 160
MOST_COMBS = 4
# Plastic of which it does not matter that a solid column would take less, mm³ (common practice, no
# source: about six grams).
LITTLE_MM3 = 5000.0

# A slope so small is also held by ridges along its rim, on hollow bodies that stand where fins of
# their height would give way, mm² (own choice: a few beads by a few).
SMALL_SLOPE_MM2 = 40.0

# Facets of a body that can be drawn (own choice: a hundred posts have some ten thousand; where the
# part's own surface crosses itself a body cut by it may come out with a million, all slivers).
MOST_FACETS = 100_000

# Lower places are not held from a wall, mm (derived: a post of this height takes 35 mm³, as much as
# one that leans over 10 mm).
LEAN_MM = 15.0

# A ridge costs as much as so much more of its length, mm (derived: the ends of its body).
FOOT_MM = 4.0

# A slope counts as having one direction where the mean of its plan normals is at least this
# share of their mean length (from memory).
ONE_WAY = 0.9


def options(context: Context, finding: Finding) -> tuple[list[Option], list[str]]:
    """Break-away props for any place over air, those with the fewest ridges first."""
    if not finding.kind.startswith("air/") or not finding.patch.rings:
        return [], []
    reasons: list[str] = []
    made: list[Option] = []
    try:
        site = site_of(context, finding)
        ways = _ways(context, finding)
    except Refused as no:
        return [], [f"prop: {no}"]
    for lines in ways:
        what = plural(len(lines), "ridge")
        try:
            made.append(_option(site, finding, props_under(site, lines), what, len(made)))
        except Refused as no:
            reasons.append(f"prop: {no}")
    if _level(finding) and site.low > LEAN_MM:
        for lines in ways[:1]:
            try:
                made.append(_option(site, finding, leaning(site, lines), "leaning", len(made)))
            except Refused as no:
                reasons.append(f"prop: {no}")
    if found := spokes(finding.patch, context.process, _level(finding),
                       partial(breadth_mm, site)):
        try:
            props = gussets_under(site, found)
            made.append(_option(site, finding, props, "gussets", len(made)))
        except Refused as no:
            reasons.append(f"prop: {no}")
    if not made or not _level(finding):
        try:
            props = fins_under(site)
            made.append(_option(site, finding, props, "fins along its contours", len(made)))
        except Refused as no:
            reasons.append(f"prop: {no}")
    if not made and (rim_below := _rim_below(context, finding)) is not None:
        made, _ = options(context, rim_below)
    if made:
        return made, []
    return [], list(dict.fromkeys(reasons)) or ["prop: there is no place for a ridge under it"]


def _rim_below(context: Context, finding: Finding) -> Finding | None:
    """What the first layer of a slope goes on from, where that hangs in the air itself, as the
    place to be held: the slope's own strips may be narrower than a ridge. None where nothing
    does."""
    first = finding.patch.layers[0] - 1
    if finding.kind != "air/slope" or first < 1:
        return None
    process, regions = context.process, context.stack.regions
    strips = m3.CrossSection(list(finding.patch.rings), m3.FillRule.Positive)
    over = regions[first] - offset_of(regions[first - 1], context.stack.step_mm)
    rim = offset_of(strips, process.lip_mm) ^ over
    if rim.area() < process.line_mm**2:
        return None
    low = context.stack.bottom_mm(first)
    patch = replace(
        finding.patch, rings=tuple(np.asarray(ring, np.float64) for ring in rim.to_polygons()),
        anchors=(), triangles=finding.patch.triangles[:0], layers=(first, first), z_mm=(low, low))
    return replace(finding, kind="air/ledge", angle_deg=None, z_mm=(low, low), patch=patch)


def _ways(context: Context, finding: Finding) -> list[tuple[Floats, ...]]:
    """Sets of straight ridges, the fewest first."""
    process, patch = context.process, finding.patch
    ways: list[tuple[Floats, ...]] = []
    if _level(finding):
        # Where some of it is to stay clear the shortest may not do.
        most = 1 if context.clear.is_empty() else MOST_COMBS
        ways += [c.lines for c in combs(patch, process, None)[:most]]
        ways.append(rim(patch, process))
    else:
        contour = _contour(context, finding)
        if contour is not None:
            # The strands end at the slope's own ends, and so do the ridges.
            reach = process.lip_mm + process.line_mm
            ways += [tuple(_longer(line, reach) for line in c.lines)
                     for c in combs(patch, process, contour)[:1]]
        if finding.area_mm2 <= SMALL_SLOPE_MM2:
            ways.append(rim(patch, process))
    some = [lines for lines in ways if 0 < len(lines) <= MOST_RIDGES]
    return sorted(some, key=lambda lines: round(sum(_length(a) + FOOT_MM for a in lines), 6))


def _length(line: Floats) -> float:
    return float(np.linalg.norm(line[1] - line[0]))


def _level(finding: Finding) -> bool:
    return (finding.kind != "air/slope" or finding.angle_deg is None
            or finding.angle_deg < LEVEL_DEG)


def _longer(line: Floats, by: float) -> Floats:
    along = (line[1] - line[0]) / np.linalg.norm(line[1] - line[0])
    return np.array([line[0] - by * along, line[1] + by * along])


def _contour(context: Context, finding: Finding) -> Floats | None:
    """Direction of the contours of an underside that slopes one way, (2,); else None."""
    mesh = context.part.mesh
    mine = finding.patch.triangles
    plan = mesh.normals[mine, :2] * mesh.areas[mine, None]
    mean = plan.sum(axis=0)
    size = float(np.linalg.norm(mean))
    if size < ONE_WAY * float(np.linalg.norm(plan, axis=1).sum()) or size < 1e-9:
        return None
    return np.array([-mean[1], mean[0]]) / size


def _option(site: Site, finding: Finding, props: list[Prop], what: str, place: int) -> Option:
    context = site.context
    column = _column_mm3(site)
    # Asked before they are joined, which takes long where many stand within each other.
    plastic = sum(p.body.volume() for p in props if p.houses)
    if plastic > max(column, LITTLE_MM3):
        raise Refused(f"{what} would take more plastic than a solid column")
    body = soled(joined([p.body for p in props]), context.process)
    pieces = [b for b in lumps(body) if b.volume() > 1e-3]
    # What could not be taken off is left away; the review of the whole says if the rest will do.
    kept: list[m3.Manifold] = []
    off: list[Removal] = []
    why = Refused("there is no free room right below it")
    for piece in pieces:
        try:
            off.append(removal(context, piece))
            kept.append(piece)
        except Refused as no:
            why = no
    if kept and (stay := set(range(len(kept))) - set(
            on_one_way([one.leaving for one in off], [piece.volume() for piece in kept]))):
        kept, off = ([one for k, one in enumerate(these) if k not in stay] for these in (kept, off))
    if not kept:
        raise why
    posts, fins = sum(max(1, len(p.houses)) for p in props), props[0].line is None
    gussets, costs = sum(p.gusset for p in props), context.process.costs
    breaks = max(len(kept), posts) - gussets * (
        1.0 - costs.run_off_s.value / costs.break_off_s.value)
    force = max(_force_n(context, p) for p in props)
    facts = PropFacts(
        posts, sum(p.ridges for p in props), fins, max(p.give_mm for p in props), force,
        max(len(kept), force / context.process.props.pull_n.value) if fins else breaks,
        tuple(dict.fromkeys(one.way for one in off)),
        tuple(dict.fromkeys(one.tool for one in off)),
        contact_mm2(context, joined(kept)) + sum(p.seam_mm2 for p in props),
        column, context.process.props.block_fill.value * column, site.region.area(),
        least_sure([one.leaving for one in off]),
        weakest([p.strength for p in props if p.strength is not None]),
        sum(p.seam_mm2 > 0.0 and not p.gusset for p in props), gussets,
        max((house.contact or 0.0 for p in props for house in p.houses), default=0.0))
    return option_of(finding.id, kept, facts, RANK + place)


def option_of(finding: str, pieces: list[m3.Manifold], facts: PropFacts, rank: int) -> Option:
    """The option of standing bodies under a place, in words and as one solid. Raises Refused where
    they cannot be drawn."""
    if sum(lump.num_tri() for lump in pieces) > MOST_FACETS:
        raise Refused("cut by the part's surface a prop here has no clean surface of its own")
    volume = sum(lump.volume() for lump in pieces)
    share = 100.0 * volume / facts.column_mm3
    posts, ridges = plural(facts.posts, "post"), plural(facts.ridges, "ridge")
    what = "fins along its contours" if facts.fins else f"{ridges} on {posts}"
    if facts.leans == facts.posts:
        what += " that lean on the wall" if facts.posts > 1 else " that leans on the wall"
    elif facts.leans:
        what += f", {facts.leans} of which lean{'s' if facts.leans == 1 else ''} on the wall"
    if facts.gussets:
        what = f"{plural(facts.gussets, 'gusset')} in the corner with the wall"
        if others := facts.posts - facts.gussets:
            what += f" and {plural(others, 'post')}"
    several = facts.posts > 1 if facts.gussets else facts.fins or facts.ridges > 1
    why = (
        f"{what}, one line wide at the tip, {'hold' if several else 'holds'} it from below and the "
        "part stays as drawn; "
        f"{volume:.0f} mm³ of plastic, {share:.0f} % of a solid column; its tip gives "
        f"{facts.give_mm:.2f} mm to the nozzle"
    )
    kind = (FINS if facts.fins else GUSSETS if facts.gussets == facts.posts
            else LEANING if facts.leans == facts.posts else NAME)
    bodies = plural(len(pieces), "prop")
    force = max(1, math.ceil(facts.force_n))
    many = (facts.gussets if facts.gussets == facts.posts else len(pieces)) > 1
    words = f"{'leave' if many else 'leaves'} {ways_words(facts.ways)}"
    if facts.fins:
        after = f"break off {bodies} with pliers, up to {force} N in all; {words}"
    elif facts.gussets == facts.posts:
        after = (f"run {plural(facts.gussets, 'gusset')} off sideways, up to {force} N each; "
                 f"{words}")
    elif facts.leans == facts.posts:
        after = f"push {bodies} aside, post by post, up to {force} N each; {words}"
    else:
        by_foot = facts.strength is None or facts.strength.by_foot
        how = "snap off {} by the foot" if by_foot else "rock off {} by the head with pliers"
        aside = ", what leans on the wall pushed aside" if facts.leans + facts.gussets else ""
        after = f"{how.format(bodies)}{aside}, post by post, up to {force} N each; {words}"
    return Option(kind, finding, "prop", as_solid(joined(pieces)), rank, why, after,
                  volume_mm3=volume, pieces=len(pieces), prop=facts)


def contact_mm2(context: Context, body: m3.Manifold) -> float:
    """Plan area in which a body touches the part, above and below: what of it is within the part
    once it is moved up, or down, by a little, for each little (derived)."""
    assert context.solid is not None
    return sum(float((body.translate((0.0, 0.0, by)) ^ context.solid).volume())
               for by in (TOUCH_MM, -TOUCH_MM)) / TOUCH_MM


def joined(bodies: list[m3.Manifold]) -> m3.Manifold:
    """All bodies as one solid."""
    return m3.Manifold.batch_boolean(bodies, m3.OpType.Add)


def _force_n(context: Context, prop: Prop) -> float:
    """Force that snaps a ridge over its narrow way, or that tears off fins, which their ribs tie
    together, N."""
    process = context.process
    if prop.line is None:
        return physics.pull_off_n(process.bond_mpa, process.line_mm, prop.tip_mm)
    if prop.strength is not None:
        return prop.strength.force_n
    return prop.snap_nmm / max(prop.height, process.line_mm)


def _column_mm3(site: Site) -> float:
    """Volume of a solid column under the whole place, down to the part or the platform."""
    column = upright(site.region, 0.0, site.high) - site.near
    under = [b for b in lumps(column) if (b ^ site.slab).volume() > 1e-6]
    return max(float(sum(b.volume() for b in under)), 1e-9)
