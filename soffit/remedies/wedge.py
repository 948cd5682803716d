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

import numpy as np
import shapely

from soffit.layers.stack import GRID_MM
from soffit.part.solid import Cone, Difference, Intersection, Prism, Solid
from soffit.remedies.anchor import ARC_SAGITTA_MM
from soffit.remedies.patchwork import Patchwork
from soffit.remedies.pieces import PAST_MM, Slope, pieces
from soffit.remedies.trees import as_polyhedron, nodes, plan_solid, union

# A tree with more nodes than this takes the B-rep kernel seconds (derived: 0.03 s a node).
MOST_NODES = 150


def wedge(
    patch: Patchwork, ceiling_mm: float, depth_mm: float, slope: float, hair_mm: float = 0.0
) -> Solid:
    """The wedge under `patch` from `depth_mm` below the ceiling, rising by `slope` (tan δc);
    its top lies `hair_mm` inside the part."""
    low = ceiling_mm - depth_mm
    top = ceiling_mm + hair_mm
    shape = Slope(low, top, slope, (top - low) / slope, patch.behind_mm, False)
    grown = patch.grown
    # A cone may stand out of a round outline drawn with chords by their sagitta.
    room = grown.buffer(ARC_SAGITTA_MM / 5, join_style="mitre")
    direct: list[Solid] = []
    clipped: list[Solid] = []
    for chain in patch.chains:
        for solid, footprint in pieces(chain, patch, shape):
            limits = room if isinstance(solid, (Cone, Difference)) else grown
            inside = shapely.area(footprint.difference(limits)) < 1e-7 * (1 + footprint.area)
            (direct if inside else clipped).append(solid)
    parts = direct
    if clipped:
        parts = [*direct, Intersection((plan_solid(grown, shape.foot, top), union(clipped)))]
    whole = above_platform(union(parts), grown, shape)
    return as_polyhedron(whole) if nodes(whole) > MOST_NODES else whole


def above_platform(solid: Solid, region: shapely.Geometry, shape: Slope) -> Solid:
    """What of a wedge over a plan `region` lies above the platform: behind the anchor of one that
    stands there its slope would go on below."""
    if shape.foot >= -GRID_MM:
        return solid
    x0, y0, x1, y1 = shapely.bounds(region.buffer(shape.far + PAST_MM)).tolist()
    room = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
    return Intersection((solid, Prism((room,), 0.0, shape.top)))


def slope_above(
    patch: Patchwork, ceiling_mm: float, depth_mm: float, slope: float
) -> Solid | None:
    """All that lies above the slope of a wedge, to be intersected with the room below the
    surface itself: it goes past the ceiling, the wall and the free ends of the anchor by
    `PAST_MM`, so that no face of it lies on one of the part. None where it has too many pieces."""
    low, top = ceiling_mm - depth_mm, ceiling_mm + PAST_MM
    far = (top - low) / slope
    shape = Slope(low, top, slope, far, patch.behind_mm + PAST_MM, True)
    whole = union([s for chain in patch.chains for s, _ in pieces(chain, patch, shape)])
    return above_platform(whole, patch.grown, shape) if nodes(whole) <= MOST_NODES else None
