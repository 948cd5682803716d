"""The self-supporting wedge: what to add under a patch so that nothing of it hangs.

For a patch R (plan), anchored along A, with its surface at height z0, the wedge is

    W = {(x, z): x in R, z0 − T + dist(x, A)·tan δc ≤ z ≤ z0}

with δc the smallest downskin angle that holds (45° in the standard process). T is what it
must reach: all of it (T = t·tan δc, t the greatest distance in R to A), leaving a bridge B
(t − B/2) or a lip (t − lip). Since {z ≥ min_i f_i} is the union of the {z ≥ f_i}, W is the
prism of R intersected with the union of one right-triangle prism per straight anchor edge
over that edge's own slab, one cone per convex anchor corner or end that part of R is
nearest to, and for an arc a cone about its centre: rising outwards round a shaft, cut out
of the prism inside a bore (derived).

Limits: distances are straight lines in plan, so they may cross a gap in a patch; review the
result. Past `MOST_NODES` the tree is evaluated once and handed on as a polyhedron.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from soffit.part.model import Floats
from soffit.part.solid import (
    Cone,
    Difference,
    Hull,
    Intersection,
    Polyhedron,
    Prism,
    Solid,
    Union,
)
from soffit.remedies.anchor import (
    ARC_SAGITTA_MM,
    Arc,
    Chain,
    Edge,
    Element,
    chains_of,
    circle_of,
    distance,
    polygon,
    reach,
    rings_of,
)

# A tree with more nodes than this takes the B-rep kernel seconds (derived: 0.03 s a node).
MOST_NODES = 150
# Convex corner that is mitred: at 20° the step along the mitre is Δ/cos 10°, 0.003 mm more
# than Δ = 0.2, within any slack (derived).
MITRE_DEG = 20.0
# Plan area nearest to a corner that is worth a cone of its own (derived: 0.05 mm square).
CORNER_MM2 = 2.5e-3
# Chords of the mesh's cones lie this near to the true circle, mm (common practice, no source).
CHORD_MM = 0.01


@dataclass(frozen=True)
class Patchwork:
    """A patch made ready for wedges: its region, its anchor and its greatest reach.

    `behind_mm`: how far an added solid reaches behind the anchor into the wall.
    """

    region: shapely.Geometry
    chains: tuple[Chain, ...]
    reach_mm: float
    behind_mm: float

    @property
    def grown(self) -> shapely.Geometry:
        """The region with the strip behind its anchor."""
        return _grown(self.region, self.chains, self.behind_mm)


def patchwork(
    rings: Sequence[Floats], anchors: Sequence[Floats], behind_mm: float = 0.0
) -> Patchwork | None:
    """A patch with its anchor recognised; None where it has no anchor or no area."""
    region = polygon(rings)
    chains = tuple(chains_of(anchors, region))
    if not chains or region.is_empty:
        return None
    return Patchwork(region, chains, reach(region, chains), behind_mm)


def wedge(
    patch: Patchwork, ceiling_mm: float, depth_mm: float, slope: float, hair_mm: float = 0.0
) -> Solid:
    """The wedge under `patch` from `depth_mm` below the ceiling, rising by `slope` (tan δc);
    its top lies `hair_mm` inside the part."""
    low = ceiling_mm - depth_mm
    top = ceiling_mm + hair_mm
    far = (top - low) / slope
    grown = patch.grown
    # A cone may stand out of a round outline drawn with chords by their sagitta.
    room = grown.buffer(ARC_SAGITTA_MM / 5, join_style="mitre")
    direct: list[Solid] = []
    clipped: list[Solid] = []
    for chain in patch.chains:
        for solid, footprint in _pieces(chain, patch, low, top, slope, far):
            limits = room if isinstance(solid, (Cone, Difference)) else grown
            inside = shapely.area(footprint.difference(limits)) < 1e-7 * (1 + footprint.area)
            (direct if inside else clipped).append(solid)
    parts = direct
    if clipped:
        body = union(clipped)
        parts = [*direct, Intersection((plan_solid(grown, low - patch.behind_mm * slope, top), body))]  # noqa: E501
    whole = union(parts)
    return as_polyhedron(whole) if nodes(whole) > MOST_NODES else whole


def union(parts: Sequence[Solid]) -> Solid:
    """All of `parts` as one expression."""
    return parts[0] if len(parts) == 1 else Union(tuple(parts))


def nodes(solid: Solid) -> int:
    """Number of nodes of an expression."""
    if isinstance(solid, (Union, Intersection)):
        return 1 + sum(nodes(p) for p in solid.parts)
    if isinstance(solid, Difference):
        return 1 + nodes(solid.base) + nodes(solid.tool)
    return 1


def as_polyhedron(solid: Solid) -> Solid:
    """`solid` evaluated by the mesh kernel, as one closed polyhedron of triangles."""
    from soffit.part.mesh_solid import arrays, evaluate

    vertices, triangles = arrays(evaluate(solid))
    return Polyhedron(vertices, tuple((a, b, c) for a, b, c in triangles.tolist()))


def segments_for(radius_mm: float) -> int:
    """Facets of a circle whose chords lie within `CHORD_MM`, a multiple of four, 48 to 360."""
    if radius_mm <= CHORD_MM:
        return 48
    count = math.pi / math.acos(1.0 - CHORD_MM / radius_mm)
    return min(360, max(48, 4 * math.ceil(count / 4)))


def plan_solid(region: shapely.Geometry, low_mm: float, top_mm: float) -> Solid:
    """The prism of a plan region; each of its lumps whose outline is one circle becomes a true
    cylinder, and so does each round hole."""
    lumps: list[Solid] = []
    plain: list[Floats] = []
    for part in shapely.get_parts(region):
        rings = rings_of(part)
        if not rings:
            continue
        circles = [circle_of(ring) for ring in rings]
        if not any(circles):
            plain += rings
            continue
        flat = [ring for ring, circle in zip(rings[1:], circles[1:], strict=True) if not circle]
        tools: list[Solid] = [
            _cylinder(c, low_mm, top_mm) for c in circles[1:] if c is not None
        ]
        first = circles[0]
        if first is None:
            base: Solid = Prism((rings[0], *flat), low_mm, top_mm)
        else:
            base = _cylinder(first, low_mm, top_mm)
            tools += [Prism((ring[::-1],), low_mm, top_mm) for ring in flat]
        lumps.append(Difference(base, union(tools)) if tools else base)
    if plain:
        lumps.append(Prism(tuple(plain), low_mm, top_mm))
    return union(lumps)


def _cylinder(circle: tuple[Floats, float], low: float, top: float) -> Cone:
    (x, y), r = circle[0].tolist(), circle[1]
    return Cone((x, y, low), (0.0, 0.0, 1.0), top - low, r, r, segments_for(r))


def _grown(
    region: shapely.Geometry, chains: Sequence[Chain], behind: float
) -> shapely.Geometry:
    if behind <= 0:
        return region
    strips = []
    for chain in chains:
        if chain.closed:
            disc = shapely.Polygon(chain.polyline)
            # The patch is on the left: inside for a counter-clockwise ring, else outside.
            grow = behind if shapely.is_ccw(shapely.LinearRing(chain.polyline)) else -behind
            other = disc.buffer(grow, join_style="mitre")
            strips.append(disc.symmetric_difference(other))
        else:
            line = shapely.LineString(chain.polyline)
            strips.append(
                line.buffer(-behind, single_sided=True, cap_style="flat", join_style="mitre")
            )
    return shapely.union_all([region, *strips])


def _pieces(
    chain: Chain, patch: Patchwork, low: float, top: float, slope: float, far: float
) -> list[tuple[Solid, shapely.Geometry]]:
    """Solids whose union, clipped to the region, is the wedge of one chain, each with its
    plan footprint."""
    pieces: list[tuple[Solid, shapely.Geometry]] = []
    count = len(chain.elements)
    turns = _turns(chain)
    for k, element in enumerate(chain.elements):
        if isinstance(element, Arc):
            pieces.append(_round(element, patch, low, top, slope, far))
        else:
            after = (k + 1) % count if chain.closed else k + 1
            before = chain.elements[k - 1]
            beyond = chain.elements[(k + 1) % count]
            mitre = (_mitre(turns[k], before), _mitre(turns[after], beyond))
            pieces.append(_tent(element, mitre, patch.behind_mm, low, top, slope, far))
    for vertex, before, after, turn in _corners(chain, turns):  # type: ignore[assignment]
        if turn is not None and (turn >= -1e-9 or _is_mitred(turn, before, after)):  # type: ignore[arg-type]
            continue
        if _is_nearest(vertex, before, after, patch, far):  # type: ignore[arg-type]
            x, y = vertex.tolist()
            cone = Cone((x, y, low), (0.0, 0.0, 1.0), top - low, 0.0, far, segments_for(far))
            pieces.append((cone, shapely.Point(x, y).buffer(far)))
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


def _is_mitred(turn: float, before: Element | None, after: Element | None) -> bool:
    """Whether the tents beside a convex corner reach to each other across it."""
    both_arcs = isinstance(before, Arc) and isinstance(after, Arc)
    return -turn <= math.radians(MITRE_DEG) and (not both_arcs or -turn < 1e-6)


def _mitre(turn: float | None, other: Element) -> float:
    """Tangent of an edge's share of the turn at a mitred corner (negative turns are convex
    anchors): half, or all of it beside an arc, whose cone ends at its own radius."""
    if turn is None or turn >= 0 or -turn > math.radians(MITRE_DEG):
        return 0.0
    return math.tan(-turn if isinstance(other, Arc) else -turn / 2)


def _corners(
    chain: Chain, turns: Sequence[float | None]
) -> list[tuple[Floats, Element | None, Element | None, float | None]]:
    """Each vertex with the elements before and after it and its turn."""
    elements = chain.elements
    if chain.closed:
        if len(elements) == 1:
            return []
        return [(e.start, elements[k - 1], e, turns[k]) for k, e in enumerate(elements)]
    inner = [(e.start, elements[k], e, turns[k + 1]) for k, e in enumerate(elements[1:])]
    return [
        (elements[0].start, None, elements[0], None),
        *inner,
        (elements[-1].end, elements[-1], None, None),
    ]


def _tent(
    edge: Edge,
    mitre: tuple[float, float],
    behind: float,
    low: float,
    top: float,
    slope: float,
    far: float,
) -> tuple[Solid, shapely.Geometry]:
    """Right-triangle prism over the slab of one edge."""
    u = edge.along
    n = np.array([-u[1], u[0]])
    p, q = edge.start, edge.end
    p_far, q_far = p + far * (n - mitre[0] * u), q + far * (n + mitre[1] * u)
    p_back, q_back = p - behind * n, q - behind * n
    foot = low - behind * slope
    points = np.array(
        [
            [*p_back, foot], [*q_back, foot], [*p_back, top],
            [*q_back, top], [*p_far, top], [*q_far, top],
        ]
    )
    return Hull(points), shapely.Polygon([p_back, q_back, q_far, p_far])


def _round(
    arc: Arc, patch: Patchwork, low: float, top: float, slope: float, far: float
) -> tuple[Solid, shapely.Geometry]:
    """The wedge of one arc over its sector."""
    x, y = arc.centre.tolist()
    up = (0.0, 0.0, 1.0)
    r, behind = arc.radius, patch.behind_mm
    foot = low - behind * slope
    around = segments_for(r + far)
    if not arc.inside:
        outer = r + far
        cone: Solid = Cone((x, y, foot), up, top - foot, max(r - behind, 0.0), outer, around)
        if arc.full:
            disc = shapely.Point(x, y)
            body = cone
            footprint = disc.buffer(outer, quad_segs=around // 4)
            inner = r - behind
            if inner > 0:
                bore = Cone((x, y, foot), up, top - foot, inner, inner, segments_for(r))
                body = Difference(cone, bore)
                footprint = footprint.difference(disc.buffer(inner, quad_segs=around // 4))
            return body, footprint
        sector = _sector(arc, outer)
        pie = Prism((np.asarray(sector.exterior.coords)[:-1],), foot, top)
        return Intersection((cone, pie)), sector
    # Inside a bore: all of the sector but the cone that narrows upwards.
    peak = (r + behind) * slope
    height = min(peak, top - foot)
    left = max(0.0, r + behind - height / slope)
    tool = Cone((x, y, foot), up, height, r + behind, left if left > 1e-9 else 0.0, around)
    if arc.full:
        ring = shapely.Polygon(shapely.Point(x, y).buffer(r + behind, quad_segs=around // 4))
        region = patch.grown
        outline = rings_of(region)
        whole = circle_of(outline[0]) if len(outline) == 1 else None
        base = (
            _cylinder((arc.centre, r + behind), foot, top)
            if whole is not None and abs(whole[1] - r) < 0.02 + behind
            else plan_solid(region, foot, top)
        )
        return Difference(base, tool), ring.intersection(region)
    sector = _sector(arc, r + behind + 0.1)
    pie = Prism((np.asarray(shapely.orient_polygons(sector).exterior.coords)[:-1],), foot, top)
    return Difference(pie, tool), sector


def _sector(arc: Arc, radius: float) -> shapely.Polygon:
    """Pie from the centre over the arc, out to at least `radius`."""
    steps = max(2, math.ceil(abs(arc.turn) / math.radians(10)))
    grow = 1.0 / math.cos(abs(arc.turn) / steps / 2)
    angles = arc.a0 + arc.turn * np.arange(steps + 1) / steps
    rim = arc.centre + grow * radius * np.column_stack([np.cos(angles), np.sin(angles)])
    return shapely.orient_polygons(shapely.Polygon([arc.centre, *rim]))


def _is_nearest(
    vertex: Floats, before: Element | None, after: Element | None, patch: Patchwork, far: float
) -> bool:
    """Whether part of the region is nearer to this vertex than to any edge's own slab."""
    angles = 2 * np.pi * np.arange(180) / 180
    rays = np.column_stack([np.cos(angles), np.sin(angles)])
    if before is not None:
        rays = rays[rays @ before.last_along >= 0]
    if after is not None:
        rays = rays[rays @ after.first_along <= 0]
    # Each point stands for a piece of its ring of the sector; 40 rings.
    radii = far * (np.arange(40) + 0.5) / 40
    points = vertex + (rays[:, None] * radii[None, :, None]).reshape(-1, 2)
    cells = np.tile(radii * (far / 40) * (2 * np.pi / 180), len(rays))
    mine = shapely.contains_xy(patch.region, points[:, 0], points[:, 1])
    away = np.linalg.norm(points[mine] - vertex, axis=1)
    nearest = away <= distance(points[mine], patch.chains) + 1e-9
    return bool(cells[mine][nearest].sum() >= CORNER_MM2)
