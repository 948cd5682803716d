"""STEP files and script-CAD shapes to a `Part`."""

from __future__ import annotations

import hashlib
import io
import re
from dataclasses import replace
from pathlib import Path

from OCP.collections import Sequence_TCollection_AsciiString
from OCP.IFSelect import IFSelect_ReturnStatus
from OCP.Interface import Interface_Static
from OCP.STEPCAFControl import STEPCAFControl_Reader
from OCP.TCollection import TCollection_ExtendedString
from OCP.TDocStd import TDocStd_Document
from OCP.TopAbs import TopAbs_FACE, TopAbs_SHELL, TopAbs_SOLID
from OCP.TopoDS import TopoDS_Shape
from OCP.XCAFApp import XCAFApp_Application

from soffit.errors import FileError
from soffit.part.brep.assemble import Tag, assemble
from soffit.part.brep.health import Health, checked_solids, sewn_solids
from soffit.part.brep.product import Piece, pieces_of
from soffit.part.brep.shapes import baked, explore, from_bytes
from soffit.part.model import FileNote, Part, Source
from soffit.part.overlap import overlap_notes

# Names of length units as the kernel reports them, and the short form used everywhere else.
_UNITS = {
    "MILLIMETRE": "mm",
    "MILLIMETER": "mm",
    "CENTIMETRE": "cm",
    "CENTIMETER": "cm",
    "METRE": "m",
    "METER": "m",
    "MICROMETRE": "um",
    "MICROMETER": "um",
    "INCH": "in",
    "FOOT": "ft",
}
# How precise the points of a file are taken to be where its surface does not close otherwise, mm
# (derived: a hundredth of what a nozzle can place; what the kernel itself takes for coarse).
COARSE_MM = 1e-3

_STRING = re.compile(rb"'(?:[^']|'')*'")
_COMMENT = re.compile(rb"/\*.*?\*/", re.DOTALL)
_REFERENCE = re.compile(rb"#(\d+)(\s*=)?")


def read_step(path: str, deflection_mm: float, repair: bool) -> Part:
    """Read a STEP file; see `soffit.part.step.read_step`."""
    file = Path(path).name
    try:
        data = Path(path).read_bytes()
    except OSError as error:
        raise FileError(
            f"reading {file}: cannot be opened ({error.strerror}); check the path"
        ) from None
    if b"ISO-10303-21" not in data[:1024]:
        raise FileError(
            f"reading {file}: is not a STEP file (no ISO-10303-21 header); export it again"
        )
    part = _read(file, data, deflection_mm, repair, None)
    if part.closed:
        return part
    # The mesher fails where an outline crosses itself on its face by less than it is off there.
    try:
        coarse = _read(file, data, deflection_mm, repair, COARSE_MM)
    except FileError:
        return part
    return coarse if coarse.closed and coarse.bodies == part.bodies else part


def _read(
    file: str, data: bytes, deflection_mm: float, repair: bool, precision_mm: float | None
) -> Part:
    """A STEP file as it says, or as if it were no more precise than that."""
    dangling = _dangling(data)
    document, unit = _transfer(file, data, dangling, precision_mm)
    pieces = pieces_of(document)
    notes: list[FileNote] = []
    if unit is None:
        notes.append(
            FileNote("file/unit", "marginal", "the file states no length unit; read as millimetres")
        )
    source = Source(file, "STEP", hashlib.sha256(data).hexdigest(), unit or "mm", "file")
    if dangling:
        notes.append(
            FileNote(
                "file/dangling",
                "marginal",
                f"{len(dangling)} reference(s) lead nowhere (first: #{dangling[0]}); "
                "what was left reads as a solid, compare it with the original",
                count=len(dangling),
            )
        )
    if precision_mm is not None:
        notes.append(
            FileNote(
                "file/precision",
                "note",
                f"its surface closes if its points are taken to be precise to {precision_mm:g} mm, "
                "not as the file states; read so",
            )
        )
    return _part(pieces, source, notes, deflection_mm, repair, bool(dangling))


def read_shape(data: bytes, name: str, deflection_mm: float) -> Part:
    """Read a shape of a script-CAD object, given as kernel bytes, in mm."""
    shape = from_bytes(data)
    source = Source(name, "object", hashlib.sha256(data).hexdigest(), "mm", "object")
    return _part([Piece.of(shape)], source, [], deflection_mm, False, False)


def _part(
    pieces: list[Piece],
    source: Source,
    notes: list[FileNote],
    deflection_mm: float,
    repair: bool,
    damaged: bool,
) -> Part:
    solids: list[TopoDS_Shape] = []
    tags: list[Tag] = []
    loose: list[TopoDS_Shape] = []
    for piece in pieces:
        for solid in explore(piece.shape, TopAbs_SOLID):
            tags += piece.tags_of(solid)
            solids.append(baked(solid))
        loose += explore(piece.shape, TopAbs_SHELL, TopAbs_SOLID)
        loose += explore(piece.shape, TopAbs_FACE, TopAbs_SHELL)
    if not solids:
        solids = _sewn(loose, source, notes, deflection_mm, repair, damaged)
        tags = [Tag() for solid in solids for _ in explore(solid, TopAbs_FACE)]
    elif loose:
        notes.append(
            FileNote(
                "file/loose-shells",
                "note",
                f"{len(loose)} loose shell(s) or face(s) beside the solid(s) are not part of "
                "what is printed; left out",
                count=len(loose),
            )
        )
    health: Health = checked_solids(solids)
    if damaged and health.invalid:
        raise _no_solid(source.file, len(loose), damaged)
    numbered = [Tag(tag.name, tag.color, origin=i) for i, tag in enumerate(tags, start=1)]
    part = assemble(health.solids, numbered, source, [*notes, *health.notes], deflection_mm)
    return replace(part, notes=(*part.notes, *overlap_notes(part)))


def _sewn(
    loose: list[TopoDS_Shape],
    source: Source,
    notes: list[FileNote],
    deflection_mm: float,
    repair: bool,
    damaged: bool,
) -> list[TopoDS_Shape]:
    if not (loose and repair):
        raise _no_solid(source.file, len(loose), damaged)
    # A gap narrower than half the deflection cannot be told from rounding in the mesh (derived).
    gap_mm = deflection_mm / 2
    solids = sewn_solids(loose, gap_mm)
    if not solids:
        raise FileError(
            f"reading {source.file}: its {len(loose)} loose shell(s) or face(s) do not close when "
            f"sewn across gaps of {gap_mm:g} mm; close the surface in CAD and export a solid",
            "file/no-solid",
        )
    notes.append(
        FileNote(
            "file/repaired",
            "marginal",
            f"{len(loose)} loose shell(s) or face(s) were sewn into {len(solids)} solid(s), as "
            f"asked; gaps up to {gap_mm:g} mm were closed",
            count=len(loose),
        )
    )
    return solids


def _no_solid(file: str, loose: int, damaged: bool) -> FileError:
    if damaged:
        return FileError(
            f"reading {file}: is damaged (references to entities that are not in the file) and "
            "holds no whole solid; export it again",
            "file/dangling",
        )
    if loose:
        return FileError(
            f"reading {file}: holds no solid, only {loose} loose shell(s) or face(s); export a "
            "solid, or ask for repair to have them sewn",
            "file/no-solid",
        )
    return FileError(f"reading {file}: holds no solid; export the part as a solid", "file/no-solid")


def _transfer(
    file: str, data: bytes, dangling: list[int], precision_mm: float | None
) -> tuple[TDocStd_Document, str | None]:
    """The product structure of a STEP file, in mm, and the file's own length unit; read as it
    says, or as if it were precise to so much."""
    Interface_Static.SetIVal_s("read.stepcaf.subshapes.name", 1)
    document = TDocStd_Document(TCollection_ExtendedString("BinXCAF"))
    XCAFApp_Application.GetApplication_s().InitDocument(document)
    reader = STEPCAFControl_Reader()
    reader.SetColorMode(True)
    reader.SetNameMode(True)
    # These switches exist only once a reader does, and stay for the next.
    Interface_Static.SetIVal_s("read.precision.mode", 0 if precision_mm is None else 1)
    Interface_Static.SetRVal_s("read.precision.val", precision_mm or COARSE_MM)
    status = reader.ReadStream(file, io.BytesIO(data))
    if status != IFSelect_ReturnStatus.IFSelect_RetDone:
        ended = data.rstrip().endswith(b"END-ISO-10303-21;")
        why = "its text cannot be parsed" if ended else "it is cut off before its end"
        raise FileError(f"reading {file}: cannot be read as STEP: {why}; export it again")
    names = [Sequence_TCollection_AsciiString() for _ in range(3)]
    reader.ChangeReader().FileUnits(*names)
    lengths = [name.ToCString() for name in names[0]]
    if reader.NbRootsForTransfer() == 0 or not reader.Transfer(document):
        raise _no_solid(file, 0, bool(dangling))
    unit = _UNITS.get(lengths[0].upper(), lengths[0].lower()) if lengths else None
    return document, unit


def _dangling(data: bytes) -> list[int]:
    """Numbers of entities that the text refers to but does not define, in order."""
    text = _COMMENT.sub(b"", _STRING.sub(b"''", data))
    defined: set[int] = set()
    used: set[int] = set()
    for number, equals in _REFERENCE.findall(text):
        (defined if equals else used).add(int(number))
    return sorted(used - defined)
