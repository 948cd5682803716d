"""Changes applied to the solids of a part, and each face's descent kept.

A change is accepted only if the kernel's checker finds the result valid and the volumes add up
(`soffit.part.brep.balance`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from OCP.BRepTools import BRepTools_History
from OCP.TopAbs import TopAbs_FACE
from OCP.TopoDS import TopoDS_Shape

from soffit.errors import GeometryError, SoffitError
from soffit.part.brep.assemble import Tag
from soffit.part.brep.balance import BALANCE_MM3, Commons, balanced, check_due
from soffit.part.brep.boolean import boolean, unified
from soffit.part.brep.descent import Descent
from soffit.part.brep.mend import Flaws, Small, without_slivers
from soffit.part.brep.seam import merged_faces
from soffit.part.brep.shapes import (
    bounds,
    compound_of,
    copy_of,
    faces_of,
    from_bytes,
    is_valid,
    items,
    map_of,
    solids_of,
    volume_mm3,
)
from soffit.part.brep.solids import Frame, evaluate, file_frame
from soffit.part.brep.tessellate import can_be_meshed, tessellate
from soffit.part.model import Change, Floats, Mesh, Part, Vec3
from soffit.part.quality import LOOSE_MM
from soffit.part.solid import Fitted, Solid, Union

# Colours of the sheet's palette, RGB 0..1: material added teal #00797a, removed grey #8a8a8a.
COLORS: dict[str, Vec3] = {
    "add": (0.0, 121 / 255, 122 / 255),
    "cut": (138 / 255, 138 / 255, 138 / 255),
}

# Fuzzy tolerances to try in turn: exact first, then what closes gaps of rounding, of the
# polygon grid (1e-4 mm) and of ten grids (derived).
FUZZY_MM = (0.0, 1e-5, 1e-4, 1e-3)

# Faces too small to pick that a change may leave at most (from memory of two real parts: with 26
# and with 37 of them later booleans held, with 63 none did).
MOST_SLIVERS = 45


@dataclass(frozen=True)
class State:
    """Solids of a part in its file's frame, with the tags of their faces."""

    solids: tuple[TopoDS_Shape, ...]
    tags: tuple[Tag, ...]

    @staticmethod
    def of(part: Part) -> State:
        """The solids of a part. Raises GeometryError where it has no B-rep."""
        tags = tuple(Tag(f.name, f.color, f.origin, f.edit) for f in part.faces)
        return State(tuple(solids_of(_shape(part))), tags)

    def frame(self, placement: Floats) -> Frame:
        """Where a solid meant for these solids is evaluated; `placement` as of a `Part`."""
        return file_frame(placement, faces_of(compound_of(self.solids)))


@dataclass(frozen=True)
class Step:
    """One boolean: the tool as it was taken, the solids that it met, united for an addition, and by
    how much their volume grew (below zero for a cut), mm³."""

    tool: TopoDS_Shape
    met: tuple[TopoDS_Shape, ...]
    gained_mm3: float


@dataclass(frozen=True)
class Applied:
    """The state after changes, the booleans that they took, and what is too small of what these
    made."""

    state: State
    steps: tuple[Step, ...]
    small: Small

    @property
    def flaws(self) -> Flaws:
        """How much that is."""
        return self.small.flaws


def solid_mesh(solid: Solid, part: Part) -> Mesh:
    """Mesh of a solid expression in the build frame; faces numbered from 1."""
    made = _evaluated_in_build_frame(solid, part)
    return tessellate(solids_of(made), part.deflection_mm).mesh


def solid_volume(solid: Solid, part: Part) -> float:
    """Volume of a solid expression, mm³."""
    return volume_mm3(_evaluated_in_build_frame(solid, part))


def _evaluated_in_build_frame(solid: Solid, part: Part) -> TopoDS_Shape:
    frame = Frame(np.eye(4), faces_of(_shape(part)), part.placement)
    made, _ = unified(evaluate(solid, frame), ())
    if not solids_of(made):
        raise GeometryError("evaluate a solid: it is empty")
    return made


def _shape(part: Part) -> TopoDS_Shape:
    if part.brep is None:
        raise GeometryError(f"{part.source.file}: has no B-rep; edit its mesh instead")
    return from_bytes(part.brep)


def _doing(change: Change) -> str:
    return f"edit {change.edit} ({change.op} {change.name!r})"


def forms(solid: Solid) -> tuple[Solid, ...]:
    """The forms of a solid that suit this kernel, the best first."""
    return solid.exact if isinstance(solid, Fitted) else (solid,)


class Tools:
    """Solids of changes as the kernel's, each made once."""

    def __init__(self, frame: Frame) -> None:
        self._frame = frame
        # The solid is kept, so that its `id` stays its own.
        self._made: dict[int, tuple[Solid, TopoDS_Shape]] = {}

    def of(self, solid: Solid, due_mm3: float | None) -> TopoDS_Shape:
        """A solid as a tool that is to change so much. Raises GeometryError, or what the kernel
        raises."""
        if id(solid) not in self._made:
            tool = self._evaluated(solid, self._frame)
            try:
                check_due(due_mm3, tool)
            except GeometryError:
                # The kernel lost a lump where faces all but touch; with tolerance it may not.
                tool = self._evaluated(solid, replace(self._frame, fuzzy_mm=LOOSE_MM))
            self._made[id(solid)] = solid, tool
        return self._made[id(solid)][1]

    def _evaluated(self, solid: Solid, frame: Frame) -> TopoDS_Shape:
        tool, _ = unified(evaluate(solid, frame), ())
        if not solids_of(tool) or volume_mm3(tool) <= BALANCE_MM3:
            raise GeometryError("the solid is empty")
        return tool


def applied(state: State, change: Change, tools: Tools, commons: Commons) -> Applied:
    """A change applied: of the forms of its solid the first that leaves nothing too small, else the
    one that leaves least, if that is few; a union that the kernel does not take whole part by part.
    `commons`: what is known of its tool. Raises GeometryError."""
    reasons: list[str] = []
    least: Applied | None = None
    for form in forms(change.solid):
        try:
            made = _taken(state, change, form, tools, commons)
        except GeometryError as error:
            reasons.append(str(error))
            if not isinstance(form, Union):
                continue
            try:
                made = _in_steps(state, change, form, tools)
            except GeometryError:
                continue
        if not any(made.flaws):
            return made
        if least is None or made.flaws < least.flaws:
            least = made
    if least is None:
        # The exact attempt says best what is wrong.
        raise GeometryError(f"{_doing(change)}: {reasons[0]}")
    if least.flaws.slivers > MOST_SLIVERS:
        raise GeometryError(f"{_doing(change)}: it would leave {least.flaws.slivers} faces too "
                            f"small to pick, more than {MOST_SLIVERS}; not applied")
    return least


def _taken(
    state: State, change: Change, form: Solid, tools: Tools, commons: Commons
) -> Applied:
    """One form applied with the tolerances in turn: the first that leaves no sliver and no short
    edge, else the one that leaves least, its slivers taken out where the kernel can do without
    them. Raises GeometryError."""
    try:
        tool = tools.of(form, change.due_mm3)
    except Exception as error:
        raise GeometryError(f"{words_of(error)}; drop the edit") from None
    if not any(boxes_meet(solid, tool) for solid in state.solids):
        raise GeometryError("it does not touch the part; not applied" if change.op == "add" else
                            "there is nothing of the part to cut; drop the edit")
    check_due(change.due_mm3, tool)
    reasons: list[str] = []
    least: tuple[Applied, float] | None = None
    for fuzzy_mm in FUZZY_MM:
        if least is not None and fuzzy_mm >= LOOSE_MM:
            break  # loose edges are no better than short ones
        try:
            made = attempt(state, [change], [tool], fuzzy_mm, commons)
        except Exception as error:
            reasons.append(f"{words_of(error)}; not applied")
            continue
        if least is None or made.flaws < least[0].flaws:
            least = (made, fuzzy_mm)
        # Tolerance does not mend slivers, another form may; it closes short edges.
        if made.flaws.slivers or not any(made.flaws):
            break
    if least is None:
        raise GeometryError(reasons[0])
    made, fuzzy_mm = least
    if made.small.mendable:
        try:
            mended = attempt(state, [change], [tool], fuzzy_mm, commons, mend=True)
        except Exception as error:
            words_of(error)  # only one of geometry says that it cannot be mended
            return made
        if mended.flaws < made.flaws:
            return mended
    return made


def _in_steps(state: State, change: Change, form: Union, tools: Tools) -> Applied:
    """The parts of a union applied in turn, with what is too small of the last of them: what the
    kernel merges to one tool touches more of the part at once. Raises GeometryError."""
    steps: list[Step] = []
    piece = replace(change, due_mm3=None)
    for part in form.parts:
        made = _taken(state, piece, part, tools, Commons())
        state = made.state
        steps += made.steps
    check_due(change.due_mm3, compound_of(step.tool for step in steps),
              sum(step.gained_mm3 for step in steps))
    return replace(made, steps=tuple(steps))


def words_of(error: Exception) -> str:
    """What went wrong in one attempt; an error that is not of geometry is passed on."""
    if isinstance(error, SoffitError):
        return str(error)
    if not type(error).__module__.startswith("OCP"):
        raise error
    return f"the B-rep kernel failed ({type(error).__name__})"


def attempt(
    state: State, changes: Sequence[Change], tools: Sequence[TopoDS_Shape], fuzzy_mm: float,
    commons: Commons, *, mend: bool = False,
) -> Applied:
    """The state after one boolean, a step for each of the changes. Several are all additions or all
    cuts, clear of each other, and leave as many bodies as there were. `commons`: what is known of
    the tools; `mend`: without what is too small and can be taken out. Raises GeometryError, or what
    the kernel raises."""
    op = changes[0].op
    touched = [i for i, solid in enumerate(state.solids)
               if any(boxes_meet(solid, tool) for tool in tools)]
    before = [state.solids[i] for i in touched]
    # Merging changes shapes in place, also where the attempt fails: it gets copies.
    taken, own_tools = [copy_of(solid) for solid in before], [copy_of(tool) for tool in tools]
    result, history = _boolean_one_by_one(op, taken, compound_of(own_tools), fuzzy_mm)
    own = _tags_by_solid(state)
    new = [(tool, Tag(name=change.name, color=COLORS[op], edit=change.edit))
           for tool, change in zip(own_tools, changes, strict=True)]
    found = Descent([f for solid in taken for f in faces_of(solid)],
                    [tag for i in touched for tag in own[i]], new)
    keep = found.to_keep(result, history)
    result, merged = merged_faces(result, keep)
    history.Merge(merged)
    if mend:
        result, without = without_slivers(result, found.small(solids_of(result)))
        history.Merge(without)
    after = solids_of(result)
    if not after:
        raise GeometryError("nothing of the part would be left")
    if op == "add" and len(after) > len(before):
        raise GeometryError("it does not touch the part")
    if len(tools) > 1 and len(after) != len(before):
        raise GeometryError("bodies are joined or parted")
    if not all(is_valid(solid) for solid in after):
        raise GeometryError("the geometry checker rejects the result")
    if op == "add" and len(before) > 1:
        # Bodies that overlap count once after an addition that joins them: unite them for the sum.
        before = taken = [_union(taken)]
    # A face that is in both counts the same in both.
    there, old = (map_of(compound_of(s), TopAbs_FACE) for s in (after, taken))
    gone = [face for face, now in zip(faces_of(compound_of(before)), items(old), strict=True)
            if not there.FindIndex(now)]
    come = [face for face in faces_of(compound_of(after)) if not old.FindIndex(face)]
    if not can_be_meshed(come):
        raise GeometryError("a face of the result cannot be turned into triangles")
    try:
        gained = balanced(op, commons.mm3(before, tools), tools, gone, come, mend)
    except GeometryError:
        if len(tools) > 1 or not commons.find_alone(before, tools[0]):
            raise
        gained = balanced(op, commons.mm3(before, tools), tools, gone, come, mend)
    for change, tool, grown in zip(changes, tools, gained, strict=True):
        check_due(change.due_mm3, tool, grown)
    # The changed bodies take the place of the first of them, so that order stays.
    solids: list[TopoDS_Shape] = []
    tags: list[Tag] = []
    for i, solid in enumerate(state.solids):
        if i == touched[0]:
            solids += after
            tags += found.tags(after, history)
        elif i not in touched:
            solids.append(solid)
            tags += own[i]
    steps = tuple(Step(t, tuple(before), g) for t, g in zip(tools, gained, strict=True))
    return Applied(State(tuple(solids), tuple(tags)), steps, found.small(after))


def _boolean_one_by_one(
    op: Literal["add", "cut"], before: Sequence[TopoDS_Shape], tool: TopoDS_Shape, fuzzy_mm: float
) -> tuple[TopoDS_Shape, BRepTools_History]:
    """Bodies of a file may overlap, which one boolean of all of them would not take."""
    tools = solids_of(tool)
    if op == "cut":
        cut: list[TopoDS_Shape] = []
        whole = BRepTools_History()
        for body in before:
            shape, history = boolean("cut", [body], tools, fuzzy_mm)
            cut.append(shape)
            whole.Merge(history)
        return compound_of(s for shape in cut for s in solids_of(shape)), whole
    result, whole = boolean("add", [before[0]], tools, fuzzy_mm)
    for body in before[1:]:
        result, history = boolean("add", solids_of(result), [body], fuzzy_mm)
        whole.Merge(history)
    return result, whole


def _union(shapes: Sequence[TopoDS_Shape]) -> TopoDS_Shape:
    result = shapes[0]
    for other in shapes[1:]:
        result, _ = boolean("add", solids_of(result), [other], 0.0)
    return result


def _tags_by_solid(state: State) -> list[list[Tag]]:
    found: list[list[Tag]] = []
    at = 0
    for solid in state.solids:
        count = len(faces_of(solid))
        found.append(list(state.tags[at : at + count]))
        at += count
    return found


def boxes_meet(a: TopoDS_Shape, b: TopoDS_Shape, apart_mm: float = 0.0) -> bool:
    """Whether the boxes of two shapes are no farther apart than this."""
    (low_a, high_a), (low_b, high_b) = bounds(a), bounds(b)
    return bool((low_a <= high_b + apart_mm).all() and (low_b <= high_a + apart_mm).all())
