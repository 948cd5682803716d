"""Volume and area of the B-rep, a referee for the mesh."""

from __future__ import annotations

from typing import cast

from soffit.errors import GeometryError
from soffit.part import kernel
from soffit.part.model import Part


def mass_properties(part: Part, *, timeout_s: float = 120.0) -> tuple[float, float]:
    """Volume (mm³) and surface area (mm²) of the part's B-rep, by the B-rep kernel.

    Raises GeometryError for a part without B-rep.
    """
    if part.brep is None:
        raise GeometryError(f"measuring {part.source.file}: it has no B-rep; measure its mesh")
    found = kernel.call(
        "soffit.part.brep.measure:mass_properties",
        part.brep,
        timeout_s=timeout_s,
        doing=f"measuring {part.source.file}",
    )
    return cast("tuple[float, float]", found)


def solid_volumes(part: Part, *, timeout_s: float = 120.0) -> tuple[float, ...]:
    """Volume of each solid of the part's B-rep in order, mm³.

    Raises GeometryError for a part without B-rep.
    """
    if part.brep is None:
        raise GeometryError(f"measuring {part.source.file}: it has no B-rep; measure its mesh")
    found = kernel.call(
        "soffit.part.brep.measure:solid_volumes",
        part.brep,
        timeout_s=timeout_s,
        doing=f"measuring {part.source.file}",
    )
    return cast("tuple[float, ...]", found)
