"""The surroundings of a place that props stand in: what is free there, and what is below."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field

import manifold3d as m3

from soffit.findings.model import Finding
from soffit.layers.stack import GRID_MM, offset_of, tidy
from soffit.part.mesh_solid import evaluate
from soffit.part.model import Floats
from soffit.part.solid import Drop
from soffit.process import physics
from soffit.remedies.context import Context
from soffit.remedies.prop_shape import upright

# Widths of the walls' outline and of the sole past it that are tried, narrowest first, mm
# (common practice, no source).
WIDTHS_MM = (2.4, 3.2, 4.0, 5.0, 6.0, 8.0, 11.0, 15.0)
SOLES_MM = (0.0, 0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.5, 8.0)

# Heights that differ by less are one (derived: a twentieth of a layer of 0.2 mm).
LEVEL_MM = 0.01

# Height below a tip within which a wall beside it counts (derived: five layers of 0.2 mm).
BESIDE_MM = 1.0


# Thickness of the slabs in which the surroundings are looked at, mm (own choice: some dozen for a
# prop).
SLAB_MM = 2.0


class Refused(Exception):
    """Why a prop cannot stand; caught by the remedy, never seen by a user."""


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
    known: dict[tuple[float, ...], m3.CrossSection] = field(default_factory=dict)


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
    # What is to stay clear stands in the way like a wall.
    near = near + upright(context.clear, -1.0, high + h + 1.0)
    if len(patch.triangles) and high - low > 0.25 * h:
        faces = tuple(sorted({int(f) for f in context.part.mesh.face_of[patch.triangles]}))
        slab = evaluate(Drop(faces, patch.triangles, 0.5 * h), context.part)
    else:
        slab = upright(region, low - 0.5 * h, high)
    return Site(context, near, slab, region, low, high, patch.layers)


def free_mm(site: Site) -> float:
    """What stays free between a prop and the part."""
    return site.context.process.props.free_mm.value


def beside(site: Site) -> m3.CrossSection:
    """What of the part stands beside the place right below it, with the clearance to it."""
    key = (-1.0, -1.0)
    if key not in site.known:
        wall = (site.near ^ level(site, site.low - BESIDE_MM, site.low - GRID_MM)).project()
        site.known[key] = offset_of(wall, free_mm(site), m3.JoinType.Round, 2.0, 16)
    return site.known[key]


def level(site: Site, low: float, high: float) -> m3.Manifold:
    x0, y0, _, x1, y1, _ = site.near.bounding_box()
    box = m3.Manifold.cube((x1 - x0, y1 - y0, max(high - low, 1e-6)))
    return box.translate((x0, y0, low))


def free_between(
    site: Site, low: float, high: float, apart_mm: float | None = None
) -> m3.CrossSection:
    """Plan region that is free of the part, and of the clearance to it or so much, between two
    heights."""
    apart_mm = free_mm(site) if apart_mm is None else apart_mm
    key = (round(low, 4), round(high, 4), apart_mm)
    if key not in site.known:
        blocked = _blocked(site, low, high)
        x0, y0, _, x1, y1, _ = site.near.bounding_box()
        out = WIDTHS_MM[-1] + SOLES_MM[-1]
        window = m3.CrossSection.square((x1 - x0 + 2 * out, y1 - y0 + 2 * out))
        window = window.translate((x0 - out, y0 - out))
        if apart_mm:
            blocked = offset_of(blocked, apart_mm, m3.JoinType.Round, 2.0, 16)
        site.known[key] = tidy(window - blocked)
    return site.known[key]


def _blocked(site: Site, low: float, high: float) -> m3.CrossSection:
    """What of the part lies between two heights, in plan: by slabs, each of which is found once."""
    edges = [low, *(k * SLAB_MM for k in range(math.floor(low / SLAB_MM) + 1,
                                               math.ceil(high / SLAB_MM))), high]
    slabs = []
    for a, b in itertools.pairwise(edges):
        key = (round(a, 4), round(b, 4))
        if key not in site.known:
            site.known[key] = (site.near ^ level(site, a, b)).project()
        slabs.append(site.known[key])
    return m3.CrossSection.batch_boolean(slabs, m3.OpType.Add)


def floor_of(site: Site, base: float, depth: float = BESIDE_MM) -> m3.CrossSection:
    """What of the part is right below a height, or within some depth of it, in plan."""
    return (site.near ^ level(site, base - max(depth, BESIDE_MM), base)).project()


def ground_below(site: Site, plan: Floats) -> float:
    """Height of what lies below a point (2,) of the place, mm."""
    x, y = plan.tolist()
    hits = site.near.ray_cast((x, y, site.low - 0.1), (x, y, -1.0))
    return max(0.0, float(hits[0].position[2])) if hits else 0.0


def give_of(site: Site, section: m3.CrossSection, height: float) -> float:
    """How far the drag of the nozzle bends a body of this section and height at its tip, mm."""
    modulus = 1000.0 * site.context.process.material.modulus_gpa.value
    moment = physics.least_second_moment(section.to_polygons())
    if moment <= 0.0:
        return math.inf
    return physics.tip_deflection_mm(site.context.process.drag_n, height, modulus, moment)
