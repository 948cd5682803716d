"""Small verbs on kernel shapes: bytes, sub-shapes in a fixed order, bounds, copies."""

from __future__ import annotations

import io
from collections.abc import Iterable, Iterator

import numpy as np
from OCP.BinTools import BinTools, BinTools_FormatVersion
from OCP.Bnd import Bnd_Box
from OCP.BRep import BRep_Builder
from OCP.BRepBndLib import BRepBndLib
from OCP.BRepBuilderAPI import BRepBuilderAPI_Copy, BRepBuilderAPI_Transform
from OCP.BRepCheck import BRepCheck_Analyzer
from OCP.BRepGProp import BRepGProp, BRepGProp_Domain, BRepGProp_Face, BRepGProp_Vinert
from OCP.BRepTools import BRepTools_History
from OCP.collections import IndexedMap_TopoDS_Shape_TopTools_ShapeMapHasher as ShapeMap
from OCP.gp import gp_Pnt, gp_Trsf
from OCP.GProp import GProp_GProps
from OCP.TopAbs import TopAbs_EDGE, TopAbs_FACE, TopAbs_ShapeEnum, TopAbs_SHELL, TopAbs_SOLID
from OCP.TopExp import TopExp, TopExp_Explorer
from OCP.TopLoc import TopLoc_Location
from OCP.TopoDS import (
    TopoDS,
    TopoDS_Compound,
    TopoDS_Edge,
    TopoDS_Face,
    TopoDS_Shape,
    TopoDS_Shell,
    TopoDS_Solid,
)

from soffit.part.model import Floats


def to_bytes(shape: TopoDS_Shape) -> bytes:
    """The shape without its triangles, in the kernel's binary format."""
    stream = io.BytesIO()
    version = BinTools_FormatVersion.BinTools_FormatVersion_CURRENT
    BinTools.Write_s(shape, stream, False, False, version)
    return stream.getvalue()


def from_bytes(data: bytes) -> TopoDS_Shape:
    """The shape that `to_bytes` wrote; order of sub-shapes is kept."""
    shape = TopoDS_Shape()
    BinTools.Read_s(shape, io.BytesIO(data))
    return shape


def map_of(shape: TopoDS_Shape, kind: TopAbs_ShapeEnum) -> ShapeMap:
    """1-based map of the sub-shapes of one kind, each once, in the kernel's fixed order."""
    found = ShapeMap()
    TopExp.MapShapes_s(shape, kind, found)
    return found


def items(found: ShapeMap) -> Iterator[TopoDS_Shape]:
    """The shapes of a map in order."""
    return (found.FindKey(i) for i in range(1, found.Extent() + 1))


def faces_of(shape: TopoDS_Shape) -> list[TopoDS_Face]:
    """Faces, each once, in the order that numbers them."""
    return [TopoDS.Face(s) for s in items(map_of(shape, TopAbs_FACE))]


def edges_of(shape: TopoDS_Shape) -> list[TopoDS_Edge]:
    """Edges, each once."""
    return [TopoDS.Edge(s) for s in items(map_of(shape, TopAbs_EDGE))]


def images_of(shape: TopoDS_Shape, history: BRepTools_History) -> list[TopoDS_Shape]:
    """What a face, an edge or a vertex was changed into; nothing where it was not."""
    images = history.Modified(shape)
    # To iterate over one of the kernel's lists takes 0.2 ms before it starts; most hold one.
    if images.Size() < 2:
        return [] if images.IsEmpty() else [images.First()]
    return list(images)


def solids_of(shape: TopoDS_Shape) -> list[TopoDS_Solid]:
    """Solids in order of occurrence."""
    return [TopoDS.Solid(s) for s in explore(shape, TopAbs_SOLID)]


def shells_of(shape: TopoDS_Shape) -> list[TopoDS_Shell]:
    """Shells in order of occurrence."""
    return [TopoDS.Shell(s) for s in explore(shape, TopAbs_SHELL)]


def explore(
    shape: TopoDS_Shape,
    kind: TopAbs_ShapeEnum,
    avoid: TopAbs_ShapeEnum = TopAbs_ShapeEnum.TopAbs_SHAPE,
) -> Iterator[TopoDS_Shape]:
    """Every occurrence of a kind that does not lie inside `avoid`."""
    explorer = TopExp_Explorer(shape, kind, avoid)
    while explorer.More():
        yield explorer.Current()
        explorer.Next()


def compound_of(shapes: Iterable[TopoDS_Shape]) -> TopoDS_Compound:
    """One compound that holds the shapes in order."""
    compound, builder = TopoDS_Compound(), BRep_Builder()
    builder.MakeCompound(compound)
    for shape in shapes:
        builder.Add(compound, shape)
    return compound


def volume_mm3(shape: TopoDS_Shape, relative_error: float | None = None) -> float:
    """Signed volume, mm³; integrated adaptively where a relative error per face is given."""
    props = GProp_GProps()
    if relative_error is None:
        BRepGProp.VolumeProperties_s(shape, props)
    else:
        BRepGProp.VolumeProperties_s(shape, props, relative_error, False, False)
    return float(props.Mass())


def volume_about(shape: TopoDS_Shape, point: Floats, relative_error: float) -> float:
    """Signed volume, mm³, as the sum of the cones from each face to one fixed point.

    Faces of real parts meet within a tolerance only, so their volume depends a little on that
    point, which the kernel puts anew into the middle of every shape. Volumes to be compared
    want the same point, near to where they differ: then the rest cancels out.
    """
    apex = gp_Pnt(*point.tolist())
    total = 0.0
    for found in explore(shape, TopAbs_FACE):
        face = TopoDS.Face(found)
        domain = BRepGProp_Domain(face)
        total += BRepGProp_Vinert(BRepGProp_Face(face, False), domain, apex, relative_error).Mass()
    return total


def area_mm2(shape: TopoDS_Shape) -> float:
    """Surface area, mm²."""
    props = GProp_GProps()
    BRepGProp.SurfaceProperties_s(shape, props)
    return float(props.Mass())


def border_mm(shape: TopoDS_Shape) -> float:
    """Length of the edges of a shape, mm; one that two faces share counts with each."""
    props = GProp_GProps()
    BRepGProp.LinearProperties_s(shape, props)
    return float(props.Mass())


def copy_of(shape: TopoDS_Shape) -> TopoDS_Shape:
    """The shape once more, its sub-shapes in the same order: what kernel algorithms do to one of
    both does not show in the other."""
    return BRepBuilderAPI_Copy(shape, True, False).Shape()


def is_valid(shape: TopoDS_Shape) -> bool:
    """Whether the kernel's checker finds no fault."""
    return bool(BRepCheck_Analyzer(shape).IsValid())


def bounds(shape: TopoDS_Shape) -> Floats:
    """A box that holds the shape, (2, 3) mm; not always tight on curved faces."""
    box = Bnd_Box()
    BRepBndLib.Add_s(shape, box, False)
    if box.IsVoid():
        return np.array([np.zeros(3), np.zeros(3)])
    low, high = box.CornerMin(), box.CornerMax()
    return np.array([[low.X(), low.Y(), low.Z()], [high.X(), high.Y(), high.Z()]])


def to_trsf(matrix: Floats) -> gp_Trsf:
    """A rigid 4×4 matrix as the kernel's transform."""
    trsf = gp_Trsf()
    trsf.SetValues(*np.asarray(matrix, dtype=np.float64)[:3].ravel().tolist())
    return trsf


def moved(shape: TopoDS_Shape, matrix: Floats) -> TopoDS_Shape:
    """A copy of the shape under a rigid 4×4 matrix; the shape itself for the identity."""
    if np.array_equal(matrix, np.eye(4)):
        return shape
    return BRepBuilderAPI_Transform(shape, to_trsf(matrix), True).Shape()


def baked(shape: TopoDS_Shape) -> TopoDS_Shape:
    """The shape with its own location worked into its geometry and nothing shared with others."""
    location = shape.Location()
    bare = shape.Located(TopLoc_Location())
    if location.IsIdentity():
        return BRepBuilderAPI_Copy(bare, True, False).Shape()
    return BRepBuilderAPI_Transform(bare, location.Transformation(), True).Shape()
