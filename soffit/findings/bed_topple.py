"""A tower that stands alone for a while: it topples, peels or gives before it is tied.

**What happens.** Two posts under a beam are steady once the beam ties them. Until then each
stands alone, slim and tall, and the nozzle drags on its tip. What matters is the part as it
is at each height, not only its final shape.

**How it is measured.** Pieces of the build are followed from layer to layer. Before a piece
joins another, or ends, three things are asked of it at its height H:
its own weight must lie over its foot, by the tipping angle atan(d / z) with d the distance from
its centre of mass to the nearest side of its foot and z the height of that centre;
its foot must not peel, F·H·c / I (see `bed/footprint`);
its tip must not give by more than half a line under the drag F, δ = F/E ∫ (H − s)² / I(s) ds
(derived: a beam of changing section, held at its foot by the stiffest of what it stands on).

**Inputs.** Drag 0.5 N, adhesion 0.2 MPa: from memory, of low worth. The least tipping angle
is 3° (common practice, no source: a platform that is not level and a jerk).

**Example.** A pin of 3 mm diameter and 60 mm height in PLA: I = 3.98 mm⁴, gives by 2.6 mm at its
tip; half a line is 0.2 mm.

**Cures.** Tie towers lower down, thicken them, lay the part down.

**Limits.** Layers are looked at where they change (`soffit.findings.built`). Heat that softens a
slim tower is `cool/small-layer`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import shapely

from soffit.findings.built import Built, Component, Piece
from soffit.findings.model import Finding
from soffit.findings.words import mm
from soffit.process.physics import peel_of

KIND = "bed/topple"

LEAST_TIP_DEG = 3.0


def check(built: Built) -> list[Finding]:
    """All pieces that are unsteady before they are tied, and all slim tips."""
    found = [f for piece in built.pieces for f in _piece(built, piece)]
    return found + _tips(built)


def _piece(built: Built, piece: Piece) -> list[Finding]:
    if not piece.foot:
        return []
    height = built.top_mm(piece.upto)
    x, y, z = piece.centre.tolist()
    hull = shapely.convex_hull(shapely.multipoints(np.concatenate(piece.foot)))
    inside = shapely.distance(shapely.Point(x, y), hull.boundary)
    sign = 1.0 if hull.covers(shapely.Point(x, y)) else -1.0
    tip = math.degrees(math.atan2(sign * float(inside), z))
    when = f"at {height:.1f} mm, before it is tied" if piece.joins else f"at {height:.1f} mm"
    place = ((x, y, 0.0), (0.0, height))
    if tip < LEAST_TIP_DEG:
        where = (f"is {tip:.1f}° from tipping over the edge of its foot" if tip > 0
                 else f"lies {mm(float(inside))} past its foot")
        said = f"{when}, its centre of mass {where}; {LEAST_TIP_DEG:.0f}° is wanted"
        return [built.finding(KIND, "marginal", said, *place, limit=LEAST_TIP_DEG,
                              rings=piece.foot)]
    drag, holds = built.process.drag_n, built.process.capability.adhesion_mpa.value
    pull = peel_of(piece.foot, drag, height)
    # The whole part at its full height is `bed/footprint`.
    if piece.joins and pull > holds:
        said = (f"{when}, drag of {drag:g} N pulls at the rim of its foot with {pull:.1f} MPa; "
                f"{holds:g} MPa holds")
        return [built.finding(KIND, "marginal", said, *place, limit=holds,
                              rings=piece.foot)]
    return []


def _tips(built: Built) -> list[Finding]:
    """Towers whose tip gives too much, one finding for each, at where it gives most."""
    drag, allowed = built.process.drag_n, built.process.give_mm
    found = []
    for tower in towers(built, allowed):
        x, y = tower.component.centre.tolist()
        said = (f"slim tower: at {tower.top_mm:.1f} mm its tip gives by {tower.gives_mm:.2f} mm "
                f"under a drag of {drag:g} N; {allowed:.2f} mm is allowed")
        found.append(built.finding(
            KIND, "marginal", said, (x, y, tower.top_mm), (tower.slim_mm, tower.top_mm),
            limit=allowed, rings=tower.component.rings))
    return found


@dataclass(frozen=True)
class Tower:
    """A tower while it stands alone: from what height up it is slim, where it gives most to the
    nozzle and by how much, and the component of the layer there."""

    slim_mm: float
    top_mm: float
    gives_mm: float
    component: Component


def towers(built: Built, least_mm: float) -> list[Tower]:
    """Towers whose tip gives by more than so much, each at where it gives most."""
    modulus = 1000.0 * built.process.material.modulus_gpa.value
    # For each slim component: its tower up to there, at its worst.
    slim: list[dict[int, Tower]] = []
    for k, components in enumerate(built.layers):
        here: dict[int, Tower] = {}
        for j, component in enumerate(components):
            gives = built.process.drag_n * component.give / modulus
            if gives <= least_mm:
                continue
            top = built.top_mm(k)
            under = [slim[-1][b] for b in component.below if slim and b in slim[-1]]
            first = min((u.slim_mm for u in under), default=top)
            worst = max([*under, Tower(first, top, gives, component)], key=lambda u: u.gives_mm)
            here[j] = replace(worst, slim_mm=first)
            for b in component.below:
                if slim:
                    slim[-1].pop(b, None)
        slim.append(here)
    return [tower for layer in slim for tower in layer.values()]
