"""Arch: arcs that leave the walls without a corner and end where the process can do the rest.

**What it does.** Adds material between a wall and what it carries, below it a round face that is
tangent to the wall: one under a ledge, one from each of two parallel walls under a bridge or a
ceiling. It is for designs that want an arc where a chamfer or a roof would do; by itself it is
hardly ever the cheapest.

**How it is measured.** An arc of radius R that leaves the wall upright is R(1 − cos θ) out and
R sin θ up where it leans by θ. At 90° − δc, with δc the smallest angle that holds, it gets flatter
than that; what follows must be spanned or held. Let a be the distance from the wall to the edge of
the ledge, or to the middle between the walls, and F what may be flatter: three quarters of the
lip, or half of four fifths of the bridge. A quarter of a circle to that place, or the largest whose
flatter part is no more than the lip, is taken where F allows it. Otherwise
R = (a − F) / (1 − sin δc), and the arc ends when it has been flatter for F or for the lip, which
is what a slope may be; the rest stays level. The section of one arc is R²(sin θ − θ/2 − sin 2θ/4),
of a quarter (1 − π/4)R² (derived).

**Example.** A ledge of 10 mm: an arc of 32 mm radius, 23 mm high, the last 0.60 mm of it flatter
than 45°. A slot of 16 mm where 15 mm can be bridged: arcs of 6.8 mm radius, 5.4 mm high, and a
bridge of 12 mm.

**Limits.** The walls must be straight in plan and upright as deep as the arc, which is 2.4 times
the depth of a ledge; the chamfer takes 1.0 times. Ceilings with a hole in them and fillets are left
to the membrane and the chamfer. The whole half circle over a slot is flatter than what is held over
0.7 of its radius on each side, and so is offered only where a slope may be so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely

from soffit.findings.model import Finding
from soffit.findings.words import mm, within
from soffit.layers.stack import GRID_MM
from soffit.part.model import Floats
from soffit.part.solid import Cone, Difference, Fitted, Hull, Intersection, Solid
from soffit.remedies.anchor import Edge
from soffit.remedies.context import BRIDGE_SHARE, HAIR_MM, LIP_SHARE, Context
from soffit.remedies.model import Option
from soffit.remedies.patchwork import Patchwork, patchwork
from soffit.remedies.pieces import PAST_MM
from soffit.remedies.place import members_of
from soffit.remedies.trees import as_polyhedron, plan_solid, union
from soffit.remedies.wall import SKIN_MM, Wall, wall_below

NAME = "arch"
# What leaves a bridge or a lip; within this rank the roof and its bridge take less.
RANK = 4
SPANS = frozenset({"air/bridge", "air/ceiling"})
KINDS = SPANS | {"air/ledge"}

# Facets of a whole circle: the section of the shortest arc is then right to 0.1 % (derived).
SEGMENTS = 240
# Two directions whose sine of the angle between them is less are one (derived: 0.01 mm on 100 mm).
PARALLEL = 1e-4
# Share of a place that its arcs may not see from the walls: rounding of outlines (derived).
UNSEEN_SHARE = 1e-3
# A piece of wall this near to an edge is below it (derived: half the skin walls are felt with).
BESIDE_MM = 0.5 * SKIN_MM


@dataclass(frozen=True)
class Section:
    """The section of an arch, mm: `radius`; `out` from the wall and `high` where it ends; `flatter`
    how far it is too flat; `level` what stays level to the edge or the middle."""

    radius: float
    out: float
    high: float
    flatter: float
    level: float


@dataclass(frozen=True)
class _Sides:
    """The edges that arcs start from, all along one direction, and how far the place reaches from
    them; `both` where they face each other."""

    edges: tuple[Edge, ...]
    reach_mm: float
    both: bool


def section_of(half_mm: float, limit: float, flat_mm: float, lip_mm: float) -> Section:
    """The arc over `half_mm`, from the wall to the edge or the middle, of which `flat_mm` may be
    flatter than `limit` (δc, radians) and the arc itself for no more than `lip_mm`."""
    steep = math.sin(limit)  # cosine of the lean at which the arc gets too flat
    least = max(0.0, half_mm - flat_mm) / (1.0 - steep)
    quarter = min(half_mm, lip_mm / steep)
    if within(least, quarter):
        return Section(quarter, quarter, quarter, quarter * steep, half_mm - quarter)
    flatter = min(lip_mm, flat_mm)
    end = steep - flatter / least
    out = least * (1.0 - end)
    return Section(least, out, least * math.sqrt(1.0 - end * end), flatter, max(0.0, half_mm - out))


def options(context: Context, finding: Finding) -> tuple[list[Option], list[str]]:
    """One arch, or why there is none."""
    if finding.kind not in KINDS:
        return [], []
    patch = finding.patch
    if patch.pierced:
        return [], ["arch: a hole pierces the ceiling"]
    if len(members_of(context, finding)) > 1:
        return [], ["arch: a fillet runs out into this place, which is an arc of its own"]
    if patch.z_mm[1] - patch.z_mm[0] > GRID_MM:
        return [], ["arch: the place is not level"]
    ready = patchwork(patch.rings, patch.anchors, HAIR_MM)
    sides = None if ready is None else _sides(ready, finding.kind in SPANS)
    if ready is None or sides is None:
        return [], ["arch: it is not held along straight walls that see all of it"]
    process = context.process
    share = BRIDGE_SHARE * process.bridge_mm / 2 if sides.both else LIP_SHARE * process.lip_mm
    half = 0.5 * sides.reach_mm if sides.both else sides.reach_mm
    arc = section_of(half, math.radians(process.angle_deg), share, LIP_SHARE * process.lip_mm)
    if arc.high <= process.layer_mm:
        return [], [f"arch: only {mm(arc.high)} high, less than a layer can show"]
    there = _upright_mm(context, finding, sides, arc.high)
    if not within(arc.high, there):
        return [], [f"arch: {arc.high:.1f} mm of upright wall are needed below, "
                    f"there are {there:.1f} mm"]
    solid = _solid(ready, sides, arc, patch.z_mm[1])
    return [Option(NAME, finding.id, "add", solid, RANK, _words(context, arc, sides))], []


def _words(context: Context, arc: Section, sides: _Sides) -> str:
    flat = (f"the last {mm(arc.flatter)} of its {mm(arc.out)} are flatter than "
            f"{context.process.angle_deg:.3g}°")
    if sides.both:
        each = f"{arc.high:.1f} mm high, an arc of {mm(arc.radius)} radius from each wall; {flat}"
        left = 2.0 * (arc.flatter + arc.level)
        return f"{each}, and between the walls a bridge of {mm(left)} stays"
    rest = f", and {mm(arc.level)} stay level" if arc.level > GRID_MM else ""
    return f"{arc.high:.1f} mm deep, an arc of {mm(arc.radius)} radius; {flat}{rest}"


def _sides(patch: Patchwork, spans: bool) -> _Sides | None:
    """The edges of the anchor along one direction that see all of the patch straight ahead, from
    both sides if it `spans`; of several directions the one with the least reach."""
    edges = [e for c in patch.chains for e in c.elements if isinstance(e, Edge)]
    found: list[_Sides] = []
    for first in edges:
        ahead = [e for e in edges if e.along @ first.along > 1.0 - PARALLEL**2]
        back = [e for e in edges if e.along @ first.along < PARALLEL**2 - 1.0] if spans else []
        if spans and not back:
            continue
        seen = [_seen(patch.region, group) for group in (ahead, back) if group]
        if all(unseen <= UNSEEN_SHARE * patch.region.area for unseen, _ in seen):
            reach = max(far for _, far in seen)
            found.append(_Sides((*ahead, *back), reach, spans))
    return min(found, key=lambda s: round(s.reach_mm, 6), default=None)


def _seen(region: shapely.Geometry, edges: list[Edge]) -> tuple[float, float]:
    """Area of a region that no strip straight ahead of the edges covers, mm², and how far it
    reaches from them there, mm."""
    low = shapely.bounds(region)
    length = float(np.hypot(low[2] - low[0], low[3] - low[1])) + 1.0
    left, far = region, 0.0
    for edge in edges:
        n = _normal(edge)
        strip = shapely.Polygon(
            [edge.start, edge.end, edge.end + length * n, edge.start + length * n])
        inside = shapely.get_coordinates(region.intersection(strip))
        left = left.difference(strip)
        far = max(far, float(((inside - edge.start) @ n).max(initial=0.0)))
    return float(left.area), far


def _normal(edge: Edge) -> Floats:
    """Unit plan direction from the wall over the patch, (2,)."""
    return np.array([-edge.along[1], edge.along[0]])


def _upright_mm(context: Context, finding: Finding, sides: _Sides, depth_mm: float) -> float:
    """How far below the place the walls under all its edges are upright, `depth_mm` at most."""
    assert context.solid is not None  # `all_options` asks no remedy without one
    first, last = (max(0, k - 1) for k in finding.patch.layers)
    ceiling = finding.patch.z_mm[1]
    wall = wall_below(context.stack, context.solid, finding.patch.anchors, (first, last),
                      depth_mm + context.process.layer_mm)
    if not len(wall.pieces):
        return 0.0
    middle = wall.pieces.mean(axis=1)
    along = wall.pieces[:, 1] - wall.pieces[:, 0]
    along = along / np.linalg.norm(along, axis=1)[:, None]
    below = np.zeros(len(middle), dtype=bool)
    for edge in sides.edges:
        below |= (edge.distance(middle) < BESIDE_MM) & (along @ edge.along > 1.0 - PARALLEL)
    return min(depth_mm, ceiling - float(_foot(wall)[below].max(initial=0.0)))


def _foot(wall: Wall) -> Floats:
    """The height down to which each piece of a wall is upright, (m,) mm."""
    back = np.nan_to_num(wall.back_mm, nan=0.0) > SKIN_MM
    drawn = np.where(back.any(axis=1), wall.z_mm[np.argmax(back, axis=1)], 0.0)
    return np.maximum(wall.bottom_mm, drawn)


def _solid(patch: Patchwork, sides: _Sides, arc: Section, ceiling_mm: float) -> Solid:
    """The arches of all edges, cut to the patch; their tops lie a hair inside the part."""
    low, top = ceiling_mm - arc.high, ceiling_mm + HAIR_MM
    grown = patch.grown
    if sides.both and len(sides.edges) == 2 and arc.level < GRID_MM and arc.out == arc.radius:
        # Half a circle: two quarters of it would share a face that is none.
        parts = [_piece(sides.edges[0], patch, arc, low, top, sides.reach_mm + HAIR_MM)]
    else:
        # One that ends at the edge of the part goes on below the cylinder, so that the patch, and
        # not a second face there, ends it.
        out = arc.out if sides.both or arc.level > GRID_MM else arc.radius
        parts = [_piece(edge, patch, arc, low, top, out) for edge in sides.edges]
    whole = Intersection((plan_solid(grown, low, top), union(parts)))
    return Fitted(whole, (whole, as_polyhedron(whole)))


def _piece(
    edge: Edge, patch: Patchwork, arc: Section, low: float, top: float, out_mm: float
) -> Solid:
    """The bar over one edge less the cylinder; it goes on past an end of the edge where the patch
    ends there too, so that the side of the part, not the bar, ends it."""
    u, n = edge.along, _normal(edge)
    ends = []
    for point, way in ((edge.start, -u), (edge.end, u)):
        beyond = shapely.Polygon([point + a * way + b * n for a, b in (
            (HAIR_MM, 0.0), (PAST_MM, 0.0), (PAST_MM, out_mm), (HAIR_MM, out_mm))])
        past = 0.0 if beyond.intersection(patch.region).area > HAIR_MM**2 else PAST_MM
        ends.append(point + past * way)
    start, end = ends
    bar = Hull(np.array([[*(p + x * n), z] for p in ends for x in (-HAIR_MM, out_mm)
                         for z in (low, top)]))
    x, y = (start - PAST_MM * u + arc.radius * n).tolist()
    length = float(np.linalg.norm(end - start)) + 2.0 * PAST_MM
    axis = (float(u[0]), float(u[1]), 0.0)
    return Difference(bar, Cone((x, y, low), axis, length, arc.radius, arc.radius, SEGMENTS))
