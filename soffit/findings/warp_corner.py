"""Sharp corners of a wide footprint lift off the platform.

**What happens.** Plastic shrinks as it cools below the temperature at which it turns hard.
The platform holds the first layer, what is above pulls inwards, and the pull gathers at the
corners farthest from the middle. They lift, the nozzle strikes them, or the part comes loose.

**How it is measured.** The shrinkage at a corner, u = α·(Tg − T)·L: α the thermal expansion, Tg
the glass transition, T = 23 °C (common practice, no source), L its distance from the middle of
the first layer (derived: free shrinkage of a body that is hard below Tg). Corners count that turn
by more than 45° within a rounding of about 1.3 mm. The worst come first.

**Inputs.** The material: `material.expansion_ppm_k`, `material.glass_transition_c`. The limit
0.25 mm is from memory, of low worth: print a long bar on your own machine.

**Example.** ABS, a plate of 200 × 100 mm: L = 112 mm, u = 0.84 mm. PLA: 0.28 mm.

**Cures.** Round the corners in plan, add pads that are cut off, divide the part, another way up.

**Limits.** An index to rank by, not a forecast: height, infill, draught and a heated chamber are
not in it, nor the shrinkage of materials that crystallise (PA12 shrinks more than this says).
"""

from __future__ import annotations

import math

import numpy as np
import shapely

from soffit.findings.built import Built, platform_faces
from soffit.findings.model import Finding
from soffit.findings.words import mm
from soffit.part.model import Floats
from soffit.part.topology import following
from soffit.process.physics import second_moments

KIND = "warp/corner"

ROOM_C = 23.0
LIMIT_MM = 0.25
# Chords of the outline within this of it: a rounding of 1.3 mm then turns by 45° at a corner.
CHORD_MM = 0.1
TURN_DEG = 45.0  # common practice, no source
# Corners told of at most (common practice, no source).
MOST = 4


def check(built: Built) -> list[Finding]:
    """The corners of the first layer that shrink farthest, the worst first."""
    material = built.process.material
    cooling = max(0.0, material.glass_transition_c.value - ROOM_C)
    strain = 1e-6 * material.expansion_ppm_k.value * cooling
    foot = tuple(ring for component in built.layers[0] for ring in component.rings)
    if not foot or strain <= 0.0:
        return []
    _, _, _, middle = second_moments(foot)
    corners = np.concatenate([_sharp(c.rings[0]) for c in built.layers[0]])
    shrink = strain * np.linalg.norm(corners - middle, axis=1)
    worst = [k for k in np.argsort(-np.round(shrink, 6), kind="stable").tolist()
             if shrink[k] > LIMIT_MM]
    faces = platform_faces(built.part)
    found = []
    for rank, k in enumerate(worst[:MOST], start=1):
        said = (f"sharp corner, {rank} of {len(worst)}: it shrinks by {mm(float(shrink[k]))} "
                f"towards the middle; {mm(LIMIT_MM)} is allowed")
        found.append(built.finding(KIND, "marginal", said, (*corners[k], 0.0), (0.0, 0.0),
                                   limit=LIMIT_MM, faces=faces))
    return found


def _sharp(ring: Floats) -> Floats:
    """Convex corners of a counter-clockwise outline, (n, 2)."""
    simple = np.asarray(shapely.Polygon(ring).simplify(CHORD_MM).exterior.coords)[:-1]
    if shapely.LinearRing(simple).is_ccw is False:
        simple = simple[::-1]
    ahead = following(simple) - simple
    behind = np.roll(ahead, 1, axis=0)
    cross = behind[:, 0] * ahead[:, 1] - behind[:, 1] * ahead[:, 0]
    turn = np.arctan2(cross, np.einsum("ij,ij->i", behind, ahead))
    return np.asarray(simple[turn > math.radians(TURN_DEG)].reshape(-1, 2))
