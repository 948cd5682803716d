"""Small helpers on solid expressions: united, counted, evaluated, drawn from plan regions."""

from __future__ import annotations

import math
from collections.abc import Sequence

import shapely

from soffit.layers.stack import GRID_MM
from soffit.part.model import Floats
from soffit.part.solid import Cone, Difference, Intersection, Polyhedron, Prism, Solid, Union
from soffit.remedies.anchor import circle_of, rings_of

# Chords of the mesh's cones lie this near to the true circle, mm (common practice, no source).
CHORD_MM = 0.01


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
    """`solid` evaluated by the mesh kernel, as one closed polyhedron of triangles without edges
    so short that the B-rep kernel makes nothing of them."""
    from soffit.part.mesh_solid import arrays, evaluate

    vertices, triangles = arrays(evaluate(solid).simplify(GRID_MM))
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
            cylinder(c, low_mm, top_mm) for c in circles[1:] if c is not None
        ]
        first = circles[0]
        if first is None:
            base: Solid = Prism((rings[0], *flat), low_mm, top_mm)
        else:
            base = cylinder(first, low_mm, top_mm)
            tools += [Prism((ring[::-1],), low_mm, top_mm) for ring in flat]
        lumps.append(Difference(base, union(tools)) if tools else base)
    if plain:
        lumps.append(Prism(tuple(plain), low_mm, top_mm))
    return union(lumps)


def cylinder(circle: tuple[Floats, float], low: float, top: float) -> Cone:
    """Upright cylinder over a plan circle, centre (2,) and radius."""
    (x, y), r = circle[0].tolist(), circle[1]
    return Cone((x, y, low), (0.0, 0.0, 1.0), top - low, r, r, segments_for(r))
