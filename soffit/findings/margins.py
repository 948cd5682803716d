"""Places within their limits, and how near they come to them.

A review lists what is past a limit. A run of a hundred thousand parts also fails where a place is
within its limit by a hair, so a full review keeps these too: bridges and ceilings by their span,
lips and slopes by their reach, undersides by their angle (`findings.steep`), what stands alone by
what its foot must hold, and slim towers by how far they give. Those more than `FADES` deviations
inside of the mean of their limit are left out.
"""

from __future__ import annotations

from collections.abc import Sequence

from soffit.findings import bed_footprint, bed_topple
from soffit.findings.built import Built
from soffit.findings.model import Finding, Margin
from soffit.findings.steep import steep
from soffit.process.limits import STEEPEST_DEG, demand_at, distribution_of, z_of
from soffit.process.physics import peel_of, second_moments

# Deviations inside of the mean from which on nothing fails (derived: Φ(−8) is less than one in a
# thousand million million).
FADES = 8.0

# Slim towers that give less than this share of what is allowed are not looked for (own choice:
# below it every wall is one).
LEAST_GIVE = 0.2


def margins_of(findings: Sequence[Finding], whole: Built, alone: Built) -> tuple[Margin, ...]:
    """The margins of a part: `findings` of it, numbered; the `whole` build, and that of the part
    `alone`, without its props."""
    process = whole.process
    fades_deg = demand_at(distribution_of(process, "angle_deg"), "angle_deg", FADES)
    found = [*_spanned(findings), *_feet(whole), *_towers(alone),
             *steep(whole.part, process, whole.stack, findings, min(fades_deg, STEEPEST_DEG))]
    near = [m for m in found
            if z_of(distribution_of(process, m.limit), m.limit, m.demand) < FADES]
    return tuple(sorted(near, key=lambda m: (m.z_mm, m.kind, m.at_mm, m.demand)))


def _spanned(findings: Sequence[Finding]) -> list[Margin]:
    """What is within the limits of a bridge or a lip, of all that is over air."""
    found = []
    for f in findings:
        if not f.kind.startswith("air/") or f.severity != "note":
            continue
        spans = f.kind in ("air/bridge", "air/ceiling") and not f.patch.pierced
        demand = f.span_mm if spans else f.reach_mm
        found.append(Margin("bridge_mm" if spans else "lip_mm", demand or 0.0, f.kind, f.z_mm,
                            f.at_mm, f.faces, f.id))
    return found


def _feet(built: Built) -> list[Margin]:
    """What drag pulls at the feet that hold it: of the whole, and of each piece before it is
    tied."""
    if not built.layers or not built.layers[0]:
        return []
    drag, holds = built.process.drag_n, built.process.capability.adhesion_mpa.value
    foot = tuple(ring for component in built.layers[0] for ring in component.rings)
    tied = [p for p in built.pieces if p.joins and p.foot]
    asked = [(bed_footprint.KIND, foot, float(built.stack.top_mm[-1])),
             *((bed_topple.KIND, p.foot, built.top_mm(p.upto)) for p in tied)]
    found = []
    for kind, rings, height in asked:
        pull = peel_of(rings, drag, height)
        if pull <= holds:
            x, y = second_moments(rings)[3].tolist()
            found.append(Margin("adhesion_mpa", pull, kind, (0.0, height), (x, y, 0.0)))
    return found


def _towers(built: Built) -> list[Margin]:
    """Slim towers that give by no more than is allowed."""
    process = built.process
    line, allowed = process.line_mm, process.give_mm
    least = demand_at(distribution_of(process, "give_lines"), "give_lines", FADES) * line
    found = []
    for tower in bed_topple.towers(built, max(least, LEAST_GIVE * allowed)):
        if tower.gives_mm <= allowed:
            x, y = tower.component.centre.tolist()
            found.append(Margin("give_lines", tower.gives_mm / line, bed_topple.KIND,
                                (tower.slim_mm, tower.top_mm), (x, y, tower.top_mm)))
    return found
