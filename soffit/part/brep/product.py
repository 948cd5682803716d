"""The product structure of a STEP file: where each solid stands, names and colours of faces."""

from __future__ import annotations

from dataclasses import dataclass

from OCP.collections import IndexedMap_TopoDS_Shape_TopTools_ShapeMapHasher as ShapeMap
from OCP.collections import Sequence_TDF_Label
from OCP.Quantity import Quantity_Color, Quantity_TypeOfColor
from OCP.TCollection import TCollection_AsciiString
from OCP.TDataStd import TDataStd_Name
from OCP.TDF import TDF_Label
from OCP.TDocStd import TDocStd_Document
from OCP.TopLoc import TopLoc_Location
from OCP.TopoDS import TopoDS_Shape
from OCP.XCAFDoc import (
    XCAFDoc_ColorTool,
    XCAFDoc_ColorType,
    XCAFDoc_DocumentTool,
    XCAFDoc_ShapeTool,
)

from soffit.part.brep.assemble import Tag
from soffit.part.brep.shapes import faces_of
from soffit.part.model import Vec3

# Names that exporters write where nobody gave one (common practice, no source).
_NO_NAMES = frozenset({"", "NONE", "$"})


@dataclass(frozen=True)
class Piece:
    """One shape of the product in its place; tags of its sub-shapes by map index."""

    shape: TopoDS_Shape
    marked: ShapeMap
    tags: tuple[Tag, ...]
    color: Vec3 | None

    @staticmethod
    def of(shape: TopoDS_Shape) -> Piece:
        """A shape without names or colours."""
        return Piece(shape, ShapeMap(), (), None)

    def tags_of(self, solid: TopoDS_Shape) -> list[Tag]:
        """Name and colour of each face of a solid; a face without colour has the solid's."""
        color = self._tag(solid).color or self.color
        own = [self._tag(face) for face in faces_of(solid)]
        return [Tag(tag.name, tag.color or color) for tag in own]

    def _tag(self, shape: TopoDS_Shape) -> Tag:
        index = self.marked.FindIndex(shape)
        return self.tags[index - 1] if index else Tag()


def pieces_of(document: TDocStd_Document) -> list[Piece]:
    """All shapes of a document that are not assemblies, each in its place, in file order."""
    tool = XCAFDoc_DocumentTool.ShapeTool_s(document.Main())
    free = Sequence_TDF_Label()
    tool.GetFreeShapes(free)
    found: list[Piece] = []
    for label in free:
        _walk(label, TopLoc_Location(), None, found)
    return found


def _walk(
    label: TDF_Label, place: TopLoc_Location, color: Vec3 | None, found: list[Piece]
) -> None:
    color = _color(label) or color
    if XCAFDoc_ShapeTool.IsReference_s(label):
        target = TDF_Label()
        XCAFDoc_ShapeTool.GetReferredShape_s(label, target)
        _walk(target, place.Multiplied(XCAFDoc_ShapeTool.GetLocation_s(label)), color, found)
    elif XCAFDoc_ShapeTool.IsAssembly_s(label):
        parts = Sequence_TDF_Label()
        XCAFDoc_ShapeTool.GetComponents_s(label, parts, False)
        for part in parts:
            _walk(part, place, color, found)
    else:
        found.append(_piece(label, place, color))


def _piece(label: TDF_Label, place: TopLoc_Location, color: Vec3 | None) -> Piece:
    marked = ShapeMap()
    tags: list[Tag] = []
    below = Sequence_TDF_Label()
    XCAFDoc_ShapeTool.GetSubShapes_s(label, below)
    for sub in below:
        shape = XCAFDoc_ShapeTool.GetShape_s(sub).Moved(place)
        if marked.Add(shape) == len(tags) + 1:
            tags.append(Tag(_name(sub), _color(sub)))
    shape = XCAFDoc_ShapeTool.GetShape_s(label).Moved(place)
    return Piece(shape, marked, tuple(tags), color)


def _name(label: TDF_Label) -> str | None:
    # The binding crashes on looking for an attribute that is not there: ask first.
    if not label.IsAttribute(TDataStd_Name.GetID_s()):
        return None
    attribute = TDataStd_Name()
    label.FindAttribute(TDataStd_Name.GetID_s(), attribute)
    text = TCollection_AsciiString(attribute.Get()).ToCString().strip()
    return None if text in _NO_NAMES else text


def _color(label: TDF_Label) -> Vec3 | None:
    color = Quantity_Color()
    for kind in (XCAFDoc_ColorType.XCAFDoc_ColorSurf, XCAFDoc_ColorType.XCAFDoc_ColorGen):
        if XCAFDoc_ColorTool.GetColor_s(label, kind, color):
            # The kernel keeps colours linear; files state them as sRGB.
            r, g, b = color.Values(Quantity_TypeOfColor.Quantity_TOC_sRGB)
            return (round(r, 6), round(g, 6), round(b, 6))
    return None
