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
    return cast("tuple[float, float]", _measured("mass_properties", part, timeout_s))


def solid_volumes(part: Part, *, timeout_s: float = 120.0) -> tuple[float, ...]:
    """Volume of each solid of the part's B-rep in order, mm³.

    Raises GeometryError for a part without B-rep.
    """
    return cast("tuple[float, ...]", _measured("solid_volumes", part, timeout_s))


def _measured(what: str, part: Part, timeout_s: float) -> object:
    doing = f"measuring {part.source.file}"
    if part.brep is None:
        raise GeometryError(f"{doing}: it has no B-rep; measure its mesh")
    return kernel.call(
        f"soffit.part.brep.measure:{what}", part.brep, timeout_s=timeout_s, doing=doing
    )
