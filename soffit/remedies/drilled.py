"""Drilled hole: a round hole that cannot be printed as drawn is left out, and drilled afterwards.

**What it does.** A hole across the build direction that gets no roof, for want of wall over it or
because a roof is forbidden, is filled. A dimple of 45° stays where it opens, to start the drill in.
Inside, the part prints as sparse infill, so that this takes little plastic; the work left after
printing is stated and priced.

**How it is measured.** A plug of the hole's own radius r, from one end of its whole wall to the
other: πr²·l, less πd³/3 for each dimple d deep.

**Example.** A blind hole of 6 mm, 10 mm deep: 283 mm³ of room, less one dimple of 1 mm³.

**Limits.** Round holes up to 13 mm, as the chucks of common drills take, and no deeper than eight
diameters, or the drill wanders. A hole that a slit or another hole opens on its side is left to
other remedies. A seat that a drill is not true enough for must be protected.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import manifold3d as m3
import numpy as np

from soffit.findings.model import Finding
from soffit.part.model import vec3
from soffit.part.solid import Cone, Difference, Fitted, Solid
from soffit.remedies.context import HAIR_MM, Context
from soffit.remedies.hole import Crown, find_crowns
from soffit.remedies.model import Option
from soffit.remedies.probe import hits, inside
from soffit.remedies.trees import union

NAME = "drilled hole"
RANK = 3

# Widest hole and deepest, the latter in diameters (common practice, no source).
WIDEST_MM, DEEPEST = 13.0, 8.0

# Depth of a dimple, and no more than a share of the radius (common practice, no source).
DIMPLE_MM, DIMPLE_SHARE = 1.0, 0.5

# Where the wall of a hole is looked for: so far behind its surface, mm, at so many places around it
# and along it (derived: five hairs; a sixteenth of a turn, a thirtieth of its length).
_BEHIND_MM, _AROUND, _ALONG = 5 * HAIR_MM, 16, 31


@dataclass(frozen=True)
class _Plug:
    """What fills a hole, in the mesh a hair into its wall, and what is said of it."""

    mesh: Solid
    exact: Solid
    words: str


class _No(Exception):
    """Why a hole cannot be left out; never leaves this module."""


def options(context: Context, finding: Finding) -> tuple[list[Option], list[str]]:
    """The holes that a finding is the crown of, left out; or why not."""
    if not finding.kind.startswith("air/") or context.solid is None:
        return [], []
    crowns = find_crowns(context.part, finding, context.solid)
    if not crowns:
        return [], []
    try:
        plugs = [_plug(context.solid, crown) for crown in crowns]
    except _No as no:
        return [], [f"{NAME}: {no}"]
    holes = " and ".join(dict.fromkeys(plug.words for plug in plugs))
    mesh, exact = union([p.mesh for p in plugs]), union([p.exact for p in plugs])
    why = f"{holes} is left out, but for a dimple where it opens"
    return [Option(NAME, finding.id, "add", Fitted(mesh, (exact, mesh)), RANK, why,
                   f"drill {holes}")], []


def _plug(solid: m3.Manifold, crown: Crown) -> _Plug:
    """What fills the hole of a crown. Raises _No with the reason why there is none."""
    width = 2.0 * crown.radius
    where = f"the hole of {width:.4g} mm diameter"
    if width > WIDEST_MM:
        raise _No(f"{where} is wider than {WIDEST_MM:g} mm")
    low, high = _walled(solid, crown)
    if high <= low:
        raise _No(f"{where} is open along its side")
    if high - low > DEEPEST * width:
        raise _No(f"{where} is deeper than {DEEPEST:g} diameters")
    deep = min(DIMPLE_MM, DIMPLE_SHARE * crown.radius)
    dimples: list[Solid] = []
    for end, way in ((low, -1.0), (high, 1.0)):
        mouth = crown.centre + end * crown.along
        if _opens(solid, crown, end, way):
            out = mouth + way * HAIR_MM * crown.along
            axis = -way * crown.along
            dimples.append(Cone(vec3(out), vec3(axis), deep + HAIR_MM, deep + HAIR_MM, 0.0))
    open_ends = len(dimples)
    if not open_ends:
        raise _No(f"no drill would reach {where}")
    forms = []
    for radius in (crown.radius + HAIR_MM, crown.radius):
        plug = Cone(vec3(crown.centre + low * crown.along), vec3(crown.along), high - low, radius,
                    radius, outside=radius > crown.radius)
        forms.append(Difference(plug, union(dimples)))
    depth = "through" if open_ends == 2 else f"{high - low:.1f} mm deep"
    return _Plug(forms[0], forms[1], f"{where} ({depth})")


def _opens(solid: m3.Manifold, crown: Crown, end: float, way: float) -> bool:
    """Whether a drill as wide as a hole could come in at one of its ends."""
    near = 0.7 * crown.radius
    return not any(
        hits(solid, crown.at(end, x, y), way * crown.along, 4.0 * crown.radius)
        for x, y in ((0.0, 0.0), (near, 0.0), (-near, 0.0), (0.0, near), (0.0, -near)))


def _walled(solid: m3.Manifold, crown: Crown) -> tuple[float, float]:
    """The longest stretch along a hole where its wall stands all round, (low, high) mm; none where
    high is no more than low."""
    step = (crown.high - crown.low) / _ALONG
    middles = crown.low + (np.arange(_ALONG) + 0.5) * step
    radius = crown.radius + _BEHIND_MM
    angles = np.arange(_AROUND) * 2.0 * math.pi / _AROUND
    whole = [all(inside(solid, crown.at(t, radius * math.cos(a), radius * math.sin(a)))
                 for a in angles) for t in middles.tolist()]
    best, start = (0, 0), None
    for k, stands in enumerate([*whole, False]):
        if stands and start is None:
            start = k
        elif not stands and start is not None:
            best = max(best, (start, k), key=lambda run: run[1] - run[0])
            start = None
    return crown.low + best[0] * step, crown.low + best[1] * step
