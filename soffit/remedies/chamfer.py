"""Chamfer: a wedge under a ledge at the smallest angle that holds, run as far as needed.

**What it does.** Adds material under a ledge from the wall that carries it, so that each
layer steps out no farther than the process holds. The underside becomes one constant
slope and nothing flat is left; with a lip, the last part within what is tolerated stays.

**How it is measured.** The greatest distance t from the anchor decides the depth
T = t·tan δc, or (t − lip)·tan δc (derived, see `wedge`); 45° gives ½d²b for a straight
ledge of depth d and width b.

**Example.** A ledge 10 mm deep and 20 mm wide: 1000 mm³.

**A fillet above the wall** that runs out into the ledge is one place with it: the chamfer runs
over the fillet down to the wall. A hole in the ledge stays open straight down.

**Limits.** The wall must stand below the ledge as deep as the wedge; where it stands less
deep, the wedge ends as far down as the wall does and d − H/tan δc stays over air. Parts of
the anchor over a pocket or a window carry nothing. The review of the result decides. A wall on a
free curve is followed along the chords of the mesh, as read within 0.02 mm of it, which moves the
volume by up to two thirds of that times the area of the ledge; the CAD gets a face for each chord
or arc.
"""

from __future__ import annotations

from collections.abc import Sequence

from soffit.findings.model import Finding
from soffit.remedies.context import LIP_SHARE, Context
from soffit.remedies.model import Option
from soffit.remedies.place import (
    bridged_beside,
    closes_a_hole,
    members_of,
    place_of,
    reach_of,
    slope_of,
)
from soffit.remedies.under import Variant, lacking, lean_as_far, slopes_under, solid_of

NAME = "chamfer"
RANK = 2
KINDS = frozenset({"air/ledge", "air/slope"})

# A chamfer that ends early is worth it from this share of a whole one's depth; less of it does
# not help the place (common practice, no source).
WORTH = 0.3


def options(context: Context, finding: Finding) -> tuple[list[Option], list[str]]:
    """A chamfer to the edge, one that leaves a lip, or one as deep as the wall; or why none."""
    if finding.kind not in KINDS:
        return [], []
    members = members_of(context, finding)
    if not {f.kind for f in members} <= KINDS:
        return [], []  # a fillet below a ceiling or a bridge: a roof
    if closes_a_hole(context, members):
        return [], ["chamfer: it would close the crown of a round hole"]
    found, reasons = _on_wall(context, finding, members)
    if not found and len(members) > 1 and finding.kind == "air/slope":
        # The fillet can be had without the ledge, which then is a place of its own.
        found, _ = _on_wall(context, finding, [finding])
    return found, [] if found else reasons


def _on_wall(
    context: Context, finding: Finding, members: Sequence[Finding]
) -> tuple[list[Option], list[str]]:
    place = place_of(context, members)
    if not len(place.wall.pieces):
        return [], ["chamfer: no wall holds this place, so a chamfer has nothing to start from"]
    lip = LIP_SHARE * context.process.lip_mm
    variants = (
        Variant("chamfer", RANK, 0.0, "run to the edge, so that nothing flat is left"),
        Variant("chamfer leaving a lip", RANK, lip, f"a lip of {lip:.2f} mm stays"),
    )
    found = slopes_under(context, place, finding, variants, "deep")
    if not found and (beside := bridged_beside(context, members)):
        # Where strands bridge a corner, what is left has a wall along a part of its edge only.
        corner = place_of(context, [*members, *beside])
        found = slopes_under(context, corner, finding, variants, "deep")
    if found:
        return found, []
    need = reach_of(place) * slope_of(context)
    short = lean_as_far(context, place)
    if short is None or not WORTH * need <= short.depth_mm < need:
        return [], [f"chamfer: {lacking(context, place)}"]
    why = (f"{short.depth_mm:.1f} mm deep, as far as the wall below goes; a whole one needs "
           f"{need:.1f} mm")
    solid = solid_of(context, place, short)
    return [Option("chamfer as deep as the wall", finding.id, "add", solid, RANK, why)], []
