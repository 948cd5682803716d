"""Which way up: a plain choice among the flat faces that a part can rest on.

Candidates are the part as drawn and each flat side of its convex hull that is large
enough to stand on. They are screened by the area of facets that would be too flat, and the
best few are reviewed layer by layer. Those whose foot is too small for their height, by the
measure of `bed/footprint`, come after those that stand, the worse the later; else the least area
over air wins, but that the part as drawn is turned only where this saves a fifth, then the lower
one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import manifold3d as m3
import numpy as np

from soffit.findings.review import reviewed
from soffit.layers.stack import cut_layers, outline_of
from soffit.part.model import Floats, Part, Vec3
from soffit.part.place import place
from soffit.process.model import Process
from soffit.process.physics import peel_of

# Finalists that are reviewed layer by layer (common practice, no source: people try about five).
FINALISTS = 6

# A side is stood on if it is at least this share of the largest one (from memory).
LEAST_SHARE = 0.05

# So much of its area over air counts where the part stands as it is drawn (own choice: who drew it
# had a reason, which only a clear gain outweighs).
DRAWN_SHARE = 0.8

# Areas over air that differ by less than this are of equal worth: one line by one reach of
# a lip is far more (derived).
EQUAL_MM2 = 0.5

# A foot that is pulled at by more is none, MPa (from memory: about what the plastic itself bears).
MOST_MPA = 50.0


@dataclass(frozen=True)
class Orientation:
    """One way up, in the part's present frame, and what the review of it says."""

    up: Vec3
    as_drawn: bool
    over_air_mm2: float
    height_mm: float
    clean: bool
    footprint_mm2: float
    # Pull at the rim of its foot by the drag of the nozzle at its top, and what the foot holds.
    pull_mpa: float
    holds_mpa: float

    @property
    def stands(self) -> bool:
        """Whether its foot holds it."""
        return self.pull_mpa <= self.holds_mpa


def orientations(part: Part, process: Process) -> list[Orientation]:
    """The finalists, best first."""
    ups = _candidates(part)
    limit = math.cos(math.radians(process.angle_deg))
    screened = sorted(range(len(ups)), key=lambda k: (k != 0, _flat_area(part, ups[k], limit), k))
    tried = [_try(part, process, ups[k], as_drawn=k == 0) for k in screened[: FINALISTS + 1]]
    return sorted(tried, key=_worth)


def choose_up(part: Part, process: Process) -> Vec3:
    """The best of `orientations`, as a direction in the part's present frame."""
    return orientations(part, process)[0].up


def _worth(o: Orientation) -> tuple[float, bool, float, bool, float, Vec3]:
    # Of those that do not stand, twice the pull is worse, whatever they have over air.
    falls = 0.0 if o.stands else 1.0 + round(math.log2(min(o.pull_mpa, MOST_MPA) / o.holds_mpa))
    counts = DRAWN_SHARE if o.as_drawn else 1.0
    area = round(counts * o.over_air_mm2 / EQUAL_MM2)
    return (falls, not o.clean, area, not o.as_drawn, o.height_mm, o.up)


def _candidates(part: Part) -> list[Vec3]:
    """The part as drawn first, then upwards of each flat side of the hull, largest first."""
    hull = m3.Manifold.hull_points(part.mesh.vertices[np.unique(part.mesh.triangles)])
    mesh = hull.to_mesh64()
    points = np.asarray(mesh.vert_properties)[:, :3][np.asarray(mesh.tri_verts, dtype=np.int64)]
    cross = np.cross(points[:, 1] - points[:, 0], points[:, 2] - points[:, 0])
    area = 0.5 * np.linalg.norm(cross, axis=1)
    solid = area > 1e-9
    normals = cross[solid] / (2 * area[solid])[:, None]
    area = area[solid]
    sides: list[tuple[Floats, float]] = []
    left = np.argsort(-area, kind="stable")
    while len(left):
        normal = normals[left[0]]
        same = normals[left] @ normal > 1 - 1e-5
        sides.append((normal, float(area[left[same]].sum())))
        left = left[~same]
    sides.sort(key=lambda side: (-side[1], tuple(np.round(side[0], 6))))
    largest = sides[0][1] if sides else 0.0
    ups: list[Vec3] = [(0.0, 0.0, 1.0)]
    for normal, total in sides:
        x, y, z = (round(-v, 9) + 0.0 for v in normal.tolist())
        if total >= LEAST_SHARE * largest and z < 1 - 1e-6:
            ups.append((x, y, z))
    return ups


def _flat_area(part: Part, up: Vec3, limit: float) -> float:
    """Plan area of down-facing facets flatter than the limit, less what lies on the platform."""
    facing = -(part.mesh.normals @ np.asarray(up))
    height = part.mesh.vertices @ np.asarray(up)
    top = height[part.mesh.triangles].max(axis=1)
    lowest = float(height[part.mesh.triangles].min())
    chosen = (facing > limit) & (top > lowest + 1e-3)
    return float((part.mesh.areas[chosen] * facing[chosen]).sum())


def _try(part: Part, process: Process, up: Vec3, *, as_drawn: bool) -> Orientation:
    placed = place(part, up)
    stack = cut_layers(placed, process)
    found, _ = reviewed(placed, process, stack=stack)
    corners = placed.mesh.corners
    resting = corners[:, :, 2].max(axis=1) < process.first_layer_mm
    footprint = float(placed.mesh.areas[resting].sum())
    height = placed.size_mm[2]
    foot = outline_of(stack.regions[0])
    pull = peel_of(foot, process.drag_n, height) if foot else math.inf
    return Orientation(up, as_drawn, found.over_air_mm2, height, found.clean, footprint, pull,
                       process.capability.adhesion_mpa.value)
