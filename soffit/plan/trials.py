"""One option tried: on the mesh, or for good in the B-rep, and the result looked at.

Nothing is decided here. A try is either the part as it would be, reviewed with its props as one
scene, or one reason in words why it is not allowed: a kernel refused, a protected face was
changed, a keep-out was entered, or the part was damaged in a way that it was not before.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import manifold3d as m3
import numpy as np

from soffit.errors import GeometryError, KernelError
from soffit.findings.model import Finding, Review
from soffit.findings.review import review
from soffit.layers.stack import LayerStack, cut_layers
from soffit.part.edit import apply, check_body, make_body
from soffit.part.mesh_solid import evaluate
from soffit.part.model import Body, Change, Floats, Part
from soffit.part.scene import with_bodies
from soffit.plan.keep_out import enters
from soffit.plan.protect import touched_face
from soffit.remedies.context import Context, context_of
from soffit.remedies.model import Option

# A protected face may lose so much area to rounding of coordinates, mm² (derived).
AREA_SLACK_MM2 = 0.02


@dataclass(frozen=True)
class State:
    """The part as produced so far, its props, and the two reviewed as one scene."""

    produced: Part
    props: tuple[Body, ...]
    review: Review
    stack: LayerStack

    @property
    def mesh_part(self) -> Part:
        """The part as produced so far, as a mesh."""
        return replace(self.produced, brep=None)

    @cached_property
    def context(self) -> Context:
        """What remedies look at."""
        scene = replace(self.review.part, brep=None)
        return context_of(replace(self.review, part=scene), self.stack)


@dataclass(frozen=True)
class Rules:
    """What no option may do: `received` is the review of the part as received, whose `protected`
    faces stay as they are; nothing is added in `keep_out` (build frame)."""

    received: Review
    protected: frozenset[int]
    keep_out: tuple[m3.Manifold, ...]

    @cached_property
    def areas(self) -> Floats:
        """Area of each face of the part as received, (n,) mm²."""
        part = self.received.part
        return areas_by_origin(part, len(part.faces))


def attempt(state: State, option: Option, edit: str, rules: Rules) -> State | str:
    """`state` with an option tried on the mesh; or why it is not allowed."""
    part, props = state.mesh_part, state.props
    try:
        if option.op != "cut" and _enters_keep_out(option, part, rules):
            return "it would enter a keep-out"
        if option.op == "prop":
            props = (*props, make_body(f"{edit} {option.remedy}", option.solid, part))
        else:
            part = apply(part, [change_of(option, edit)])
    except (GeometryError, KernelError) as error:
        return str(error)
    return _looked_at(state, part, props, option, rules)


def applied(state: State, option: Option, edit: str, rules: Rules, tried: State | None
            ) -> State | str:
    """`state` with an option carried out by the kernel that fits the part; or why that cannot be.
    `tried`: what `attempt` made of it, where it is known."""
    brep = state.produced.brep
    if brep is None or option.op == "prop":
        made = tried if tried is not None else attempt(state, option, edit, rules)
        if isinstance(made, str) or brep is None:
            return made
        try:
            check_body(made.props[-1], state.produced)
        except (GeometryError, KernelError) as error:
            return str(error)
        return replace(made, produced=replace(made.produced, brep=brep))
    try:
        if option.op != "cut" and _enters_keep_out(option, state.mesh_part, rules):
            return "it would enter a keep-out"
        part = apply(state.produced, [change_of(option, edit)])
    except (GeometryError, KernelError) as error:
        return str(error)
    return _looked_at(state, part, state.props, option, rules)


def change_of(option: Option, edit: str) -> Change:
    """An option that adds or cuts, as one change of the part."""
    assert option.op != "prop"
    return Change(option.op, option.solid, edit, f"{edit} {option.remedy}")


def areas_by_origin(part: Part, count: int) -> Floats:
    """Area left of each face of the part as received, (count,) mm²."""
    origin = np.array([f.origin or 0 for f in part.faces], dtype=np.int64)
    areas = np.bincount(
        origin[part.mesh.face_of - 1], weights=part.mesh.areas, minlength=count + 1
    )
    return np.asarray(areas[1 : count + 1], dtype=np.float64)


def _enters_keep_out(option: Option, part: Part, rules: Rules) -> bool:
    if not rules.keep_out:
        return False
    solid = evaluate(option.solid, part)
    return any(enters(solid, room, part) for room in rules.keep_out)


def _looked_at(
    state: State, part: Part, props: tuple[Body, ...], option: Option, rules: Rules
) -> State | str:
    """A changed part reviewed with its props, or what about it is not allowed."""
    lost = rules.areas - areas_by_origin(part, len(rules.areas))
    for face in sorted(rules.protected):
        if lost[face - 1] > AREA_SLACK_MM2:
            return f"it would change protected face {face}"
    if option.op == "prop":
        touched = touched_face(rules.received.part, rules.protected, props[-1].mesh)
        if touched is not None:
            return f"it would touch protected face {touched}"
    scene = with_bodies(part, props)
    stack = cut_layers(scene, state.review.process)
    found = review(scene, state.review.process, stack=stack)
    known = {f.message for f in rules.received.findings}
    for finding in found.findings:
        if _damage(finding) and finding.message not in known:
            return finding.message
    return State(part, props, found, stack)


def _damage(finding: Finding) -> bool:
    return finding.severity == "blocker" and not finding.kind.startswith("air/")
