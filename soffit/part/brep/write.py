"""Named, coloured solids as STEP AP242 text: a part with its props, or what was changed."""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from dataclasses import dataclass

from OCP.APIHeaderSection import APIHeaderSection_MakeHeader
from OCP.IFSelect import IFSelect_ReturnStatus
from OCP.Interface import Interface_Static
from OCP.Quantity import Quantity_Color, Quantity_TypeOfColor
from OCP.STEPCAFControl import STEPCAFControl_Writer
from OCP.TCollection import TCollection_ExtendedString, TCollection_HAsciiString
from OCP.TDataStd import TDataStd_Name
from OCP.TDF import TDF_Label
from OCP.TDocStd import TDocStd_Document
from OCP.TopoDS import TopoDS_Shape
from OCP.XCAFApp import XCAFApp_Application
from OCP.XCAFDoc import XCAFDoc_ColorType, XCAFDoc_DocumentTool

from soffit.errors import GeometryError, KernelError
from soffit.part.brep.beside import beside_solids
from soffit.part.brep.shapes import compound_of, faces_of, from_bytes, solids_of
from soffit.part.brep.solids import file_frame
from soffit.part.model import Body, Face, Part, Vec3

# Props in the ochre of the sheet's palette, #b7791f.
PROP_COLOR: Vec3 = (183 / 255, 121 / 255, 31 / 255)
_NOT_ASCII = re.compile(r"[^\x00-\x7f]+")


@dataclass(frozen=True)
class NamedSolid:
    """A body to write; `color` None for one whose faces have their own."""

    shape: TopoDS_Shape
    name: str
    color: Vec3 | None = None


def step_text(
    part: Part,
    props: Sequence[Body],
    file: str,
    product: str,
    stamp: str,
) -> bytes:
    """The STEP file of a part and its named props; same in, same out.

    Raises KernelError where the kernel does not write, GeometryError for a prop that is no
    solid.
    """
    if part.brep is None:
        raise GeometryError(f"writing {file}: the part has no B-rep; write 3MF or STL instead")
    shape = from_bytes(part.brep)
    own = solids_of(shape)
    solids = [NamedSolid(solid, product if len(own) == 1 else f"{product} body {i}")
              for i, solid in enumerate(own, start=1)]
    frame = file_frame(part.placement, faces_of(shape))
    for prop in props:
        solids += [NamedSolid(s, prop.name, PROP_COLOR) for s in beside_solids(prop, frame)]
    return solids_text(solids, part.faces, file, product, stamp, "changed for production")


def solids_text(
    solids: Sequence[NamedSolid],
    faces: Sequence[Face],
    file: str,
    product: str,
    stamp: str,
    what: str,
) -> bytes:
    """A STEP file of one product of named solids; `faces` are those of the solids without a
    colour, in order, with names and colours; `what` says in the header what the product is.

    Raises KernelError where the kernel does not write.
    """
    document = TDocStd_Document(TCollection_ExtendedString("BinXCAF"))
    XCAFApp_Application.GetApplication_s().InitDocument(document)
    _fill(document, product, solids, faces)
    return _written(document, file, product, stamp, what)


def _fill(
    document: TDocStd_Document, product: str, solids: Sequence[NamedSolid], faces: Sequence[Face]
) -> None:
    """One product of named solids.

    Not an assembly: the kernel numbers the places of components anew in each file that one
    process writes, and lists their colours in the order of memory addresses.
    """
    shapes = XCAFDoc_DocumentTool.ShapeTool_s(document.Main())
    colors = XCAFDoc_DocumentTool.ColorTool_s(document.Main())
    alone = len(solids) == 1 and solids[0].color is None
    whole = solids[0].shape if alone else compound_of(solid.shape for solid in solids)
    label = shapes.AddShape(whole, False)
    _name(label, product)
    for solid in () if alone else solids:
        sub = shapes.AddSubShape(label, solid.shape)
        _name(sub, solid.name)
        if solid.color is not None:
            colors.SetColor(sub, _color(solid.color), XCAFDoc_ColorType.XCAFDoc_ColorSurf)
    exact = [face for solid in solids if solid.color is None for face in faces_of(solid.shape)]
    for shape, face in zip(exact, faces, strict=True):
        if face.name is None and face.color is None:
            continue
        sub = shapes.AddSubShape(label, shape)
        if face.name is not None:
            _name(sub, face.name)
        if face.color is not None:
            colors.SetColor(sub, _color(face.color), XCAFDoc_ColorType.XCAFDoc_ColorSurf)


def _written(
    document: TDocStd_Document, file: str, product: str, stamp: str, what: str
) -> bytes:
    writer = STEPCAFControl_Writer()
    # These switches exist only once a writer does.
    Interface_Static.SetCVal_s("write.step.schema", "AP242DIS")
    Interface_Static.SetCVal_s("write.step.unit", "MM")
    Interface_Static.SetCVal_s("write.step.product.name", product)
    Interface_Static.SetIVal_s("write.stepcaf.subshapes.name", 1)
    writer.SetColorMode(True)
    writer.SetNameMode(True)
    if not writer.Transfer(document):
        raise KernelError(f"writing {file}: the B-rep kernel cannot express the part in STEP")
    header = APIHeaderSection_MakeHeader(writer.ChangeWriter().Model())
    header.SetName(TCollection_HAsciiString(file))
    header.SetTimeStamp(TCollection_HAsciiString(stamp))
    header.SetAuthorValue(1, TCollection_HAsciiString(""))
    header.SetOrganizationValue(1, TCollection_HAsciiString(""))
    header.SetAuthorisation(TCollection_HAsciiString(""))
    header.SetDescriptionValue(1, TCollection_HAsciiString(f"{product}, {what}"))
    header.SetOriginatingSystem(TCollection_HAsciiString("Soffit"))
    header.SetPreprocessorVersion(TCollection_HAsciiString(""))
    stream = io.BytesIO()
    if writer.WriteStream(stream) != IFSelect_ReturnStatus.IFSelect_RetDone:
        raise KernelError(f"writing {file}: the B-rep kernel wrote nothing")
    # Strings of STEP are ASCII, everything else is written by its code (ISO 10303-21, 6.4.3).
    return _NOT_ASCII.sub(_by_code, stream.getvalue().decode("utf-8")).encode("ascii")


def _by_code(found: re.Match[str]) -> str:
    text = found.group()
    if max(text) > "\uffff":
        return "\\X4\\" + text.encode("utf-32-be").hex().upper() + "\\X0\\"
    return "\\X2\\" + text.encode("utf-16-be").hex().upper() + "\\X0\\"


def _name(label: TDF_Label, text: str) -> None:
    TDataStd_Name.Set_s(label, TCollection_ExtendedString(text, True))


def _color(rgb: Vec3) -> Quantity_Color:
    return Quantity_Color(*rgb, Quantity_TypeOfColor.Quantity_TOC_sRGB)
