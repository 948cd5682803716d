"""Places: what each patch is, physically, before anybody judges it.

A patch is spanned when in some direction all its strands hold; it is a ledge when they do
not; an island when nothing holds it. Patches of consecutive layers under a sloping surface
are strips of one slope, and the run of a slope is the horizontal distance since the last
edge that was properly held.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
import shapely

from soffit.findings.bridging import ALL_HELD, Strands, best_bridge, directions, fan
from soffit.findings.covering import Cover, Spanned, cover
from soffit.findings.facets import FlatFacets
from soffit.findings.leaning import mean_angle_deg
from soffit.findings.patches import PROBE_MM, RawPatch
from soffit.findings.runs import Asked, Known, Runs
from soffit.findings.words import within
from soffit.process.model import Process

Shape = Literal["island", "ledge", "bridge", "ceiling", "slope"]

# Owner of a free edge that belongs to no slope.
LEVEL = -1

# Share of a pierced ceiling that may be left once the rest is spanned beside its hole; a
# counterbore of twice the diameter of its hole, of which half is left, stays one (derived: 0.48).
LEFT_SHARE = 0.4

# Share of a strip of a slope that strands must hold before it is cut into what they hold and what
# is left (own choice: a strip that is mostly a slope stays whole), and least share of what is left
# past its limits that other strands must hold to be preferred (own choice).
MOSTLY = 0.5


@dataclass(frozen=True)
class Place:
    """One place over air. `patches` are its strips, lowest first (one, except for slopes).

    `reach_mm`: to the farthest point from a held edge; for slopes and what follows them it
    includes the run. `span_mm` and `direction`: of the strands. `held_round`: no edge is
    free. `pierced`: the outer edge is held all round and an inner one is in the air. `starts`: the
    strips of a slope that lie on no other.
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


@dataclass
class Memory:
    """What was found of patches and of layers, for when most of them are looked at again.

    `described`: what each patch is by itself, by its `id`; `runs`: how far each has come. The
    patches must outlive it: an `id` is used again."""

    described: dict[int, list[Place]] = field(default_factory=dict)
    runs: Known = field(default_factory=dict)

    def copy(self) -> Memory:
        """The same, to be added to apart."""
        return Memory(dict(self.described), dict(self.runs))


def find_places(
    patches: Iterable[RawPatch],
    facets: FlatFacets,
    process: Process,
    memory: Memory | None = None,
    *,
    roughly: bool = False,
) -> list[Place]:
    """Sort all patches of a part into places. `memory`: what is known of them; what is found out is
    added to it. `roughly`: strips are taken for slopes, without asking what spans them, and those
    under one face for one slope that rises evenly."""
    if roughly:
        return _rough(patches, facets, process)
    memory = Memory() if memory is None else memory
    places: list[Place] = []
    by_layer: dict[int, list[Place]] = defaultdict(list)
    for patch in patches:
        if id(patch) not in memory.described:
            memory.described[id(patch)] = _describe(patch, facets, process)
        by_layer[patch.layer] += memory.described[id(patch)]
    runs = Runs(process.step_mm, memory.runs)
    slopes = _Slopes()
    for layer in sorted(by_layer):
        asked = {id(p): a for p in by_layer[layer] if (a := _asked(p, process.line_mm))}
        found_of = dict(zip(asked, runs.of_layer(layer, list(asked.values())), strict=True))
        for place in by_layer[layer]:
            if id(place) not in found_of:
                places.append(place)
                continue
            found = found_of[id(place)]
            if place.shape == "slope":
                slopes.add(place, found.run_mm, found.owners)
            else:
                more = max(found.run_mm - place.patches[0].reach_mm, 0.0)
                places.append(replace(place, reach_mm=(place.reach_mm or 0.0) + more))
    memory.runs = runs.found
    return places + slopes.places()


def _rough(
    patches: Iterable[RawPatch], facets: FlatFacets, process: Process
) -> list[Place]:
    """Level patches by themselves, and the strips under each face together."""
    places: list[Place] = []
    slopes: dict[int, list[Place]] = defaultdict(list)
    for patch in patches:
        angle = mean_angle_deg(patch.samples, facets)
        if angle is None or patch.level or patch.held_length_mm == 0.0:
            places += _describe(patch, facets, process)
        else:
            largest = patch.samples[facets.weight[patch.samples].argmax()]
            slopes[int(facets.mesh.face_of[facets.triangle[largest]])].append(
                Place("slope", (patch,), angle))
    for _, strips in sorted(slopes.items()):
        whole = _one_slope([(strip, 0.0, False) for strip in strips])
        samples = np.concatenate([p.samples for p in whole.patches])
        rise = float(facets.z_mm[samples, 1].max() - facets.z_mm[samples, 0].min())
        run = rise / math.tan(math.radians(whole.angle_deg or 45.0))
        places.append(replace(whole, reach_mm=run))
    return places


def _asked(place: Place, line_mm: float) -> Asked | None:
    """What is asked of the run of a place by itself: None of one that has none."""
    patch = place.patches[0]
    if place.shape == "slope":
        return Asked(patch, True, id(patch))
    if place.shape == "ledge" and _is_step(patch, line_mm):
        return Asked(patch, False, LEVEL)
    return None


def _is_step(patch: RawPatch, line_mm: float) -> bool:
    """Whether a ledge can be a step of a stair: held, and under a flat face or somewhere a line
    wide. Else it is the outer edge of one bead, as where two steep faces meet."""
    if patch.held_length_mm == 0.0:
        return False
    return len(patch.samples) > 0 or not patch.polygon.buffer(-0.5 * line_mm).is_empty


class _Slopes:
    """Strips of slopes joined from layer to layer."""

    def __init__(self) -> None:
        self._strips: list[tuple[Place, float, bool]] = []
        self._group: list[int] = []
        self._number: dict[int, int] = {}

    def add(self, place: Place, run_mm: float, below: list[int]) -> None:
        """Add a strip with its run, and the strips that it lies on, by the `id` of their patch."""
        on = [self._number[k] for k in below if k != LEVEL]
        self._strips.append((place, run_mm, not on))
        index = len(self._group)
        self._number[id(place.patches[0])] = index
        self._group.append(index)
        for k in on:
            a, b = self._root(index), self._root(k)
            self._group[max(a, b)] = min(a, b)

    def _root(self, k: int) -> int:
        while self._group[k] != k:
            self._group[k] = self._group[self._group[k]]
            k = self._group[k]
        return k

    def places(self) -> list[Place]:
        """One place for each group of strips that hang together."""
        groups: dict[int, list[int]] = defaultdict(list)
        for k in range(len(self._strips)):
            groups[self._root(k)].append(k)
        return [_one_slope([self._strips[k] for k in members])
                for _, members in sorted(groups.items())]


def _one_slope(strips: Sequence[tuple[Place, float, bool]]) -> Place:
    """Strips that hang together, each with its run and whether it lies on no other, as a place."""
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
    angle = mean_angle_deg(patch.samples, facets)
    if patch.held_length_mm == 0.0:
        return [Place("island", (patch,), angle)]
    if not len(patch.samples):
        short = _short_strands(patch, process)
        if short is not None:
            return short
    if not patch.level:
        # A strip of a slope is long and narrow: only along and across it can it be spanned.
        return [replace(place, angle_deg=angle) for place in _strip(patch, process)]
    return [replace(place, angle_deg=angle) for place in level_places(patch, process)]


def _strip(patch: RawPatch, process: Process) -> list[Place]:
    """A strip of a slope, or a bridge where it is held at both ends, as at the crown of a hole;
    where that is most of it, what is left beside is judged alone. An open ring is a slope; what is
    held all round is a ceiling, however wide."""
    if patch.loose:
        return [Place("slope", (patch,), None)]
    found = fan(patch, process.line_mm, directions(patch, edges=2, around=0, stretches=0))
    bridge = best_bridge(patch, process.line_mm, found)
    if bridge is not None and (_held_round(patch) or within(bridge.span_mm, process.bridge_mm)):
        return [_spanned(patch, bridge)]
    least = MOSTLY * patch.area_mm2
    if max(s.area_within(process.bridge_mm) for s in found) >= least:
        by_piece = cover(patch, process, found)
        if sum(p.area_mm2 for p, _, _ in by_piece.spanned) >= least:
            places = _bridges(by_piece.spanned)
            for piece, reach in by_piece.left:
                if within(reach, process.lip_mm) or piece.held_length_mm == 0.0:
                    places.append(Place("ledge", (piece,), None, reach_mm=reach))
                else:
                    places.append(Place("slope", (piece,), None))
            return places + [Place("slope", (p,), None) for p, _, _ in by_piece.too_wide]
    return [Place("slope", (patch,), None)]


def level_places(patch: RawPatch, process: Process) -> list[Place]:
    """What a patch in one layer under a level face is, by itself."""
    found = fan(patch, process.line_mm)
    bridge = best_bridge(patch, process.line_mm, found)
    if bridge is not None and within(bridge.span_mm, process.bridge_mm):
        return [_spanned(patch, bridge)]
    small = patch.area_mm2 < process.line_mm**2
    if bridge is None and small and patch.polygon.buffer(-0.25 * process.line_mm).is_empty:
        # The bead beside it covers it (derived: half a bead wide, no longer than two beads).
        return []
    if bridge is not None and _all_near(patch, process.lip_mm):
        # Held along a side all the way: no strand has to reach from end to end.
        return [Place("ledge", (patch,), None, reach_mm=patch.reach_mm)]
    pierced = bool(patch.loose) and bool(patch.kept[0].all())
    if bridge is not None or patch.reach_mm > process.lip_mm:
        by_piece = cover(patch, process, found)
        open_mm2 = by_piece.open_mm2(process)
        if open_mm2 > 0.0:
            # The shortest strands do not hold it; those that cover most may.
            other = cover(patch, process, found, nearly=1.0)
            if other.open_mm2(process) <= MOSTLY * open_mm2:
                by_piece, open_mm2 = other, other.open_mm2(process)
        # What is held all over in one direction stays one, if that leaves anything at all.
        most = LEFT_SHARE if pierced else 1.0
        if bridge is not None:
            open_mm2 += sum(p.area_mm2 for p, _ in by_piece.left)
            most = 1.0 - ALL_HELD
        if by_piece.spanned and open_mm2 <= most * patch.area_mm2:
            return _pieces(by_piece, patch, process, pierced=pierced)
    if bridge is not None:
        return [_spanned(patch, bridge)]
    if pierced:
        width = _least_width(patch, process.line_mm)
        return [
            Place("ceiling", (patch,), None, patch.reach_mm, width.span_mm, width.unit,
                  pierced=True)
        ]
    return [Place("ledge", (patch,), None, reach_mm=patch.reach_mm)]


def _all_near(patch: RawPatch, reach_mm: float) -> bool:
    """Whether no point of a patch, inside or at its border, is farther from what holds it."""
    if not within(patch.reach_mm, reach_mm):
        return False
    near = shapely.union_all(shapely.buffer(patch.lines(patch.kept), reach_mm))
    return bool(shapely.difference(patch.polygon, near).area <= 1e-6)


def _pieces(
    by_piece: Cover, patch: RawPatch, process: Process, *, pierced: bool
) -> list[Place]:
    """Places of a patch covered piece by piece; what is left is a ledge, but where the wall of
    the hole in a pierced ceiling prints in the air."""
    places = _bridges((*by_piece.spanned, *by_piece.too_wide))
    walls = [shapely.LinearRing(ring) for ring in patch.loose] if pierced else []
    width = _least_width(patch, process.line_mm) if pierced else None
    for piece, reach in by_piece.left:
        if width and any(shapely.dwithin(piece.polygon, w, 2 * PROBE_MM) for w in walls):
            places.append(
                Place("ceiling", (piece,), None, reach, width.span_mm, width.unit, pierced=True)
            )
        else:
            places.append(Place("ledge", (piece,), None, reach_mm=reach))
    return places


def _bridges(pieces: Iterable[Spanned]) -> list[Place]:
    return [Place("bridge", (piece,), None, span_mm=span, direction=unit)
            for piece, span, unit in pieces]


def _short_strands(patch: RawPatch, process: Process) -> list[Place] | None:
    """Places of a patch under no flat facet: where steep faces meet in an edge that is flatter
    than either. None where a part of it must be judged as a ledge.

    A part past Δ that is no wider than one line is a single strand: spanned if both its
    ends are held (a slope's front that passes a hole), else a corner that stands out, which
    is nothing to report within the lip, or one more step where layers are so thick that a step
    is more than the lip; nor is a strand too long to be spanned. A part narrower than half a line
    is no strand: the bead beside it covers it (derived).
    """
    places = []
    lip = max(process.lip_mm, 2.0 * process.step_mm) - process.step_mm
    for part in patch.beyond:
        ends = _held_ends(part, process.line_mm)
        if ends is not None and (within(ends[0], process.bridge_mm) or part.reach_mm > lip):
            span, direction = ends
            places.append(Place("bridge", (part,), None, span_mm=span, direction=direction))
        elif part.polygon.buffer(-0.25 * process.line_mm).is_empty:
            continue
        elif part.reach_mm > lip:
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


def _spanned(patch: RawPatch, bridge: Strands) -> Place:
    all_round = _held_round(patch)
    return Place(
        "ceiling" if all_round else "bridge",
        (patch,),
        None,
        span_mm=bridge.span_mm,
        direction=bridge.unit,
        held_round=all_round,
    )


def _held_round(patch: RawPatch) -> bool:
    return patch.free_length_mm <= 0.01 * patch.held_length_mm


def _least_width(patch: RawPatch, line_mm: float) -> Strands:
    """Strands over the whole opening, as if nothing pierced it."""
    closed = replace(patch, rings=patch.rings[:1], held=patch.kept[:1], beside=())
    best = best_bridge(closed, line_mm, fan(closed, line_mm))
    assert best is not None  # every edge of the outer ring is held
    return best
