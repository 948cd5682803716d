"""Exact hidden lines of a B-rep. Runs in the kernel process only: nothing else imports it."""

from __future__ import annotations

import numpy as np
from OCP.BRepAdaptor import BRepAdaptor_Curve
from OCP.BRepLib import BRepLib
from OCP.GCPnts import GCPnts_TangentialDeflection
from OCP.GeomAbs import GeomAbs_CurveType
from OCP.gp import gp_Trsf
from OCP.HLRAlgo import HLRAlgo_Projector
from OCP.HLRBRep import HLRBRep_Algo, HLRBRep_HLRToShape
from OCP.TopAbs import TopAbs_ShapeEnum
from OCP.TopExp import TopExp_Explorer
from OCP.TopoDS import TopoDS, TopoDS_Shape

from soffit.part.brep.shapes import from_bytes
from soffit.part.model import Floats

Lines = tuple[tuple[Floats, ...], tuple[Floats, ...], tuple[Floats, ...]]


def hidden_lines(brep: bytes, matrix: Floats, deflection_mm: float) -> Lines:
    """Visible, hidden and visible smooth edges, each a tuple of polylines (n, 2) in mm.

    `brep`: kernel bytes of the solids. `matrix`: rigid 4×4 that takes them to the drawing
    plane, depth towards the eye. `deflection_mm`: largest departure of a polyline from its curve.
    """
    move = gp_Trsf()
    move.SetValues(*(float(v) for v in matrix[:3].reshape(-1)))
    algo = HLRBRep_Algo()
    algo.Add(from_bytes(brep), 0)
    algo.Projector(HLRAlgo_Projector(move, False, 0.0))
    algo.Update()
    algo.Hide()
    result = HLRBRep_HLRToShape(algo)
    visible = (result.VCompound(), result.OutLineVCompound())
    hidden = (result.HCompound(), result.OutLineHCompound())
    smooth = (result.Rg1LineVCompound(),)
    return (_polylines(visible, deflection_mm), _polylines(hidden, deflection_mm),
            _polylines(smooth, deflection_mm))


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
