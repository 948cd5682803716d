"""Solid expressions (`soffit.part.solid`) evaluated by the B-rep kernel.

Points are taken to the wanted frame before anything is made of them, so that a face meant
to coincide with a face of the part does, to within rounding. A `Cone` becomes a true
conical or cylindrical face; everything else has planar faces, but for `Drop`, which
sweeps the part's own faces.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from OCP.BRep import BRep_Builder
from OCP.BRepBuilderAPI import (
    BRepBuilderAPI_MakeEdge,
    BRepBuilderAPI_MakeFace,
    BRepBuilderAPI_MakePolygon,
    BRepBuilderAPI_MakeVertex,
    BRepBuilderAPI_MakeWire,
)
from OCP.BRepLib import BRepLib
from OCP.BRepPrimAPI import BRepPrimAPI_MakeCone, BRepPrimAPI_MakeCylinder, BRepPrimAPI_MakePrism
from OCP.gp import gp_Ax1, gp_Ax2, gp_Dir, gp_Pln, gp_Pnt, gp_Vec
from OCP.TopAbs import TopAbs_Orientation
from OCP.TopoDS import TopoDS, TopoDS_Edge, TopoDS_Face, TopoDS_Shape, TopoDS_Shell, TopoDS_Solid

from soffit.errors import GeometryError
from soffit.part.brep.boolean import combine, empty
from soffit.part.brep.shapes import moved, solids_of
from soffit.part.model import Floats
from soffit.part.solid import (
    Cone,
    Difference,
    Drop,
    Extrusion,
    Fitted,
    Hull,
    Intersection,
    Moved,
    Polyhedron,
    Prism,
    Solid,
    Union,
)

# The kernel takes points closer than 1e-7 mm for one; ten times that keeps edges apart (derived).
SAME_MM = 1e-6
# Where the seam of a round face lies, from where the kernel would put it: across from the seam of
# a round face of the part, which is where the kernel put that, the two would not merge (derived:
# far from every share of a turn that designers use).
_SEAM_RAD = 1.0
# Facets of a hull within this angle of each other and this distance are one face (derived:
# rounding of a rotated point 100 mm out is 1e-14 × 100).
_FLAT = 1e-9

_WITH, _AGAINST = TopAbs_Orientation.TopAbs_FORWARD, TopAbs_Orientation.TopAbs_REVERSED


@dataclass(frozen=True)
class Frame:
    """Where to evaluate: `matrix` takes the build frame to the wanted one; `faces` are the
    part's faces by id − 1, and `of_part` takes their frame to the wanted one. What lies no farther
    apart than `fuzzy_mm` is one in booleans."""

    matrix: Floats
    faces: Sequence[TopoDS_Face]
    of_part: Floats
    fuzzy_mm: float = 0.0

    def then(self, step: Floats) -> Frame:
        """The frame in which a solid moved by `step` (build frame) is evaluated as if unmoved."""
        inverse = np.linalg.inv(self.matrix)
        carry = self.matrix @ step @ inverse
        return replace(self, matrix=self.matrix @ step, of_part=carry @ self.of_part)

    def points(self, points: Floats) -> Floats:
        return np.asarray(points, dtype=np.float64) @ self.matrix[:3, :3].T + self.matrix[:3, 3]

    def direction(self, vector: Floats) -> Floats:
        return np.asarray(self.matrix[:3, :3] @ np.asarray(vector, dtype=np.float64))


def file_frame(placement: Floats, faces: Sequence[TopoDS_Face]) -> Frame:
    """The frame of the part's own file."""
    return Frame(rigid_inverse(placement), faces, np.eye(4))


def rigid_inverse(matrix: Floats) -> Floats:
    """Inverse of a rigid 4×4 matrix, exact where the matrix is a permutation of axes."""
    turn = matrix[:3, :3].T
    inverse = np.eye(4)
    inverse[:3, :3] = turn
    inverse[:3, 3] = -turn @ matrix[:3, 3]
    return inverse


def evaluate(solid: Solid, frame: Frame) -> TopoDS_Shape:
    """The expression as a shape that holds solids, possibly none.

    Raises GeometryError where the expression is not a solid.
    """
    if isinstance(solid, Union):
        parts = [evaluate(part, frame) for part in solid.parts]
        return combine("add", parts, frame.fuzzy_mm)
    if isinstance(solid, Intersection):
        parts = [evaluate(part, frame) for part in solid.parts]
        return combine("common", parts, frame.fuzzy_mm)
    if isinstance(solid, Difference):
        parts = [evaluate(solid.base, frame), evaluate(solid.tool, frame)]
        return combine("cut", parts, frame.fuzzy_mm)
    if isinstance(solid, Moved):
        return evaluate(solid.solid, frame.then(solid.matrix))
    if isinstance(solid, Prism):
        return _prism(solid, frame)
    if isinstance(solid, Extrusion):
        polygon = frame.points(solid.polygon)
        return _swept([polygon], frame.direction(np.asarray(solid.along)), "sweep a polygon")
    if isinstance(solid, Hull):
        return _hull(frame.points(solid.points))
    if isinstance(solid, Cone):
        return _cone(solid, frame)
    if isinstance(solid, Drop):
        return _drop(solid, frame)
    if isinstance(solid, Polyhedron):
        return polyhedron(frame.points(solid.vertices), solid.loops)
    if isinstance(solid, Fitted):
        return evaluate(solid.exact[0], frame)
    raise GeometryError(f"evaluate a solid: {type(solid).__name__} is not a known expression")


def _prism(solid: Prism, frame: Frame) -> TopoDS_Shape:
    rings = [ring for ring in (_cleaned(np.asarray(r)) for r in solid.rings) if len(ring) >= 3]
    areas = [_plan_area(ring) for ring in rings]
    outer = [i for i, area in enumerate(areas) if area > 0]
    if solid.z1 - solid.z0 < SAME_MM or not outer:
        return empty()
    holes: dict[int, list[int]] = {i: [] for i in outer}
    for i, area in enumerate(areas):
        if area < 0:
            around = [o for o in outer if _encloses(rings[o], rings[i])]
            if not around:
                raise GeometryError("extrude a plan outline: a hole lies in no outer ring")
            holes[min(around, key=lambda o: areas[o])].append(i)
    up = frame.direction(np.array([0.0, 0.0, solid.z1 - solid.z0]))
    lumps = []
    for o in outer:
        flat = [rings[o], *(rings[h] for h in holes[o])]
        loops = [frame.points(np.column_stack([r, np.full(len(r), solid.z0)])) for r in flat]
        lumps.append(_swept(loops, up, "extrude a plan outline"))
    return combine("add", lumps, frame.fuzzy_mm)


def _swept(loops: Sequence[Floats], along: Floats, doing: str) -> TopoDS_Shape:
    """Prism over a planar face bounded by `loops`, the outer one first."""
    loops = [_cleaned(loop) for loop in loops]
    if any(len(loop) < 3 for loop in loops) or not np.linalg.norm(along) > 0:
        raise GeometryError(f"{doing}: the outline has no area, or is swept by nothing")
    normal = _newell(loops[0])
    length = float(np.linalg.norm(normal))
    if length <= 0 or abs(float(normal @ along)) <= 1e-12 * length * np.linalg.norm(along):
        raise GeometryError(f"{doing}: the outline has no area, or is swept within its own plane")
    face = _planar_face([_wire(loop) for loop in loops], loops[0], normal / length)
    return _outward(BRepPrimAPI_MakePrism(face, gp_Vec(*along.tolist())).Shape(), doing)


def _drop(solid: Drop, frame: Frame) -> TopoDS_Shape:
    down = frame.direction(np.array([0.0, 0.0, -solid.depth]))
    swept = []
    for face_id in solid.faces:
        if not 1 <= face_id <= len(frame.faces):
            raise GeometryError(f"sweep faces down: the part has no face {face_id}")
        face = moved(frame.faces[face_id - 1], frame.of_part)
        prism = BRepPrimAPI_MakePrism(face, gp_Vec(*down.tolist())).Shape()
        swept.append(_outward(prism, f"sweep face {face_id} down"))
    return combine("add", swept, frame.fuzzy_mm)


def _cone(solid: Cone, frame: Frame) -> TopoDS_Shape:
    base = gp_Pnt(*frame.points(np.asarray(solid.base)).tolist())
    axis = gp_Dir(*frame.direction(np.asarray(solid.axis)).tolist())
    level = abs(solid.r0 - solid.r1) < SAME_MM
    if solid.sector is not None:
        start, turn = solid.sector
        first = frame.direction(np.array([math.cos(start), math.sin(start), 0.0]))
        sector = gp_Ax2(base, axis, gp_Dir(*first.tolist()))
        if level:
            return BRepPrimAPI_MakeCylinder(sector, solid.r0, solid.length, turn).Shape()
        return BRepPrimAPI_MakeCone(sector, solid.r0, solid.r1, solid.length, turn).Shape()
    axes = gp_Ax2(base, axis)
    axes.Rotate(gp_Ax1(base, axis), _SEAM_RAD)
    if level:
        return BRepPrimAPI_MakeCylinder(axes, solid.r0, solid.length).Shape()
    return BRepPrimAPI_MakeCone(axes, solid.r0, solid.r1, solid.length).Shape()


def _hull(points: Floats) -> TopoDS_Shape:
    # Here, not above: only hulls need it, and it takes a while to load.
    from scipy.spatial import ConvexHull, QhullError

    try:
        hull = ConvexHull(points)
    except (QhullError, ValueError):
        raise GeometryError("make a hull: the points lie in one plane") from None
    return polyhedron(points, _hull_loops(points, hull.simplices, hull.equations))


def _hull_loops(
    points: Floats, facets: np.ndarray, equations: Floats
) -> tuple[tuple[int, ...], ...]:
    """Outlines of the planar faces of a hull given as facets with outward planes."""
    size = float(np.ptp(points, axis=0).max())
    loops: list[tuple[int, ...]] = []
    left = list(range(len(facets)))
    while left:
        first = equations[left[0]]
        gap = np.abs(points @ first[:3] + first[3])
        on = [
            f
            for f in left
            if equations[f][:3] @ first[:3] > 0.5 and gap[facets[f]].max() < _FLAT * max(size, 1.0)
        ] or [left[0]]
        left = [f for f in left if f not in set(on)]
        corners = np.unique(facets[on])
        center = points[corners].mean(axis=0)
        u = points[corners[0]] - center
        u /= np.linalg.norm(u)
        v = np.cross(first[:3], u)
        offset = points[corners] - center
        loops.append(tuple(corners[np.argsort(np.arctan2(offset @ v, offset @ u))].tolist()))
    return tuple(loops)


def polyhedron(points: Floats, loops: Sequence[Sequence[int]]) -> TopoDS_Shape:
    """Solid with planar faces that share their edges; loops counter-clockwise from outside."""
    doing = "make a polyhedron"
    sides = [(a, b) for loop in loops for a, b in zip(loop, [*loop[1:], loop[0]], strict=True)]
    if len(set(sides)) != len(sides) or {(b, a) for a, b in sides} != set(sides):
        raise GeometryError(f"{doing}: its faces do not make a closed solid")
    vertices = [BRepBuilderAPI_MakeVertex(gp_Pnt(*p)).Vertex() for p in points.tolist()]
    edges: dict[tuple[int, int], TopoDS_Edge] = {}
    builder, shell = BRep_Builder(), TopoDS_Shell()
    builder.MakeShell(shell)
    for loop in loops:
        corners = points[list(loop)]
        normal = _newell(corners)
        length = float(np.linalg.norm(normal))
        if length <= 0:
            raise GeometryError(f"{doing}: a face has no area")
        normal /= length
        bow = float(np.abs((corners - corners.mean(axis=0)) @ normal).max())
        if bow > SAME_MM:
            raise GeometryError(f"{doing}: a face is {bow:.3g} mm out of its plane")
        wire = BRepBuilderAPI_MakeWire()
        for a, b in zip(loop, [*loop[1:], loop[0]], strict=True):
            low, high = min(a, b), max(a, b)
            if (low, high) not in edges:
                edges[low, high] = BRepBuilderAPI_MakeEdge(vertices[low], vertices[high]).Edge()
            wire.Add(TopoDS.Edge(edges[low, high].Oriented(_WITH if a < b else _AGAINST)))
        builder.Add(shell, _planar_face([wire.Wire()], corners, normal))
    shell.Closed(True)
    solid = TopoDS_Solid()
    builder.MakeSolid(solid)
    builder.Add(solid, shell)
    return _outward(solid, doing)


def _planar_face(wires: Sequence[TopoDS_Shape], points: Floats, normal: Floats) -> TopoDS_Face:
    center = points.mean(axis=0)
    plane = gp_Pln(gp_Pnt(*center.tolist()), gp_Dir(*normal.tolist()))
    maker = BRepBuilderAPI_MakeFace(plane, wires[0], True)
    for hole in wires[1:]:
        maker.Add(hole)
    if not maker.IsDone():
        raise GeometryError("make a planar face: its outline is not simple")
    return maker.Face()


def _wire(loop: Floats) -> TopoDS_Shape:
    polygon = BRepBuilderAPI_MakePolygon()
    for point in loop.tolist():
        polygon.Add(gp_Pnt(*point))
    polygon.Close()
    return polygon.Wire()


def _outward(shape: TopoDS_Shape, doing: str) -> TopoDS_Shape:
    """The one solid of `shape`, its material inside."""
    solids = solids_of(shape)
    if len(solids) != 1 or not BRepLib.OrientClosedSolid_s(solids[0]):
        raise GeometryError(f"{doing}: the faces do not make a closed solid")
    return solids[0]


def _newell(loop: Floats) -> Floats:
    """Twice the area vector of a planar polygon (Newell's method), (3,)."""
    p = loop - loop[0]
    return np.asarray(np.cross(p, np.roll(p, -1, axis=0)).sum(axis=0))


def _plan_area(ring: Floats) -> float:
    p = ring - ring[0]
    q = np.roll(p, -1, axis=0)
    return float(0.5 * (p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]).sum())


def _cleaned(loop: Floats) -> Floats:
    """The loop without corners on top of each other or on the line between their neighbours."""
    loop = np.asarray(loop, dtype=np.float64)
    while len(loop) >= 3:
        back, ahead = np.roll(loop, 1, axis=0), np.roll(loop, -1, axis=0)
        chord = ahead - back
        length = np.linalg.norm(chord, axis=1)
        step = loop - back
        along = np.einsum("ij,ij->i", step, chord) / np.where(length > 0, length, 1.0)
        off = np.sqrt(np.maximum(np.einsum("ij,ij->i", step, step) - along**2, 0.0))
        flat = (np.linalg.norm(step, axis=1) < SAME_MM) | (
            (off < SAME_MM) & (along > 0) & (along < length)
        )
        if not flat.any():
            return loop
        # One at a time: two neighbours on a gentle arc must not both go.
        loop = np.delete(loop, int(np.argmax(flat)), axis=0)
    return loop


def _encloses(ring: Floats, inner: Floats) -> bool:
    """Whether most corners of `inner` lie inside `ring` (they may touch it)."""
    x, y = inner[:, 0], inner[:, 1]
    inside = np.zeros(len(inner), dtype=bool)
    for (ax, ay), (bx, by) in zip(ring.tolist(), np.roll(ring, -1, axis=0).tolist(), strict=True):
        if ay != by:
            crosses = (ay > y) != (by > y)
            inside ^= crosses & (x < (bx - ax) * (y - ay) / (by - ay) + ax)
    return bool(2 * int(inside.sum()) > len(inner))
