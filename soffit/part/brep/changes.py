"""What each edit really added or removed, as solids: see `soffit.part.changes`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from OCP.TopoDS import TopoDS_Shape

from soffit.errors import GeometryError
from soffit.part.brep.beside import beside_solids
from soffit.part.brep.boolean import boolean, combine, unified
from soffit.part.brep.edit import COLORS, FUZZY_MM, State, Step, Tools
from soffit.part.brep.shapes import from_bytes, is_valid, solids_of, volume_mm3
from soffit.part.brep.together import changed
from soffit.part.brep.write import PROP_COLOR, NamedSolid, solids_text
from soffit.part.changes import DrawnEdit, matches
from soffit.part.model import Body, Change, Part

# Volume that the part as produced may differ from the edits applied anew, of its own (derived: a
# hundred times the rounding of the kernel's binary form; the same steps give the same solids).
_SAME_REL = 1e-9


def changes_text(
    received: Part,
    produced: Part,
    drawn: Sequence[Sequence[Change | Body]],
    file: str,
    product: str,
    stamp: str,
) -> tuple[bytes, tuple[DrawnEdit, ...]]:
    """The STEP file of what was changed, and what each edit has in it. Raises GeometryError."""
    assert produced.brep is not None
    state = State.of(received)
    solids: list[NamedSolid] = []
    edits: list[DrawnEdit] = []
    for step in drawn:
        frame = state.frame(received.placement)
        changes = [item for item in step if isinstance(item, Change)]
        made = changed(state, changes, Tools(frame))
        if made.refused:
            raise GeometryError(next(iter(made.refused.values())))
        state, taken = made.state, iter(range(len(changes)))
        for item in step:
            if isinstance(item, Body):
                lumps = beside_solids(item, frame)
                measured = sum(map(volume_mm3, lumps))
                color = PROP_COLOR
            else:
                steps = made.steps[next(taken)]
                lumps = _lumps(item.op, item.name, steps)
                measured = abs(sum(s.gained_mm3 for s in steps))
                color = COLORS[item.op]
            solids += [NamedSolid(lump, item.name, color) for lump in lumps]
            edits.append(DrawnEdit(item.name, len(lumps), measured))
    due = volume_mm3(from_bytes(produced.brep))
    if abs(sum(map(volume_mm3, state.solids)) - due) > _SAME_REL * due:
        raise GeometryError("the edits applied anew do not give the part as produced")
    return solids_text(solids, (), file, product, stamp, "material added and removed"), tuple(edits)


def _lumps(op: Literal["add", "cut"], name: str, steps: Sequence[Step]) -> list[TopoDS_Shape]:
    """What a change added or removed, as solids, united where it took more than one boolean.
    Raises GeometryError."""
    found = [lump for step in steps for lump in _trimmed(op, name, step)]
    return found if len(steps) == 1 else list(solids_of(combine("add", found)))


def _trimmed(op: Literal["add", "cut"], name: str, made: Step) -> list[TopoDS_Shape]:
    """What of the tool was outside the solids that it was added to, or inside those that it was
    cut from. Raises GeometryError where no attempt gives solids of the volume that is due."""
    for fuzzy_mm in FUZZY_MM:
        # Kernel exceptions have no common class but Exception.
        try:
            if op == "add":
                (met,) = made.met
                found, _ = boolean("cut", solids_of(made.tool), solids_of(met), fuzzy_mm)
                lumps = _merged(found)
            else:
                lumps = [lump for body in made.met for lump in
                         _merged(boolean("common", [body], solids_of(made.tool), fuzzy_mm)[0])]
        except Exception:
            continue
        total = sum(map(volume_mm3, lumps))
        if all(map(is_valid, lumps)) and matches(total, abs(made.gained_mm3)):
            return lumps
    raise GeometryError(f"drawing {name}: the B-rep kernel finds no solid of its volume")


def _merged(shape: TopoDS_Shape) -> list[TopoDS_Shape]:
    return list(solids_of(unified(shape, ())[0]))
