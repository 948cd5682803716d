"""Chamfer: a wedge under a ledge at the smallest angle that holds, run as far as needed.

**What it does.** Adds material under a ledge from the wall that carries it, so that each
layer steps out no farther than the process holds. The underside becomes one constant
slope and nothing flat is left; with a lip, the last part within what is tolerated stays.

**How it is measured.** The greatest distance t from the anchor decides the depth
T = t·tan δc, or (t − lip)·tan δc (derived, see `wedge`); 45° gives ½d²b for a straight
ledge of depth d and width b.

**Example.** A ledge 10 mm deep and 20 mm wide: 1000 mm³.

**Limits.** The wall must stand below the ledge as deep as the wedge; the review of the
result decides.
"""

from __future__ import annotations

import math

from soffit.findings.model import Finding
from soffit.part.model import Surface
from soffit.remedies.context import HAIR_MM, Context
from soffit.remedies.model import Option
from soffit.remedies.wedge import patchwork, wedge

NAME = "chamfer"
RANK = 2
KINDS = ("air/ledge", "air/slope")


def options(context: Context, finding: Finding) -> tuple[list[Option], list[str]]:
    """A chamfer to the edge, and one that leaves a lip; or why there is none."""
    if finding.kind not in KINDS:
        return [], []
    faces = [context.part.face(face) for face in finding.faces]
    if any(f.surface is Surface.CYLINDER and f.inward for f in faces):
        return [], ["chamfer: it would close the crown of a round hole"]
    process = context.process
    patch = patchwork(finding.patch.rings, finding.patch.anchors, HAIR_MM)
    if patch is None:
        return [], ["chamfer: no wall holds this place, so a chamfer has nothing to start from"]
    slope = math.tan(math.radians(process.angle_deg))
    ceiling = finding.patch.z_mm[1]
    lip = 0.75 * process.lip_mm  # a quarter kept as margin (common practice, no source)
    variants = [
        ("chamfer", patch.reach_mm, "run to the edge, so that nothing flat is left"),
        ("chamfer leaving a lip", patch.reach_mm - lip, f"a lip of {lip:.2f} mm stays"),
    ]
    found = []
    for name, reach, words in variants:
        depth = reach * slope
        if process.layer_mm < depth <= ceiling:
            solid = wedge(patch, ceiling, depth, slope, HAIR_MM)
            why = f"{depth:.1f} mm deep; {words}"
            found.append(Option(name, finding.id, "add", solid, RANK, why))
    need = patch.reach_mm * slope
    reason = f"chamfer: {need:.1f} mm of wall are needed, {ceiling:.1f} mm are there"
    return found, [] if found else [reason]
