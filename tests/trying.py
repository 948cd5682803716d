"""Trying one remedy on one part: what the search does with an option, without the search."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from OCP.BRepGProp import BRepGProp
from OCP.GProp import GProp_GProps

from soffit.findings.model import Finding
from soffit.findings.review import review
from soffit.layers.stack import cut_layers
from soffit.part.brep.shapes import area_mm2, faces_of, from_bytes
from soffit.part.edit import apply
from soffit.part.measure import mass_properties
from soffit.part.model import Change, Part
from soffit.process.model import Process
from soffit.remedies.context import Context, context_of
from soffit.remedies.model import Option

Ask = Callable[[Context, Finding], tuple[list[Option], list[str]]]


def looked_at(part: Part, process: Process) -> Context:
    """The part's mesh, reviewed, as remedies see it."""
    mesh = replace(part, brep=None)
    stack = cut_layers(mesh, process)
    return context_of(review(mesh, process, stack=stack), stack)


def asked(ask: Ask, part: Part, process: Process, kind: str = "") -> tuple[list[Option], list[str]]:
    """What a remedy says to the first finding of a kind that starts so (any, if none is named)."""
    context = looked_at(part, process)
    finding = next(f for f in context.review.air if f.kind.startswith(kind))
    return ask(context, finding)


def done(part: Part, option: Option) -> Part:
    """The part with an option carried out, by the kernel that fits it."""
    assert option.op != "prop"
    return apply(part, [Change(option.op, option.solid, "E1", f"E1 {option.remedy}")])


def gained(before: Part, after: Part) -> float:
    """Volume that a part gained, mm³, by the kernel that made it."""
    if before.brep is None:
        return after.mesh.volume_mm3 - before.mesh.volume_mm3
    return mass_properties(after)[0] - mass_properties(before)[0]


def over_air(part: Part, process: Process) -> list[tuple[str, float]]:
    """Kind and area of what still prints over air, mm²."""
    return [(f.kind, f.area_mm2) for f in review(part, process).air]


def no_sliver(part: Part) -> bool:
    """Whether each face is wider than 0.05 mm: twice its area over the length of its border."""
    assert part.brep is not None
    for face in faces_of(from_bytes(part.brep)):
        props = GProp_GProps()
        BRepGProp.LinearProperties_s(face, props)
        if 2 * area_mm2(face) < 0.05 * props.Mass():
            return False
    return True
