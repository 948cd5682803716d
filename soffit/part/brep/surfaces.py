"""What a face lies on, and its true outward normal anywhere."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from OCP.BRep import BRep_Tool
from OCP.BRepAdaptor import BRepAdaptor_Surface
from OCP.GeomAbs import GeomAbs_SurfaceType as Kind
from OCP.gp import gp_Ax1, gp_Pnt, gp_Vec
from OCP.TopAbs import TopAbs_EDGE, TopAbs_Orientation, TopAbs_VERTEX
from OCP.TopoDS import TopoDS, TopoDS_Edge, TopoDS_Face, TopoDS_Shape

from soffit.part.brep.shapes import edges_of, faces_of, items, map_of
from soffit.part.model import Floats, Surface, Vec3

# Surfaces closer than this are one: far over rounding of rotated coordinates (1e-13), far under
# anything that a remedy means (derived).
SAME_MM = 1e-5
SAME_RAD = 1e-7

_TINY = 1e-12  # length of a tangent or cross product below which it has no direction


@dataclass(frozen=True)
class Description:
    """Surface type of a face, with axis and radius where the type has them (see `Face`)."""

    surface: Surface
    axis_point: Vec3 | None = None
    axis_dir: Vec3 | None = None
    radius_mm: float | None = None
    half_angle_rad: float = 0.0


def describe(face: TopoDS_Face) -> Description:
    """Type, axis and radius of the surface under a face."""
    adaptor = BRepAdaptor_Surface(face, False)
    kind = adaptor.GetType()
    if kind == Kind.GeomAbs_Plane:
        return Description(Surface.PLANE)
    if kind == Kind.GeomAbs_Cylinder:
        cylinder = adaptor.Cylinder()
        return Description(Surface.CYLINDER, *_axis(cylinder.Axis()), cylinder.Radius())
    if kind == Kind.GeomAbs_Cone:
        cone = adaptor.Cone()
        return Description(
            Surface.CONE, *_axis(cone.Axis()), cone.RefRadius(), half_angle_rad=cone.SemiAngle()
        )
    if kind == Kind.GeomAbs_Sphere:
        sphere = adaptor.Sphere()
        return Description(Surface.SPHERE, _xyz(sphere.Location()), None, sphere.Radius())
    if kind == Kind.GeomAbs_Torus:
        torus = adaptor.Torus()
        return Description(Surface.TORUS, *_axis(torus.Axis()), torus.MajorRadius())
    return Description(Surface.FREEFORM)


def same_surface(a: TopoDS_Face, b: TopoDS_Face) -> bool:
    """Whether two faces lie on one plane, cylinder, cone, sphere or torus; of freeform surfaces
    that is never said."""
    one, other = BRepAdaptor_Surface(a, False), BRepAdaptor_Surface(b, False)
    kind = one.GetType()
    if kind != other.GetType():
        return False
    if kind == Kind.GeomAbs_Plane:
        return _on_plane(one, b) and _on_plane(other, a)
    if kind == Kind.GeomAbs_Cylinder:
        p, q = one.Cylinder(), other.Cylinder()
        return _coaxial(p.Axis(), q.Axis()) and abs(p.Radius() - q.Radius()) < SAME_MM
    if kind == Kind.GeomAbs_Cone:
        c, d = one.Cone(), other.Cone()
        alike = abs(abs(c.SemiAngle()) - abs(d.SemiAngle())) < SAME_RAD
        return alike and _coaxial(c.Axis(), d.Axis()) and c.Apex().Distance(d.Apex()) < SAME_MM
    if kind == Kind.GeomAbs_Sphere:
        s, t = one.Sphere(), other.Sphere()
        alike = abs(s.Radius() - t.Radius()) < SAME_MM
        return alike and bool(s.Location().Distance(t.Location()) < SAME_MM)
    if kind == Kind.GeomAbs_Torus:
        u, v = one.Torus(), other.Torus()
        alike = max(abs(u.MajorRadius() - v.MajorRadius()), abs(u.MinorRadius() - v.MinorRadius()),
                    u.Location().Distance(v.Location())) < SAME_MM
        return alike and _coaxial(u.Axis(), v.Axis())
    return False


def twins(
    solid: TopoDS_Shape,
) -> list[tuple[tuple[TopoDS_Edge, ...], TopoDS_Face, TopoDS_Face]]:
    """Neighbouring faces of a solid that lie on one surface, each pair once with all the edges
    between them."""
    faces, edges = faces_of(solid), map_of(solid, TopAbs_EDGE)
    beside: dict[int, set[int]] = {}
    for number, face in enumerate(faces):
        for edge in edges_of(face):
            if not BRep_Tool.Degenerated_s(edge):
                beside.setdefault(edges.FindIndex(edge), set()).add(number)
    between: dict[tuple[int, int], list[TopoDS_Edge]] = {}
    for index in sorted(beside):
        a, b = [*sorted(beside[index]), -1][:2]
        if len(beside[index]) == 2:
            between.setdefault((a, b), []).append(TopoDS.Edge(edges.FindKey(index)))
    return [(tuple(shared), faces[a], faces[b]) for (a, b), shared in between.items()
            if same_surface(faces[a], faces[b])]


def _on_plane(plane: BRepAdaptor_Surface, face: TopoDS_Face) -> bool:
    corners = (BRep_Tool.Pnt_s(TopoDS.Vertex(v)) for v in items(map_of(face, TopAbs_VERTEX)))
    return all(plane.Plane().Distance(corner) < SAME_MM for corner in corners)


def _coaxial(a: gp_Ax1, b: gp_Ax1) -> bool:
    """Whether two axes lie on one line, whichever way they point."""
    return any(bool(a.IsCoaxial(c, SAME_RAD, SAME_MM)) for c in (b, b.Reversed()))


def point_at(face: TopoDS_Face, uv: Floats) -> Vec3:
    """Point of the surface at parameters (2,)."""
    return _xyz(BRepAdaptor_Surface(face, False).Value(float(uv[0]), float(uv[1])))


def normals(face: TopoDS_Face, what: Description, points: Floats, uv: Floats) -> Floats:
    """Outward unit normals of a face, (k, 3), at `points` (k, 3) with parameters `uv` (k, 2).

    `points` need only lie near the surface. Rows without a normal (an apex) are nan.
    Outward is right where the face is oriented as part of a well-formed solid.
    """
    if what.surface is Surface.FREEFORM:
        return _by_derivative(face, uv)
    if what.surface is Surface.PLANE:
        return np.repeat(_by_derivative(face, uv[:1]), len(points), axis=0)
    radial = _radial(what, points)
    # The analytic direction points away from the axis; one sample tells which side is outside.
    natural = _by_derivative(face, uv)
    agree = np.einsum("ij,ij->i", radial, natural)
    agree = agree[np.isfinite(agree)]
    sign = -1.0 if len(agree) and float(agree.mean()) < 0 else 1.0
    return sign * radial


def is_inward(what: Description, points: Floats, outward: Floats) -> bool:
    """Whether the material lies outside the curved surface (a hole)."""
    if what.surface in (Surface.PLANE, Surface.FREEFORM, Surface.REGION):
        return False
    agree = np.einsum("ij,ij->i", _radial(what, points), outward)
    agree = agree[np.isfinite(agree)]
    return bool(len(agree) and float(agree.mean()) < 0)


def _radial(what: Description, points: Floats) -> Floats:
    """Unit normals that point away from the axis, centre or centre circle, (k, 3)."""
    offset = points - np.asarray(what.axis_point)
    if what.surface is Surface.SPHERE:
        return _unit(offset)
    axis = np.asarray(what.axis_dir)
    along = offset @ axis
    away = _unit(offset - along[:, None] * axis)
    if what.surface is Surface.TORUS:
        return _unit(offset - np.asarray(what.radius_mm) * away)
    if what.surface is Surface.CONE:
        return _cone_normals(what, along, away, axis)
    return away


def _cone_normals(what: Description, along: Floats, away: Floats, axis: Floats) -> Floats:
    # Radius at height t over the reference plane: r + t tan(a); normal: away·cos a − axis·sin a.
    # Beyond the apex the radius turns negative and with it the direction away from the axis.
    angle = what.half_angle_rad
    assert what.radius_mm is not None
    flip = np.where(what.radius_mm + along * np.tan(angle) < 0, -1.0, 1.0)
    return np.asarray(flip[:, None] * away * np.cos(angle) - np.sin(angle) * axis)


def _by_derivative(face: TopoDS_Face, uv: Floats) -> Floats:
    """Normals from the cross product of the surface's derivatives, oriented by the face."""
    adaptor = BRepAdaptor_Surface(face, False)
    point, du, dv = gp_Pnt(), gp_Vec(), gp_Vec()
    out = np.empty((len(uv), 3))
    for row, (u, v) in enumerate(uv.tolist()):
        adaptor.D1(u, v, point, du, dv)
        cross = du.Crossed(dv)
        out[row] = (cross.X(), cross.Y(), cross.Z())
    sign = -1.0 if face.Orientation() == TopAbs_Orientation.TopAbs_REVERSED else 1.0
    return sign * _unit(out)


def _unit(vectors: Floats) -> Floats:
    length = np.linalg.norm(vectors, axis=-1, keepdims=True)
    out = np.full_like(vectors, np.nan)
    return np.asarray(np.divide(vectors, length, out=out, where=length > _TINY))


def _axis(axis: gp_Ax1) -> tuple[Vec3, Vec3]:
    direction = axis.Direction()
    return _xyz(axis.Location()), (direction.X(), direction.Y(), direction.Z())


def _xyz(point: gp_Pnt) -> Vec3:
    return (point.X(), point.Y(), point.Z())
