"""Questions that remedies ask of a solid along straight rays.

Each answer comes from the mesh kernel's ray cast; lengths are mm, directions unit vectors.
"""

from __future__ import annotations

from dataclasses import dataclass

import manifold3d as m3
import numpy as np

from soffit.part.model import Floats


@dataclass(frozen=True)
class Hit:
    """Where a ray passes the surface: `at_mm` along it, `entering` material or leaving it."""

    at_mm: float
    entering: bool


# A ray is moved sideways by this, mm, for where it runs exactly through an edge, as it does on
# parts that stand square to the axes, the ray cast may miss the surface (derived: below the grid
# of the layers, above rounding).
ASIDE_MM = 3e-5
_ASKEW = np.array([0.371, 0.607, 0.703])


def hits(solid: m3.Manifold, origin: Floats, direction: Floats, reach_mm: float) -> list[Hit]:
    """Every passage of a ray through the surface, nearest first."""
    origin = origin + ASIDE_MM * np.cross(direction, _ASKEW)
    end = origin + reach_mm * direction
    found = solid.ray_cast(tuple(origin.tolist()), tuple(end.tolist()))
    return [Hit(h.distance * reach_mm, float(np.dot(h.normal, direction)) < 0.0) for h in found]


def reach_of(solid: m3.Manifold) -> float:
    """A length that leaves the solid's bounding box from anywhere inside it, mm."""
    low = np.array(solid.bounding_box()[:3])
    high = np.array(solid.bounding_box()[3:])
    return float(np.linalg.norm(high - low)) + 1.0


def inside(solid: m3.Manifold, point: Floats) -> bool:
    """Whether a point lies in the material.

    The ray leans a little, so that it does not run along a wall or through an edge of a part
    that stands square to the axes.
    """
    lean = np.array([0.0123, 0.0371, 1.0])
    found = hits(solid, point, lean / np.linalg.norm(lean), reach_of(solid))
    return bool(found) and not found[0].entering
