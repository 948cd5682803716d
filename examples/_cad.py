"""A few verbs over the B-rep kernel, enough to draw the example parts and test shapes.

All lengths are mm, z is up. Every verb returns a new shape. `write_step` writes the same
bytes for the same shape on every run: the header carries a fixed date.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from OCP.APIHeaderSection import APIHeaderSection_MakeHeader
from OCP.BRepAdaptor import BRepAdaptor_Curve
from OCP.BRepAlgoAPI import BRepAlgoAPI_BooleanOperation, BRepAlgoAPI_Cut, BRepAlgoAPI_Fuse
from OCP.BRepBuilderAPI import (
    BRepBuilderAPI_MakeEdge,
    BRepBuilderAPI_MakeFace,
    BRepBuilderAPI_MakePolygon,
    BRepBuilderAPI_MakeWire,
    BRepBuilderAPI_Transform,
)
from OCP.BRepCheck import BRepCheck_Analyzer
from OCP.BRepFilletAPI import BRepFilletAPI_MakeChamfer, BRepFilletAPI_MakeFillet
from OCP.BRepGProp import BRepGProp
from OCP.BRepPrimAPI import (
    BRepPrimAPI_MakeBox,
    BRepPrimAPI_MakeCylinder,
    BRepPrimAPI_MakePrism,
    BRepPrimAPI_MakeRevol,
    BRepPrimAPI_MakeSphere,
)
from OCP.gp import gp_Ax1, gp_Ax2, gp_Circ, gp_Dir, gp_Pnt, gp_Trsf, gp_Vec
from OCP.GProp import GProp_GProps
from OCP.IFSelect import IFSelect_ReturnStatus
from OCP.Interface import Interface_Static
from OCP.Message import Message
from OCP.Quantity import Quantity_Color, Quantity_TypeOfColor
from OCP.ShapeUpgrade import ShapeUpgrade_UnifySameDomain
from OCP.STEPCAFControl import STEPCAFControl_Writer
from OCP.TCollection import TCollection_ExtendedString, TCollection_HAsciiString
from OCP.TDataStd import TDataStd_Name
from OCP.TDocStd import TDocStd_Document
from OCP.TopAbs import TopAbs_ShapeEnum
from OCP.TopExp import TopExp_Explorer
from OCP.TopoDS import TopoDS, TopoDS_Edge, TopoDS_Face, TopoDS_Shape
from OCP.XCAFDoc import XCAFDoc_ColorType, XCAFDoc_DocumentTool

Point = tuple[float, float, float]
Rgb = tuple[float, float, float]

# Any fixed instant will do; it keeps the files the same from run to run.
STAMP = "2026-01-15T08:00:00"


@dataclass(frozen=True)
class Drawing:
    """An example part: its solid and the faces that its designer coloured.

    `colors` holds (point on the face, red-green-blue in 0..1) pairs.
    """

    solid: TopoDS_Shape
    colors: tuple[tuple[Point, Rgb], ...] = ()


def box(low: Point, high: Point) -> TopoDS_Shape:
    """Axis-aligned box between two corners."""
    return BRepPrimAPI_MakeBox(gp_Pnt(*low), gp_Pnt(*high)).Shape()


def cylinder(base: Point, axis: Point, radius: float, length: float) -> TopoDS_Shape:
    """Cylinder that starts at `base` and runs `length` along `axis`."""
    frame = gp_Ax2(gp_Pnt(*base), gp_Dir(*axis))
    return BRepPrimAPI_MakeCylinder(frame, radius, length).Shape()


def sphere(centre: Point, radius: float) -> TopoDS_Shape:
    """Whole sphere."""
    return BRepPrimAPI_MakeSphere(gp_Pnt(*centre), radius).Shape()


def sweep(polygon: Sequence[Point], along: Point) -> TopoDS_Shape:
    """Planar polygon (no closing point) swept along a vector."""
    wire = BRepBuilderAPI_MakePolygon()
    for point in polygon:
        wire.Add(gp_Pnt(*point))
    wire.Close()
    face = BRepBuilderAPI_MakeFace(wire.Wire()).Face()
    return BRepPrimAPI_MakePrism(face, gp_Vec(*along)).Shape()


def lathe(profile: Sequence[tuple[float, float]], centre: tuple[float, float]) -> TopoDS_Shape:
    """Closed profile of (radius, z) points turned about the vertical axis through `centre`."""
    cx, cy = centre
    wire = BRepBuilderAPI_MakePolygon()
    for radius, z in profile:
        wire.Add(gp_Pnt(cx + radius, cy, z))
    wire.Close()
    face = BRepBuilderAPI_MakeFace(wire.Wire()).Face()
    return BRepPrimAPI_MakeRevol(face, gp_Ax1(gp_Pnt(cx, cy, 0), gp_Dir(0, 0, 1))).Shape()


def disc(centre: Point, axis: Point, radius: float, along: Point) -> TopoDS_Shape:
    """Round plate: a circle about `axis` swept along a vector."""
    circle = gp_Circ(gp_Ax2(gp_Pnt(*centre), gp_Dir(*axis)), radius)
    wire = BRepBuilderAPI_MakeWire(BRepBuilderAPI_MakeEdge(circle).Edge()).Wire()
    return BRepPrimAPI_MakePrism(BRepBuilderAPI_MakeFace(wire).Face(), gp_Vec(*along)).Shape()


def _tidy(operation: BRepAlgoAPI_BooleanOperation) -> TopoDS_Shape:
    if not operation.IsDone():
        raise RuntimeError("the kernel could not combine the shapes of this drawing")
    merged = ShapeUpgrade_UnifySameDomain(operation.Shape(), True, True, False)
    merged.Build()
    return merged.Shape()


def fuse(first: TopoDS_Shape, *others: TopoDS_Shape) -> TopoDS_Shape:
    """Union, with faces of the same surface merged."""
    for other in others:
        first = _tidy(BRepAlgoAPI_Fuse(first, other))
    return first


def cut(base: TopoDS_Shape, *tools: TopoDS_Shape) -> TopoDS_Shape:
    """`base` without the tools, with faces of the same surface merged."""
    for tool in tools:
        base = _tidy(BRepAlgoAPI_Cut(base, tool))
    return base


def move(shape: TopoDS_Shape, by: Point) -> TopoDS_Shape:
    """Shape moved by a vector."""
    step = gp_Trsf()
    step.SetTranslation(gp_Vec(*by))
    return BRepBuilderAPI_Transform(shape, step, True).Shape()


def turn(shape: TopoDS_Shape, degrees: float, axis: Point = (0, 0, 1),
         about: Point = (0, 0, 0)) -> TopoDS_Shape:
    """Shape turned about an axis through a point."""
    step = gp_Trsf()
    step.SetRotation(gp_Ax1(gp_Pnt(*about), gp_Dir(*axis)), math.radians(degrees))
    return BRepBuilderAPI_Transform(shape, step, True).Shape()


def mirror_x(shape: TopoDS_Shape) -> TopoDS_Shape:
    """Shape mirrored in the plane x = 0."""
    step = gp_Trsf()
    step.SetMirror(gp_Ax2(gp_Pnt(0, 0, 0), gp_Dir(1, 0, 0)))
    return BRepBuilderAPI_Transform(shape, step, True).Shape()


def edges(shape: TopoDS_Shape) -> list[TopoDS_Edge]:
    """Edges in the kernel's order, each once."""
    found: list[TopoDS_Edge] = []
    walk = TopExp_Explorer(shape, TopAbs_ShapeEnum.TopAbs_EDGE)
    while walk.More():
        edge = TopoDS.Edge(walk.Current())
        if not any(edge.IsSame(other) for other in found):
            found.append(edge)
        walk.Next()
    return found


def faces(shape: TopoDS_Shape) -> list[TopoDS_Face]:
    """Faces in the kernel's order."""
    found: list[TopoDS_Face] = []
    walk = TopExp_Explorer(shape, TopAbs_ShapeEnum.TopAbs_FACE)
    while walk.More():
        found.append(TopoDS.Face(walk.Current()))
        walk.Next()
    return found


def middle(edge: TopoDS_Edge) -> Point:
    """Point half way along an edge's parameter."""
    curve = BRepAdaptor_Curve(edge)
    point = curve.Value((curve.FirstParameter() + curve.LastParameter()) / 2)
    return (point.X(), point.Y(), point.Z())


def direction(edge: TopoDS_Edge) -> Point:
    """Unit direction from an edge's first point to its last; (0, 0, 0) for a closed one."""
    curve = BRepAdaptor_Curve(edge)
    step = gp_Vec(curve.Value(curve.FirstParameter()), curve.Value(curve.LastParameter()))
    if step.Magnitude() < 1e-9:
        return (0.0, 0.0, 0.0)
    step.Normalize()
    return (step.X(), step.Y(), step.Z())


def upright(edge: TopoDS_Edge) -> bool:
    """Whether an edge is vertical."""
    return abs(direction(edge)[2]) > 1 - 1e-9


def fillet(shape: TopoDS_Shape, radius: float,
           which: Callable[[TopoDS_Edge], bool]) -> TopoDS_Shape:
    """Shape with the chosen edges rounded."""
    maker = BRepFilletAPI_MakeFillet(shape)
    for edge in edges(shape):
        if which(edge):
            maker.Add(radius, edge)
    return maker.Shape()


def chamfer(shape: TopoDS_Shape, leg: float,
            which: Callable[[TopoDS_Edge], bool]) -> TopoDS_Shape:
    """Shape with the chosen edges bevelled at equal legs."""
    maker = BRepFilletAPI_MakeChamfer(shape)
    for edge in edges(shape):
        if which(edge):
            maker.Add(leg, edge)
    return maker.Shape()


def volume(shape: TopoDS_Shape) -> float:
    """Volume by the kernel, mm³."""
    props = GProp_GProps()
    BRepGProp.VolumeProperties_s(shape, props)
    return props.Mass()


def area(shape: TopoDS_Shape) -> float:
    """Surface area by the kernel, mm²."""
    props = GProp_GProps()
    BRepGProp.SurfaceProperties_s(shape, props)
    return props.Mass()


def sound(shape: TopoDS_Shape) -> bool:
    """Whether the kernel's checker passes the shape and it is exactly one solid."""
    walk = TopExp_Explorer(shape, TopAbs_ShapeEnum.TopAbs_SOLID)
    solids = 0
    while walk.More():
        solids += 1
        walk.Next()
    return solids == 1 and BRepCheck_Analyzer(shape).IsValid()


def _single(shape: TopoDS_Shape) -> TopoDS_Shape:
    """The solid inside a compound of one, else the shape itself."""
    walk = TopExp_Explorer(shape, TopAbs_ShapeEnum.TopAbs_SOLID)
    if not walk.More():
        return shape
    solid = walk.Current()
    walk.Next()
    return shape if walk.More() else solid


def _face_at(shape: TopoDS_Shape, point: Point) -> TopoDS_Face:
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeVertex
    from OCP.BRepExtrema import BRepExtrema_DistShapeShape

    vertex = BRepBuilderAPI_MakeVertex(gp_Pnt(*point)).Vertex()
    for face in faces(shape):
        if BRepExtrema_DistShapeShape(vertex, face).Value() < 1e-6:
            return face
    raise ValueError(f"no face of this drawing passes through {point}")


def write_step(drawing: Drawing, path: Path, name: str) -> None:
    """Write a drawing as AP242 with its name and face colours; same drawing, same bytes."""
    for printer in list(Message.DefaultMessenger_s().Printers()):
        Message.DefaultMessenger_s().RemovePrinter(printer)
    solid = _single(drawing.solid)
    document = TDocStd_Document(TCollection_ExtendedString("XmlOcaf"))
    shapes = XCAFDoc_DocumentTool.ShapeTool_s(document.Main())
    colors = XCAFDoc_DocumentTool.ColorTool_s(document.Main())
    label = shapes.AddShape(solid, False)
    TDataStd_Name.Set_s(label, TCollection_ExtendedString(name))
    for point, rgb in drawing.colors:
        sub = shapes.AddSubShape(label, _face_at(solid, point))
        color = Quantity_Color(*rgb, Quantity_TypeOfColor.Quantity_TOC_sRGB)
        colors.SetColor(sub, color, XCAFDoc_ColorType.XCAFDoc_ColorSurf)
    writer = STEPCAFControl_Writer()
    Interface_Static.SetCVal_s("write.step.schema", "AP242DIS")
    Interface_Static.SetCVal_s("write.step.product.name", name)
    Interface_Static.SetIVal_s("write.surfacecurve.mode", 0)  # half the bytes; readers rebuild it
    if not writer.Transfer(document):
        raise RuntimeError(f"the kernel could not translate {name}")
    header = APIHeaderSection_MakeHeader(writer.ChangeWriter().Model())
    header.SetName(TCollection_HAsciiString(path.name))
    header.SetTimeStamp(TCollection_HAsciiString(STAMP))
    header.SetAuthorValue(1, TCollection_HAsciiString("Design office"))
    header.SetOrganizationValue(1, TCollection_HAsciiString("Tarnwick Orchard Instruments"))
    header.SetAuthorisation(TCollection_HAsciiString(""))
    header.SetDescriptionValue(1, TCollection_HAsciiString("Invented example part"))
    header.SetOriginatingSystem(TCollection_HAsciiString("examples"))
    header.SetPreprocessorVersion(TCollection_HAsciiString(""))
    if writer.Write(str(path)) != IFSelect_ReturnStatus.IFSelect_RetDone:
        raise RuntimeError(f"the kernel could not write {path.name}")
