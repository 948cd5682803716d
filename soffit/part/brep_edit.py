"""Changes applied to the B-rep of a part, through the kernel process."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import cast

import numpy as np

from soffit.part import kernel
from soffit.part.model import Body, Change, Mesh, Part
from soffit.part.solid import Solid

_NO_MESH = Mesh(
    np.empty((0, 3)),
    np.empty((0, 3), dtype=np.int64),
    np.empty(0, dtype=np.int64),
    np.empty((0, 3)),
    np.empty(0, dtype=np.int64),
)


def apply_what_can(
    part: Part, changes: Sequence[Change], *, timeout_s: float = 120.0
) -> tuple[Part, dict[int, str]]:
    """`part` with the changes applied, each solid meant for the part as given.

    Faces keep their names, colours and origin; faces that a change makes carry its edit id
    and name. Faces on one plane are merged where an edit meets them. Changes that cannot be applied
    (no solid, does not touch the part, a result that the geometry checker rejects or whose volume
    does not balance) are left out, and named by their index with the reason; the others take the
    names of the changes in order. `timeout_s` is for each. Raises KernelError.
    """
    if not changes:
        return part, {}
    names = ", ".join(change.edit for change in changes)
    made = kernel.call(
        "soffit.part.brep.together:apply_what_can",
        without_mesh(part),
        list(changes),
        timeout_s=timeout_s * len(changes),
        doing=f"applying {names} to {part.source.file}",
    )
    changed, refused = cast("tuple[Part, dict[int, str]]", made)
    return (changed if len(refused) < len(changes) else part), refused


def solid_mesh(solid: Solid, part: Part, *, timeout_s: float = 120.0) -> Mesh:
    """Mesh of a solid in the build frame, made by the B-rep kernel. Raises GeometryError."""
    made = kernel.call(
        "soffit.part.brep.edit:solid_mesh",
        solid,
        without_mesh(part),
        timeout_s=timeout_s,
        doing="making a solid",
    )
    return cast(Mesh, made)


def solid_volume(solid: Solid, part: Part, *, timeout_s: float = 120.0) -> float:
    """Volume of a solid by the B-rep kernel, mm³. Raises GeometryError."""
    made = kernel.call(
        "soffit.part.brep.edit:solid_volume",
        solid,
        without_mesh(part),
        timeout_s=timeout_s,
        doing="measuring a solid",
    )
    return cast(float, made)


def make_body(name: str, solid: Solid, part: Part) -> Body:
    """`solid` as a separate named body beside `part`, meshed by the B-rep kernel."""
    return Body(name, solid, solid_mesh(solid, part))


def check_body(body: Body, part: Part, *, timeout_s: float = 120.0) -> None:
    """Raises GeometryError where the B-rep kernel cannot draw `body` beside `part`."""
    kernel.call(
        "soffit.part.brep.beside:check_beside",
        body,
        without_mesh(part),
        timeout_s=timeout_s,
        doing=f"drawing {body.name}",
    )


def without_mesh(part: Part) -> Part:
    """The part as the kernel process needs it: its B-rep says everything that the mesh does."""
    return replace(part, mesh=_NO_MESH)
