"""Review a placed part: all its findings, sorted by height."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from types import ModuleType

import manifold3d as m3
import numpy as np
import shapely

from soffit.findings import (
    air_bridge,
    air_ceiling,
    air_island,
    air_ledge,
    air_slope,
    bed_edge,
    bed_footprint,
    bed_topple,
    cool_small_layer,
    eject_captive,
    file_notes,
    wall_gap,
    wall_hole_size,
    wall_thin,
    warp_corner,
)
from soffit.findings.arcs import arc_words
from soffit.findings.built import Built
from soffit.findings.facets import FlatFacets, flat_facets
from soffit.findings.margins import margins_of
from soffit.findings.model import Finding, Patch, Review
from soffit.findings.patches import RawPatch, find_patches
from soffit.findings.places import Memory, Place, find_places
from soffit.layers.stack import GRID_MM, LayerStack, cut_layers, offset_of, plan_of, union_of
from soffit.part.model import Floats, Part, Vec3
from soffit.part.scene import first_bodies
from soffit.part.topology import line_length
from soffit.process.model import Process

JUDGES: dict[str, ModuleType] = {
    "ledge": air_ledge,
    "bridge": air_bridge,
    "ceiling": air_ceiling,
    "island": air_island,
    "slope": air_slope,
}

# What else stops an unattended run.
CHECKS: tuple[ModuleType, ...] = (
    bed_edge,
    bed_footprint,
    bed_topple,
    cool_small_layer,
    eject_captive,
    wall_gap,
    wall_hole_size,
    wall_thin,
    warp_corner,
)

# A patch smaller than this share of a line's width squared is not printed: a bead cannot
# be laid on it (derived: half a width in both directions).
SMALLEST_SHARE = 0.25

# A strip of a slope that lies on others is held where the slope starts, not at its ends, if its
# held edge is longer than so many times its width (derived: an end is as long as it is wide).
BESIDE_REACHES = 2.0


@dataclass(frozen=True)
class Look:
    """What of a part lies too far out: patches, lowest first, the facets that they index, and what
    was found of them. `told`: findings of places that were looked at again, with the place."""

    facets: FlatFacets
    patches: tuple[RawPatch, ...]
    memory: Memory
    told: dict[tuple[object, ...], tuple[Place, Finding]]


def review(
    part: Part,
    process: Process,
    *,
    stack: LayerStack | None = None,
    from_surface: bool | None = None,
    unattended: bool = False,
    own: int | None = None,
    progress: Callable[[str, int, int], None] | None = None,
) -> Review:
    """Everything in a placed part that would print over air, and what the file itself says.

    `part` stands in its build frame (see `soffit.place`). `stack` may be given where the
    layers are already cut. `from_surface`: whether the mesh carries the normals of the true
    surface; where it is not given, a mesh with a deflection does. `unattended`: also what else
    may stop a run without anybody beside it; walls are then looked at in the first `own` bodies
    only, where the rest are props.
    `progress(stage, done, total)` is called as layers are read.
    """
    return reviewed(part, process, stack=stack, from_surface=from_surface, unattended=unattended,
                    own=own, progress=progress)[0]


def reviewed(
    part: Part,
    process: Process,
    *,
    stack: LayerStack | None = None,
    from_surface: bool | None = None,
    unattended: bool = False,
    own: int | None = None,
    roughly: bool = False,
    progress: Callable[[str, int, int], None] | None = None,
) -> tuple[Review, Look | None]:
    """As `review`, and what it rests on, to be looked at again in part; None of an empty part.
    `roughly`: places are told apart as far as that is quick (see `find_places`), which is no
    verdict."""
    findings = file_notes.judge(part, process)
    seen: Look | None = None
    builds: tuple[Built, Built] | None = None
    if part.mesh.triangles.size:
        stack = stack or cut_layers(part, process)
        facets = _facets(part, process, stack, from_surface)
        patches = tuple(find_patches(stack, facets, _smallest(process), progress))
        seen = Look(facets, patches, Memory(), {})
        places = find_places(patches, facets, process, seen.memory, roughly=roughly)
        findings += [_finding(place, part, facets, stack, process) for place in places]
        if unattended and any(not region.is_empty() for region in stack.regions):
            built = whole = Built(part, process, stack)
            if own is not None and own < part.bodies:
                alone = first_bodies(part, own)
                built = Built(alone, process, cut_layers(alone, process))
            for check in CHECKS:
                findings += check.check(built if check.KIND.startswith("wall/") else whole)
            builds = whole, built
    ordered = in_order(findings)
    margins = () if builds is None else margins_of(ordered, *builds)
    return Review(part, process, _up(part), ordered, margins=margins), seen


def glance(
    before: Look, part: Part, process: Process, stack: LayerStack, layers: range
) -> Review:
    """The review of a changed part whose layers are those of `before` but for `layers`: only there
    is it looked at again. Its findings name no faces and no triangles."""
    facets = _facets(part, process, stack, None)
    old, offset = before.facets, len(before.facets.layer)
    both = replace(
        old, layer=np.concatenate([old.layer, facets.layer]),
        triangle=np.concatenate([old.triangle, facets.triangle]),
        xy=np.concatenate([old.xy, facets.xy]),
        weight=np.concatenate([old.weight, facets.weight]),
        angle_deg=np.concatenate([old.angle_deg, facets.angle_deg]),
        z_mm=np.concatenate([old.z_mm, facets.z_mm]),
    )
    kept = [p for p in before.patches if p.layer not in layers]
    there: dict[int, list[RawPatch]] = defaultdict(list)
    for patch in before.patches:
        there[patch.layer].append(patch)
    fresh = []
    for patch in find_patches(stack, facets, _smallest(process), layers=layers):
        new = _shifted(patch, offset)
        fresh.append(next((p for p in there[new.layer] if _same(p, new, both)), new))
    patches = sorted([*kept, *fresh], key=lambda p: p.layer)
    places = find_places(patches, both, process, before.memory.copy())
    findings = file_notes.judge(part, process)
    for place in places:
        # The place is kept, so that the patches that name it live.
        key = (place.shape, place.reach_mm, *map(id, place.patches), *map(id, place.starts))
        if key not in before.told:
            before.told[key] = place, _finding(place, part, both, stack, process, bare=True)
        findings.append(before.told[key][1])
    return Review(part, process, _up(part), in_order(findings))


def _facets(
    part: Part, process: Process, stack: LayerStack, from_surface: bool | None
) -> FlatFacets:
    # A mesh file knows its facets only; triangles of a B-rep carry the surface's normals.
    if from_surface is None:
        from_surface = part.deflection_mm > 0.0
    return flat_facets(part.mesh, stack, process.angle_deg, from_surface=from_surface,
                       deflection_mm=part.deflection_mm)


def _smallest(process: Process) -> float:
    return SMALLEST_SHARE * process.line_mm**2


def _same(patch: RawPatch, other: RawPatch, facets: FlatFacets) -> bool:
    """Whether two patches of a layer have the same outline, held alike, under facets that lean
    alike."""
    if len(patch.rings) != len(other.rings) or patch.level != other.level:
        return False
    mine = (*patch.rings, *patch.held, *patch.beside)
    theirs = (*other.rings, *other.held, *other.beside)
    if len(mine) != len(theirs) or not all(map(np.array_equal, mine, theirs)):
        return False
    leans = [facets.weight[p.samples] @ facets.angle_deg[p.samples] for p in (patch, other)]
    over = [facets.weight[p.samples].sum() for p in (patch, other)]
    return bool(np.allclose(leans, leans[0]) and np.allclose(over, over[0]))


def _shifted(patch: RawPatch, by: int) -> RawPatch:
    return replace(patch, samples=patch.samples + by,
                   beyond=tuple(_shifted(b, by) for b in patch.beyond))


def in_order(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Findings sorted and numbered."""
    ordered = sorted(findings, key=_order)
    return tuple(replace(f, id=f"F{k}") for k, f in enumerate(ordered, start=1))


def _order(finding: Finding) -> tuple[object, ...]:
    # The file first, then what hangs in the air, then what else may stop a run.
    group = {"file": 0, "air": 1}.get(finding.kind.split("/")[0], 2)
    return (group, *finding.z_mm, finding.kind, *finding.at_mm, finding.area_mm2)


def _up(part: Part) -> Vec3:
    """The build direction in the file's own frame."""
    x, y, z = (round(v, 9) + 0.0 for v in part.placement[2, :3].tolist())
    return (x, y, z)


def _finding(
    place: Place, part: Part, facets: FlatFacets, stack: LayerStack, process: Process,
    *, bare: bool = False,
) -> Finding:
    judge = JUDGES[place.shape]
    severity, limit, message = judge.judge(place, process)
    samples = np.concatenate([p.samples for p in place.patches])
    first, last = place.patches[0].layer, place.patches[-1].layer
    if len(samples):
        low = float(facets.z_mm[samples, 0].min())
        high = float(facets.z_mm[samples, 1].max())
    else:
        low, high = stack.bottom_mm(first), stack.bottom_mm(last)
    triangles = facets.triangle[samples[:0] if bare else samples]
    # Those of one layer are in order already, and may be a large part of the mesh.
    if (np.diff(triangles) <= 0).any():
        triangles = np.unique(triangles)
    arc = ""
    if place.shape == "slope" and len(triangles):
        arc = arc_words(part, triangles, process.angle_deg)
    if arc:
        message += f"; it is {arc}"
    rings, anchors, at = _outline(place)
    patch = Patch(
        rings,
        anchors,
        triangles,
        (low, high),
        (first, last),
        place.direction,
        place.pierced,
    )
    return Finding(
        id="",
        kind=judge.KIND,
        severity=severity,
        z_mm=(low, high),
        at_mm=(at[0], at[1], low),
        area_mm2=float(sum(p.area_mm2 for p in place.patches)),
        reach_mm=place.reach_mm,
        span_mm=place.span_mm,
        angle_deg=place.angle_deg,
        limit=limit,
        faces=tuple(np.flatnonzero(np.bincount(part.mesh.face_of[triangles])).tolist()),
        message=message,
        patch=patch,
    )


def _outline(
    place: Place,
) -> tuple[tuple[Floats, ...], tuple[Floats, ...], tuple[float, float]]:
    """Plan outline of all strips together, where it is held, and a point inside the largest of
    them."""
    largest = max(place.patches, key=lambda p: p.area_mm2).polygon
    rings = place.patches[0].rings
    whole: shapely.Geometry | None = None
    if len(place.patches) > 1:
        # Strips share their edges only to within the grid: close what is left between them, and
        # drop what is thinner, as where a wall that two layers share differs by rounding.
        strips = [m3.CrossSection(list(p.rings)) for p in place.patches]
        joined = union_of([offset_of(strip, GRID_MM) for strip in strips])
        joined = offset_of(offset_of(joined, -2.0 * GRID_MM), GRID_MM)
        rings = tuple(np.asarray(r, dtype=np.float64) for r in joined.to_polygons())
        whole = plan_of(joined)
    starts = {id(p) for p in place.starts or place.patches}
    anchors = tuple(line for p in place.patches for line in p.anchors(whole)
                    if id(p) in starts or line_length(line) > BESIDE_REACHES * p.reach_mm)
    point = shapely.point_on_surface(largest)
    return rings, anchors, (float(point.x), float(point.y))

