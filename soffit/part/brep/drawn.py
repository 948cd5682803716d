"""Parts that are drawn as a solid expression, in their own frame."""

from __future__ import annotations

import numpy as np

from soffit.errors import GeometryError
from soffit.part.brep.boolean import unified
from soffit.part.brep.read import read_shape
from soffit.part.brep.shapes import solids_of, to_bytes
from soffit.part.brep.solids import evaluate, file_frame
from soffit.part.model import Part
from soffit.part.solid import Solid


def draw(solid: Solid, name: str, deflection_mm: float) -> Part:
    """The part that an expression, which names no face, is. Raises GeometryError where it is
    empty."""
    shape = unified(evaluate(solid, file_frame(np.eye(4), ())), ())[0]
    if not solids_of(shape):
        raise GeometryError(f"drawing {name}: it is empty")
    return read_shape(to_bytes(shape), name, deflection_mm)
