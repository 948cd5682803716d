"""Changes of a part applied in as few booleans as can be.

Those that keep clear of each other, additions and cuts apart, are applied by one boolean: on a part
of hundreds of faces each takes seconds, however small its tool. Where that leaves anything too
small, those beside it are applied alone, with all that there is to try; where it fails, each half
of them is tried.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from OCP.TopoDS import TopoDS_Shape

from soffit.errors import GeometryError
from soffit.part.brep.assemble import assemble
from soffit.part.brep.balance import Commons
from soffit.part.brep.edit import State, Step, Tools, applied, attempt, boxes_meet, forms, words_of
from soffit.part.model import Change, Part
from soffit.part.place import transform

# Tools are clear of each other where their boxes are farther apart than this, mm (derived: far
# above every tolerance of the kernel).
CLEAR_MM = 0.1


@dataclass
class Changed:
    """The state after some changes. By the index of each: the booleans that it took, or why it was
    not applied."""

    state: State
    steps: dict[int, tuple[Step, ...]] = field(default_factory=dict)
    refused: dict[int, str] = field(default_factory=dict)


def apply_what_can(part: Part, changes: Sequence[Change]) -> tuple[Part, dict[int, str]]:
    """`part` with the changes applied, each solid evaluated against the part as given; its mesh is
    not looked at. Those that cannot be applied are left out, and named by their index with the
    reason; the others take the names of the changes in order."""
    state = State.of(part)
    made = changed(state, changes, Tools(state.frame(part.placement)))
    if len(made.refused) == len(changes):
        return part, made.refused
    there = [k for k in range(len(changes)) if k not in made.refused]
    named = {changes[k].edit: changes[k].named(changes[i].edit) for i, k in enumerate(there)}
    tags = [replace(tag, name=named[tag.edit].name, edit=named[tag.edit].edit)
            if tag.edit in named else tag for tag in made.state.tags]
    notes = tuple(n for n in part.notes if n.kind != "file/mesh")
    whole = assemble(made.state.solids, tags, part.source, notes, part.deflection_mm)
    return transform(replace(whole, placement=np.eye(4)), part.placement), made.refused


def changed(state: State, changes: Sequence[Change], tools: Tools) -> Changed:
    """A state with all of the changes that can be applied: additions or cuts that follow each other
    in any order."""
    made = Changed(state)
    for _, run in itertools.groupby(range(len(changes)), key=lambda k: changes[k].op):
        for group in _clear(changes, list(run), tools):
            _apply(made, changes, group, tools, Commons())
    return made


def _clear(changes: Sequence[Change], run: Sequence[int], tools: Tools) -> list[list[int]]:
    """The changes of a run in groups whose tools are clear of each other."""
    if len(run) == 1:
        return [list(run)]
    groups: list[tuple[list[int], list[TopoDS_Shape]]] = []
    alone: list[list[int]] = []
    for k in run:
        # Kernel exceptions have no common class but Exception.
        try:
            tool = tools.of(forms(changes[k].solid)[0], changes[k].due_mm3)
        except Exception as error:
            words_of(error)  # another form of it may do
            alone.append([k])
            continue
        for members, there in groups:
            if not any(boxes_meet(tool, other, CLEAR_MM) for other in there):
                members.append(k)
                there.append(tool)
                break
        else:
            groups.append(([k], [tool]))
    return [*(members for members, _ in groups), *alone]


def _apply(
    made: Changed, changes: Sequence[Change], group: list[int], tools: Tools, commons: Commons
) -> None:
    """Apply a group; else those of it alone that leave something too small, or its halves."""
    if len(group) == 1:
        (k,) = group
        try:
            one = applied(made.state, changes[k], tools, commons)
        except GeometryError as error:
            made.refused[k] = str(error)
            return
        made.state, made.steps[k] = one.state, one.steps
        return
    mine = [tools.of(forms(changes[k].solid)[0], changes[k].due_mm3) for k in group]
    half = len(group) // 2
    parts = [group[:half], group[half:]]
    try:
        whole = attempt(made.state, [changes[k] for k in group], mine, 0.0, commons)
    except Exception as error:
        words_of(error)  # only one of geometry says that it cannot be had at once
    else:
        if not any(whole.flaws):
            made.state = whole.state
            made.steps |= {k: (step,) for k, step in zip(group, whole.steps, strict=True)}
            return
        small = [*whole.small.faces, *whole.small.edges]
        alone = [k for k, tool in zip(group, mine, strict=True)
                 if any(boxes_meet(tool, one, 0.5 * CLEAR_MM) for one in small)]
        if alone:
            parts = [[k for k in group if k not in alone], *([k] for k in alone)]
    for part in filter(None, parts):
        _apply(made, changes, part, tools, commons)
