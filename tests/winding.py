"""The winding number of a surface round points, by solid angles: slow, and right for any mesh."""

from __future__ import annotations

import numpy as np

from soffit.part.model import Floats


def winding(points: Floats, corners: Floats) -> Floats:
    """How often a surface winds round each point: 1 inside, 0 outside, a half on it.

    Sum of the solid angles of the facets (van Oosterom & Strackee 1983) over 4π.
    `points` (k, 3), `corners` (m, 3, 3); returns (k,).
    """
    answer = np.zeros(len(points))
    for i, point in enumerate(points):
        v = corners - point
        size = np.linalg.norm(v, axis=2)
        top = np.einsum("ij,ij->i", v[:, 0], np.cross(v[:, 1], v[:, 2]))
        dots = [np.einsum("ij,ij->i", v[:, j], v[:, k]) for j, k in ((0, 1), (1, 2), (2, 0))]
        bottom = (size[:, 0] * size[:, 1] * size[:, 2] + dots[0] * size[:, 2]
                  + dots[1] * size[:, 0] + dots[2] * size[:, 1])
        answer[i] = np.arctan2(top, bottom).sum() / (2.0 * np.pi)
    return answer
