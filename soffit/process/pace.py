"""How long a row of straight moves takes, with drives that can only change speed so fast.

Between two moves in directions u and v the nozzle passes the corner at a speed c at which its
velocity changes at once by no more than J, `corner_mm_s`: c·|u − v| ≤ J (derived). Within a move
speed changes by the acceleration a. So its square at each corner is at most

    min over all corners j of (c_j² + 2·a·way to j)

and a move of length ℓ from speed p to q, limited to V, reaches m = min(V, √((p² + q²) / 2 + a·ℓ))
and takes (2m − p − q) / a + (ℓ − (2m² − p² − q²) / 2a) / m (derived; trapezoids with full
look-ahead). No drive does better, and most look ahead far enough to do about as well.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from soffit.part.model import Floats


def times_s(
    start: Floats, end: Floats, most_mm_s: Floats, stops: NDArray[np.bool_], *,
    acceleration_mm_s2: float, corner_mm_s: float,
) -> Floats:
    """Time of each of n moves one after the other, (n,) s. `start`, `end`: (n, 2) mm; `most_mm_s`:
    the speed that each is to have, (n,); `stops`: whether the nozzle stands before each, (n,). It
    stands at the end of the last."""
    if not len(start):
        return np.empty(0)
    way = end - start
    length = np.linalg.norm(way, axis=1)
    along = way / np.maximum(length, 1e-12)[:, None]
    bend = np.linalg.norm(along[1:] - along[:-1], axis=1)
    corner = np.zeros(len(length) + 1)
    corner[1:-1] = np.minimum(np.minimum(most_mm_s[1:], most_mm_s[:-1]),
                              corner_mm_s / np.maximum(bend, 1e-9))
    corner[:-1][stops] = 0.0
    # Speeds squared, as far as the way before and behind allows, by running minima.
    gain = 2.0 * acceleration_mm_s2 * np.concatenate([[0.0], np.cumsum(length)])
    square = corner**2
    square = np.minimum.accumulate(square - gain) + gain
    square = np.minimum.accumulate((square + gain)[::-1])[::-1] - gain
    square = np.maximum(square, 0.0)
    p, q = np.sqrt(square[:-1]), np.sqrt(square[1:])
    m = np.minimum(most_mm_s, np.sqrt(0.5 * (p**2 + q**2) + acceleration_mm_s2 * length))
    m = np.maximum(m, 1e-9)
    steady = np.maximum(0.0, length - (2.0 * m**2 - p**2 - q**2) / (2.0 * acceleration_mm_s2))
    return np.asarray((2.0 * m - p - q) / acceleration_mm_s2 + steady / m)
