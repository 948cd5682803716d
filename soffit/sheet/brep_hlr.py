"""Exact hidden lines of a B-rep. Runs in the kernel process only: nothing else imports it."""

from __future__ import annotations

import math

import numpy as np
from OCP.BRep import BRep_Builder
from OCP.BRepAdaptor import BRepAdaptor_Curve, BRepAdaptor_Surface
from OCP.BRepLib import BRepLib
from OCP.GCPnts import GCPnts_TangentialDeflection
from OCP.GeomAbs import GeomAbs_CurveType, GeomAbs_Shape, GeomAbs_SurfaceType
from OCP.gp import gp_Trsf
from OCP.HLRAlgo import HLRAlgo_Projector
from OCP.HLRBRep import HLRBRep_Algo, HLRBRep_HLRToShape
from OCP.TopAbs import TopAbs_Orientation, TopAbs_ShapeEnum
from OCP.TopExp import TopExp_Explorer
from OCP.TopoDS import TopoDS, TopoDS_Face, TopoDS_Shape

from soffit.part.brep.shapes import edges_of, from_bytes, map_of
from soffit.part.model import Floats

# Facets of one round face meet at less than this (derived: 24 to the full turn and more).
FACET_DEG = 16.0

Lines = tuple[tuple[Floats, ...], tuple[Floats, ...], tuple[Floats, ...]]


def hidden_lines(brep: bytes, matrix: Floats, deflection_mm: float,
                 facets: tuple[int, ...] = ()) -> Lines:
    """Visible, hidden and visible smooth edges, each a tuple of polylines (n, 2) in mm.

    `brep`: kernel bytes of the solids. `matrix`: rigid 4×4 that takes them to the drawing
    plane, depth towards the eye. `deflection_mm`: largest departure of a polyline from its curve.
    `facets`: 1-based ids of planar faces that stand for a curved one; edges between two of
    them are no edges to a reader and are left out unless they are outlines.
    """
    shape = from_bytes(brep)
    _smooth(shape, frozenset(facets))
    move = gp_Trsf()
    move.SetValues(*(float(v) for v in matrix[:3].reshape(-1)))
    algo = HLRBRep_Algo()
    algo.Add(shape, 0)
    algo.Projector(HLRAlgo_Projector(move, False, 0.0))
    algo.Update()
    algo.Hide()
    result = HLRBRep_HLRToShape(algo)
    visible = (result.VCompound(), result.OutLineVCompound())
    hidden = (result.HCompound(), result.OutLineHCompound())
    smooth = (result.Rg1LineVCompound(),)
    return (_polylines(visible, deflection_mm), _polylines(hidden, deflection_mm),
            _polylines(smooth, deflection_mm))


def _smooth(shape: TopoDS_Shape, facets: frozenset[int]) -> None:
    """Mark edges between facets that meet at less than `FACET_DEG` as those of one surface."""
    if not facets:
        return
    numbers = map_of(shape, TopAbs_ShapeEnum.TopAbs_FACE)
    faces: dict[int, list[TopoDS_Face]] = {}
    edges = map_of(shape, TopAbs_ShapeEnum.TopAbs_EDGE)
    for k in sorted(facets):
        face = TopoDS.Face(numbers.FindKey(k))
        for edge in edges_of(face):
            faces.setdefault(edges.FindIndex(edge), []).append(face)
    builder = BRep_Builder()
    for index, pair in sorted(faces.items()):
        if len(pair) != 2:
            continue
        surfaces = [BRepAdaptor_Surface(f) for f in pair]
        if any(s.GetType() != GeomAbs_SurfaceType.GeomAbs_Plane for s in surfaces):
            continue
        normals = [s.Plane().Axis().Direction() for s in surfaces]
        turned = [f.Orientation() == TopAbs_Orientation.TopAbs_REVERSED for f in pair]
        angle = normals[0].Angle(normals[1])
        if turned[0] != turned[1]:
            angle = math.pi - angle
        if math.degrees(angle) < FACET_DEG:
            builder.Continuity(TopoDS.Edge(edges.FindKey(index)), pair[0], pair[1],
                               GeomAbs_Shape.GeomAbs_CN)


def _polylines(compounds: tuple[TopoDS_Shape | None, ...], deflection_mm: float
               ) -> tuple[Floats, ...]:
    lines: list[Floats] = []
    for compound in compounds:
        if compound is None or compound.IsNull():
            continue
        BRepLib.BuildCurves3d_s(compound)
        walker = TopExp_Explorer(compound, TopAbs_ShapeEnum.TopAbs_EDGE)
        while walker.More():
            curve = BRepAdaptor_Curve(TopoDS.Edge(walker.Current()))
            walker.Next()
            first, last = curve.FirstParameter(), curve.LastParameter()
            if curve.GetType() == GeomAbs_CurveType.GeomAbs_Line:
                points = [curve.Value(first), curve.Value(last)]
            else:
                fit = GCPnts_TangentialDeflection(curve, 0.12, deflection_mm, 3)
                points = [fit.Value(k) for k in range(1, fit.NbPoints() + 1)]
            lines.append(np.array([[p.X(), p.Y()] for p in points]))
    return tuple(lines)
