"""Triangles without height: three points on one line.

A boolean of meshes leaves some where faces of two bodies nearly meet. They close the surface and no
file keeps them: a reader drops the face, and its two sides no longer meet. The edge that such a
triangle lies along is laid the other way instead, from its middle corner to the far corner of the
triangle beside it, so that none of its sides is left over.
"""

from __future__ import annotations

import numpy as np

from soffit.part.model import Floats, Ints

# Height under which a triangle is a line, mm (derived: a thousand times what a kernel takes for one
# point, and a thousandth of what a nozzle can place).
CAP_MM = 1e-4

# Rounds at most (derived: each leaves fewer; a row on one line takes as many as it is long).
MOST_ROUNDS = 20


def without_caps(points: Floats, facets: Ints) -> Ints:
    """The facets (m, 3) of a closed surface on `points` (n, 3), mm, where triangles that are lines
    have been laid the other way as far as that can be done; as many as before, in the same order
    but for those."""
    made = facets.copy()
    for _ in range(MOST_ROUNDS):
        corners = points[made]
        sides = np.roll(corners, -1, axis=1) - corners
        lengths = np.linalg.norm(sides, axis=2)
        longest = lengths.argmax(axis=1)
        twice = np.linalg.norm(np.cross(sides[:, 0], sides[:, 1]), axis=1)
        reach = lengths.max(axis=1)
        # One with a side that is a point is a needle, and left to who makes near points one.
        caps = np.flatnonzero((twice < CAP_MM * reach) & (lengths.min(axis=1) > CAP_MM))
        if not len(caps):
            break
        owner = _Sides(made, len(points))
        touched: set[int] = set()
        for t in caps.tolist():
            k = int(longest[t])
            a, b, c = (int(made[t, (k + i) % 3]) for i in range(3))
            beside = owner.of(b, a)
            if beside is None or t in touched or beside[0] in touched:
                continue
            other, at = beside
            d = int(made[other, (at + 2) % 3])
            if d == c or owner.of(c, d) or owner.of(d, c):
                continue
            made[t], made[other] = (a, d, c), (d, b, c)
            touched |= {t, other}
        if not touched:
            break
    return made


class _Sides:
    """Which facet runs from one point to another, of facets (m, 3) on `count` points."""

    def __init__(self, facets: Ints, count: int) -> None:
        runs = (facets * count + np.roll(facets, -1, axis=1)).ravel()
        self._order = np.argsort(runs, kind="stable")
        self._runs, self._count = runs[self._order], count

    def of(self, a: int, b: int) -> tuple[int, int] | None:
        """The facet that runs from a to b, and which of its sides that is."""
        run = a * self._count + b
        at = int(np.searchsorted(self._runs, run))
        if at == len(self._runs) or self._runs[at] != run:
            return None
        facet, side = divmod(int(self._order[at]), 3)
        return facet, side
