"""Layer outlines of a surface that is not closed, by a documented rule.

Each facet that crosses the plane gives one directed segment with the material on its left.
Segments are joined through the mesh edge on which they end, so no distance is compared;
where more than two facets share an edge any pairing gives the same winding. A chain that
does not close (an open edge) is joined by a straight line to the nearest end, its own or
another's, shortest lines first: a crack or a corner that lies on another facet's edge so costs no
more than its width, a missing facet what a straight line across it cuts off. The region is where
the winding is positive, so doubled facets and overlapping bodies count once.
"""

from __future__ import annotations

from collections.abc import Sequence

import manifold3d as m3
import numpy as np
from scipy.spatial import cKDTree

from soffit.part.model import Floats, Ints, Mesh

# A joint up to this is a crack and leaves teeth as high as it is wide, which are smoothed; a longer
# one crosses what is missing (derived: a fortieth of a 0.2 mm layer, as coarse as a file's
# numbers may be).
CRACK_MM = 0.005

# Ends looked at for each open chain in a round of joining (own limit, for time).
_NEAREST = 8


def slice_open_mesh(mesh: Mesh, heights: Floats) -> list[m3.CrossSection]:
    """Regions of `mesh` at each of `heights` (n,) mm by the rule above."""
    z = mesh.vertices[mesh.triangles][:, :, 2]
    low, high = z.min(axis=1), z.max(axis=1)
    order = np.argsort(low, kind="stable")
    low_sorted = low[order]
    regions = []
    for height in heights.tolist():
        below = order[: np.searchsorted(low_sorted, height, side="left")]
        hit = np.sort(below[high[below] >= height])
        loops, crack_mm = _loops(mesh, hit, height)
        region = m3.CrossSection(loops, m3.FillRule.Positive) if loops else m3.CrossSection()
        regions.append(region.simplify(crack_mm) if crack_mm else region)
    return regions


def _loops(mesh: Mesh, hit: Ints, height: float) -> tuple[list[Floats], float]:
    """Closed outlines, (n, 2) each, and the width of the widest crack in them, mm."""
    tri = mesh.triangles[hit]
    above = mesh.vertices[tri][:, :, 2] >= height
    keep = above.any(axis=1) & ~above.all(axis=1)
    tri, above = tri[keep], above[keep]
    if not len(tri):
        return [], 0.0
    # Seen from outside with z up, the cut runs from the edge going down to the edge going up.
    nxt = np.roll(above, -1, axis=1)
    down = np.argmax(above & ~nxt, axis=1)
    up = np.argmax(~above & nxt, axis=1)
    rows = np.arange(len(tri))
    start = np.sort(np.stack([tri[rows, down], tri[rows, (down + 1) % 3]], axis=1), axis=1)
    end = np.sort(np.stack([tri[rows, up], tri[rows, (up + 1) % 3]], axis=1), axis=1)
    keys, index = np.unique(np.concatenate([start, end]), axis=0, return_inverse=True)
    index = index.reshape(-1)
    a, b = mesh.vertices[keys[:, 0]], mesh.vertices[keys[:, 1]]
    t = (height - a[:, 2]) / (b[:, 2] - a[:, 2])
    points = a[:, :2] + t[:, None] * (b[:, :2] - a[:, :2])
    loops: list[Floats] = []
    open_: list[Floats] = []
    for chain, closes in _chains(index[: len(tri)], index[len(tri) :]):
        (loops if closes else open_).append(points[chain])
    joined, crack_mm = _joined(open_)
    return [loop for loop in loops + joined if len(loop) >= 3], crack_mm


def _chains(start: Ints, end: Ints) -> list[tuple[list[int], bool]]:
    """Segments from `start` to `end` (n,) as chains of nodes, and whether each closes."""
    leaving: dict[int, list[int]] = {}
    for segment, node in enumerate(start.tolist()):
        leaving.setdefault(node, []).append(segment)
    entered = set(end.tolist())
    ends = end.tolist()
    chains: list[tuple[list[int], bool]] = []
    # Open chains first, from the nodes that nothing leads to, so that loops stay whole.
    for node in [n for n in leaving if n not in entered] + list(leaving):
        while leaving.get(node):
            chain = [node]
            here = ends[leaving[node].pop()]
            while here != node:
                chain.append(here)
                if not leaving.get(here):
                    break
                here = ends[leaving[here].pop()]
            chains.append((chain, here == node))
    return chains


def _joined(chains: Sequence[Floats]) -> tuple[list[Floats], float]:
    """Open chains, (n, 2) each, joined end to start until all close, shortest joints first; and
    the longest joint that is a crack."""
    crack = 0.0
    after = np.full(len(chains), -1)
    tails = heads = np.arange(len(chains))
    while len(tails):
        starts = np.array([chains[k][0] for k in heads.tolist()])
        ends = np.array([chains[k][-1] for k in tails.tolist()])
        near = min(_NEAREST, len(heads))
        away, which = cKDTree(starts).query(ends, k=np.arange(1, near + 1))
        taken = np.zeros(len(heads), dtype=bool)
        for at in np.argsort(away, axis=None, kind="stable").tolist():
            tail, head = at // near, int(which.flat[at])
            if after[tails[tail]] < 0 and not taken[head]:
                after[tails[tail]] = heads[head]
                taken[head] = True
                joint = float(away.flat[at])
                crack = max(crack, joint if joint <= CRACK_MM else 0.0)
        tails, heads = tails[after[tails] < 0], heads[~taken]
    loops: list[Floats] = []
    left = set(range(len(chains)))
    for first in range(len(chains)):
        loop: list[Floats] = []
        k = first
        while k in left:
            left.remove(k)
            loop.append(chains[k])
            k = int(after[k])
        if loop:
            loops.append(np.concatenate(loop))
    return loops, crack
