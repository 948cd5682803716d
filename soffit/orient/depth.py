"""What would be over air in each of many directions, by depth: fast, and near enough to screen.

Each direction is looked along from below. Facets that face down flatter than the limit count with
their plan area, but those that rest on the platform. How much room is below them is told by points
spread evenly over the surface: sorted by the cell of a square grid that they fall into, and by
height, the next point below one that faces down is the floor that a support would stand on, else
the platform (after Ezair et al. 2015, who draw depth maps instead of points).

Two directions that point against each other see the same points in the same cells, from either
end, so both are found by one sort. Whatever is as long as there are points is written where the
last direction left it: to ask for that much memory anew takes longer than to fill it.

The grid's cells hold `PER_CELL` points of the surface on the average, so that few floors are
missed. A room is right to a few per cent for parts of plain shape, and no better than the points
are near to each other; whoever decides cuts layers.
"""

from __future__ import annotations

from collections import defaultdict

import manifold3d as m3
import numpy as np

from soffit.layers.plastic import laid_about_mm3
from soffit.part.deviation import spread_over
from soffit.part.fits import across
from soffit.part.model import Floats, Ints, Mesh, Vec3
from soffit.process.model import Process

# Points spread over a surface (own choice: of a part with 20,000 mm² one for each 1.6 by 1.6 mm),
# and facets above which they stand for the facets too.
POINTS = 8_000
MOST_FACETS = 20_000

# Points of a surface that faces the grid in each of its cells (derived: of one point in 50 the cell
# then has no floor that should have one, e⁻⁴).
PER_CELL = 4.0

# What faces up by less than this is no floor, by the cosine (own choice: a wall).
FLOOR = 0.1

# A face at the limit is none past it, whatever rounding says, by the cosine (derived: far above the
# rounding of a normal, a ten-thousandth of a degree).
AT_LIMIT = 1e-6


class Depth:
    """A surface ready to be looked at along many directions; what is found of one does not depend
    on which others are asked for."""

    def __init__(self, mesh: Mesh, process: Process) -> None:
        # About what the part takes as laid, however it lies, mm³.
        self.laid_mm3 = laid_about_mm3(max(0.0, mesh.volume_mm3), mesh.area_mm2, process)
        self._limit = float(np.cos(np.radians(process.angle_deg))) + AT_LIMIT
        self._first = process.first_layer_mm
        self._cloud, facet = spread_over(mesh.corners, POINTS)
        self._cloud_normals = mesh.normals[facet]
        self._columns = np.ascontiguousarray(np.hstack([self._cloud, self._cloud_normals]).T)
        self._share = mesh.area_mm2 / max(len(self._cloud), 1)
        self._cell = float(np.sqrt(PER_CELL * self._share)) or 1.0
        if len(mesh.triangles) > MOST_FACETS:
            self._facets = self._cloud[:, None, :]
            self._at, self._normals = self._cloud, self._cloud_normals
            self._areas = np.full(len(self._cloud), self._share)
        else:
            self._facets = mesh.corners
            self._at, self._normals = mesh.corners.mean(axis=1), mesh.normals
            self._areas = mesh.areas
        self._corners = _outermost(mesh)

    def facing(self, ups: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """Of each direction (n, 3): the plan area over air, the height of the part, the area with
        which it rests on the platform, and how hard a force of 1 N at its top pulls at the rim of
        that foot, (n,) mm², mm, mm², MPa; infinite where it rests on nothing flat."""
        found = np.zeros((4, len(ups)))
        facing = np.empty(len(self._normals))
        # One product of matrices for each axis, so that rounding is the same for each.
        for axis, rows in _axes(ups):
            heights = self._corners @ axis
            height = float(heights.max() - heights.min())
            np.matmul(self._normals, axis, out=facing)
            for row, side in rows:
                flat = np.flatnonzero(facing * -side > self._limit)
                low = float((side * heights).min())
                rests = side * (self._at[flat] @ axis) - low < self._first
                area = -side * self._areas[flat] * facing[flat]
                pull = height * self._rim(axis, flat[rests], area[rests])
                found[:, row] = area[~rests].sum(), height, area[rests].sum(), pull
        over, height_mm, rests_mm2, pull_mpa = found
        return over, height_mm, rests_mm2, pull_mpa

    def _rim(self, up: Floats, chosen: Ints, area: Floats) -> float:
        """Farthest point from the weak axis of a foot over its second moment of area about that,
        1/mm³, of facets of such plan areas (as `physics.peel_of`)."""
        total = float(area.sum())
        if total <= 0.0:
            return np.inf
        corners = self._facets[chosen] @ np.column_stack(across(up))
        middle = (area @ corners.mean(axis=1)) / total
        corners = corners - middle
        # ∫ x xᵀ over a triangle is A/12 (Σ xᵢ xᵢᵀ + Σ xᵢ Σ xᵢᵀ); of a point it is A x xᵀ.
        mean, count = corners.mean(axis=1), corners.shape[1]
        within = np.einsum("m,mki,mkj->ij", area, corners, corners)
        whole = np.einsum("m,mi,mj->ij", area, mean, mean)
        moments = whole if count == 1 else (within + 9.0 * whole) / 12.0
        least, axes = np.linalg.eigh(moments)
        if least[0] <= 0.0:
            return np.inf
        return float(np.abs(corners.reshape(-1, 2) @ axes[:, 0]).max() / least[0])

    def below(self, ups: Floats) -> tuple[Floats, Floats]:
        """Of each direction (n, 3): that part of the plan area over air that is over the part
        itself, and the room below all that is over air, (n,) mm² and mm³."""
        found = np.zeros((2, len(ups)))
        frame = np.zeros((4, 6))
        seen = np.empty((4, len(self._cloud)))
        for axis, rows in _axes(ups):
            frame[:3, :3] = *across(axis), axis
            frame[3, 3:] = axis
            np.matmul(frame, self._columns, out=seen)
            heights = self._corners @ axis
            low, high = float(heights.min()), float(heights.max())
            cells, height, facing = seen[:2], seen[2], seen[3]
            cells *= 1.0 / self._cell
            x, y = np.floor(cells, out=cells)
            x -= x.min()
            y -= y.min()
            x *= y.max() + 1.0
            x += y
            height -= low
            order = _by_cell(x, height)
            cell, height, facing = x[order], height[order], facing[order]
            for row, side in rows:
                found[:, row] = (
                    self._under(-facing, height, cell) if side > 0.0 else
                    self._under(facing[::-1], (high - low) - height[::-1], cell[::-1]))
        shadowed, room = found
        return shadowed, room

    def _under(self, down: Floats, height: Floats, cell: Floats) -> tuple[float, float]:
        """What is over the part itself, and the room below all that hangs, of points in the order
        of their cell and their height."""
        here = np.flatnonzero((down > self._limit) & (height >= self._first))
        floors = down < -FLOOR
        last = np.maximum.accumulate(np.where(floors, np.arange(len(down)), 0))[here]
        # Before the first floor of all stands what has none.
        found = floors[last] & (cell[last] == cell[here])
        area = self._share * down[here]
        depth = height[here] - np.where(found, height[last], 0.0)
        return float(area[found].sum()), float(area @ depth)


def _axes(ups: Floats) -> list[tuple[Floats, list[tuple[int, float]]]]:
    """The axis of each direction, those of opposite ones once, with the rows that lie on it and
    which way they point along it, 1 or −1."""
    lines: dict[Vec3, list[tuple[int, float]]] = defaultdict(list)
    for row, (x, y, z) in enumerate(ups.tolist()):
        side = 1.0 if (x, y, z) > (0.0, 0.0, 0.0) else -1.0
        lines[side * x, side * y, side * z].append((row, side))
    return [(np.array(line), rows) for line, rows in lines.items()]


def _by_cell(cell: Floats, height: Floats) -> Ints:
    """Rows in order of their cell, a whole number, and within it of height, to 1/65,535 of the
    greatest. Numbers as short as they can be: those are sorted by their digits."""
    fine = height * (65_535.0 / max(float(height.max()), 1e-12))
    rows = np.argsort(fine.astype(np.uint16), kind="stable")
    short = cell.astype(np.min_scalar_type(int(cell.max())))
    return np.asarray(rows[np.argsort(short[rows], kind="stable")])


def _outermost(mesh: Mesh) -> Floats:
    """The corners of the convex hull: the lowest and highest point is always one of them."""
    points = mesh.vertices[np.unique(mesh.triangles)]
    hull = m3.Manifold.hull_points(points).to_mesh64()
    corners = np.asarray(hull.vert_properties)[:, :3]
    return corners if len(corners) else points
