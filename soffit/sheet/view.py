"""Directions of sight, and a mesh as seen along one.

A `View` looks at the part from infinity. Its drawing plane has `right` and `up`; `toward`
points from the part to the eye, so that a larger third coordinate is nearer.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from soffit.part.model import Floats, Mesh, Vec3

Bools = NDArray[np.bool_]

# A face whose normal makes less than this sine with the drawing plane is seen edge-on: its
# image has no area worth a test and its depth is ill-conditioned (derived: 0.006 degrees).
EDGE_ON = 1e-4

# A triangle of less than half this share of the square of the part's size hides nothing (derived:
# ten thousand times the rounding of double coordinates).
NO_AREA = 1e-12


@dataclass(frozen=True)
class View:
    """A direction of sight. `toward` need not be of unit length, and is not vertical."""

    name: str
    toward: Vec3

    @cached_property
    def axes(self) -> Floats:
        """Rows right, up, toward as unit vectors, (3, 3); z of the part points up the page."""
        toward = np.asarray(self.toward, dtype=np.float64)
        toward = toward / np.linalg.norm(toward)
        right = np.cross((0.0, 0.0, 1.0), toward)
        right /= np.linalg.norm(right)
        # Exact zeros instead of -0.0 and 1e-17 keep elevations straight.
        axes = np.array([right, np.cross(toward, right), toward])
        axes[np.abs(axes) < 1e-15] = 0.0
        return axes

    def points(self, points_mm: Floats) -> Floats:
        """Points (…, 3) in the drawing plane and depth (…, 3), mm."""
        return np.asarray(points_mm, dtype=np.float64) @ self.axes.T


def below(azimuth_deg: float, elevation_deg: float = 24.0) -> View:
    """Axonometric view from under the part, where down-facing faces are seen."""
    azimuth, elevation = math.radians(azimuth_deg), math.radians(elevation_deg)
    return View("seen from below", (math.sin(azimuth) * math.cos(elevation),
                                    -math.cos(azimuth) * math.cos(elevation),
                                    -math.sin(elevation)))


FRONT = View("Front elevation", (0.0, -1.0, 0.0))
RIGHT = View("Right elevation", (1.0, 0.0, 0.0))


@dataclass(frozen=True)
class Scene:
    """A mesh as seen in one view: what hides what is asked of it.

    `corners` (m, 3, 3): corner points in the drawing plane and depth. `front` (m,): whether
    the triangle turns its outside to the eye, edge-on ones not included. `size_mm`: diagonal.
    """

    view: View
    corners: Floats
    front: Bools
    size_mm: float

    @classmethod
    def of(cls, mesh: Mesh, view: View) -> Scene:
        """See `mesh` along `view`."""
        cross = mesh.cross
        length = np.linalg.norm(cross, axis=1)
        facing = cross @ view.axes[2]
        low, high = mesh.bounds
        size = float(np.linalg.norm(high - low))
        front = (facing > EDGE_ON * length) & (length > NO_AREA * size**2)
        return cls(view, view.points(mesh.corners), front, size)

    @property
    def lateral_mm(self) -> float:
        """Images closer than this are taken to touch: a millionth of the part (derived:
        ten thousand times the rounding of double coordinates)."""
        return 1e-6 * self.size_mm

    @property
    def depth_mm(self) -> float:
        """How much nearer a face must be to hide something: 2e-5 of the part, above the
        rounding of a steep plane's depth and below any wall that can be printed."""
        return 2e-5 * self.size_mm

    @cached_property
    def occluders(self) -> Floats:
        """Corners of the triangles that face the eye, counter-clockwise, (k, 3, 3)."""
        return self.corners[self.front]

    @cached_property
    def boxes(self) -> Floats:
        """Image bounds of the occluders, (k, 4): x0, y0, x1, y1."""
        low, high = self.occluders[:, :, :2].min(axis=1), self.occluders[:, :, :2].max(axis=1)
        return np.hstack([low, high])

    @cached_property
    def planes(self) -> Floats:
        """Depth of the occluders as a + b·x + c·y, (k, 3)."""
        a, b, c = self.occluders[:, 0], self.occluders[:, 1], self.occluders[:, 2]
        normal = np.cross(b - a, c - a)
        slope = -normal[:, :2] / normal[:, 2:]
        constant = a[:, 2] - np.einsum("ij,ij->i", slope, a[:, :2])
        return np.hstack([constant[:, None], slope])


def join(meshes: tuple[Mesh, ...]) -> Mesh:
    """Several meshes as one; faces keep the ids of the first, those of the others get 0."""
    offsets = np.cumsum([0] + [len(m.vertices) for m in meshes])
    return Mesh(
        np.vstack([m.vertices for m in meshes]),
        np.vstack([m.triangles + k for m, k in zip(meshes, offsets, strict=False)]),
        np.concatenate([meshes[0].face_of] + [np.zeros_like(m.face_of) for m in meshes[1:]]),
        np.vstack([m.normals for m in meshes]),
        np.concatenate([np.full(len(m.body_of), k) for k, m in enumerate(meshes)]),
    )
