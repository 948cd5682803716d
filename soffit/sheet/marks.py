"""What the drawings point at: places over air, and edits."""

from __future__ import annotations

import numpy as np

from soffit.findings.model import Finding
from soffit.part.model import Floats, Part
from soffit.plan.model import Resolution
from soffit.remedies.model import Edit
from soffit.sheet.drawings import Mark
from soffit.sheet.figure import ADDED, AIR, PROP, REMOVED, AreaKind

# More balloons than this cannot be told apart around one drawing (common practice).
MAX_BALLOONS = 48

_LOOK: dict[str, tuple[AreaKind, str]] = {
    "add": ("added", ADDED), "cut": ("removed", REMOVED), "prop": ("prop", PROP)}


def triangles_of(part: Part, finding: Finding) -> Floats:
    """The triangles over a finding, (k, 3, 3)."""
    return part.mesh.corners[finding.patch.triangles]


def place_mark(number: str, finding: Finding, part: Part) -> Mark:
    """A place over air on the part that it was found on."""
    return Mark(number, "air", AIR, finding.at_mm, triangles_of(part, finding), finding.patch.rings)


def edit_mark(number: str, edit: Edit, resolution: Resolution) -> Mark:
    """What an edit made of the produced part: its faces, or the bodies of its prop."""
    kind, color = _LOOK[edit.op]
    produced = resolution.produced
    faces = [f.id for f in produced.faces if f.edit == edit.id]
    corners = produced.mesh.corners[produced.triangles_of(faces)]
    if edit.op == "prop":
        bodies = [b.mesh.corners for b in resolution.props if b.name.split(" ")[0] == edit.id]
        if bodies:
            corners = np.concatenate(bodies)
    return Mark(number, kind, color, edit.at_mm, corners)


def numbered_and_rest(marks: tuple[Mark, ...]) -> tuple[tuple[Mark, ...], tuple[Mark, ...]]:
    """Marks with a balloon, and those that are only filled."""
    return marks[:MAX_BALLOONS], marks[MAX_BALLOONS:]
