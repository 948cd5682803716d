"""What the edits added, removed and stood beside a part, each as a body of its own, as STEP.

With this file beside the drawing, a CAD user can rebuild each edit as a feature. A body is what
really came or went: an added solid without what the part already filled, a removed one as far as
there was material, both against the part as the edits before had left it. So the bodies added
less those removed are the change of volume of the part.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import cast

from soffit.errors import GeometryError
from soffit.part import kernel
from soffit.part.brep_edit import without_mesh
from soffit.part.measure import solid_volumes
from soffit.part.model import Body, Change, Part
from soffit.part.quality import brep_quality
from soffit.part.step import STAMP, read_step
from soffit.part.write_mesh import write_whole

# How far the volume of a body may be from what the part gained or lost: a thousandth, and a cube
# of 0.1 mm where that is nothing (derived: the balance that an edit keeps is a tenth of it).
VOLUME_REL = 1e-3
VOLUME_MM3 = 1e-3


@dataclass(frozen=True)
class DrawnEdit:
    """One edit in the file: in how many lumps, and its volume by what the part gained or lost
    (by its own solids for a prop), mm³."""

    name: str
    lumps: int
    volume_mm3: float


def write_changes(
    received: Part,
    produced: Part,
    drawn: Sequence[Sequence[Change | Body]],
    path: Path,
    *,
    product: str,
    stamp: str = STAMP,
    timeout_s: float = 600.0,
) -> tuple[DrawnEdit, ...]:
    """Write the changes and props in `drawn` as AP242, in the frame of the part's file, mm.

    `drawn` are in the order in which they made `produced` of `received`, step by step; the solids
    of one step are meant for the part as it was before the step. The file is read back: each edit
    must have its volume and be valid.

    Raises GeometryError where an edit cannot be drawn or is read back as another, KernelError
    where the kernel fails, InputError where the file cannot be written.
    """
    text, edits = cast(
        "tuple[bytes, tuple[DrawnEdit, ...]]",
        kernel.call(
            "soffit.part.brep.changes:changes_text",
            without_mesh(received),
            without_mesh(produced),
            [list(step) for step in drawn],
            path.name,
            product,
            stamp,
            timeout_s=timeout_s,
            doing=f"writing {path.name}",
        ),
    )
    write_whole(path, text)
    try:
        _check(path, edits)
    except GeometryError:
        path.unlink()
        raise
    return edits


def matches(volume_mm3: float, due_mm3: float) -> bool:
    """Whether a volume is what is due, within what drawing and writing may change."""
    return abs(volume_mm3 - due_mm3) <= VOLUME_REL * due_mm3 + VOLUME_MM3


def _check(path: Path, edits: Sequence[DrawnEdit]) -> None:
    back = read_step(path)
    quality = brep_quality(back)
    if not (quality.valid and quality.closed):
        raise GeometryError(f"reading {path.name} back: the geometry checker rejects a body")
    volumes = list(solid_volumes(back))
    if len(volumes) != sum(edit.lumps for edit in edits):
        raise GeometryError(f"reading {path.name} back: it holds {len(volumes)} bodies")
    for edit in edits:
        mine, volumes = volumes[: edit.lumps], volumes[edit.lumps :]
        if not matches(sum(mine), edit.volume_mm3):
            raise GeometryError(
                f"reading {path.name} back: {edit.name} has {sum(mine):.4f} mm³ where "
                f"{edit.volume_mm3:.4f} mm³ is due"
            )
