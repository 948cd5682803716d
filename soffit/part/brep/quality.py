"""Measures of a B-rep as CAD: see `soffit.part.quality`."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from OCP.BRep import BRep_Tool
from OCP.BRepAdaptor import BRepAdaptor_Curve
from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeVertex
from OCP.BRepExtrema import BRepExtrema_DistShapeShape
from OCP.BRepGProp import BRepGProp
from OCP.gp import gp_Pnt
from OCP.GProp import GProp_GProps
from OCP.TopAbs import TopAbs_EDGE, TopAbs_FACE, TopAbs_Orientation, TopAbs_VERTEX
from OCP.TopoDS import TopoDS, TopoDS_Edge, TopoDS_Face, TopoDS_Shape
from scipy.spatial import cKDTree

from soffit.part.brep.shapes import (
    area_mm2,
    border_mm,
    compound_of,
    edges_of,
    explore,
    faces_of,
    from_bytes,
    is_valid,
    items,
    map_of,
    solids_of,
)
from soffit.part.brep.surfaces import twins
from soffit.part.model import Vec3
from soffit.part.quality import (
    LOOSE_MM,
    SHORT_MM,
    SLIVER_MM,
    SLIVER_MM2,
    BrepQuality,
    Defect,
    QualityChange,
)

# A defect this near to one of its kind as received is the same: ten times what is short (derived).
_SAME_PLACE_MM = 0.01


@dataclass(frozen=True)
class _Found:
    defect: Defect
    shape: TopoDS_Shape


def quality(brep: bytes) -> BrepQuality:
    """Quality of the solids given as kernel bytes."""
    shape = from_bytes(brep)
    return _figures(shape, _found(shape))


def change(before: bytes, after: bytes, own: int) -> QualityChange:
    """Quality of both, and the new defects of the first `own` solids of `after`."""
    received, solids = from_bytes(before), solids_of(from_bytes(after))
    produced, props = compound_of(solids[:own]), compound_of(solids[own:])
    old, now = _found(received), _found(produced)
    fresh: list[Defect] = []
    for kind in ("loose", "mergeable", "short", "sliver"):
        fresh += _new([f for f in old if f.defect.kind == kind],
                      [f for f in now if f.defect.kind == kind])
    # The worst first: the loosest, and the smallest of all else.
    fresh.sort(key=lambda d: (d.kind, -d.size if d.kind == "loose" else d.size, d.at_mm))
    beside = _figures(props, _found(props)) if len(solids) > own else None
    return QualityChange(_figures(received, old), _figures(produced, now), tuple(fresh), beside)


def _new(old: Sequence[_Found], now: Sequence[_Found]) -> list[Defect]:
    """Defects of one kind that do not lie on one of `old`."""
    if not old or not now:
        return [f.defect for f in now]
    tree = cKDTree([f.defect.at_mm for f in old])
    near, _ = tree.query([f.defect.at_mm for f in now])
    far = [f.defect for f, d in zip(now, near.tolist(), strict=True) if d > _SAME_PLACE_MM]
    there = compound_of(f.shape for f in old)
    return [defect for defect in far if _distance(there, defect.at_mm) > _SAME_PLACE_MM]


def _distance(shape: TopoDS_Shape, point: Vec3) -> float:
    vertex = BRepBuilderAPI_MakeVertex(gp_Pnt(*point)).Vertex()
    measure = BRepExtrema_DistShapeShape(vertex, shape)
    return float(measure.Value()) if measure.IsDone() else np.inf


def _figures(shape: TopoDS_Shape, found: Sequence[_Found]) -> BrepQuality:
    kinds = Counter(f.defect.kind for f in found)
    vertices = (TopoDS.Vertex(v) for v in items(map_of(shape, TopAbs_VERTEX)))
    return BrepQuality(
        valid=all(is_valid(solid) for solid in solids_of(shape)),
        closed=all(_is_closed(solid) for solid in solids_of(shape)),
        faces=len(faces_of(shape)),
        slivers=kinds["sliver"],
        mergeable=kinds["mergeable"],
        short_edges=kinds["short"],
        loose=kinds["loose"],
        vertex_tolerance_mm=max(map(BRep_Tool.Tolerance_s, vertices), default=0.0),
        edge_tolerance_mm=max(map(BRep_Tool.Tolerance_s, edges_of(shape)), default=0.0),
        face_tolerance_mm=max(map(BRep_Tool.Tolerance_s, faces_of(shape)), default=0.0),
    )


def _is_closed(solid: TopoDS_Shape) -> bool:
    """Whether the faces of a solid use each edge as often one way as the other."""
    edges = map_of(solid, TopAbs_EDGE)
    balance: Counter[int] = Counter()
    for face in explore(solid, TopAbs_FACE):
        for edge in explore(face, TopAbs_EDGE):
            if BRep_Tool.Degenerated_s(TopoDS.Edge(edge)):
                continue
            if edge.Orientation() == TopAbs_Orientation.TopAbs_FORWARD:
                balance[edges.FindIndex(edge)] += 1
            elif edge.Orientation() == TopAbs_Orientation.TopAbs_REVERSED:
                balance[edges.FindIndex(edge)] -= 1
    return not any(balance.values())


def is_sliver(face: TopoDS_Face) -> bool:
    """Whether a face is too small to pick."""
    area = area_mm2(face)
    return area < SLIVER_MM2 or 2 * area < SLIVER_MM * border_mm(face)


def _found(shape: TopoDS_Shape) -> list[_Found]:
    """All defects, each kind in the order of the shape."""
    found: list[_Found] = []
    for face in faces_of(shape):
        if is_sliver(face):
            props = GProp_GProps()
            BRepGProp.SurfaceProperties_s(face, props)
            found.append(_Found(Defect("sliver", _xyz(props.CentreOfMass()), props.Mass()), face))
    for edge in edges_of(shape):
        if BRep_Tool.Degenerated_s(edge):
            continue
        length, at = border_mm(edge), _middle(edge)
        if length < SHORT_MM:
            found.append(_Found(Defect("short", at, length), edge))
        if (tolerance := BRep_Tool.Tolerance_s(edge)) > LOOSE_MM:
            found.append(_Found(Defect("loose", at, tolerance), edge))
    for item in items(map_of(shape, TopAbs_VERTEX)):
        vertex = TopoDS.Vertex(item)
        if (tolerance := BRep_Tool.Tolerance_s(vertex)) > LOOSE_MM:
            found.append(_Found(Defect("loose", _xyz(BRep_Tool.Pnt_s(vertex)), tolerance), vertex))
    for solid in solids_of(shape):
        for edges, _, _ in twins(solid):
            # The two halves of a round face share two edges, and either may come first.
            defect = Defect("mergeable", _middle(edges[0]), border_mm(edges[0]))
            found.append(_Found(defect, compound_of(edges)))
    return found


def _middle(edge: TopoDS_Edge) -> Vec3:
    curve = BRepAdaptor_Curve(edge)
    return _xyz(curve.Value(0.5 * (curve.FirstParameter() + curve.LastParameter())))


def _xyz(point: gp_Pnt) -> Vec3:
    return (point.X(), point.Y(), point.Z())
