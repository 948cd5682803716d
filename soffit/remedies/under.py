"""Slopes under a place: what the chamfer and the roof have in common.

From the anchor of a place, as far as the wall below stands deep enough, a wedge rises at the
smallest angle that holds, and ends at the surface itself.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from soffit.findings.model import Finding
from soffit.layers.stack import GRID_MM
from soffit.part.mesh_solid import evaluate
from soffit.part.model import Floats, Ints
from soffit.part.solid import Drop, Fitted, Intersection, Moved, Solid
from soffit.part.topology import line_length
from soffit.remedies.anchor import ARC_SAGITTA_MM, ARC_TURN_DEG, distance, rings_of
from soffit.remedies.context import HAIR_MM, Context
from soffit.remedies.model import Option
from soffit.remedies.outline import TOUCH_MM
from soffit.remedies.patchwork import Patchwork, patchwork
from soffit.remedies.pieces import PAST_MM
from soffit.remedies.place import NEAR_MM, Place, deepest_wall, reach_of, slope_of
from soffit.remedies.probe import hits
from soffit.remedies.trees import as_polyhedron, plan_solid
from soffit.remedies.wedge import slope_above, wedge

# Where the farthest point lies on a round edge, the slope ends this much deeper, or it would
# touch that edge in one point (derived: five hairs).
ROUND_MM = 0.05
# A wall draws back below a wedge by a fillet of radius r at most, r(1 − cos 45°) = 0.29r behind a
# wedge that is 0.71r deep or more, 0.41 of it; what draws back farther is a slope (derived, with
# room for the steps in which it is measured).
FILLET = 0.6
# Least share of the anchor that carries a wedge (own choice: on less it is a fan on a stub).
LEAST_CARRIED = 0.1
# The forms of a wedge agree within this share of its volume (derived: a chord's sagitta of
# 0.02 mm on a round wall of 5 mm, twice).
AGREE = 0.01
# The room below the faces may be more than the wedge by this share: facets of a slope that begin
# and end up to half a layer beside its strips (from memory; beside a deep wedge it is little).
MORE = 0.1


@dataclass(frozen=True)
class Lean:
    """A wedge's measures: its anchor made ready, its depth below the ceiling at the anchor, and
    the share of the anchor that carries it."""

    patch: Patchwork
    depth_mm: float
    carried: float


@dataclass(frozen=True)
class Variant:
    """One way to end a slope: how far before the farthest point, and what is said of it."""

    remedy: str
    rank: int
    short_mm: float
    words: str


def leans_on(context: Context, place: Place, short_mm: float) -> list[Lean]:
    """Wedges that end `short_mm` before the farthest point: one whose foot bridges what is
    missing of the wall, as far as the process spans it, and one that leans only on what is there,
    if that is another."""
    span = context.process.bridge_mm
    found = [_lean_on(context, place, short_mm, gap) for gap in (span, 0.0)]
    whole, apart = found
    if whole is None or apart is None:
        return [lean for lean in found if lean is not None]
    return [whole] if whole.carried == apart.carried else [whole, apart]


def _lean_on(
    context: Context, place: Place, short_mm: float, gap_mm: float
) -> Lean | None:
    """The wedge that ends `short_mm` before the farthest point, on those parts of the anchor
    whose wall stands deep enough for it or lacks no more than `gap_mm`; None where none does."""
    slope = slope_of(context)
    good = np.ones(len(place.wall.pieces), dtype=bool)
    while good.any():
        patch = patchwork(place.rings, place.wall.anchors(good), 0.0, place.circles)
        if patch is None:
            return None
        round_end = 0.0 if short_mm > 0 else _round_end(patch)
        depth = _depth(place, patch, slope) - short_mm * slope + round_end
        found = _carried(context, place, good, patch, depth, gap_mm)
        if isinstance(found, Lean):
            return found
        good = found
    return None


def _depth(place: Place, patch: Patchwork, slope: float) -> float:
    """How far below the ceiling a slope starts that passes below the whole surface."""
    level = patch.reach_mm * slope
    if not place.sloped or not len(place.surface):
        return level
    away = distance(place.surface[:, :2], patch.chains)
    deep = float((away * slope + place.ceiling_mm - place.surface[:, 2]).max())
    return deep if deep > level + GRID_MM else level


def slopes_under(
    context: Context, place: Place, finding: Finding, variants: Sequence[Variant], measure: str
) -> list[Option]:
    """The options that `variants` come to; `measure` says what their depth is called."""
    found = []
    for v in variants:
        for lean in leans_on(context, place, v.short_mm):
            if lean.depth_mm > context.process.layer_mm:
                why = f"{lean.depth_mm:.1f} mm {measure}; {v.words}"
                solid = solid_of(context, place, lean)
                found.append(Option(v.remedy, finding.id, "add", solid, v.rank, why))
    return found


def lacking(context: Context, place: Place) -> str:
    """In words, what of the wall is missing for a whole wedge."""
    slope = slope_of(context)
    need, most = reach_of(place) * slope, deepest_wall(place, slope)
    there = (f"the wall below is only {most:.1f} mm high" if most < need
             else "too little of the wall below stands as deep")
    return f"{need:.1f} mm of wall are needed, {there}"


def lean_as_far(context: Context, place: Place) -> Lean | None:
    """The deepest wedge that the wall carries, where it is too short for a whole one: of all
    depths that pieces of the wall allow, the one with the largest section along its length."""
    slope = slope_of(context)
    wall = place.wall
    if not len(wall.pieces):
        return None
    depths = place.ceiling_mm - wall.lowest_foot(slope)
    length = np.linalg.norm(wall.pieces[:, 1] - wall.pieces[:, 0], axis=1)
    best = max(
        np.unique(np.round(depths, 6)).tolist(),
        key=lambda d: d * d * float(length[depths >= d - 1e-5].sum()),
    )
    if best <= context.process.layer_mm:
        return None
    good = depths >= best - 1e-5
    patch = patchwork(place.rings, wall.anchors(good), 0.0, place.circles)
    if patch is None:
        return None
    depth = min(best, _depth(place, patch, slope))
    found = _carried(context, place, good, patch, depth, 0.0)
    return found if isinstance(found, Lean) else None


def _carried(
    context: Context,
    place: Place,
    good: NDArray[np.bool_],
    patch: Patchwork,
    depth: float,
    gap_mm: float,
) -> Lean | NDArray[np.bool_]:
    """The wedge on the good pieces; or the fewer that carry it."""
    wall = place.wall
    back = wall.meets(place.ceiling_mm - depth, slope_of(context))
    stands = np.nan_to_num(back, nan=np.inf) <= FILLET * depth
    carry = good & wall.bridged(good & stands, gap_mm)
    if (carry != good).any():
        return carry
    behind = float(np.nanmax(back[good]))
    share = float(np.linalg.norm(wall.pieces[good, 1] - wall.pieces[good, 0], axis=1).sum())
    if share < LEAST_CARRIED * wall.length_mm:
        return np.zeros_like(good)
    strip = _strip(context, place, patch, place.ceiling_mm - depth, behind)
    # A slope that goes on behind the anchor must come to lie within the wall.
    behind += HAIR_MM + (context.stack.step_mm if behind > 0 else 0.0)
    ready = replace(patch, behind_mm=behind, strip=strip)
    return Lean(ready, depth, share / wall.length_mm)


def _strip(
    context: Context, place: Place, patch: Patchwork, foot_mm: float, behind_mm: float
) -> shapely.Geometry:
    """Plan region behind the anchor: what hangs there below the surface, and a hair of wall."""
    stack = context.stack
    first, last = place.layers
    over = stack.plan(last)
    room = shapely.Polygon()
    if behind_mm > 0:
        foot = foot_mm - behind_mm * slope_of(context)
        base = int(np.searchsorted(stack.cut_mm, foot, side="right")) - 1
        lines = [c.polyline for c in patch.chains]
        near = shapely.union_all([shapely.LineString(line) for line in lines]).buffer(
            behind_mm + context.stack.step_mm + HAIR_MM, cap_style="flat", join_style="mitre"
        )
        open_room = over.difference(stack.plan(min(max(base, 0), first)))
        room = open_room.intersection(near).difference(place.region)
        room = shapely.union_all(
            [p for p in shapely.get_parts(room) if p.geom_type == "Polygon"
             and shapely.distance(p, place.region) < TOUCH_MM]
        )
    whole = shapely.union(place.region, room).buffer(HAIR_MM, join_style="mitre")
    return shapely.union(room, whole.intersection(over))


def _round_end(patch: Patchwork) -> float:
    """`ROUND_MM` where the point farthest from the anchor lies on a round edge that the slope
    would only touch, else 0."""
    for ring in rings_of(patch.region):
        away = distance(ring, patch.chains)
        k = int(np.argmax(away))
        if away[k] < patch.reach_mm - 1e-6 or _on_side(ring, away, k):
            continue
        before, after = ring[k] - ring[k - 1], ring[(k + 1) % len(ring)] - ring[k]
        turn = math.degrees(abs(math.atan2(before[0] * after[1] - before[1] * after[0],
                                           float(before @ after))))
        # Along a round edge about the anchor's own centre nothing is farthest but by its chords.
        around = away[np.arange(k - 3, k + 4) % len(ring)]
        if 1.0 < turn < ARC_TURN_DEG and away[k] - around.min() > ARC_SAGITTA_MM:
            return ROUND_MM
    return 0.0


def _on_side(ring: Floats, away: Floats, k: int) -> bool:
    """Whether point k of a ring ends a straight side that is as far along its whole length: one
    much longer than the sides next to it, which may be chords."""
    sides = np.roll(ring, -1, axis=0) - ring
    length = np.linalg.norm(sides, axis=1)
    for side, other in ((k - 1, k - 1), (k, (k + 1) % len(ring))):
        beside = max(length[side - 1], length[(side + 1) % len(ring)])
        if away[other] > away[k] - 1e-6 and length[side] > 2.0 * beside:
            return True
    return False


def plain_forms(context: Context, place: Place, lean: Lean) -> tuple[Solid, Solid]:
    """The wedge below a level ceiling, a hair into the part as meshes need it, and flush."""
    slope = slope_of(context)
    whole = wedge(lean.patch, place.ceiling_mm, lean.depth_mm, slope, HAIR_MM)
    flush = replace(lean.patch, behind_mm=max(0.0, lean.patch.behind_mm - HAIR_MM), strip=(
        lean.patch.strip if lean.patch.behind_mm > HAIR_MM else None))
    return whole, wedge(flush, place.ceiling_mm, lean.depth_mm, slope)


def solid_of(context: Context, place: Place, lean: Lean) -> Solid:
    """The wedge in the forms that suit the two kernels, bounded by the surface itself."""
    whole, plain = plain_forms(context, place, lean)
    under = _under_faces(context, place, lean)
    assert context.solid is not None
    if under is None:
        return Fitted(whole, (plain, as_polyhedron(whole)))
    body, room = evaluate(whole), evaluate(under, context.part)
    new, same = body - context.solid, room - context.solid
    allowed = AGREE * same.volume() + HAIR_MM
    past = (new - room).volume()
    margin = NEAR_MM if place.sloped else 5 * HAIR_MM
    near = plan_solid(lean.patch.grown.buffer(margin), -PAST_MM, place.ceiling_mm + PAST_MM)
    more = same.volume() > (1.0 + MORE) * new.volume() + HAIR_MM
    if more or (same - evaluate(near)).volume() > allowed:
        # The faces go on beyond the place.
        return Fitted(whole, (plain, as_polyhedron(whole)))
    if past > allowed:
        # It would come out above the surface, where the part is thin: the surface ends it.
        return Fitted(Intersection((under.parts[1], _raised(under.parts[0], HAIR_MM))), (under,))
    return Fitted(whole, (under, plain, as_polyhedron(whole)))


def _under_faces(context: Context, place: Place, lean: Lean) -> Intersection | None:
    """The room straight below the part's own faces over the place, above the slope."""
    part = context.part
    tents = slope_above(lean.patch, place.ceiling_mm, lean.depth_mm, slope_of(context))
    if tents is None:
        return None
    low = place.ceiling_mm - lean.depth_mm - lean.patch.behind_mm * slope_of(context)
    mesh = part.mesh
    names = {f for member in place.findings for f in member.faces}
    if lean.patch.behind_mm > 2 * HAIR_MM:
        names |= _faces_over(context, place, lean, low)
    faces = tuple(sorted(names))
    triangles = part.triangles_of(faces)
    if not len(triangles) or (mesh.cross[triangles, 2] > 1e-6 * mesh.areas[triangles]).any():
        return None
    depth = place.ceiling_mm - low + 2 * PAST_MM * (1.0 + slope_of(context))
    room: Solid = Drop(faces, triangles, depth)
    if _held_round(lean.patch):
        # The slopes may meet in a point or a ridge right at the ceiling: with the
        # room's top within the part above, that is no contact of its own.
        room = _raised(room, 0.5 * _thickness(context, triangles))
    return Intersection((room, tents))


def _held_round(patch: Patchwork) -> bool:
    """Whether no edge of the patch is free."""
    held = sum(line_length(c.polyline) for c in patch.chains)
    return held > 0.999 * float(shapely.length(patch.region))


def _raised(solid: Solid, by_mm: float) -> Moved:
    up = np.eye(4)
    up[2, 3] = by_mm
    return Moved(solid, up)


def _thickness(context: Context, triangles: Ints) -> float:
    """Least thickness of the part straight above some facets, at most `PAST_MM`."""
    assert context.solid is not None
    thickness = PAST_MM
    for x, y, z in context.part.mesh.corners[triangles].mean(axis=1).tolist():
        start = np.array([x, y, z + HAIR_MM])
        found = hits(context.solid, start, np.array([0.0, 0.0, 1.0]), PAST_MM)
        thickness = min([thickness, *(h.at_mm for h in found if not h.entering)])
    return thickness


def _faces_over(context: Context, place: Place, lean: Lean, low: float) -> set[int]:
    """Faces that look down over the room behind the anchor."""
    mesh = context.part.mesh
    room = shapely.difference(lean.patch.grown, place.region).buffer(-2 * HAIR_MM)
    if room.is_empty:
        return set()
    corners = mesh.corners
    z = corners[:, :, 2]
    down = mesh.cross[:, 2] < -1e-3 * mesh.areas
    near = np.flatnonzero(down & (z.max(axis=1) > low) & (z.min(axis=1) < place.ceiling_mm + 1e-6))
    plan = shapely.polygons(corners[near][:, :, :2])
    over = near[shapely.intersects(plan, room)]
    return set(np.unique(mesh.face_of[over]).tolist())
