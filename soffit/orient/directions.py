"""Directions that may point up: as drawn, on each flat side, holes upright, and all round."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import manifold3d as m3
import numpy as np
from scipy.spatial import cKDTree

from soffit.part.model import Floats, Mesh, Part, Surface, Vec3, vec3

Origin = Literal["as drawn", "flat side", "upright hole", "asked for", "all round"]

# A side of the hull smaller than this share of the largest is looked at with all the others round
# about (from memory).
LEAST_SHARE = 0.005

# Flat sides, and axes of holes, that are looked at, largest and most frequent first (own limit, for
# time: a ball of facets has thousands).
MOST_SIDES = 200
MOST_AXES = 20

# Directions nearer than this to each other are one, rad (derived: a part 100 mm wide is then
# nowhere a tenth of a layer off).
SAME_RAD = 1e-4


@dataclass(frozen=True)
class Direction:
    """One direction that may point up, in the part's present frame, and why it is looked at.
    `share`: of a flat side, its area as a share of the largest."""

    up: Vec3
    origin: Origin
    share: float = 0.0


def directions(part: Part, around: int, upwards: Vec3 | None = None) -> list[Direction]:
    """The part as drawn first, then flat sides that it can rest on, largest first, axes of its
    holes either way, most frequent first, and `around` more spread over all directions. `upwards`:
    one that is asked for, put second."""
    found = [Direction((0.0, 0.0, 1.0), "as drawn")]
    if upwards is not None:
        found.append(Direction(_rounded(np.asarray(upwards)), "asked for"))
    found += [Direction(up, "flat side", share) for up, share in flat_sides(part.mesh)]
    found += [Direction(up, "upright hole") for up in hole_axes(part)]
    found += [Direction(vec3(up), "all round") for up in sphere(around)]
    return _without_doubles(found)


def sphere(count: int) -> Floats:
    """So many directions spread evenly over the sphere, (count, 3): half of them on a spiral from
    its top to its equator whose turns lie apart by the golden angle (Vogel 1979; on the sphere
    Swinbank & Purser 2006), then those opposite, which are seen along the same lines."""
    half = (count + 1) // 2
    k = np.arange(half) + 0.5
    z = 1.0 - k / max(half, 1)
    turn = np.pi * (1.0 + np.sqrt(5.0)) * k
    r = np.sqrt(np.maximum(0.0, 1.0 - z * z))
    top = np.column_stack([r * np.cos(turn), r * np.sin(turn), z])
    return np.concatenate([top, -top])[:count]


def flat_sides(mesh: Mesh) -> list[tuple[Vec3, float]]:
    """Upwards of each flat side of the convex hull that is not too small, with its area as a share
    of the largest, largest first."""
    hull = m3.Manifold.hull_points(mesh.vertices[np.unique(mesh.triangles)]).to_mesh64()
    points = np.asarray(hull.vert_properties)[:, :3][np.asarray(hull.tri_verts, dtype=np.int64)]
    cross = np.cross(points[:, 1] - points[:, 0], points[:, 2] - points[:, 0])
    area = 0.5 * np.linalg.norm(cross, axis=1)
    solid = area > 1e-9
    normals, area = cross[solid] / (2.0 * area[solid])[:, None], area[solid]
    sides: list[tuple[Floats, float]] = []
    left = np.argsort(-area, kind="stable")
    while len(left):
        normal = normals[left[0]]
        same = normals[left] @ normal > 1.0 - 1e-5
        sides.append((normal, float(area[left[same]].sum())))
        left = left[~same]
    sides.sort(key=lambda side: (-side[1], tuple(np.round(side[0], 6))))
    largest = sides[0][1] if sides else 1.0
    return [(_rounded(-normal), total / largest) for normal, total in sides[:MOST_SIDES]
            if total >= LEAST_SHARE * largest]


def hole_axes_of(part: Part) -> Floats:
    """The axis of each round wall that faces inwards, (n, 3)."""
    return np.array([face.axis_dir for face in part.faces
                     if face.surface is Surface.CYLINDER and face.inward
                     and face.axis_dir is not None], dtype=np.float64).reshape(-1, 3)


def hole_axes(part: Part) -> list[Vec3]:
    """The axes of round holes, either way, those of most holes first."""
    left = hole_axes_of(part)
    axes: list[tuple[int, Floats]] = []
    while len(left):
        same = np.linalg.norm(np.cross(left, left[0]), axis=1) < SAME_RAD
        axes.append((int(same.sum()), left[0]))
        left = left[~same]
    axes.sort(key=lambda axis: -axis[0])
    return [_rounded(sign * axis) for _, axis in axes[:MOST_AXES] for sign in (1.0, -1.0)]


def _rounded(up: Floats) -> Vec3:
    x, y, z = (round(v, 9) + 0.0 for v in up.tolist())
    return (x, y, z)


def _without_doubles(found: list[Direction]) -> list[Direction]:
    """Each direction once, where it comes first."""
    pairs = cKDTree([one.up for one in found]).query_pairs(SAME_RAD, output_type="ndarray")
    twice = set(pairs.max(axis=1).tolist())
    return [one for k, one in enumerate(found) if k not in twice]
