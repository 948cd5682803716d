"""Bodies that stand beside the part, such as props, as B-rep solids.

A body is drawn as its expression says, with the few planar faces that a person would draw.
Where the kernel cannot make that, its triangles are put together instead, those in one plane
merged if they still close then, so that the file always holds every body that is to be printed.
"""

from __future__ import annotations

import io
import pickle
from collections.abc import Iterator, Sequence
from functools import lru_cache

import numpy as np
from OCP.BRep import BRep_Builder
from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace, BRepBuilderAPI_MakePolygon
from OCP.gp import gp_Pnt
from OCP.Interface import Interface_Static
from OCP.ShapeFix import ShapeFix_Shape
from OCP.STEPControl import STEPControl_Reader, STEPControl_StepModelType, STEPControl_Writer
from OCP.TopoDS import TopoDS_Shape, TopoDS_Solid

from soffit.errors import GeometryError
from soffit.part.brep.boolean import unified
from soffit.part.brep.health import sewn_solids
from soffit.part.brep.shapes import (
    area_mm2,
    bounds,
    faces_of,
    from_bytes,
    is_valid,
    shells_of,
    solids_of,
    to_bytes,
    volume_mm3,
)
from soffit.part.brep.solids import SAME_MM, Frame, evaluate, file_frame, polyhedron
from soffit.part.brep.tessellate import ASKED_MM, tessellate
from soffit.part.caps import without_caps
from soffit.part.manifold import to_manifold
from soffit.part.mesh_solid import arrays
from soffit.part.model import Body, Floats, Ints, Mesh, Part
from soffit.part.solid import Solid
from soffit.part.topology import edges_of, shell_volumes, shells

# Share by which the volume of a body drawn may differ from its triangles (derived: true round
# faces against chords within 0.01 mm, on bodies a line thick).
VOLUME_SHARE = 0.03

# How far triangles are made fewer, and gaps between them sewn where nothing else closes, mm
# (derived: a hundredth of what a nozzle can place); and the height under which a triangle is a
# line and is left to the sewing (derived: a hundredth of such a gap).
SEWN_MM = 1e-3
LINE_MM = 1e-5

# A face smaller than this passes the checker, and yet cannot be read back from a file, mm²
# (derived: a micrometre squared).
LEAST_MM2 = 1e-6

# Pieces smaller than this are rounding, mm³ (derived: far below a bead's section by its width).
LEAST_MM3 = 1e-3

# Bodies that are kept as they were drawn (derived: more than any resolution has).
KEPT = 256


def beside_solids(body: Body, frame: Frame) -> list[TopoDS_Shape]:
    """The body, whose expression names no face of the part, as solids; drawn once, though it is
    tried, written with the part and written as a change. Raises GeometryError where no form closes
    once it is read back."""
    matrices = (frame.matrix, frame.of_part, frame.fuzzy_mm)
    made = _solids(pickle.dumps((body.solid, body.mesh, matrices)))
    if not made:
        raise GeometryError(f"drawing {body.name}: its surface does not close in the B-rep kernel")
    return [from_bytes(solid) for solid in made]


@lru_cache(maxsize=KEPT)
def _solids(pickled: bytes) -> tuple[bytes, ...]:
    """The solids of an expression, its mesh and a frame; () where no form closes."""
    solid, mesh, (matrix, of_part, fuzzy_mm) = pickle.loads(pickled)
    frame = Frame(matrix, (), of_part, fuzzy_mm)
    meant = mesh.volume_mm3
    kept: list[list[TopoDS_Shape]] = []
    for form in _forms(solid, mesh, frame):
        sound = _is_sound(form)
        # To read a form back takes longest, so not one that is no better than what is kept.
        if (sound or not kept) and _is_kept(form, meant):
            if sound:
                return tuple(map(to_bytes, form))
            kept.append(form)
    # The files are read back and judged, so a form that the checker only doubts is no risk.
    return tuple(map(to_bytes, kept[0])) if kept else ()


def _forms(solid: Solid, mesh: Mesh, frame: Frame) -> Iterator[list[TopoDS_Shape]]:
    yield _drawn(solid, frame)
    yield _faceted(mesh, frame, merged=True)
    yield _faceted(mesh, frame, merged=False)


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


def _faceted(mesh: Mesh, frame: Frame, *, merged: bool) -> list[TopoDS_Shape]:
    """Solids of the triangles, each with its cavities; [] if one does not close. `merged`: with
    those in one plane as one face."""
    made = to_manifold(mesh)
    if made is None:
        return []
    points, facets = arrays(made.simplify(SEWN_MM))
    if not len(facets):
        return []
    facets = without_caps(points, facets)
    points = frame.points(points)
    count, shell = shells(edges_of(facets), len(facets))
    signed = shell_volumes(points, facets, shell, count)
    # The largest outside first, so that the last that holds a cavity is the smallest.
    whole: list[TopoDS_Shape] = []
    cavities: list[list[TopoDS_Shape]] = []
    for k in np.lexsort((-np.abs(signed), signed < 0)).tolist():
        if abs(signed[k]) < LEAST_MM3:
            continue
        mine = facets[shell == k]
        closed = _closed(points, mine if signed[k] > 0 else mine[:, ::-1], merged=merged)
        if closed is None:
            return []
        if signed[k] > 0:
            whole.append(closed)
            cavities.append([])
            continue
        around = [i for i, outer in enumerate(whole) if _within(closed, outer)]
        if not around:
            return []
        cavities[around[-1]].append(closed)
    return [_hollow(s, inside) for s, inside in zip(whole, cavities, strict=True)]


def _closed(points: Floats, facets: Ints, *, merged: bool) -> TopoDS_Shape | None:
    """One solid of triangles (n, 3), those in one plane `merged` where the result bears that; None
    if they do not close. The ends of an edge that the kernel takes for a point
    are one."""
    ends = points[facets], points[np.roll(facets, -1, axis=1)]
    short = np.linalg.norm(ends[1] - ends[0], axis=2) < SAME_MM
    into = np.arange(len(points))
    for a, b in zip(facets[short].tolist(), np.roll(facets, -1, axis=1)[short].tolist(),
                    strict=True):
        into[into == into[b]] = into[a]
    facets = into[facets]
    apart = (facets != np.roll(facets, 1, axis=1)).all(axis=1)
    # Kernel exceptions have no common class but Exception.
    try:
        solid: TopoDS_Shape = polyhedron(points, facets[apart].tolist())
    except Exception:
        sewn = sewn_solids(_faces(points[facets[apart]]), SEWN_MM)
        return sewn[0] if len(sewn) == 1 else None
    if not merged:
        return solid
    try:
        fewer = unified(solid, ())[0]
        if not is_valid(fewer):
            mend = ShapeFix_Shape(fewer)
            mend.Perform()
            fewer = mend.Shape()
        (found,) = solids_of(fewer)
    except Exception:
        return solid
    same = abs(volume_mm3(found) - volume_mm3(solid)) <= LEAST_MM3
    return found if same and is_valid(found) else solid


def _within(inner: TopoDS_Shape, outer: TopoDS_Shape) -> bool:
    (low, high), (least, most) = bounds(inner), bounds(outer)
    return bool((low >= least).all() and (high <= most).all())


def _hollow(solid: TopoDS_Shape, cavities: Sequence[TopoDS_Shape]) -> TopoDS_Shape:
    """The solid without the cavities, which lie inside it."""
    if not cavities:
        return solid
    made, builder = TopoDS_Solid(), BRep_Builder()
    builder.MakeSolid(made)
    for shell in shells_of(solid):
        builder.Add(made, shell)
    for cavity in cavities:
        for shell in shells_of(cavity):
            builder.Add(made, shell.Reversed())
    return made


def _is_kept(solids: Sequence[TopoDS_Shape], meant_mm3: float) -> bool:
    """Whether it closes when it is read from a file and meshed, as whoever reads it has to."""
    if not _is_whole(solids, meant_mm3):
        return False
    writer, stream = STEPControl_Writer(), io.BytesIO()
    for solid in solids:
        writer.Transfer(solid, STEPControl_StepModelType.STEPControl_AsIs)
    writer.WriteStream(stream)
    reader = STEPControl_Reader()
    # This switch stays as the last file was read.
    Interface_Static.SetIVal_s("read.precision.mode", 0)
    reader.ReadStream("body", io.BytesIO(stream.getvalue()))
    reader.TransferRoots()
    again = solids_of(reader.OneShape())
    return _is_whole(again, meant_mm3) and tessellate(again, ASKED_MM).closed


def _is_sound(solids: Sequence[TopoDS_Shape]) -> bool:
    return (all(is_valid(s) for s in solids)
            and all(area_mm2(face) > LEAST_MM2 for s in solids for face in faces_of(s)))


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
