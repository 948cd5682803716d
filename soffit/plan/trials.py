"""Options tried: one on the mesh, or a set of them for good in the B-rep, and the result looked at.

Nothing is decided here. A try is either the part as it would be, reviewed with its props as one
scene, or one reason in words why it is not allowed: a kernel refused, a protected face was
changed, a keep-out was entered, or the part was damaged in a way that it was not before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import manifold3d as m3
import numpy as np

from soffit.errors import GeometryError, KernelError
from soffit.findings.model import Review
from soffit.findings.review import Look, glance, reviewed
from soffit.layers.stack import LayerStack, cut_again, cut_layers
from soffit.part.edit import apply, apply_what_can, check_body, make_body
from soffit.part.mesh_solid import evaluate
from soffit.part.model import Body, Change, Floats, Part
from soffit.part.scene import with_bodies
from soffit.part.topology import edges_of
from soffit.plan.by_hand import Spot, kept_clear
from soffit.plan.keep_out import enters
from soffit.plan.protect import touched_face
from soffit.remedies.context import Context, context_of
from soffit.remedies.model import Option
from soffit.remedies.prop_eject import PUSHES

# A protected face may lose so much area to rounding of coordinates, mm² (derived).
AREA_SLACK_MM2 = 0.02


@dataclass(frozen=True)
class State:
    """The part as produced so far, its props, and the two reviewed as one scene. `no_prop_at`:
    where none may come (see `plan.by_hand`); `pushes`: the ways to push the part off the platform
    on which all props leave it too."""

    produced: Part
    props: tuple[Body, ...]
    review: Review
    stack: LayerStack
    look: Look | None
    no_prop_at: tuple[Spot, ...] = ()
    pushes: tuple[str, ...] = tuple(PUSHES)

    @property
    def mesh_part(self) -> Part:
        """The part as produced so far, as a mesh."""
        return replace(self.produced, brep=None)

    @cached_property
    def context(self) -> Context:
        """What remedies look at."""
        scene = replace(self.review.part, brep=None)
        return context_of(replace(self.review, part=scene), self.stack,
                          kept_clear(self.no_prop_at))

    def meets_prop(self, option: Option) -> bool:
        """Whether an option would grow onto a prop, which could not be broken off then."""
        if not self.props or option.op != "add":
            return False
        solid = evaluate(option.solid, self.context.part)
        free_mm = self.review.process.props.free_mm.value
        return any(solid.min_gap(prop, 2.0 * free_mm) < free_mm for prop in self._standing)

    @cached_property
    def _standing(self) -> list[m3.Manifold]:
        return [evaluate(body.solid, self.produced) for body in self.props]


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


# How near to a change an edge that does not close is laid to it, mm (derived: a few lines; the
# kernel's own tolerances are far less, and its faces seldom that small).
TORN_MM = 1.0

# Layers around a change that are looked at again: those next to it may be held by it, and that by
# them (derived: one and the two that say what is too small to be printed, with one to spare).
AROUND = 4


@dataclass(frozen=True)
class Tried:
    """What would print over air with an option, and the faces of the part as received that it
    makes larger or smaller, ascending."""

    review: Review
    touched: tuple[int, ...]


def attempt(state: State, option: Option, edit: str, rules: Rules) -> Tried | str:
    """An option tried on the mesh; or why it is not allowed. Only the layers that it changes are
    looked at again; the findings name no faces."""
    made = _made(state, [option], [edit], rules)
    if isinstance(made, str):
        return made
    part, props, _ = made
    scene, process = with_bodies(part, props), state.review.process
    solid = evaluate(option.solid, state.mesh_part)
    _, _, z0, _, _, z1 = solid.bounding_box()
    low, high = np.searchsorted(state.stack.cut_mm, [z0, z1])
    layers = range(max(0, int(low) - AROUND), min(len(state.stack), int(high) + AROUND))
    stack = cut_again(state.stack, scene, process, layers)
    if stack is None or state.look is None:
        found = reviewed(scene, process)[0]
    else:
        found = glance(state.look, scene, process, stack, range(max(1, layers.start), layers.stop))
    return _damage(found, rules) or Tried(found, touched(state.produced, part, rules))


@dataclass(frozen=True)
class Carried:
    """A state after options were carried out, and why some of them, by index, could not be."""

    state: State
    refused: dict[int, str]


def applied(
    state: State, options: Sequence[Option], edits: Sequence[str], rules: Rules
) -> Carried | str:
    """`state` with options carried out, each meant for it as it is, by the kernel that fits the
    part, and looked at again whole; those that a kernel refuses are left out, and the names in
    `edits` go to the others in order. Or why that cannot be."""
    brep = state.produced.brep
    made = _made(state, options, edits, rules, in_brep=True)
    if isinstance(made, str):
        return made
    part, props, refused = made
    if at := _torn(state, part, options, refused):
        # The kernel's result does not close there: without what was changed about it.
        kept = [k for k in range(len(options)) if k not in at and k not in refused]
        if kept:
            again = applied(state, [options[k] for k in kept], edits[:len(kept)], rules)
            if isinstance(again, str):
                return again
            why = "the surface of the part would not close about it"
            return Carried(again.state, {**refused, **dict.fromkeys(at, why),
                                         **{kept[k]: w for k, w in again.refused.items()}})
    scene, process = with_bodies(part, props), state.review.process
    stack = cut_layers(scene, process)
    found, look = reviewed(scene, process, stack=stack)
    if damage := _damage(found, rules):
        return damage
    if brep is not None and len(props) > len(state.props):
        try:
            for body in props[len(state.props):]:
                check_body(body, state.produced)
        except (GeometryError, KernelError) as error:
            return str(error)
    return Carried(State(part, props, found, stack, look, state.no_prop_at,
                         _pushes(state, options)), refused)


def _torn(
    state: State, part: Part, options: Sequence[Option], refused: dict[int, str]
) -> list[int]:
    """Which of several options lie where the surface does not close after them."""
    if len(options) < 2 or part.closed:
        return []
    edges = edges_of(part.mesh.triangles)
    ends = part.mesh.vertices[edges.ends[edges.count == 1]].reshape(-1, 3)
    found = []
    for k, option in enumerate(options):
        box = np.asarray(evaluate(option.solid, state.mesh_part).bounding_box())
        near = (ends >= box[:3] - TORN_MM) & (ends <= box[3:] + TORN_MM)
        if k not in refused and near.all(axis=1).any():
            found.append(k)
    return found


def touched(before: Part, after: Part, rules: Rules) -> tuple[int, ...]:
    """Faces of the part as received that have another area after a change, ascending."""
    count = len(rules.areas)
    moved = areas_by_origin(before, count) - areas_by_origin(after, count)
    return tuple((np.flatnonzero(np.abs(moved) > AREA_SLACK_MM2) + 1).tolist())


def change_of(option: Option, edit: str) -> Change:
    """An option that adds or cuts, as one change of the part."""
    assert option.op != "prop"
    return Change(option.op, option.solid, edit, f"{edit} {option.remedy}", option.volume_mm3)


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


def _made(
    state: State, options: Sequence[Option], edits: Sequence[str], rules: Rules, *,
    in_brep: bool = False,
) -> tuple[Part, tuple[Body, ...], dict[int, str]] | str:
    """The part and the props with options, and which of several, by index, a kernel
    refused and why; or why they are not allowed."""
    part, props = state.mesh_part, state.props
    given = state.produced if in_brep else part
    which = [k for k, option in enumerate(options) if option.op != "prop"]
    changes = [change_of(options[k], edits[k]) for k in which]
    if not _pushes(state, options):
        return "no one way to push the part off the platform would take all of its props along"
    try:
        for option, edit in zip(options, edits, strict=True):
            if option.op != "cut" and _enters_keep_out(option, part, rules):
                return "it would enter a keep-out"
            if option.op == "prop":
                props = (*props, make_body(f"{edit} {option.remedy}", option.solid, part))
                face = touched_face(rules.received.part, rules.protected, props[-1].mesh)
                if face is not None:
                    return f"it would touch protected face {face}"
        refused: dict[int, str] = {}
        if len(changes) > 1:
            part, left_out = apply_what_can(given, changes)
            refused = {which[k]: why for k, why in left_out.items()}
        else:
            part = apply(given, changes) if changes else given
    except (GeometryError, KernelError) as error:
        return str(error)
    lost = rules.areas - areas_by_origin(part, len(rules.areas))
    for face in sorted(rules.protected):
        if lost[face - 1] > AREA_SLACK_MM2:
            return f"it would change protected face {face}"
    if changes and len(refused) == len(changes):
        return refused[which[0]]
    return part, props, refused


def _pushes(state: State, options: Sequence[Option]) -> tuple[str, ...]:
    """The ways to push the part on which all props leave, those of options included."""
    new = [option.prop.leaving for option in options if option.prop is not None]
    return tuple(way for way in state.pushes if all(way in one.pushes for one in new))


def _damage(found: Review, rules: Rules) -> str:
    """What a change did to the part that stops it, "" if nothing."""
    known = {f.message for f in rules.received.findings}
    return next((f.message for f in found.findings if f.severity == "blocker"
                 and not f.kind.startswith("air/") and f.message not in known), "")
