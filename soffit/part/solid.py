"""Solids as kernel-neutral expressions, in the build frame, mm.

A remedy says what to add or cut as one of these small trees; the mesh kernel and the
B-rep kernel each evaluate the same tree (`mesh_solid.evaluate`, `brep` in the kernel
process), the first for trying an edit, the second for the customer's CAD, where a
`Cone` becomes a true conical face and a `Prism` planar ones.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from soffit.part.model import Floats, Ints, Vec3


class Solid:
    """Base of all solid expressions."""

    def __or__(self, other: Solid) -> Solid:
        return Union((self, other))

    def __and__(self, other: Solid) -> Solid:
        return Intersection((self, other))

    def __sub__(self, other: Solid) -> Solid:
        return Difference(self, other)


@dataclass(frozen=True)
class Prism(Solid):
    """A plan outline extruded straight up from `z0` to `z1`.

    `rings`: outer rings counter-clockwise, holes clockwise, each (n, 2) without the
    closing point; several outer rings give several lumps.
    """

    rings: tuple[Floats, ...]
    z0: float
    z1: float


@dataclass(frozen=True)
class Extrusion(Solid):
    """A planar polygon swept along a vector: `polygon` (n, 3), simple, planar; `along` (3,)."""

    polygon: Floats
    along: Vec3


@dataclass(frozen=True)
class Hull(Solid):
    """Convex hull of `points` (n, 3): wedges, tents, boxes."""

    points: Floats


@dataclass(frozen=True)
class Cone(Solid):
    """A round body between two circles on an axis; `r0 == r1` is a cylinder, one may be 0.

    In the B-rep a true conical or cylindrical face; in the mesh `segments` facets, drawn
    inside the circle, or outside it where `outside` (for a solid that is cut away or must
    contain the true one). `sector`: only the piece from one angle over a turn, both radians
    in plan, counter-clockwise from +x; the axis must then point straight up.
    """

    base: Vec3
    axis: Vec3
    length: float
    r0: float
    r1: float
    segments: int = 96
    outside: bool = False
    sector: tuple[float, float] | None = None


@dataclass(frozen=True)
class Drop(Solid):
    """The volume swept by part faces moved straight down by `depth`.

    `triangles` index the mesh of the part that the solid is made for and lie in `faces`;
    whole faces are swept in the B-rep. `depth` must keep the sweep simple (down-facing faces only).
    """

    faces: tuple[int, ...]
    triangles: Ints
    depth: float


@dataclass(frozen=True)
class Polyhedron(Solid):
    """A closed solid with planar faces: `vertices` (n, 3); each loop of `loops` lists vertex
    indices of one planar face, counter-clockwise seen from outside."""

    vertices: Floats
    loops: tuple[tuple[int, ...], ...]


@dataclass(frozen=True)
class Union(Solid):
    """All points in any of `parts`."""

    parts: tuple[Solid, ...]


@dataclass(frozen=True)
class Intersection(Solid):
    """All points in every one of `parts`."""

    parts: tuple[Solid, ...]


@dataclass(frozen=True)
class Difference(Solid):
    """Points of `base` that are not in `tool`."""

    base: Solid
    tool: Solid


@dataclass(frozen=True)
class Moved(Solid):
    """`solid` under a rigid 4×4 `matrix`."""

    solid: Solid
    matrix: Floats


@dataclass(frozen=True)
class Fitted(Solid):
    """One solid in the form that suits each kernel; only an edit's whole solid may be one.

    `mesh` reaches a hair into the part, so that no two faces merely touch. `exact` are forms
    without that hair for the B-rep, the cleanest first: the first that the kernel takes
    counts.
    """

    mesh: Solid
    exact: tuple[Solid, ...]


def box(low: Vec3, high: Vec3) -> Hull:
    """Axis-aligned box between two corners."""
    corners = np.array([[x, y, z] for x in (low[0], high[0]) for y in (low[1], high[1])
                        for z in (low[2], high[2])])
    return Hull(corners)
