"""Volumes before and after a change, which must add up.

V(after) = V(before) + V(tool) − V(common) for an addition, V(before) − V(common) for a cut. What a
tool has in common with the part takes a boolean of its own to find, as long as that of the change.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Literal

import numpy as np
from OCP.BRep import BRep_Tool
from OCP.TopoDS import TopoDS_Face, TopoDS_Shape

from soffit.errors import GeometryError
from soffit.part.brep.boolean import boolean
from soffit.part.brep.shapes import (
    border_mm,
    bounds,
    compound_of,
    edges_of,
    solids_of,
    volume_about,
    volume_mm3,
)
from soffit.part.changes import matches
from soffit.part.model import Floats

# Volume balance: 1e-4 of the tool, and 1e-3 mm³, a cube of 0.1 mm, where that is nothing: far
# under what a missing or doubled lump would be, over the error of integration (derived).
BALANCE_REL = 1e-4
BALANCE_MM3 = 1e-3

# Where the faces of a tool do not quite meet, that counts three times: in its own volume, in what
# it has in common with the part, and in the result (derived).
GAPS = 3.0

# Where the edges of the part itself are known no better than to a tolerance, as in files of other
# kernels, volumes are not either; but no more is ever allowed for that, as a share of what a change
# comes to (derived: what a remedy's volume may be off by its closed form).
LOOSE_SHARE = 0.005

# What a tool changes may differ from what is due by so much, as a share and in mm³ (derived: facets
# of a mesh 0.02 mm off over 50 mm², and a fifth for forms that differ on purpose; what the kernel
# got wrong, silently, on two real parts was off by half and more).
DUE_SHARE, DUE_MM3 = 0.2, 1.0

_INTEGRATION = 1e-6  # relative error per face, a hundredth of the balance (derived)


class Commons:
    """What tools that are clear of each other have in common with a part, each found once: what one
    of them changes is not in reach of the others."""

    def __init__(self) -> None:
        # By the tool's `id`: the tool, kept so that this stays its own, the volume, and whether it
        # was found alone.
        self._found: dict[int, tuple[TopoDS_Shape, float, bool]] = {}

    def find_alone(self, part: Sequence[TopoDS_Shape], tool: TopoDS_Shape) -> bool:
        """Find it again, of a tool of which it is known, by a boolean of its own, which may make
        more of it than one of several; whether that is news."""
        _, known, alone = self._found[id(tool)]
        if alone:
            return False
        del self._found[id(tool)]
        return self.mm3(part, [tool]) != [known]

    def mm3(self, part: Sequence[TopoDS_Shape], tools: Sequence[TopoDS_Shape]) -> list[float]:
        """Volume that each tool has in common with the solids of a part, mm³."""
        new = [tool for tool in tools if id(tool) not in self._found]
        if new:
            common = [boolean("common", [s], [compound_of(new)], 0.0)[0] for s in part]
            for tool, lumps in zip(new, _by_tool(common, new), strict=True):
                about = bounds(tool).mean(axis=0)
                self._found[id(tool)] = tool, _volume(lumps, about), len(new) == 1
        return [self._found[id(tool)][1] for tool in tools]


def balanced(
    op: Literal["add", "cut"],
    common_mm3: Sequence[float],
    tools: Sequence[TopoDS_Shape],
    gone: Sequence[TopoDS_Face],
    come: Sequence[TopoDS_Face],
    mended: bool,
) -> list[float]:
    """By how much the volume grew by each tool, mm³, where these faces went and came. Raises
    GeometryError where that is not what is due; what was mended may be off by as much as a body in
    the file of changes."""
    box = bounds(compound_of(tools))
    about = box.mean(axis=0)
    v_tools = [_volume([tool], about) for tool in tools]
    if op == "cut" and min(common_mm3) <= BALANCE_MM3:
        raise GeometryError("there is nothing of the part to cut")
    grown = _volume(come, about) - _volume(gone, about)
    dues = [t - c if op == "add" else -c for t, c in zip(v_tools, common_mm3, strict=True)]
    due = sum(dues)
    off, allowed = abs(grown - due), BALANCE_REL * sum(v_tools) + BALANCE_MM3
    if off > allowed:
        # Faces that do not quite meet have another volume about another point.
        allowed += GAPS * abs(sum(v_tools) - _volume(tools, box[0]))
        allowed += min(_loose_mm3([*gone, *come], about), LOOSE_SHARE * min(map(abs, dues)))
    if off <= allowed or (mended and matches(abs(grown), abs(due))):
        return [grown] if len(tools) == 1 else dues
    raise GeometryError(
        f"the volumes do not add up: the part grows by {grown:.4f} mm³ where {due:.4f} mm³ is due "
        f"(tool {sum(v_tools):.4f}, common {sum(common_mm3):.4f})"
    )


def check_due(
    due_mm3: float | None, tool: TopoDS_Shape, gained_mm3: float | None = None
) -> None:
    """Raises GeometryError where a tool is too small for what is due of it, or gains more. Less it
    may gain: another change may have been there before."""
    if due_mm3 is None:
        return
    allowed, tool_mm3 = DUE_SHARE * due_mm3 + DUE_MM3, volume_mm3(tool)
    wrong = tool_mm3 if tool_mm3 < due_mm3 - allowed else None
    if gained_mm3 is not None and abs(gained_mm3) > due_mm3 + allowed:
        wrong = abs(gained_mm3)
    if wrong is not None:
        raise GeometryError(f"the B-rep kernel makes {wrong:.2f} mm³ of what is {due_mm3:.2f} mm³")


def _volume(shapes: Iterable[TopoDS_Shape], about: Floats) -> float:
    return sum(volume_about(shape, about, _INTEGRATION) for shape in shapes)


def _loose_mm3(faces: Sequence[TopoDS_Face], about: Floats) -> float:
    """Volume that the tolerances of the edges of faces leave open, mm³: beside an edge of length l
    two faces may be apart by its tolerance t, and the cone from that strip to a point at the
    distance d holds t l d / 3 (derived)."""
    total = 0.0
    for edge in edges_of(compound_of(faces)):
        away = float(np.linalg.norm(bounds(edge).mean(axis=0) - about))
        total += BRep_Tool.Tolerance_s(edge) * border_mm(edge) * away / 3.0
    return total


def _by_tool(
    shapes: Sequence[TopoDS_Shape], tools: Sequence[TopoDS_Shape]
) -> list[list[TopoDS_Shape]]:
    """The solids of shapes that lie within each of some tools, whose boxes are clear of each
    other."""
    if len(tools) == 1:
        return [list(shapes)]
    boxes = [bounds(tool) for tool in tools]
    found: list[list[TopoDS_Shape]] = [[] for _ in tools]
    for solid in (s for shape in shapes for s in solids_of(shape)):
        middle = bounds(solid).mean(axis=0)
        for mine, (low, high) in zip(found, boxes, strict=True):
            if (low <= middle).all() and (middle <= high).all():
                mine.append(solid)
    return found
