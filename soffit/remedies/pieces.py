"""The pieces of a wedge: right-triangle prisms along edges, cones at corners, rings along arcs.

Each is made for one element of the anchor; what the union of them covers is cut to the patch
or to the room below the surface by who asks for them.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely

from soffit.part.model import Floats
from soffit.part.solid import Cone, Difference, Hull, Intersection, Prism, Solid
from soffit.remedies.anchor import Arc, Chain, Edge, Element, circle_of, distance, rings_of
from soffit.remedies.patchwork import Patchwork
from soffit.remedies.trees import cylinder, plan_solid, segments_for

# Convex corner that is mitred: at 20° the step along the mitre is Δ/cos 10°, 0.003 mm more
# than Δ = 0.2, within any slack (derived).
MITRE_DEG = 20.0
# Plan area nearest to a corner that is worth a cone of its own (derived: 0.05 mm square).
CORNER_MM2 = 2.5e-3
# How far an exact piece goes past what bounds the wedge (derived: far over any tolerance of a
# kernel, about a wall's thickness).
PAST_MM = 1.0
# Overlap of the pieces that the mesh kernel unites, mm: edges of 1e-11 mm, which rounding makes
# where pieces only abut, spoil its result; the slope gets lower by 1e-7 mm (derived).
LAP_MM = 1e-3


@dataclass(frozen=True)
class Slope:
    """What the pieces of a wedge have in common: `low` is its height at the anchor, `top` that
    of its flat side, `far` how far from the anchor it reaches there, `back` how far behind the
    anchor it goes on downwards. `exact` pieces abut, others overlap."""

    low: float
    top: float
    slope: float
    far: float
    back: float
    exact: bool

    @property
    def foot(self) -> float:
        """Lowest height, behind the anchor."""
        return self.low - self.back * self.slope


def pieces(
    chain: Chain, patch: Patchwork, shape: Slope
) -> list[tuple[Solid, shapely.Geometry]]:
    """Solids whose union, clipped to the region, is the wedge of one chain, each with its
    plan footprint."""
    pieces: list[tuple[Solid, shapely.Geometry]] = []
    count = len(chain.elements)
    turns = _turns(chain)
    for k, element in enumerate(chain.elements):
        if isinstance(element, Arc):
            pieces.append(_round(element, patch, shape))
            continue
        after = (k + 1) % count if chain.closed else k + 1
        before = chain.elements[k - 1]
        beyond = chain.elements[(k + 1) % count]
        start = _Corner(_mitre(turns[k], before), _back_mitre(turns[k]))
        end = _Corner(_mitre(turns[after], beyond), _back_mitre(turns[after]))
        if turns[k] is None:
            start = _free_end(element, False, patch, shape) if shape.exact else start
        elif not shape.exact:
            start = replace(start, along_mm=LAP_MM)
        if turns[after] is None:
            end = _free_end(element, True, patch, shape) if shape.exact else end
        elif not shape.exact:
            end = replace(end, along_mm=LAP_MM)
        pieces.append(_tent(element, start, end, shape))
    for corner in _corners(chain, turns):
        if corner.turn is not None and (corner.turn >= -1e-9 or corner.is_mitred):
            continue
        if _is_nearest(corner, patch, shape.far):
            pieces.append(_point(corner, shape))
    return pieces


def _turns(chain: Chain) -> list[float | None]:
    """Turn at the start of each element and at the end of the last, radians; None at an end."""
    elements = chain.elements
    inner = [_turn(a.last_along, b.first_along) for a, b in itertools.pairwise(elements)]
    if chain.closed:
        return [_turn(elements[-1].last_along, elements[0].first_along), *inner]
    return [None, *inner, None]


def _turn(a: Floats, b: Floats) -> float:
    return math.atan2(float(a[0] * b[1] - a[1] * b[0]), float(a @ b))


@dataclass(frozen=True)
class _Vertex:
    """A vertex of a chain, the elements before and after it and its turn (None at an end)."""

    at: Floats
    before: Element | None
    after: Element | None
    turn: float | None

    @property
    def is_mitred(self) -> bool:
        """Whether the tents beside a convex corner reach to each other across it."""
        both_arcs = isinstance(self.before, Arc) and isinstance(self.after, Arc)
        turn = self.turn or 0.0
        return -turn <= math.radians(MITRE_DEG) and (not both_arcs or -turn < 1e-6)


@dataclass(frozen=True)
class _Corner:
    """How the slab of an edge ends: by how much of the distance from the edge it widens in front
    of it and behind it, and how far it goes on along it."""

    front: float = 0.0
    behind: float = 0.0
    along_mm: float = 0.0


def _mitre(turn: float | None, other: Element) -> float:
    """Tangent of an edge's share of the turn at a mitred corner (negative turns are convex
    anchors): half, or all of it beside an arc, whose cone ends at its own radius."""
    if turn is None or turn >= 0 or -turn > math.radians(MITRE_DEG):
        return 0.0
    return math.tan(-turn if isinstance(other, Arc) else -turn / 2)


def _back_mitre(turn: float | None) -> float:
    """Behind an inner corner the slabs of its edges meet on the bisector."""
    return math.tan(min(turn, math.radians(120.0)) / 2) if turn is not None and turn > 0 else 0.0


def _free_end(edge: Edge, at_end: bool, patch: Patchwork, shape: Slope) -> _Corner:
    """The slab goes on past an end of the anchor where the patch ends there too, so that the
    side of the part, not the slab, ends the wedge."""
    u = edge.along if at_end else -edge.along
    left = np.array([-edge.along[1], edge.along[0]])
    p = edge.end if at_end else edge.start
    strip = shapely.Polygon([
        p + a * u + b * left for a, b in
        ((1e-3, 0.0), (PAST_MM, 0.0), (PAST_MM, shape.far), (1e-3, shape.far))
    ])
    if shapely.area(shapely.intersection(strip, patch.region)) > CORNER_MM2:
        return _Corner()
    return _Corner(along_mm=PAST_MM)


def _corners(chain: Chain, turns: Sequence[float | None]) -> list[_Vertex]:
    """Each vertex of a chain."""
    elements = chain.elements
    if chain.closed:
        if len(elements) == 1:
            return []
        return [_Vertex(e.start, elements[k - 1], e, turns[k]) for k, e in enumerate(elements)]
    inner = [
        _Vertex(e.start, elements[k], e, turns[k + 1]) for k, e in enumerate(elements[1:])
    ]
    return [
        _Vertex(elements[0].start, None, elements[0], None),
        *inner,
        _Vertex(elements[-1].end, elements[-1], None, None),
    ]


def _tent(
    edge: Edge, start: _Corner, end: _Corner, shape: Slope
) -> tuple[Solid, shapely.Geometry]:
    """Right-triangle prism over the slab of one edge."""
    u = edge.along
    n = np.array([-u[1], u[0]])
    far, behind = shape.far, shape.back
    p, q = edge.start - start.along_mm * u, edge.end + end.along_mm * u
    p_far, q_far = p + far * (n - start.front * u), q + far * (n + end.front * u)
    p_back, q_back = p - behind * (n + start.behind * u), q - behind * (n - end.behind * u)
    points = np.array(
        [
            [*p_back, shape.foot], [*q_back, shape.foot], [*p_back, shape.top],
            [*q_back, shape.top], [*p_far, shape.top], [*q_far, shape.top],
        ]
    )
    return Hull(points), shapely.Polygon([p_back, q_back, q_far, p_far])


def _point(corner: _Vertex, shape: Slope) -> tuple[Solid, shapely.Geometry]:
    """The cone of a convex corner or an end; exact ones fill only the sector between the slabs
    of its edges, and so do not touch these along a line."""
    x, y = corner.at.tolist()
    far = shape.far
    base, up = (x, y, shape.low), (0.0, 0.0, 1.0)
    sector = None
    if shape.exact:
        turn = math.pi if corner.turn is None else -corner.turn
        if corner.after is not None:
            # From the normal of what follows, counter-clockwise to that of what came before.
            u = corner.after.first_along
        else:
            assert corner.before is not None  # a vertex has an element on one side at least
            u = -corner.before.last_along
        sector = (math.atan2(u[0], -u[1]), turn)
    cone = Cone(base, up, shape.top - shape.low, 0.0, far, segments_for(far), sector=sector)
    return cone, shapely.Point(x, y).buffer(far)


def _round(
    arc: Arc, patch: Patchwork, shape: Slope
) -> tuple[Solid, shapely.Geometry]:
    """The wedge of one arc over its sector."""
    x, y = arc.centre.tolist()
    up = (0.0, 0.0, 1.0)
    r, behind, foot, height = arc.radius, shape.back, shape.foot, shape.top - shape.foot
    around = segments_for(r + shape.far)
    piece = (arc.a0 if arc.turn > 0 else arc.a0 + arc.turn, abs(arc.turn))
    sector = piece if shape.exact and not arc.full else None
    if not arc.inside:
        outer, inner = r + shape.far, r - behind
        # A foot deeper than the axis is away starts at the apex.
        down = max(0.0, -inner) * shape.slope
        cone: Solid = Cone((x, y, foot + down), up, height - down, max(inner, 0.0), outer,
                           around, sector=sector)
        if not arc.full:
            plan = _sector(arc, outer)
            if not shape.exact:
                cone = Intersection((cone, Prism(rings_of(plan), foot, shape.top)))
            return cone, plan
        disc = shapely.Point(x, y)
        footprint = disc.buffer(outer, quad_segs=around // 4)
        if inner > 0:
            bore = Cone((x, y, foot), up, height, inner, inner, segments_for(r))
            cone = Difference(cone, bore)
            footprint = footprint.difference(disc.buffer(inner, quad_segs=around // 4))
        return cone, footprint
    # Inside a bore: all of the sector but the cone that narrows upwards.
    peak = min((r + behind) * shape.slope, height)
    left = max(0.0, r + behind - peak / shape.slope)
    narrow = left if left > 1e-9 else 0.0
    tool = Cone((x, y, foot), up, peak, r + behind, narrow, around, sector=sector)
    if shape.exact:
        # Wider than the cone, so that this ends in a circle on its own.
        wide = r + behind + PAST_MM
        base: Solid = Cone((x, y, foot), up, height, wide, wide, around, sector=sector)
        return Difference(base, tool), shapely.Polygon()
    if arc.full:
        ring = shapely.Polygon(shapely.Point(x, y).buffer(r + behind, quad_segs=around // 4))
        region = patch.grown
        outline = rings_of(region)
        whole = circle_of(outline[0]) if len(outline) == 1 else None
        base = (
            cylinder((arc.centre, r + behind), foot, shape.top)
            if whole is not None and abs(whole[1] - r) < 0.02 + behind
            else plan_solid(region, foot, shape.top)
        )
        return Difference(base, tool), ring.intersection(region)
    plan = _sector(arc, r + behind + 0.1)
    return Difference(Prism(rings_of(plan), foot, shape.top), tool), plan


def _sector(arc: Arc, radius: float) -> shapely.Polygon:
    """Pie from the centre over the arc and a little past its ends, out to at least `radius`."""
    lap = math.copysign(LAP_MM / max(arc.radius, 1.0), arc.turn)
    whole = arc.turn + 2 * lap
    steps = max(2, math.ceil(abs(whole) / math.radians(10)))
    grow = 1.0 / math.cos(abs(whole) / steps / 2)
    angles = arc.a0 - lap + whole * np.arange(steps + 1) / steps
    rim = arc.centre + grow * radius * np.column_stack([np.cos(angles), np.sin(angles)])
    return shapely.Polygon([arc.centre, *rim])


def _is_nearest(corner: _Vertex, patch: Patchwork, far: float) -> bool:
    """Whether part of the region is nearer to this vertex than to any edge's own slab."""
    angles = 2 * np.pi * np.arange(180) / 180
    rays = np.column_stack([np.cos(angles), np.sin(angles)])
    if corner.before is not None:
        rays = rays[rays @ corner.before.last_along >= 0]
    if corner.after is not None:
        rays = rays[rays @ corner.after.first_along <= 0]
    # Each point stands for a piece of its ring of the sector; 40 rings.
    radii = far * (np.arange(40) + 0.5) / 40
    points = corner.at + (rays[:, None] * radii[None, :, None]).reshape(-1, 2)
    cells = np.tile(radii * (far / 40) * (2 * np.pi / 180), len(rays))
    mine = shapely.contains_xy(patch.region, points[:, 0], points[:, 1])
    away = np.linalg.norm(points[mine] - corner.at, axis=1)
    nearest = away <= distance(points[mine], patch.chains) + 1e-9
    return bool(cells[mine][nearest].sum() >= CORNER_MM2)
