"""What is wrong with solids as they came in, told as notes; and sewing, only when asked for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from OCP.BRepBuilderAPI import BRepBuilderAPI_Sewing
from OCP.BRepClass3d import BRepClass3d
from OCP.BRepLib import BRepLib
from OCP.ShapeFix import ShapeFix_Solid
from OCP.TopoDS import TopoDS, TopoDS_Shape

from soffit.part.brep.shapes import bounds, is_valid, shells_of, solids_of, volume_mm3
from soffit.part.model import FileNote, Vec3


@dataclass(frozen=True)
class Health:
    """The solids, all with their material inside, and what had to be said about them."""

    solids: tuple[TopoDS_Shape, ...]
    notes: tuple[FileNote, ...]
    invalid: int


def checked_solids(solids: Sequence[TopoDS_Shape]) -> Health:
    """Check each solid; one that is inside out is taken the other way round, and said so."""
    notes: list[FileNote] = []
    upright: list[TopoDS_Shape] = []
    inverted: list[TopoDS_Shape] = []
    invalid: list[TopoDS_Shape] = []
    voids: list[TopoDS_Shape] = []
    for solid in solids:
        if volume_mm3(solid) < 0:
            inverted.append(solid)
            solid = _turned(solid)
        upright.append(solid)
        if not is_valid(solid):
            invalid.append(solid)
        voids += voids_of(solid)
    if len(solids) > 1:
        text = f"the file holds {len(solids)} bodies; they are judged together, as they stand"
        notes.append(FileNote("file/bodies", "note", text, len(solids)))
    if inverted:
        notes.append(
            FileNote(
                "file/inverted",
                "marginal",
                f"{len(inverted)} solid(s) are written inside out; read with the material inside",
                len(inverted),
                _middle(inverted[0]),
            )
        )
    if invalid:
        notes.append(
            FileNote(
                "file/invalid-brep",
                "marginal",
                f"the geometry checker rejects {len(invalid)} solid(s); what is found may be "
                "wrong near the fault: check the part in CAD",
                len(invalid),
                _middle(invalid[0]),
            )
        )
    if voids:
        notes.append(
            FileNote(
                "file/void",
                "marginal",
                f"{len(voids)} sealed void(s), the first of {-volume_mm3(voids[0]):.3g} mm³, "
                "cannot be reached after printing; is that meant?",
                len(voids),
                _middle(voids[0]),
            )
        )
    return Health(tuple(upright), tuple(notes), len(invalid))


def voids_of(solid: TopoDS_Shape) -> list[TopoDS_Shape]:
    """Inner shells of a solid that bound empty space."""
    shells = shells_of(solid)
    if len(shells) < 2:
        return []
    outer = BRepClass3d.OuterShell_s(TopoDS.Solid(solid))
    return [s for s in shells if not s.IsSame(outer) and volume_mm3(s) < 0]


def sewn_solids(loose: Sequence[TopoDS_Shape], gap_mm: float) -> list[TopoDS_Shape]:
    """Solids made by sewing shells and faces across gaps of `gap_mm`; [] if one stays open."""
    sewing = BRepBuilderAPI_Sewing(gap_mm)
    for shape in loose:
        sewing.Add(shape)
    sewing.Perform()
    if sewing.NbFreeEdges():
        return []
    solids: list[TopoDS_Shape] = []
    for shell in shells_of(sewing.SewedShape()):
        solid = ShapeFix_Solid().SolidFromShell(shell)
        BRepLib.OrientClosedSolid_s(solid)
        solids += solids_of(solid)
    return solids


def _turned(solid: TopoDS_Shape) -> TopoDS_Shape:
    turned = TopoDS.Solid(solid)
    if not BRepLib.OrientClosedSolid_s(turned) or volume_mm3(turned) < 0:
        return solid.Reversed()
    return turned


def _middle(shape: TopoDS_Shape) -> Vec3:
    x, y, z = bounds(shape).mean(axis=0).tolist()
    return (x, y, z)
