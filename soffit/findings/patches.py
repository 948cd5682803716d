"""Patches: where a layer lies farther out than the layer below can hold.

For each layer, over = L[i] − offset(L[i−1], Δ). A core is what of it lies near where it exceeds
Δ by more than tessellation may explain, or where a facet says that the surface itself is too
flat. A patch is what of L[i] − L[i−1] lies within Δ of its cores, with the edges along which
the layer below holds it; what is left beside it steps out by no more than Δ and is held.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property

import manifold3d as m3
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from soffit.findings.cores import MITRE_LIMIT, SLIVER_MM, cores_of, members, points_of
from soffit.findings.facets import FlatFacets
from soffit.findings.leaning import mostly_level
from soffit.layers.stack import (
    GRID_MM,
    LayerStack,
    components,
    offset_of,
    outline_of,
    plan_of,
    tidy,
    union_of,
)
from soffit.part.model import Floats, Ints
from soffit.part.topology import following

Bools = NDArray[np.bool_]

# Distance by which an edge's middle is moved outwards to ask what lies there: ten grids,
# far below any feature (derived).
PROBE_MM = 10 * GRID_MM

# A free edge longer than this may lie farther from what holds it than its ends do (derived: half
# the width of a line; runs change by 2 % and less where it is made half as long).
LONG_MM = 0.2

# A wall that two layers share may differ between them by this much (derived: corners of 32 bits
# at 100 mm are known to 4e-6 mm).
HAIR_MM = 0.1 * GRID_MM

# What hangs together by less than this hangs apart, mm (own choice: a fortieth of a line, far less
# than a bead; ribs that end flush with a wall leave such necks between them in a faceted mesh).
NECK_MM = 0.01

# With more pairs of segments and points than this a tree is worth its making (own choice).
MOST_PAIRS = 1000

# A core is grown back into tips down to 30 degrees in plan (derived: 1 / sin(15 degrees)); what
# lies beyond is held and too little to be printed.
TIP_LIMIT = 4.0


@dataclass(frozen=True)
class RawPatch:
    """Connected material over air in one layer.

    `rings`: outer ring first, counter-clockwise, then holes clockwise, each (n, 2). `held`:
    for each ring, (n,) whether the edge from point k to k + 1 is held by the layer below;
    `beside`, in the same shape or empty: whether it borders on material of its own layer that
    is held because it steps out by no more than Δ. `samples` index the `FlatFacets` over it.
    `level`: whether most of the surface over it is, or no facet is over it.
    `beyond` are the parts of it past Δ, as patches held where they border on what the layer
    below holds; given where no facet is too flat.
    """

    layer: int
    rings: tuple[Floats, ...]
    held: tuple[Bools, ...]
    area_mm2: float
    samples: Ints
    beyond: tuple[RawPatch, ...] = ()
    beside: tuple[Bools, ...] = ()
    level: bool = True

    @cached_property
    def polygon(self) -> shapely.Geometry:
        """The patch as a polygon, or several where rounding of the layers made its outline cross
        itself: set operations fail on such a one."""
        made = shapely.Polygon(self.rings[0], list(self.rings[1:]))
        if shapely.is_valid(made):
            return made
        return shapely.make_valid(made, method="structure", keep_collapsed=False)

    @cached_property
    def edges(self) -> tuple[Floats, Floats, Bools]:
        """Start points (m, 2), end points (m, 2) and held flags (m,) of all edges."""
        starts = np.concatenate(self.rings)
        ends = np.concatenate([following(r) for r in self.rings])
        return starts, ends, np.concatenate(self.held)

    @cached_property
    def kept(self) -> tuple[Bools, ...]:
        """For each ring, (n,) whether an edge is held by the layer below or borders on what is."""
        if not self.beside:
            return self.held
        return tuple(h | b for h, b in zip(self.held, self.beside, strict=True))

    @cached_property
    def held_length_mm(self) -> float:
        """Length of the edges that are held, mm."""
        starts, ends, _ = self.edges
        kept = np.concatenate(self.kept)
        return float(np.linalg.norm(ends[kept] - starts[kept], axis=1).sum())

    @cached_property
    def free_length_mm(self) -> float:
        """Length of the edges in the air, mm."""
        starts, ends, _ = self.edges
        free = ~np.concatenate(self.kept)
        return float(np.linalg.norm(ends[free] - starts[free], axis=1).sum())

    @cached_property
    def loose(self) -> tuple[Floats, ...]:
        """The rings that are in the air all the way round."""
        return tuple(
            ring for ring, kept in zip(self.rings, self.kept, strict=True) if not kept.any()
        )

    def lines(self, chosen: tuple[Bools, ...]) -> NDArray[np.object_]:
        """The edges that `chosen` marks, ring by ring, as lines (n,)."""
        starts, ends, _ = self.edges
        which = np.concatenate(chosen)
        return np.asarray(shapely.linestrings(np.stack([starts[which], ends[which]], axis=1)))

    @cached_property
    def asked(self) -> Floats:
        """Points of the outline, (k, 2), of which one is the farthest from what holds it.

        The corners, and on long free edges also points between them, where the strip below a
        slope from wall to wall is farthest from what holds it.
        """
        starts, ends, _ = self.edges
        free = ~np.concatenate(self.kept) & (np.linalg.norm(ends - starts, axis=1) > LONG_MM)
        between = [starts[free] + t * (ends - starts)[free] for t in (0.25, 0.5, 0.75)]
        return np.concatenate([starts, *between])

    @cached_property
    def reach_mm(self) -> float:
        """Greatest distance from a point of the outline to an edge that holds, mm; inf if none."""
        lines = self.lines(self.kept)
        return float(distances(self.asked, lines)[0].max()) if len(lines) else float("inf")

    def anchors(self, whole: shapely.Geometry | None = None) -> list[Floats]:
        """Held edges joined to polylines, each (n, 2); of a strip of a slope those that lie on no
        other strip, as the border of the `whole` of them."""
        inner = [np.zeros(len(h), dtype=bool) for h in self.held]
        if whole is not None:
            inner = list(_borders(self.rings, whole))
        lines: list[Floats] = []
        for ring, held, within in zip(self.rings, self.held, inner, strict=True):
            lines.extend(_runs(ring, held & ~within))
        return lines


def distances(points: Floats, lines: NDArray[np.object_]) -> tuple[Floats, Ints]:
    """Distance from each of `points` (k, 2) to the nearest of `lines` (n,), n > 0, and which
    it is, (k,) each, mm."""
    pairs, distance = shapely.STRtree(lines).query_nearest(
        shapely.points(points), return_distance=True, all_matches=False
    )
    return distance, pairs[1]


def cut_edges(a: Floats, b: Floats, points: Floats) -> tuple[Floats, Floats]:
    """Segments from `a` to `b`, (n, 2) each, cut in order at those of `points` that lie on them."""
    if len(a) * len(points) > MOST_PAIRS:
        # Most are corners of these segments too.
        away, _ = cKDTree(np.concatenate([a, b])).query(points, distance_upper_bound=PROBE_MM)
        points = points[~np.isfinite(away)]
    if not len(points):
        return a, b
    along = b - a
    squared = np.maximum((along**2).sum(axis=1), GRID_MM**2)
    t = ((points[None] - a[:, None]) * along[:, None]).sum(axis=2) / squared[:, None]
    foot = a[:, None] + t[:, :, None] * along[:, None]
    away = np.linalg.norm(points[None] - foot, axis=2)
    margin = (PROBE_MM / np.sqrt(squared))[:, None]
    row, column = np.nonzero((away <= PROBE_MM) & (t > margin) & (t < 1.0 - margin))
    if not len(row):
        return a, b
    count = np.arange(len(a))
    rows = np.concatenate([count, count, row])
    places = np.concatenate([np.zeros(len(a)), np.ones(len(a)), t[row, column]])
    order = np.lexsort((places, rows))
    rows, places = rows[order], places[order]
    same = (rows[1:] == rows[:-1]) & (places[1:] - places[:-1] > 1e-9)
    low, high, of = places[:-1][same], places[1:][same], rows[1:][same]
    return a[of] + low[:, None] * along[of], a[of] + high[:, None] * along[of]


def find_patches(
    stack: LayerStack,
    facets: FlatFacets,
    smallest_mm2: float,
    progress: Callable[[str, int, int], None] | None = None,
    layers: range | None = None,
) -> Iterator[RawPatch]:
    """All patches of a stack, or of some layers of it, lowest layer first; those under
    `smallest_mm2` are not printed."""
    specks = m3.CrossSection()
    wanted = range(1, len(stack)) if layers is None else layers
    # What is too small to be printed holds nothing: the two layers below say what that is.
    for layer in range(max(1, wanted.start - 2), min(wanted.stop, len(stack))):
        if progress is not None:
            progress("review", layer + 1, len(stack))
        above, below = stack.regions[layer], stack.regions[layer - 1]
        if not specks.is_empty():
            below = tidy(below - specks)
        fresh = tidy(above - below)
        over = m3.CrossSection()
        if fresh.area() > GRID_MM**2:
            reached = stack.step_mm + GRID_MM
            over = tidy(fresh - offset_of(below, reached, limit=MITRE_LIMIT))
        specks = _specks(over, fresh, below, stack.step_mm, smallest_mm2)
        if over.area() > GRID_MM and layer in wanted:
            yield from _of_layer(stack, layer, facets, fresh, over, smallest_mm2)


def _specks(
    over: m3.CrossSection,
    fresh: m3.CrossSection,
    below: m3.CrossSection,
    step_mm: float,
    smallest_mm2: float,
) -> m3.CrossSection:
    """What starts in mid-air and is too small to be printed: nothing is held by it."""
    small = union_of([c for c in components(over) if c.area() < smallest_mm2])
    if small.is_empty():
        return small
    whole = offset_of(small, 2.0 * step_mm, limit=MITRE_LIMIT) ^ fresh
    parts = [c for c in components(whole) if c.area() < smallest_mm2]
    grown = [offset_of(c, PROBE_MM, limit=MITRE_LIMIT) for c in parts]
    holds = union_of(grown) ^ below
    return union_of([c for c, g in zip(parts, grown, strict=True) if (g ^ holds).is_empty()])


def _of_layer(
    stack: LayerStack,
    layer: int,
    facets: FlatFacets,
    fresh: m3.CrossSection,
    over: m3.CrossSection,
    smallest_mm2: float,
) -> list[RawPatch]:
    span = facets.of_layer(layer)
    cores = cores_of(stack, facets, span, over)
    if cores is None:
        return []
    grown = offset_of(cores, stack.step_mm + 2.0 * SLIVER_MM, limit=TIP_LIMIT)
    rests = [c for c in components(fresh - grown) if c.area() >= smallest_mm2]
    rest = union_of(rests)
    loose = tidy(fresh - rest)
    new, cut = _printed(loose, smallest_mm2)
    corners = np.concatenate([*stack.regions[layer].to_polygons(), *rest.to_polygons()])
    outlines = [_divided(outline_of(c), corners) for c in new]
    if len(new) == 1 and not rests:
        wanted = {0: np.arange(span.start, span.stop)}
    else:
        polygons = [shapely.Polygon(r[0], r[1:]) for r in outlines]
        tree = shapely.STRtree(polygons)
        which = tree.query(shapely.points(facets.xy[span]), predicate="intersects")
        wanted = {
            k: np.sort(span.start + which[0][which[1] == k])
            for k in members(tree, points_of(offset_of(cores, -SLIVER_MM)))
        }
        _add_long(wanted, polygons, facets, span)
    whole = stack.plan(layer)
    if cut:
        # What was cut at a neck does not hold what it was cut from.
        whole = plan_of(stack.regions[layer] - loose)
    aside = plan_of(rest)
    patches = []
    for k, samples in wanted.items():
        beyond: tuple[RawPatch, ...] = ()
        if not len(samples):
            parts = [(c, _divided(outline_of(c), corners)) for c in components(new[k] ^ over)]
            beyond = tuple(
                RawPatch(layer, r, _borders(r, whole), float(c.area()), samples)
                for c, r in parts
                if c.area() >= smallest_mm2
            )
        held = _borders(outlines[k], whole)
        beside: tuple[Bools, ...] = ()
        if rests:
            beside = _borders(outlines[k], aside)
            held = tuple(h & ~b for h, b in zip(held, beside, strict=True))
        area = float(new[k].area())
        level = mostly_level(outlines[k], area, samples, facets, span)
        patches.append(RawPatch(layer, outlines[k], held, area, samples, beyond, beside, level))
    return patches


def _add_long(
    wanted: dict[int, Ints], polygons: list[shapely.Polygon], facets: FlatFacets, span: slice
) -> None:
    """Give patches in which no facet has its middle those that run through them."""
    empty = [k for k, samples in wanted.items() if not len(samples)]
    leaning = facets.leaning(span)
    if empty and len(leaning):
        tree = shapely.STRtree(shapely.linestrings(facets.segments(leaning)))
        # Shrunk, for those that run along a patch's edge are its neighbour's.
        inner = shapely.buffer([polygons[k] for k in empty], -SLIVER_MM)
        which, found = tree.query(inner, predicate="intersects")
        for at, k in enumerate(empty):
            wanted[k] = np.sort(leaning[found[which == at]])


def _printed(region: m3.CrossSection, smallest_mm2: float) -> tuple[list[m3.CrossSection], bool]:
    """Parts of a region that are large enough to be printed, and whether one was cut at a neck.
    What meets in a corner or along a wall that two layers share to within rounding is apart,
    whichever way it was rounded."""
    whole = _opened(region, HAIR_MM, smallest_mm2)
    found = []
    for part in whole:
        apart = _opened(part, 0.5 * NECK_MM, smallest_mm2)
        found += apart if len(apart) > 1 else [part]
    return found, len(found) > len(whole)


def _opened(region: m3.CrossSection, by_mm: float, smallest_mm2: float) -> list[m3.CrossSection]:
    """Parts of a region that are large enough, apart where it is no wider than twice `by_mm`."""
    opened = offset_of(offset_of(region, -by_mm, limit=TIP_LIMIT), by_mm, limit=TIP_LIMIT)
    parts = [c for c in components(opened) if c.area() >= smallest_mm2]
    # Grown past what opening took and cut back, so that outlines are those of the region, without
    # the stubs of what was thinner.
    grown = [offset_of(c, by_mm, limit=TIP_LIMIT) ^ region for c in parts]
    grown = [c.simplify(2.0 * HAIR_MM) for c in grown]
    return [max(components(c), key=lambda part: float(part.area())) for c in grown]


def _divided(rings: tuple[Floats, ...], corners: Floats) -> tuple[Floats, ...]:
    """Rings with a corner wherever one of `corners` lies on a side: there what is on its other
    side may change."""
    low = np.min([r.min(axis=0) for r in rings], axis=0) - PROBE_MM
    high = np.max([r.max(axis=0) for r in rings], axis=0) + PROBE_MM
    near = corners[((corners >= low) & (corners <= high)).all(axis=1)]
    if not len(near):
        return rings
    return tuple(cut_edges(r, following(r), near)[0] for r in rings)


def _borders(rings: tuple[Floats, ...], region: shapely.Geometry) -> tuple[Bools, ...]:
    """Which edges have `region` on their other side."""
    answer = []
    for ring in rings:
        ahead = following(ring) - ring
        length = np.maximum(np.linalg.norm(ahead, axis=1), 1e-12)
        outward = np.stack([ahead[:, 1], -ahead[:, 0]], axis=1) / length[:, None]
        probe = ring + 0.5 * ahead + PROBE_MM * outward
        answer.append(shapely.contains_xy(region, probe))
    return tuple(answer)


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
