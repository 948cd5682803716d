"""Bodies that stand beside the part, such as props, as B-rep solids.

A body is drawn as its expression says, with the few planar faces that a person would draw.
Where the kernel cannot make that, its triangles are sewn together instead, so that the file
always holds every body that is to be printed.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace, BRepBuilderAPI_MakePolygon
from OCP.BRepCheck import BRepCheck_Analyzer
from OCP.gp import gp_Pnt
from OCP.TopoDS import TopoDS_Shape

from soffit.errors import GeometryError
from soffit.part.brep.boolean import combine, unified
from soffit.part.brep.health import sewn_solids
from soffit.part.brep.shapes import faces_of, from_bytes, solids_of, volume_mm3
from soffit.part.brep.solids import Frame, evaluate, file_frame
from soffit.part.manifold import to_manifold
from soffit.part.mesh_solid import arrays
from soffit.part.model import Body, Floats, Mesh, Part
from soffit.part.solid import Solid
from soffit.part.topology import edges_of, shell_volumes, shells

# Share by which the volume of a body drawn may differ from its triangles (derived: true round
# faces against chords within 0.01 mm, on bodies a line thick).
VOLUME_SHARE = 0.03

# Gaps between triangles that are sewn, mm (derived: a hundredth of what a nozzle can place), and
# the height under which a triangle is a line and is left to the sewing (derived: a hundredth of
# such a gap).
SEWN_MM = 1e-3
LINE_MM = 1e-5

# Pieces smaller than this are rounding, mm³ (derived: far below a bead's section by its width).
LEAST_MM3 = 1e-3


def beside_solids(body: Body, frame: Frame) -> list[TopoDS_Shape]:
    """The body as solids. Raises GeometryError where neither form closes."""
    meant = body.mesh.volume_mm3
    forms = [_drawn(body.solid, frame)]
    if not _is_sound(forms[0], meant):
        forms.append(_sewn(body.mesh, frame))
    # The files are read back and judged, so a form that the checker only doubts is no risk.
    for test in (_is_sound, _is_whole):
        for form in forms:
            if test(form, meant):
                return form
    raise GeometryError(f"drawing {body.name}: its surface does not close in the B-rep kernel")


def check_beside(body: Body, part: Part) -> None:
    """Raises GeometryError where the body cannot be drawn beside `part`."""
    assert part.brep is not None
    beside_solids(body, file_frame(part.placement, faces_of(from_bytes(part.brep))))


def _drawn(solid: Solid, frame: Frame) -> list[TopoDS_Shape]:
    # Kernel exceptions have no common class but Exception.
    try:
        return solids_of(unified(evaluate(solid, frame), ())[0])
    except Exception:
        return []


def _sewn(mesh: Mesh, frame: Frame) -> list[TopoDS_Shape]:
    """Solids of the triangles, cavities cut out of what lies round them; [] if one is open."""
    made = to_manifold(mesh)
    if made is None:
        return []
    points, facets = arrays(made.simplify(SEWN_MM))
    if not len(facets):
        return []
    corners = frame.points(points)[facets]
    count, shell = shells(edges_of(facets), len(facets))
    signed = shell_volumes(points, facets, shell, count)
    outer: list[TopoDS_Shape] = []
    voids: list[TopoDS_Shape] = []
    for k in np.argsort(-np.abs(signed), kind="stable").tolist():
        if abs(signed[k]) < LEAST_MM3:
            continue
        made = sewn_solids(_faces(corners[shell == k]), SEWN_MM)
        if len(made) != 1:
            return []
        (outer if signed[k] > 0 else voids).append(made[0])
    if not voids:
        return outer
    return solids_of(combine("cut", [combine("add", outer), *voids]))


def _is_sound(solids: Sequence[TopoDS_Shape], meant_mm3: float) -> bool:
    return _is_whole(solids, meant_mm3) and all(BRepCheck_Analyzer(s).IsValid() for s in solids)


def _is_whole(solids: Sequence[TopoDS_Shape], meant_mm3: float) -> bool:
    total = sum(volume_mm3(s) for s in solids)
    return bool(solids) and abs(total - meant_mm3) <= VOLUME_SHARE * abs(meant_mm3)


def _faces(corners: Floats) -> list[TopoDS_Shape]:
    faces: list[TopoDS_Shape] = []
    sides = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    twice = np.linalg.norm(
        np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    for triangle in corners[twice > LINE_MM * sides].tolist():
        outline = BRepBuilderAPI_MakePolygon()
        for point in triangle:
            outline.Add(gp_Pnt(*point))
        outline.Close()
        faces.append(BRepBuilderAPI_MakeFace(outline.Wire(), True).Face())
    return faces
