"""Places: what each patch is, physically, before anybody judges it.

A patch is spanned when in some direction all its strands hold; it is a ledge when they do
not; an island when nothing holds it. Patches of consecutive layers under a sloping surface
are strips of one slope, and the run of a slope is the horizontal distance since the last
edge that was properly held.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import shapely

from soffit.findings.bridging import (
    Strands,
    best_bridge,
    best_partial,
    directions,
)
from soffit.findings.facets import FlatFacets
from soffit.findings.patches import PROBE_MM, RawPatch
from soffit.part.model import Floats
from soffit.process.model import Process

Shape = Literal["island", "ledge", "bridge", "ceiling", "slope"]

# A surface flatter than this is one level ceiling, printed in one layer, whatever its fit
# says: over 10 mm it rises by 0.35 mm, less than two layers (derived).
LEVEL_DEG = 2.0

# Share of a patch that must be spanned before it is split in bridge and ledge (from memory).
WORTH_SPLITTING = 0.3


@dataclass(frozen=True)
class Place:
    """One place over air. `patches` are its strips, lowest first (one, except for slopes).

    `reach_mm`: to the farthest point from a held edge; for slopes and what follows them it
    includes the run. `span_mm` and `direction`: of the strands. `held_round`: no edge is
    free. `pierced`: the outer edge is held all round and an inner one is in the air.
    """

    shape: Shape
    patches: tuple[RawPatch, ...]
    angle_deg: float | None
    reach_mm: float | None = None
    span_mm: float | None = None
    direction: tuple[float, float] | None = None
    held_round: bool = False
    pierced: bool = False
    starts: tuple[RawPatch, ...] = ()


def find_places(
    patches: Iterable[RawPatch], facets: FlatFacets, process: Process
) -> list[Place]:
    """Sort all patches of a part into places."""
    places: list[Place] = []
    by_layer: dict[int, list[Place]] = defaultdict(list)
    for patch in patches:
        for place in _describe(patch, facets, process):
            by_layer[patch.layer].append(place)
    runs = _Runs(process.step_mm)
    for layer in sorted(by_layer):
        for place in by_layer[layer]:
            run = runs.before(place.patches[0])
            if place.shape == "slope":
                runs.extend(place, run)
            elif place.shape == "ledge" and place.reach_mm is not None:
                places.append(replace(place, reach_mm=place.reach_mm + run))
            else:
                places.append(place)
        runs.close(layer)
    return places + runs.slopes()


class _Runs:
    """Strips of slopes joined from layer to layer, with the run that each has gathered."""

    def __init__(self, step_mm: float) -> None:
        self._step_mm = step_mm
        self._strips: list[tuple[Place, float, bool]] = []
        self._group: list[int] = []
        self._last: tuple[int, shapely.STRtree, list[int]] | None = None
        self._open: list[int] = []

    def _touching(self, patch: RawPatch) -> list[int]:
        if self._last is None or self._last[0] != patch.layer - 1:
            return []
        hits = self._last[1].query(patch.polygon, predicate="dwithin", distance=PROBE_MM)
        return [self._last[2][int(k)] for k in np.sort(hits)]

    def before(self, patch: RawPatch) -> float:
        """Run of the strips in the layer below that `patch` starts from, mm."""
        return max((self._strips[k][1] for k in self._touching(patch)), default=0.0)

    def extend(self, place: Place, run: float) -> None:
        """Add a strip; `run` is what `before` said."""
        below = self._touching(place.patches[0])
        # The layer below holds the first strip as far as a layer may step out at all.
        reach = (place.reach_mm or 0.0) - (0.0 if below else self._step_mm)
        index = len(self._strips)
        self._strips.append((place, run + max(reach, 0.0), not below))
        self._group.append(index)
        self._open.append(index)
        for k in below:
            self._join(index, k)

    def _root(self, k: int) -> int:
        while self._group[k] != k:
            self._group[k] = self._group[self._group[k]]
            k = self._group[k]
        return k

    def _join(self, a: int, b: int) -> None:
        a, b = self._root(a), self._root(b)
        self._group[max(a, b)] = min(a, b)

    def close(self, layer: int) -> None:
        """All strips of `layer` are known."""
        if self._open:
            shapes = [self._strips[k][0].patches[0].polygon for k in self._open]
            self._last = (layer, shapely.STRtree(shapes), self._open)
        self._open = []

    def slopes(self) -> list[Place]:
        """One place for each group of strips that hang together."""
        groups: dict[int, list[int]] = defaultdict(list)
        for k in range(len(self._strips)):
            groups[self._root(k)].append(k)
        return [self._merge(members) for _, members in sorted(groups.items())]

    def _merge(self, members: list[int]) -> Place:
        strips = [self._strips[k] for k in members]
        patches = tuple(s[0].patches[0] for s in strips)
        weight = np.array([p.area_mm2 for p in patches])
        angle = np.array([s[0].angle_deg or 0.0 for s in strips])
        return Place(
            "slope",
            patches,
            float((angle * weight).sum() / weight.sum()),
            reach_mm=max(s[1] for s in strips),
            starts=tuple(s[0].patches[0] for s in strips if s[2]),
        )


def _describe(patch: RawPatch, facets: FlatFacets, process: Process) -> list[Place]:
    weight = facets.weight[patch.samples]
    total = float(weight.sum())
    angle = float((facets.angle_deg[patch.samples] * weight).sum() / total) if total else None
    if patch.held_length_mm == 0.0:
        return [Place("island", (patch,), angle)]
    if patch.beyond:
        short = _short_strands(patch, process)
        if short is not None:
            return short
    sloped = angle is not None and angle >= LEVEL_DEG
    # A whole ring of edges in the air cuts every strand that meets it.
    loose = [not held.any() for held in patch.held]
    if not any(loose):
        # A strip of a slope is long and narrow: only along and across it can it be spanned.
        tried = directions(patch, edges=2, around=0) if sloped else directions(patch)
        bridge = best_bridge(patch, process.line_mm, tried)
        if bridge is not None:
            return [_spanned(patch, bridge, angle)]
        if not sloped and patch.reach_mm > process.lip_mm:
            split = _split(patch, process, tried)
            if split is not None:
                return [replace(p, angle_deg=angle) for p in split]
    if sloped:
        return [Place("slope", (patch,), angle, reach_mm=patch.reach_mm)]
    if bool(patch.held[0].all()) and any(loose):
        width = _least_width(patch, process.line_mm)
        return [
            Place("ceiling", (patch,), angle, patch.reach_mm, width.span_mm, width.unit,
                  pierced=True)
        ]
    return [Place("ledge", (patch,), angle, reach_mm=patch.reach_mm)]


def _short_strands(patch: RawPatch, process: Process) -> list[Place] | None:
    """Places of a patch under no flat facet: where steep faces meet in an edge that is flatter
    than either. None where a part of it must be judged as a ledge.

    A part past Δ that is no wider than one line is a single strand: spanned if both its
    ends are held (a slope's front that passes a hole), else a corner that stands out, which
    is nothing to report within the lip. A part narrower than half a line is no strand: the
    bead beside it covers it (derived).
    """
    places = []
    for part in patch.beyond:
        ends = _held_ends(part, process.line_mm)
        if ends is not None:
            span, direction = ends
            places.append(Place("bridge", (part,), None, span_mm=span, direction=direction))
        elif part.polygon.buffer(-0.25 * process.line_mm).is_empty:
            continue
        elif part.reach_mm > process.lip_mm - process.step_mm:
            return None
    return places


def _held_ends(
    part: RawPatch, line_mm: float
) -> tuple[float, tuple[float, float]] | None:
    """Length and direction of a strand no wider than a line whose two ends are held."""
    box = shapely.minimum_rotated_rectangle(part.polygon)
    if not isinstance(box, shapely.Polygon):
        return None
    corners = np.asarray(box.exterior.coords)
    sides = sorted((corners[1] - corners[0], corners[2] - corners[1]), key=np.linalg.norm)
    width, length = float(np.linalg.norm(sides[0])), float(np.linalg.norm(sides[1]))
    if width > line_mm or length == 0.0:
        return None
    along = sides[1] / length
    starts, ends, held = part.edges
    middle = 0.5 * (starts + ends)[held] @ along
    low, high = float((corners @ along).min()), float((corners @ along).max())
    reach = min(line_mm, 0.25 * length)
    if not ((middle <= low + reach).any() and (middle >= high - reach).any()):
        return None
    return length, (float(along[0]), float(along[1]))


def _spanned(patch: RawPatch, bridge: Strands, angle: float | None) -> Place:
    all_round = patch.free_length_mm <= 0.01 * patch.held_length_mm
    return Place(
        "ceiling" if all_round else "bridge",
        (patch,),
        angle,
        span_mm=bridge.span_mm,
        direction=bridge.unit,
        held_round=all_round,
    )


def _least_width(patch: RawPatch, line_mm: float) -> Strands:
    """Strands over the whole opening, as if nothing pierced it."""
    closed = replace(patch, rings=patch.rings[:1], held=patch.held[:1])
    best = best_bridge(closed, line_mm, directions(closed))
    assert best is not None  # every edge of the outer ring is held
    return best


def _split(patch: RawPatch, process: Process, tried: list[float]) -> list[Place] | None:
    """A patch that is bridge here and ledge there: its parts; None if it is not worth it."""
    best = best_partial(patch, process.line_mm, tried, process.bridge_mm)
    good = best.held & (best.length <= process.bridge_mm)
    if float(best.length[good].sum()) * best.spacing_mm < WORTH_SPLITTING * patch.area_mm2:
        return None
    along = np.array(best.unit)
    cross = np.array([-along[1], along[0]])
    half = 0.5 * best.spacing_mm
    corners = []
    for u0, u1, v in zip(best.low[good], best.high[good], best.across[good], strict=True):
        ends = ((u0 - PROBE_MM, v - half), (u1 + PROBE_MM, v - half),
                (u1 + PROBE_MM, v + half), (u0 - PROBE_MM, v + half))
        corners.append([u * along + w * cross for u, w in ends])
    quads = shapely.polygons(np.array(corners))
    spanned = shapely.union_all(shapely.buffer(quads, PROBE_MM, join_style="mitre"))
    bridge = shapely.intersection(patch.polygon, spanned)
    rest = shapely.difference(patch.polygon, spanned)
    held_lines = _held_lines(patch)
    places: list[Place] = []
    for piece in _polygons(bridge, process.line_mm):
        sub = _sub_patch(patch, piece, held_lines)
        span = float(best.length[good].max())
        places.append(Place("bridge", (sub,), None, span_mm=span, direction=best.unit))
    for piece in _polygons(rest, 0.5 * process.line_mm):
        sub = _sub_patch(patch, piece, held_lines)
        if sub.held_length_mm == 0.0:
            sub = _sub_patch(patch, piece, shapely.union(held_lines, bridge.boundary))
        reach = sub.reach_mm
        places.append(Place("ledge", (sub,), None, reach_mm=reach))
    if not any(p.shape == "bridge" for p in places):
        return None
    return places


def _held_lines(patch: RawPatch) -> shapely.Geometry:
    starts, ends, held = patch.edges
    return shapely.multilinestrings(
        shapely.linestrings(np.stack([starts[held], ends[held]], axis=1))
    )


def _polygons(shape: shapely.Geometry, least_width: float) -> list[shapely.Polygon]:
    """Polygons of `shape` that are somewhere as wide as `least_width`, sorted."""
    parts = [p for p in shapely.get_parts(shape) if isinstance(p, shapely.Polygon)]
    wide = [p for p in parts if not p.buffer(-0.5 * least_width).is_empty]
    return sorted(wide, key=lambda p: p.bounds)


def _sub_patch(
    patch: RawPatch, piece: shapely.Polygon, held_lines: shapely.Geometry
) -> RawPatch:
    oriented = shapely.orient_polygons(piece)
    rings: list[Floats] = [
        np.asarray(r.coords, dtype=np.float64)[:-1]
        for r in (oriented.exterior, *oriented.interiors)
    ]
    held = []
    for ring in rings:
        middle = 0.5 * (ring + np.roll(ring, -1, axis=0))
        held.append(shapely.distance(shapely.points(middle), held_lines) <= 2 * PROBE_MM)
    return RawPatch(patch.layer, tuple(rings), tuple(held), float(piece.area), patch.samples)
