"""What would be over air in each of many directions, by depth: fast, and near enough to screen.

Each direction is looked along from below. Facets that face down flatter than the limit count with
their plan area, but those that rest on the platform. How much room is below them is told by points
spread evenly over the surface: sorted by the cell of a square grid that they fall into, and by
height, the next point below one that faces down is the floor that a support would stand on, else
the platform (after Ezair et al. 2015, who draw depth maps instead of points).

The grid's cells hold `PER_CELL` points of the surface on the average, so that few floors are
missed. A room is right to a few per cent for parts of plain shape, and no better than the points
are near to each other; whoever decides cuts layers.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import manifold3d as m3
import numpy as np

from soffit.layers.plastic import laid_about_mm3
from soffit.part.deviation import spread_over
from soffit.part.fits import across
from soffit.part.model import Floats, Ints, Mesh
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

# Directions looked at at once by one thread (own choice: some megabytes).
_AT_ONCE = 64


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
        self._columns = np.ascontiguousarray(self._cloud.T)
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
        found = np.zeros((len(ups), 4))

        def some(start: int) -> None:
            # One product of matrices for each direction, so that rounding is the same for each.
            for k in range(start, min(start + _AT_ONCE, len(ups))):
                up = ups[k]
                heights = self._corners @ up
                low = float(heights.min())
                down = -(self._normals @ up)
                flat = np.flatnonzero(down > self._limit)
                rests = self._at[flat] @ up - low < self._first
                area = self._areas[flat] * down[flat]
                height = float(heights.max()) - low
                pull = height * self._rim(up, flat[rests], area[rests])
                found[k] = (area[~rests].sum(), height, area[rests].sum(), pull)

        _by_all_cores(some, len(ups))
        over, height, rests, pull = found.T
        return over, height, rests, pull

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

    def below(
        self, ups: Floats, progress: Callable[[int, int], None] | None = None
    ) -> tuple[Floats, Floats]:
        """Of each direction (n, 3): that part of the plan area over air that is over the part
        itself, and the room below all that is over air, (n,) mm² and mm³."""
        found = np.zeros((len(ups), 2))

        def some(start: int) -> None:
            for k in range(start, min(start + _AT_ONCE, len(ups))):
                found[k] = self._below(ups[k])

        _by_all_cores(some, len(ups), progress)
        shadowed, room = found.T
        return shadowed, room

    def _below(self, up: Floats) -> tuple[float, float]:
        down = -(self._cloud_normals @ up)
        x, y, height = np.stack([*across(up), up]) @ self._columns
        height -= float((self._corners @ up).min())
        hangs = (down > self._limit) & (height >= self._first)
        if not hangs.any():
            return 0.0, 0.0
        chosen = np.flatnonzero(hangs | (down < -FLOOR))
        x, y = np.floor(x[chosen] / self._cell), np.floor(y[chosen] / self._cell)
        cell = (x - x.min()) * (y.max() - y.min() + 1.0) + (y - y.min())
        order = _by_cell(cell, height[chosen])
        cell, order = cell[order], chosen[order]
        here, at = hangs[order], height[order]
        floor = np.maximum.accumulate(np.where(here, 0, np.arange(len(order))))
        # Before the first floor of all stands what hangs itself; it has none.
        found = (cell[floor] == cell) & ~here[floor]
        floor_mm = np.where(found, at[floor], 0.0)
        area = self._share * down[order]
        return (float(area[here & found].sum()), float((area * (at - floor_mm))[here].sum()))


def _by_cell(cell: Floats, height: Floats) -> Ints:
    """Rows in order of their cell, a whole number, and within it of height, to 1/65,535 of the
    greatest. Numbers as short as they can be: those are sorted by their digits."""
    fine = height * (65_535.0 / max(float(height.max()), 1e-12))
    rows = np.argsort(fine.astype(np.uint16), kind="stable")
    short = cell.astype(np.min_scalar_type(int(cell.max())))
    return np.asarray(rows[np.argsort(short[rows], kind="stable")])


def _by_all_cores(
    some: Callable[[int], None], count: int, progress: Callable[[int, int], None] | None = None
) -> None:
    """Call `some` with the first of each chunk of so many directions."""
    with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
        for done, _ in enumerate(pool.map(some, range(0, count, _AT_ONCE)), start=1):
            if progress is not None:
                progress(min(done * _AT_ONCE, count), count)


def _outermost(mesh: Mesh) -> Floats:
    """The corners of the convex hull: the lowest and highest point is always one of them."""
    points = mesh.vertices[np.unique(mesh.triangles)]
    hull = m3.Manifold.hull_points(points).to_mesh64()
    corners = np.asarray(hull.vert_properties)[:, :3]
    return corners if len(corners) else points
