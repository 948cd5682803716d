"""Patches: where a layer lies farther out than the layer below can hold.

For each layer, over = L[i] − offset(L[i−1], Δ); a patch is a whole component of
L[i] − L[i−1] that `over` reaches, with the edges along which the layer below holds it.
A patch whose step exceeds Δ by no more than tessellation may explain is kept only where a
down-facing facet says that the surface itself is too flat.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property

import manifold3d as m3
import numpy as np
import shapely
from numpy.typing import NDArray

from soffit.findings.facets import FlatFacets
from soffit.layers.stack import GRID_MM, LayerStack, outline_of
from soffit.part.model import Floats, Ints

Bools = NDArray[np.bool_]

# Distance by which an edge's middle is moved outwards to ask what lies there: ten grids,
# far below any feature (derived).
PROBE_MM = 10 * GRID_MM

# A free edge longer than this may lie farther from what holds it than its ends do (derived:
# the width of a line).
LONG_MM = 0.4

# Corners grow to their mitre up to 60 degrees in plan, the least the kernel allows; a sharper
# one would reach over the air beside it, as at a slope's edge beside a hole (derived).
MITRE_LIMIT = 2.0


@dataclass(frozen=True)
class RawPatch:
    """One component of material over air in one layer.

    `rings`: outer ring first, counter-clockwise, then holes clockwise, each (n, 2). `held`:
    for each ring, (n,) whether the edge from point k to k + 1 is held by the layer below.
    `samples` index the `FlatFacets` over it. `beyond` are the parts of it past Δ, as patches
    held where they border on what the layer below holds; given where no facet is too flat.
    """

    layer: int
    rings: tuple[Floats, ...]
    held: tuple[Bools, ...]
    area_mm2: float
    samples: Ints
    beyond: tuple[RawPatch, ...] = ()

    @cached_property
    def polygon(self) -> shapely.Polygon:
        """The patch as a polygon."""
        return shapely.Polygon(self.rings[0], list(self.rings[1:]))

    @cached_property
    def edges(self) -> tuple[Floats, Floats, Bools]:
        """Start points (m, 2), end points (m, 2) and held flags (m,) of all edges."""
        starts = np.concatenate(self.rings)
        ends = np.concatenate([np.roll(r, -1, axis=0) for r in self.rings])
        return starts, ends, np.concatenate(self.held)

    @cached_property
    def held_length_mm(self) -> float:
        """Length of the edges that are held, mm."""
        starts, ends, held = self.edges
        return float(np.linalg.norm(ends[held] - starts[held], axis=1).sum())

    @cached_property
    def free_length_mm(self) -> float:
        """Length of the edges in the air, mm."""
        starts, ends, held = self.edges
        return float(np.linalg.norm(ends[~held] - starts[~held], axis=1).sum())

    @cached_property
    def reach_mm(self) -> float:
        """Greatest distance from a point of the outline to a held edge, mm; inf if none.

        Asked at the corners and on long free edges also between them, where the strip below a
        slope from wall to wall is farthest from what holds it.
        """
        starts, ends, held = self.edges
        if not held.any():
            return float("inf")
        segments = shapely.linestrings(np.stack([starts[held], ends[held]], axis=1))
        free = ~held & (np.linalg.norm(ends - starts, axis=1) > LONG_MM)
        between = [starts[free] + t * (ends - starts)[free] for t in (0.25, 0.5, 0.75)]
        _, distance = shapely.STRtree(segments).query_nearest(
            shapely.points(np.concatenate([starts, *between])),
            return_distance=True,
            all_matches=False,
        )
        return float(distance.max())

    def anchors(self) -> tuple[Floats, ...]:
        """Held edges joined to polylines, each (n, 2)."""
        lines: list[Floats] = []
        for ring, held in zip(self.rings, self.held, strict=True):
            lines.extend(_runs(ring, held))
        return tuple(lines)


def find_patches(
    stack: LayerStack,
    facets: FlatFacets,
    smallest_mm2: float,
    progress: Callable[[str, int, int], None] | None = None,
) -> Iterator[RawPatch]:
    """All patches of a stack, lowest layer first; those under `smallest_mm2` are not printed."""
    for layer in range(1, len(stack)):
        if progress is not None:
            progress("review", layer + 1, len(stack))
        yield from _of_layer(stack, layer, facets, smallest_mm2)


def _of_layer(
    stack: LayerStack, layer: int, facets: FlatFacets, smallest_mm2: float
) -> list[RawPatch]:
    above, below = stack.regions[layer], stack.regions[layer - 1]
    reached = stack.step_mm + GRID_MM
    over = above - below.offset(reached, m3.JoinType.Miter, MITRE_LIMIT)
    if over.area() < GRID_MM:
        return []
    span = facets.of_layer(layer)
    sure = _points_inside(over, 0.5 * (stack.slack_mm - GRID_MM))
    if span.start == span.stop and not len(sure):
        return []
    new = [c for c in (above - below).decompose() if c.area() >= smallest_mm2]
    if not new:
        return []
    polygons = [outline_of(c) for c in new]
    shapes = [shapely.Polygon(r[0], r[1:]) for r in polygons]
    if len(new) == 1:
        found = np.arange(span.start, span.stop)
        wanted = {0: found}
    else:
        tree = shapely.STRtree(shapes)
        touched = _members(tree, _points_inside(over, 5 * GRID_MM))
        certain = set(_members(tree, sure))
        which = tree.query(shapely.points(facets.xy[span]), predicate="intersects")
        wanted = {}
        for k in sorted(set(touched)):
            mine = np.sort(span.start + which[0][which[1] == k])
            if k in certain or len(mine):
                wanted[k] = mine
    if not wanted:
        return []
    whole = stack.plan(layer)
    patches = []
    for k, samples in wanted.items():
        beyond: tuple[RawPatch, ...] = ()
        if not len(samples):
            parts = [(c, outline_of(c)) for c in (new[k] ^ over).decompose()]
            beyond = tuple(
                RawPatch(layer, r, _held(r, whole), float(c.area()), samples)
                for c, r in parts
                if c.area() > GRID_MM
            )
        held = _held(polygons[k], whole)
        patches.append(RawPatch(layer, polygons[k], held, float(new[k].area()), samples, beyond))
    return patches


def _points_inside(region: m3.CrossSection, margin: float) -> Floats:
    """Corner points of `region` shrunk by `margin`, (n, 2): all of them lie inside it."""
    polygons = region.offset(-margin, m3.JoinType.Miter, 2.0).to_polygons()
    return np.concatenate(polygons) if polygons else np.empty((0, 2))


def _members(tree: shapely.STRtree, points: Floats) -> list[int]:
    if not len(points):
        return []
    hits = tree.query(shapely.points(points), predicate="intersects")[1]
    return [int(k) for k in np.unique(hits)]


def _held(rings: tuple[Floats, ...], whole: shapely.Geometry) -> tuple[Bools, ...]:
    """Which edges have material of the same layer, held from below, on their other side."""
    held = []
    for ring in rings:
        ahead = np.roll(ring, -1, axis=0) - ring
        length = np.maximum(np.linalg.norm(ahead, axis=1), 1e-12)
        outward = np.stack([ahead[:, 1], -ahead[:, 0]], axis=1) / length[:, None]
        probe = ring + 0.5 * ahead + PROBE_MM * outward
        held.append(shapely.contains_xy(whole, probe))
    return tuple(held)


def _runs(ring: Floats, held: Bools) -> list[Floats]:
    count = len(ring)
    if held.all():
        return [np.concatenate([ring, ring[:1]])]
    first = int(np.flatnonzero(~held)[0])
    lines: list[Floats] = []
    run: list[int] = []
    for k in range(first + 1, first + count + 1):
        if held[k % count]:
            run = run or [k % count]
            run.append((k + 1) % count)
        elif run:
            lines.append(ring[run])
            run = []
    return lines
