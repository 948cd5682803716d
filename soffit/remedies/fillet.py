"""Fillet: the too flat end of a round becomes the chamfer that touches it where it still holds.

**What it does.** A fillet is tangent to the underside that it runs out into, so its last part is
always too flat, whatever its radius. In an inner corner, where a wall goes over into a ceiling,
that part is cut back to the plane that touches the arc at the smallest angle that holds; the
ceiling begins a little earlier and is spanned as before. Where the lower edge of something that
hangs is rounded, the room between the arc and that plane is filled; if the underside beside it is a
ledge, one wedge carries both, in one plane from the wall to the arc. The rest of the arc stays, and
the chamfer goes over into it without an edge. Fillets upright in the build direction print as they
are and are kept.

**How it is measured.** With the radius r and θ the angle from where the arc leaves the flat face to
where it reaches the limit δc (θ = δc at a level one), arc and plane enclose
r²·(tan(θ/2) − θ/2) per mm, and the flat face grows by r·tan(θ/2). About an upright axis at the
distance R from the arc's centre it is 2π(R·r²·(tan(θ/2) − θ/2) ± ⅓r³·sin²(θ/2)·tan²(θ/2)) in a
whole turn. A wedge below a ledge that is d wide up to where the rounding begins adds
½(d + r·tan(θ/2))²·tan δc to that (derived, see `tangent` and `wedge`).

**Example.** r = 4, 45°: 0.344 mm² per mm are cut, where a chamfer to the end of the fillet adds
2.2 mm². A ledge of 8 mm whose edge is rounded by 3 mm: 19.7 mm² per mm.

**Limits.** In an inner corner what is left of the flat face must hold by itself: a bridge that can
be spanned, or a lip. Otherwise the chamfer or roof runs over the fillet, and takes less than
both would. Fillets on edges that are curved in plan are recognised in STEP parts where the axis is
upright, not in meshes. At the platform a rounded edge is a bottom edge.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import shapely

from soffit.findings.model import Finding
from soffit.layers.stack import GRID_MM
from soffit.part.blends import blend_of
from soffit.part.solid import Drop, Fitted, Intersection, Solid
from soffit.remedies.anchor import distance, polygon, rings_of
from soffit.remedies.context import Context
from soffit.remedies.model import Option
from soffit.remedies.outline import TOUCH_MM
from soffit.remedies.pieces import PAST_MM
from soffit.remedies.place import Place, members_of, place_of, slope_of
from soffit.remedies.tangent import (
    Round,
    below_flat,
    deeper,
    edge_of,
    plan,
    round_of,
    solids,
)
from soffit.remedies.trees import as_polyhedron, union
from soffit.remedies.under import Lean, leans_on, plain_forms
from soffit.remedies.wedge import slope_above

NAME = "fillet"
RANK = 2
KINDS = frozenset({"air/slope", "air/ledge"})
# Share of a slope's surface that may belong to other faces (derived: facets along its border).
UNKNOWN = 0.02


def options(context: Context, finding: Finding) -> tuple[list[Option], list[str]]:
    """The chamfer tangent to the rounds that a place ends in; or why there is none."""
    if finding.kind not in KINDS:
        return [], []
    slopes = [finding] if finding.kind == "air/slope" else _rounded_ends(context, finding)
    rounds = [r for slope in slopes for r in _rounds(context, slope)]
    if not rounds:
        return [], []
    if not _covered(context, slopes, rounds):
        return [], ["fillet: not all of it is recognised as fillets that end in a flat face"]
    hollow = {r.blend.hollow for r in rounds}
    if len(hollow) > 1:
        return [], ["fillet: it is hollow in one part and full in another"]
    if True in hollow:
        others = {m.kind for m in members_of(context, finding)} - {"air/slope"}
        if others:
            return [], ["fillet: what it runs out into hangs by itself, with it or without"]
        return [_cut_back(context, finding, rounds)], []
    ledge = finding if finding.kind == "air/ledge" else _ledge_below(context, finding, rounds)
    if ledge is None:
        return [], ["fillet: no ledge ends in this rounded edge"]
    return _with_ledge(context, finding, ledge, rounds)


def _rounds(context: Context, slope: Finding) -> list[Round]:
    """The rounds among the faces of a slope that pass the limit, off the platform."""
    limit = math.radians(context.process.angle_deg)
    part = context.part
    found = []
    for name in slope.faces:
        blend = blend_of(part, name)
        round_ = None if blend is None else round_of(part, blend, limit)
        if round_ is None:
            continue
        if float(part.mesh.corners[part.mesh.of_face(name)][:, :, 2].min()) > GRID_MM:
            found.append(round_)
    return found


def _covered(context: Context, slopes: list[Finding], rounds: list[Round]) -> bool:
    """Whether the rounds, with the flat faces that they begin at, are all of what is too flat."""
    mesh = context.part.mesh
    known = {r.blend.face for r in rounds} | {r.flat.face for r in rounds if r.flat is not None}
    triangles = np.unique(np.concatenate([f.patch.triangles for f in slopes]))
    area = mesh.areas[triangles]
    other = ~np.isin(mesh.face_of[triangles], sorted(known))
    return bool(area[other].sum() <= UNKNOWN * area.sum())


def _meet(ledge: Finding, slope: Finding) -> bool:
    """Whether a slope goes on where a ledge ends."""
    if ledge.kind != "air/ledge" or slope.kind != "air/slope":
        return False
    if not ledge.patch.layers[0] < slope.patch.layers[0] <= ledge.patch.layers[1] + 1:
        return False
    return bool(
        shapely.distance(polygon(ledge.patch.rings), polygon(slope.patch.rings)) <= TOUCH_MM)


def _rounded_ends(context: Context, ledge: Finding) -> list[Finding]:
    """The slopes that a ledge goes over into through a rounded edge."""
    return [f for f in context.review.air
            if _meet(ledge, f) and any(_is_below(ledge, r) for r in _rounds(context, f))]


def _ledge_below(context: Context, slope: Finding, rounds: list[Round]) -> Finding | None:
    """The ledge that ends in the rounds of a slope; a short one is part of it."""
    if any(_is_below(slope, r) for r in rounds):
        return slope
    return next((f for f in context.review.air
                 if _meet(f, slope) and any(_is_below(f, r) for r in rounds)), None)


def _is_below(ledge: Finding, round_: Round) -> bool:
    """Whether a full round begins at the underside of a ledge."""
    flat = round_.flat
    return not round_.blend.hollow and flat is not None and flat.face in ledge.faces


def _cut_back(context: Context, finding: Finding, rounds: list[Round]) -> Option:
    """The flat ends of fillets cut back to their tangent chamfers."""
    grows = max(r.blend.radius_mm * math.tan(0.5 * r.theta) for r in rounds)
    why = (f"the flat end of the fillet of {_radius(rounds)} radius is cut back to its tangent "
           f"chamfer at {context.process.angle_deg:.3g}° from the platform; the ceiling begins "
           f"{grows:.2f} mm earlier")
    return Option(NAME, finding.id, "cut", Fitted(*solids(context, rounds)), RANK, why)


def _with_ledge(
    context: Context, finding: Finding, ledge: Finding, rounds: list[Round]
) -> tuple[list[Option], list[str]]:
    """One wedge below a ledge and its rounded ends, tangent to them."""
    rounds = [r for r in rounds if r.flat is None or _is_below(ledge, r)]
    part = context.part
    region = polygon(ledge.patch.rings)
    for r in rounds:
        region = region.difference(plan(part, r)).union(below_flat(part, r))
    region = region.buffer(GRID_MM, join_style="mitre").buffer(-GRID_MM, join_style="mitre")
    level = min(r.flat.z_mm for r in rounds if r.flat is not None)
    end = replace(ledge, patch=replace(ledge.patch, rings=rings_of(region), z_mm=(level, level)))
    place = place_of(context, [end if m is ledge else m for m in members_of(context, ledge)])
    found = []
    mesh, forms = solids(context, rounds)
    for lean in leans_on(context, place, 0.0) if len(place.wall.pieces) else []:
        whole, plain = plain_forms(context, place, lean)
        exact = [union([body, form]) for body in (plain, as_polyhedron(whole)) for form in forms]
        one = _in_one_plane(context, place, lean, rounds)
        solid = Fitted(union([whole, mesh]), (*([one] if one else []), *exact))
        why = (f"{lean.depth_mm:.1f} mm deep, in one plane at {context.process.angle_deg:.3g}° "
               f"from the wall to the rounded edge of {_radius(rounds)} radius, which it touches")
        found.append(Option(NAME, finding.id, "add", solid, RANK, why))
    if found:
        return found, []
    return [], ["fillet: no wall below the ledge stands as deep as a wedge under its rounding"]


def _in_one_plane(
    context: Context, place: Place, lean: Lean, rounds: list[Round]
) -> Solid | None:
    """The wedge below the flat faces themselves, which the B-rep kernel takes best, and the rounds'
    chamfers carried on down to it; None where they are not one plane."""
    part = context.part
    edge = np.concatenate([edge_of(part, r) for r in rounds])
    level = np.abs(distance(edge, lean.patch.chains) - lean.patch.reach_mm) < GRID_MM
    tents = slope_above(lean.patch, place.ceiling_mm, lean.depth_mm, slope_of(context))
    if tents is None or not level.all() or max(abs(r.phi_flat) for r in rounds) > 1e-9:
        return None
    faces = tuple(sorted({r.flat.face for r in rounds if r.flat is not None}))
    depth = lean.depth_mm + PAST_MM * (1.0 + slope_of(context))
    below = Drop(faces, part.triangles_of(faces), depth)
    return union([Intersection((below, tents)), deeper(context, rounds)])


def _radius(rounds: list[Round]) -> str:
    radii = np.unique(np.round([r.blend.radius_mm for r in rounds], 3)).tolist()
    return " and ".join(f"{r:.4g} mm" for r in radii)
