"""Faces merged that lie on one surface, also where the seam of a round surface is in the way.

A cylinder or cone has a seam, a line where its parameter starts anew. The kernel does not merge
two faces where the seam of one surface lies on them; put on one surface with the seam elsewhere,
they merge.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from OCP.BRep import BRep_Builder, BRep_Tool
from OCP.BRepAdaptor import BRepAdaptor_Curve, BRepAdaptor_Surface
from OCP.BRepBuilderAPI import BRepBuilderAPI_Copy
from OCP.BRepTools import BRepTools, BRepTools_History, BRepTools_ReShape
from OCP.Geom import Geom_ConicalSurface, Geom_CylindricalSurface, Geom_Surface
from OCP.GeomAbs import GeomAbs_SurfaceType as Kind
from OCP.gp import gp_Ax3, gp_Dir, gp_Pnt, gp_Vec
from OCP.ShapeFix import ShapeFix_Edge
from OCP.TopAbs import TopAbs_EDGE, TopAbs_FACE, TopAbs_Orientation, TopAbs_VERTEX, TopAbs_WIRE
from OCP.TopoDS import TopoDS, TopoDS_Edge, TopoDS_Face, TopoDS_Shape

from soffit.part.brep.boolean import unified
from soffit.part.brep.shapes import (
    compound_of,
    edges_of,
    explore,
    images_of,
    is_valid,
    items,
    map_of,
    solids_of,
    volume_mm3,
)
from soffit.part.brep.surfaces import describe, twins
from soffit.part.model import Surface

_ROUND = (Surface.CYLINDER, Surface.CONE)

# Points that an edge is looked at, and the free sector that a seam needs, rad: half again as wide
# as the points of a full circle are apart (derived).
_POINTS = 19
_LEAST_GAP = math.radians(30)

# Share by which the volume may then differ: of the same faces (derived: a hundredth of the balance
# that an edit keeps).
_VOLUME_REL = 1e-6


def merged_faces(
    shape: TopoDS_Shape, keep: Sequence[TopoDS_Shape]
) -> tuple[TopoDS_Shape, BRepTools_History]:
    """The shape with neighbouring faces on one surface merged, and edges on one curve, except
    across the edges and at the vertices in `keep`; and what became of each."""
    result, history = unified(shape, keep)
    groups = _round_groups(result, keep)
    if groups:
        again = _seams_aside(result, groups, keep)
        # Faces left apart are no harm beside a solid that is not sound.
        if again is not None:
            result, turned = again
            history.Merge(turned)
    return result, history


def _seams_aside(
    shape: TopoDS_Shape, groups: Sequence[Sequence[TopoDS_Face]], keep: Sequence[TopoDS_Shape]
) -> tuple[TopoDS_Shape, BRepTools_History] | None:
    """The groups of faces merged; None where the kernel makes no sound solid of that."""
    # Kernel exceptions have no common class but Exception.
    try:
        turned, history = _reseamed(shape, groups)
        result, merged = unified(turned, [s for k in keep for s in images_of(k, history)])
        history.Merge(merged)
    except Exception:
        return None
    due = volume_mm3(shape)
    same = abs(volume_mm3(result) - due) <= _VOLUME_REL * due
    return (result, history) if same and _all_valid(result) else None


def _all_valid(shape: TopoDS_Shape) -> bool:
    return all(map(is_valid, solids_of(shape)))


def _round_groups(
    shape: TopoDS_Shape, keep: Sequence[TopoDS_Shape]
) -> list[list[TopoDS_Face]]:
    """Faces that stayed apart on one cylinder or cone, with no border of `keep` between them."""
    borders = map_of(compound_of(keep), TopAbs_EDGE)
    groups: list[list[TopoDS_Face]] = []
    for solid in solids_of(shape):
        for edges, a, b in twins(solid):
            if any(map(borders.FindIndex, edges)) or describe(a).surface not in _ROUND:
                continue
            joined = [g for g in groups if any(f.IsSame(a) or f.IsSame(b) for f in g)]
            whole = [f for g in joined for f in g]
            whole += [f for f in (a, b) if not any(f.IsSame(g) for g in whole)]
            groups = [g for g in groups if g not in joined] + [whole]
    return groups


def _reseamed(
    shape: TopoDS_Shape, groups: Sequence[Sequence[TopoDS_Face]]
) -> tuple[TopoDS_Shape, BRepTools_History]:
    """A copy of `shape` in which the faces of each group lie on one and the same surface; a group
    that goes all round stays as it is."""
    copier = BRepBuilderAPI_Copy(shape, True, False)
    copy, swap = copier.Shape(), BRepTools_ReShape()
    for group in groups:
        faces = [TopoDS.Face(copier.ModifiedShape(face)) for face in group]
        turn = _free_angle(_axes(faces[0]), faces)
        if turn is not None:
            surface = _surface(faces[0], turn)
            for face in faces:
                swap.Replace(face, _on_surface(face, surface))
    result, history = swap.Apply(copy), BRepTools_History()
    for kind in (TopAbs_FACE, TopAbs_EDGE, TopAbs_VERTEX):
        for old in items(map_of(shape, kind)):
            history.AddModified(old, swap.Apply(copier.ModifiedShape(old)))
    return result, history


def _axes(face: TopoDS_Face) -> gp_Ax3:
    adaptor = BRepAdaptor_Surface(face, False)
    cone = adaptor.GetType() == Kind.GeomAbs_Cone
    return (adaptor.Cone() if cone else adaptor.Cylinder()).Position()


def _surface(face: TopoDS_Face, turn: float) -> Geom_Surface:
    """The surface of a face with right-handed axes and its seam at an angle, rad."""
    axes = _axes(face)
    start = gp_Vec(axes.XDirection()) * math.cos(turn) + _second(axes) * math.sin(turn)
    turned = gp_Ax3(axes.Location(), axes.Direction(), gp_Dir(start))
    adaptor = BRepAdaptor_Surface(face, False)
    if adaptor.GetType() == Kind.GeomAbs_Cone:
        cone = adaptor.Cone()
        return Geom_ConicalSurface(turned, cone.SemiAngle(), cone.RefRadius())
    return Geom_CylindricalSurface(turned, adaptor.Cylinder().Radius())


def _second(axes: gp_Ax3) -> gp_Vec:
    """The direction a quarter turn from x, as in right-handed axes."""
    return gp_Vec(axes.Direction().Crossed(axes.XDirection()))


def _angles(axes: gp_Ax3, edges: Sequence[TopoDS_Edge]) -> list[float]:
    """Angles about the axis of points along the edges, rad."""
    x, y = gp_Vec(axes.XDirection()), _second(axes)
    aways = [gp_Vec(axes.Location(), point) for edge in edges for point in _points(edge)]
    return [math.atan2(away.Dot(y), away.Dot(x)) for away in aways]


def _free_angle(axes: gp_Ax3, faces: Sequence[TopoDS_Face]) -> float | None:
    """Middle of the widest sector about the axis without any of the faces; None for no room."""
    angles = np.sort(_angles(axes, [edge for face in faces for edge in edges_of(face)]))
    gaps = np.diff(np.append(angles, angles[0] + 2 * math.pi))
    widest = int(np.argmax(gaps))
    return float(angles[widest] + 0.5 * gaps[widest]) if gaps[widest] >= _LEAST_GAP else None


def _points(edge: TopoDS_Edge) -> list[gp_Pnt]:
    curve = BRepAdaptor_Curve(edge)
    steps = np.linspace(curve.FirstParameter(), curve.LastParameter(), _POINTS)
    return [curve.Value(t) for t in steps.tolist()]


def _on_surface(face: TopoDS_Face, surface: Geom_Surface) -> TopoDS_Face:
    """The same face, its edges kept, on another description of its surface, right-handed; its
    borders must not cross the seam."""
    builder, made = BRep_Builder(), TopoDS_Face()
    builder.MakeFace(made, surface, BRep_Tool.Tolerance_s(face))
    forward = face.Orientation() == TopAbs_Orientation.TopAbs_FORWARD
    along = _axes(face).Direct() == forward
    for wire in explore(face, TopAbs_WIRE):
        builder.Add(made, wire if along else wire.Reversed())
    fix = ShapeFix_Edge()
    for edge in edges_of(made):
        fix.FixAddPCurve(edge, made, False)
    BRepTools.Update_s(made)
    return TopoDS.Face(made if along else made.Reversed())
