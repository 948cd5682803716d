"""Fins under a surface that slopes to several sides: where each ridge follows a contour.

The contours are the outlines of the layers themselves. From the edge that is properly held
outwards, a fin one line thick stands wherever the surface has run on by three quarters of the
lip; what is laid next bears on it, so no run ever exceeds the lip (derived). Where one layer
steps out farther than that, fins stand in its middle. Straight ribs in two directions tie the
fins and carry the strands between them.

Fins that are tall stand on the roofs of hollow cells, so that little plastic is used below. On the
platform they stand on a sole (see `prop_steady`).
"""

from __future__ import annotations

import math
from dataclasses import replace

import manifold3d as m3
import numpy as np

from soffit.layers.stack import GRID_MM, offset_of
from soffit.remedies.context import LIP_SHARE
from soffit.remedies.prop_shape import House, Room, filled, rise, shell, upright
from soffit.remedies.prop_site import Refused, Site, beside, free_between, give_of
from soffit.remedies.prop_solid import lumps
from soffit.remedies.prop_stand import Prop, lumps_meeting
from soffit.remedies.prop_steady import with_sole

# Distance between ribs and width of the hollow cells, mm (common practice, no source).
RIB_MM = 8.0
# Height of the fins over the roofs of the cells, mm, and least height of a cell (derived: as
# high as the roof of a cell rises).
OVER_MM = 1.0
# A contour counts as having moved on from here, as a share of the lip (derived: half).
MOVED = 0.5
# Fins looked for at most (derived: as many cover 70 mm of run).
MOST_FINS = 60
# Fins end so far within the border of a place: where one ended right at a wall of the part, a film
# without thickness could stay beside it, mm (derived: above every rounding, a tenth of what a
# nozzle can place).
INSET_MM = 0.01
# Contours keep within this of the true ones, mm (derived: a twentieth of a line).
CHORD_MM = 0.02


def fins_under(site: Site) -> list[Prop]:
    """Fins under a sloping surface as props. Raises Refused with the reason."""
    process = site.context.process
    tip = contours(site)
    if tip.is_empty():
        raise Refused("there is no place for a fin under it")
    inner = offset_of(site.region, -INSET_MM)
    tip = (tip + ribs(site, process.line_mm)) ^ inner
    if site.low > 2.0 * process.layer_mm:
        tip = tip - beside(site)
    # Without gaps and slivers that no bead fills.
    hair = 0.05 * process.line_mm
    tip = _miter(_miter(_miter(tip, hair), -2.0 * hair), hair)
    made = []
    why = Refused("there is no free room right below it for a fin")
    for fin in lumps(upright(tip, 0.0, site.high) - site.near):
        if (fin ^ site.slab).volume() <= 1e-5:
            continue
        _, _, bottom, _, _, top = fin.bounding_box()
        if top - bottom < 0.5 * process.layer_mm:
            continue
        body = with_sole(site, _on_cells(site, fin))
        contact = (fin ^ site.slab).volume() / (0.5 * process.layer_mm)
        height = top - bottom
        give = give_of(site, body.slice(bottom + 0.5 * height), height)
        if give > process.give_mm:
            why = Refused(f"at {height:.0f} mm height its fins would give way to the nozzle")
            continue
        made.append(Prop(body, None, (), height, bottom, contact / process.line_mm, 0.0, give))
    if not made:
        raise why
    return made


def contours(site: Site) -> m3.CrossSection:
    """Plan region of the fins along contours."""
    process, stack = site.context.process, site.context.stack
    w, gap = process.line_mm, LIP_SHARE * process.lip_mm
    first, last = site.layers
    held = stack.regions[first - 1]
    window = offset_of(site.region, 2.0 * (w + gap))
    held = held ^ window
    fins: list[m3.CrossSection] = []
    for layer in range(first, last + 1):
        below = stack.regions[layer - 1] ^ window
        held = held + (below - site.region)
        here = stack.regions[layer] ^ site.region
        while True:
            over = here - _grown(held, gap)
            if offset_of(over, -0.1 * w).is_empty():
                break
            start = below + held
            if (start - _grown(held, MOVED * gap)).area() < w * w:
                start = _grown(held, gap)
            fins.append((_grown(start, w) - start) ^ site.region)
            if len(fins) > MOST_FINS:
                raise Refused(f"it would take more than {MOST_FINS} fins")
            held = held + (_grown(start, w) ^ window)
    return m3.CrossSection.batch_boolean(fins, m3.OpType.Add) if fins else m3.CrossSection()


def _miter(region: m3.CrossSection, by: float) -> m3.CrossSection:
    return offset_of(region, by)


def _grown(region: m3.CrossSection, by: float) -> m3.CrossSection:
    return offset_of(region, by, m3.JoinType.Round, 2.0, 24).simplify(CHORD_MM)


def ribs(site: Site, line_mm: float) -> m3.CrossSection:
    """Straight strips in both directions, `RIB_MM` apart, one at each end."""
    x0, y0, x1, y1 = site.region.bounds()
    made = []
    for low, high, other, axis in ((x0, x1, (y0, y1), 0), (y0, y1, (x0, x1), 1)):
        count = max(1, math.ceil((high - low) / RIB_MM))
        for t in np.linspace(low, high, count + 1)[1:-1] if count > 1 else [0.5 * (low + high)]:
            a, b = t - 0.5 * line_mm, t + 0.5 * line_mm
            ring = np.array([[a, other[0]], [b, other[0]], [b, other[1]], [a, other[1]]])
            made.append(ring if axis == 0 else ring[::-1, ::-1])
    return m3.CrossSection(made, m3.FillRule.NonZero)


def _on_cells(site: Site, fin: m3.Manifold) -> m3.Manifold:
    """The fins on the roofs of hollow cells, where they are tall enough for that and stand
    on the platform."""
    process = site.context.process
    w = process.line_mm
    x0, y0, bottom, x1, y1, _ = fin.bounding_box()
    roof = site.low - OVER_MM
    if bottom > 1e-6 or roof < 0.5 * RIB_MM * rise(process) + OVER_MM:
        return fin
    whole = offset_of(fin.project(), 0.5 * RIB_MM, m3.JoinType.Round, 2.0, 16)
    foot = offset_of(whole, -0.5 * RIB_MM + 0.5 * w, m3.JoinType.Round, 2.0, 16)
    foot = foot ^ free_between(site, GRID_MM, roof)
    if foot.is_empty():
        return fin
    count = max(1, math.ceil((y1 - y0) / RIB_MM))
    cell = (y1 - y0) / count
    body, cover = [], []
    for k in range(count):
        y = y0 + (k + 0.5) * cell
        line = np.array([[x0 - w, y], [x1 + w, y]])
        house = House(line, cell + w, x1 - x0 + 2 * w, roof, 0.0)
        body.append(shell(house, Room.of(foot), process))
        # The fins reach a quarter of a line into the roofs, so that no faces merely touch.
        inside = replace(house, width=house.width - 0.5 * w, length=house.length - 0.5 * w,
                         top=roof - 0.25 * w)
        cover.append(filled(inside, 0.0, process)
                     ^ upright(_grown(foot, -0.25 * w), -1.0, roof + 1.0))
    rest = fin - m3.Manifold.batch_boolean(cover, m3.OpType.Add)
    made = m3.Manifold.batch_boolean([rest, *body], m3.OpType.Add) - site.near
    return lumps_meeting(made, fin.trim_by_plane((0.0, 0.0, 1.0), site.low - 0.5 * OVER_MM))
