"""Changes applied to a part, by the kernel that fits it."""

from __future__ import annotations

from collections.abc import Sequence

from soffit.errors import GeometryError
from soffit.part.model import Body, Change, Part
from soffit.part.solid import Solid


def apply(part: Part, changes: Sequence[Change]) -> Part:
    """`part` with `changes` applied in turn: by the B-rep kernel where it has a B-rep, so
    that the customer gets clean planes and cones back, else by the mesh kernel.

    Raises GeometryError where a change is not a solid, breaks the volume balance or adds
    something that does not touch the part; KernelError where the B-rep kernel fails.
    """
    made, refused = apply_what_can(part, changes)
    for why in refused.values():
        raise GeometryError(why)
    return made


def apply_what_can(part: Part, changes: Sequence[Change]) -> tuple[Part, dict[int, str]]:
    """As `apply`, but changes that cannot be applied are left out, and named by their index with
    the reason; the others take the names of the changes in order. Raises KernelError."""
    if part.brep is not None:
        from soffit.part import brep_edit

        return brep_edit.apply_what_can(part, changes)
    from soffit.part import mesh_edit

    return mesh_edit.apply_what_can(part, changes)


def make_body(name: str, solid: Solid, part: Part) -> Body:
    """`solid` as a separate named body standing beside `part`."""
    from soffit.part import mesh_solid

    return mesh_solid.make_body(name, solid, part)


def check_body(body: Body, part: Part) -> None:
    """Raises GeometryError or KernelError where `body` cannot be drawn in the B-rep of a part
    that has one; the files could not hold it then."""
    if part.brep is not None:
        from soffit.part import brep_edit

        brep_edit.check_body(body, part)
