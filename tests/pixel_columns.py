"""Columns of pixels: the ground that the brute-force referee stands on.

A vertical ray runs through every pixel centre; its crossings with the triangles say between
which heights the column is solid; a layer is what is solid at its middle height. Neither
polygons nor offsets are made. The outline of a layer is known better than to a pixel: as
points on the segments in which single triangles meet its height, unchained.

Pixel centres lie at whole numbers in pixel units; flat index = row · columns + column.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# The part is turned by this about z first, so that no edge of a part drawn along the axes runs
# along the pixels: counting is then unbiased (any such angle does).
TURN_DEG = 17.3

# Layers are read this much above their middle, mm: a level face that lies at a middle but for
# rounding then lies below it as a whole (derived: far above rounding, far below a grid).
ABOVE_MM = 1e-5

# Corners in plan that turn by more than this are measured from their tip, others square to their
# sides: a corner of a surface that is steep enough on both sides is no overhang (derived: the
# tip of a corner of 60 degrees lies two steps out).
SHARPEST_DEG = 120.0


@dataclass(frozen=True)
class Grid:
    """Pixel centres: x = x0 + column·p, y = y0 + row·p, in the turned frame."""

    x0: float
    y0: float
    rows: int
    columns: int
    pixel_mm: float

    def units(self, xy: Floats) -> Floats:
        """Turned plan points (n, 2) mm in pixel units."""
        return (xy - (self.x0, self.y0)) / self.pixel_mm

    def flat(self, units: Floats) -> Ints:
        """Flat index of the pixel in which each point (n, 2) in pixel units lies."""
        whole = np.rint(units).astype(np.int64)
        return np.asarray(whole[:, 1] * self.columns + whole[:, 0])

    def centres(self, flat: Ints) -> Floats:
        """Pixel centres, (n, 2) mm."""
        at = np.stack([flat % self.columns, flat // self.columns], axis=1)
        return np.asarray(at * self.pixel_mm + (self.x0, self.y0))


def turned(xy: Floats, back: bool = False) -> Floats:
    """Plan points (n, 2) in the turned frame, or back from it."""
    a = math.radians(-TURN_DEG if back else TURN_DEG)
    turn = np.array([[math.cos(a), math.sin(a)], [-math.sin(a), math.cos(a)]])
    return np.asarray(xy @ turn)


def grid_over(xy: Floats, pixel_mm: float, margin_mm: float) -> Grid:
    """Grid over turned plan points with empty pixels all round."""
    margin = math.ceil(margin_mm / pixel_mm) + 4
    low, high = xy.min(axis=0), xy.max(axis=0)
    columns, rows = (np.ceil((high - low) / pixel_mm) + 2 * margin + 1).astype(int).tolist()
    # Shifted by an odd fraction of a pixel, so that no centre lies on an edge (any does).
    start = low + (np.array((0.3819660, 0.2360679)) - margin) * pixel_mm
    return Grid(float(start[0]), float(start[1]), rows, columns, pixel_mm)


@dataclass(frozen=True)
class Spans:
    """Rows of pixels that cross a triangle between the same two heights, sorted by height.

    `start` flat index of the first pixel, `count` pixels, `sign` +1 going into the material
    upwards, `triangle`; `ends[k]` spans cross below height k.
    """

    start: Ints
    count: Ints
    sign: NDArray[np.int16]
    triangle: Ints
    ends: Ints

    def of_layer(self, k: int) -> tuple[Ints, NDArray[np.int16], Ints]:
        """Flat pixel, sign and triangle of each crossing between heights k − 1 and k."""
        part = slice(int(self.ends[k - 1]) if k else 0, int(self.ends[k]))
        count = self.count[part]
        pixel = repeated(self.start[part], count)
        return pixel, np.repeat(self.sign[part], count), np.repeat(self.triangle[part], count)


def repeated(start: Ints, count: Ints) -> Ints:
    """start, start + 1, … `count` numbers from each."""
    total = int(count.sum())
    shift = start - (np.cumsum(count) - count)
    return np.asarray(np.arange(total) + np.repeat(shift, count))


def crossings(vertices: Floats, triangles: Ints, grid: Grid, heights: Floats) -> Spans:
    """Where vertical rays through the pixel centres meet the triangles, by height.

    `vertices` (n, 3) turned. `heights` (k,) evenly spaced from the second on. A row that lies on
    a corner counts as just above it, a pixel on an edge as just right of it; both triangles at
    an edge compute the same crossing, so that none is lost or counted twice.
    """
    units, z = grid.units(vertices[:, :2]), vertices[:, 2]
    order = np.argsort(units[triangles][:, :, 1], axis=1, kind="stable")
    a, b, c = np.take_along_axis(triangles, order, axis=1).T
    even = ((order[:, 1] - order[:, 0]) % 3) == 1
    first = np.ceil(units[a, 1]).astype(np.int64)
    rows = np.ceil(units[c, 1]).astype(np.int64) - first
    which = np.repeat(np.arange(len(triangles)), rows)
    y = repeated(first, rows)
    x_long, z_long = _along(units, z, a[which], c[which], y)
    upper = y >= units[b[which], 1]
    x_short, z_short = _along(units, z, np.where(upper, b[which], a[which]),
                              np.where(upper, c[which], b[which]), y)
    right = x_short > x_long
    sign = np.where(even[which] == right, -1, 1)
    x0, x1 = np.minimum(x_long, x_short), np.maximum(x_long, x_short)
    z0, z1 = np.where(right, z_long, z_short), np.where(right, z_short, z_long)
    begin, end = np.ceil(x0).astype(np.int64), np.ceil(x1).astype(np.int64)
    k0, k1 = np.searchsorted(heights, np.stack([np.minimum(z0, z1), np.maximum(z0, z1)]))
    keep = (end > begin) & (k0 < len(heights))
    which, y, sign, x0, x1, z0, z1, begin, end, k0, k1 = (
        v[keep] for v in (which, y, sign, x0, x1, z0, z1, begin, end, k0, k1))
    # One row of pixels through a triangle may cross several heights: one span for each.
    pieces = np.minimum(k1, len(heights)) - k0 + 1
    row = np.repeat(np.arange(len(which)), pieces)
    k = repeated(k0, pieces)
    rise = (z1 - z0)[row]
    level = np.abs(rise) < 1e-12
    per = (x1 - x0)[row] / np.where(level, 1.0, rise)

    def column(height: Floats) -> Ints:
        at = np.ceil(x0[row] + (height - z0[row]) * per)
        return np.asarray(np.clip(at, begin[row], end[row]), dtype=np.int64)

    padded = np.concatenate([[-np.inf], heights, [np.inf]])
    low = column(np.maximum(padded[k], np.minimum(z0, z1)[row]))
    high = column(np.minimum(padded[k + 1], np.maximum(z0, z1)[row]))
    up = rise > 0
    start = np.where(up, low, high)
    stop = np.where(up, high, low)
    # The ends of a span are those of its row: they must not depend on rounding of heights.
    lowest, highest = k == k0[row], k == k1[row]
    start = np.where(level | np.where(up, lowest, highest), begin[row], start)
    stop = np.where(level | np.where(up, highest, lowest), end[row], stop)
    count = stop - start
    keep = (count > 0) & (k < len(heights))
    row, k, start, count = row[keep], k[keep], start[keep], count[keep]
    order = np.argsort(k.astype(np.uint16), kind="stable")
    row, k = row[order], k[order]
    return Spans(
        y[row] * grid.columns + start[order],
        count[order],
        sign[row].astype(np.int16),
        which[row],
        np.searchsorted(k, np.arange(len(heights)), side="right"),
    )


def _along(units: Floats, z: Floats, u: Ints, v: Ints, y: Ints) -> tuple[Floats, Floats]:
    """x and z where edges from u up to v meet the rows y."""
    t = (y - units[u, 1]) / (units[v, 1] - units[u, 1])
    return units[u, 0] + t * (units[v, 0] - units[u, 0]), z[u] + t * (z[v] - z[u])


class Sections:
    """The segments in which triangles meet each of `heights`."""

    def __init__(self, vertices: Floats, triangles: Ints, heights: Floats) -> None:
        self._vertices, self._triangles, self._heights = vertices, triangles, heights
        z = vertices[triangles][:, :, 2]
        first = np.searchsorted(heights, z.min(axis=1), side="left")
        last = np.searchsorted(heights, z.max(axis=1), side="left")
        which = np.repeat(np.arange(len(triangles)), last - first)
        layer = repeated(first, last - first)
        order = np.argsort(layer.astype(np.uint16), kind="stable")
        self._which = which[order]
        self._ends = np.searchsorted(layer[order], np.arange(len(heights) + 1))

    def of_layer(self, k: int) -> tuple[Floats, Ints]:
        """Ends of the segments, (m, 2, 2) mm, and the mesh edge that each end lies on, (m, 2)."""
        tri = self._triangles[self._which[self._ends[k] : self._ends[k + 1]]]
        height = self._heights[k]
        above = self._vertices[tri][:, :, 2] > height
        cut = above != np.roll(above, -1, axis=1)
        row, side = np.nonzero(cut)
        u, v = tri[row, side], tri[row, (side + 1) % 3]
        u, v = np.minimum(u, v), np.maximum(u, v)
        a, b = self._vertices[u], self._vertices[v]
        t = (height - a[:, 2]) / (b[:, 2] - a[:, 2])
        points = a[:, :2] + t[:, None] * (b[:, :2] - a[:, :2])
        return points.reshape(-1, 2, 2), (u * len(self._vertices) + v).reshape(-1, 2)


class Outline:
    """The outline of one layer, as points on its segments.

    `points` (n, 2) mm, half a pixel apart; `segment` (n,) that each lies on. `run` (n,) mm and
    `strip` (n,): what the referee knows of the layer's edge there.
    """

    def __init__(self, segments: Floats, edges: Ints, grid: Grid, solid: Bools) -> None:
        length = np.linalg.norm(segments[:, 1] - segments[:, 0], axis=1)
        keep = length > 1e-9
        self.segments, length = segments[keep], length[keep]
        self.edges = edges[keep]
        count = np.maximum(np.ceil(length / (0.5 * grid.pixel_mm)), 1).astype(np.int64)
        segment = np.repeat(np.arange(len(count)), count)
        t = (repeated(np.zeros_like(count), count) + 0.5) / count[segment]
        a, b = self.segments[segment, 0], self.segments[segment, 1]
        points = a + t[:, None] * (b - a)
        # Walls inside other bodies are no outline: there all pixels around are alike.
        units = grid.units(points)
        corners = np.array([(-0.8, -0.8), (-0.8, 0.8), (0.8, -0.8), (0.8, 0.8)])
        total = np.sum([solid[grid.flat(units + corner)] for corner in corners], axis=0)
        mixed = (total > 0) & (total < 4)
        self.points, self.segment, units = points[mixed], segment[mixed], units[mixed]
        self.pixel = grid.flat(units)
        self.run = np.empty(0)
        self.strip = np.empty(0, dtype=np.int64)

    @cached_property
    def tree(self) -> cKDTree:
        """Tree of the points."""
        return cKDTree(self.points, balanced_tree=False, compact_nodes=False)

    @cached_property
    def _next(self) -> Ints:
        """The segment that meets each end of each segment, (m, 2); itself where none does."""
        keys = self.edges.reshape(-1)
        order = np.argsort(keys, kind="stable")
        same = np.flatnonzero(keys[order][1:] == keys[order][:-1])
        mate = np.arange(len(keys))
        mate[order[same]], mate[order[same + 1]] = order[same + 1], order[same]
        return np.asarray(mate.reshape(-1, 2) // 2)

    def steps(self, points: Floats, farthest_mm: float) -> tuple[Floats, Floats]:
        """How far each point (n, 2) lies out, (n,) mm, and the nearest point of the outline (n, 2).

        Beyond a corner the distance counts square to the side from which it is farther. inf
        beyond `farthest_mm`.
        """
        step = np.full(len(points), np.inf)
        nearest = np.full((len(points), 2), np.nan)
        if not len(self.points):
            return step, nearest
        bound = farthest_mm
        _, which = self.tree.query(points, distance_upper_bound=bound)
        near = np.flatnonzero(which < len(self.points))
        at, seg = points[near], self.segment[which[near]]
        foot, t, across = self._foot(at, seg)
        best = np.linalg.norm(at - foot, axis=1)
        # Off the end of a segment: the one that meets it there may be nearer, or make a corner.
        off = np.flatnonzero((t < 0) | (t > 1))
        other = self._next[seg[off], (t[off] > 1).astype(np.int64)]
        foot2, t2, across2 = self._foot(at[off], other)
        d2 = np.linalg.norm(at[off] - foot2, axis=1)
        closer = d2 < best[off] - 1e-12
        value = np.where(closer, d2, best[off])
        corner = ~closer & ((t2 < 0) | (t2 > 1)) & (other != seg[off])
        a, b = self._direction(seg[off]), self._direction(other)
        forward = np.where(t[off] > 1, 1.0, -1.0)
        backward = np.where(t2 > 1, -1.0, 1.0)
        turn = np.einsum("ij,ij->i", a * forward[:, None], b * backward[:, None])
        corner &= turn > math.cos(math.radians(SHARPEST_DEG))
        value = np.where(corner, np.maximum(across[off], across2), value)
        foot[off[closer]] = foot2[closer]
        best[off] = value
        step[near], nearest[near] = best, foot
        return step, nearest

    def _direction(self, seg: Ints) -> Floats:
        along = self.segments[seg, 1] - self.segments[seg, 0]
        return np.asarray(along / np.linalg.norm(along, axis=1)[:, None])

    def _foot(self, at: Floats, seg: Ints) -> tuple[Floats, Floats, Floats]:
        """Nearest point of the segment, its place along it (0 to 1 within), distance from the
        line through it."""
        a, b = self.segments[seg, 0], self.segments[seg, 1]
        along = b - a
        t = np.einsum("ij,ij->i", at - a, along) / np.einsum("ij,ij->i", along, along)
        foot = a + np.clip(t, 0.0, 1.0)[:, None] * along
        return foot, t, np.linalg.norm(at - a - t[:, None] * along, axis=1)


def components(flat: Ints, columns: int) -> tuple[int, Ints]:
    """How many components pixels (sorted flat indices) form, corners included, and which, (n,).

    The first and last column must be empty, as a grid's margins are.
    """
    if not len(flat):
        return 0, np.empty(0, dtype=np.int64)
    fresh = np.flatnonzero(np.diff(flat, prepend=flat[0] - 2) != 1)
    first = flat[fresh]
    last = flat[np.append(fresh[1:], len(flat)) - 1]
    low = np.searchsorted(last, first + columns - 1, side="left")
    high = np.searchsorted(first, last + columns + 1, side="right")
    count = np.maximum(high - low, 0)
    above = repeated(low, count)
    here = np.repeat(np.arange(len(first)), count)
    graph = coo_matrix((np.ones(len(here), dtype=bool), (here, above)), (len(first), len(first)))
    number, label = connected_components(graph, directed=False)
    length = np.diff(np.append(fresh, len(flat)))
    return int(number), np.repeat(label.astype(np.int64), length)


def filled(rings: Sequence[Floats], grid: Grid) -> Ints:
    """Sorted flat indices of the pixel centres inside rings of plan points (n, 2), even-odd."""
    ends = [grid.units(turned(r)) for r in rings]
    u = np.concatenate(ends)
    v = np.concatenate([np.roll(r, -1, axis=0) for r in ends])
    swap = u[:, 1] > v[:, 1]
    u, v = np.where(swap[:, None], v, u), np.where(swap[:, None], u, v)
    first = np.ceil(u[:, 1]).astype(np.int64)
    count = np.ceil(v[:, 1]).astype(np.int64) - first
    edge = np.repeat(np.arange(len(u)), count)
    y = repeated(first, count)
    t = (y - u[edge, 1]) / (v[edge, 1] - u[edge, 1])
    x = np.ceil(u[edge, 0] + t * (v[edge, 0] - u[edge, 0])).astype(np.int64)
    at = np.sort(y * grid.columns + x)
    return repeated(at[0::2], at[1::2] - at[0::2])


def around(flat: Ints, columns: int) -> Iterator[Ints]:
    """The nine pixels at and around each, the nearest first."""
    for dy, dx in ((0, 0), (0, 1), (0, -1), (1, 0), (-1, 0), (1, 1), (1, -1), (-1, 1), (-1, -1)):
        yield flat + dy * columns + dx
