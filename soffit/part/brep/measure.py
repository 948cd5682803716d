"""Measures of the B-rep itself, to referee what the mesh says."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from OCP.BRep import BRep_Tool
from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeVertex
from OCP.BRepExtrema import BRepExtrema_DistShapeShape
from OCP.gp import gp_Pnt
from OCP.TopoDS import TopoDS_Face, TopoDS_Shape

from soffit.part.brep.shapes import area_mm2, bounds, compound_of, faces_of, from_bytes, volume_mm3
from soffit.part.brep.tessellate import tessellate_face
from soffit.part.model import Floats


def mass_properties(brep: bytes) -> tuple[float, float]:
    """Volume mm³ and surface area mm² of kernel bytes."""
    shape = from_bytes(brep)
    return volume_mm3(shape), area_mm2(shape)
