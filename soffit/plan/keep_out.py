"""Room that nothing may be added to: boxes, and the bodies of another file.

A body of another file stands where it stands beside the part in the customer's frame; both are
turned together. It counts as its mesh has it, which for curved faces of a B-rep is to within
`Part.deflection_mm`.
"""

from __future__ import annotations

from collections.abc import Sequence

import manifold3d as m3
import numpy as np

from soffit.errors import InputError
from soffit.part.manifold import to_manifold
from soffit.part.mesh_solid import evaluate
from soffit.part.model import Part
from soffit.part.place import transform
from soffit.part.solid import box

Box = tuple[float, float, float, float, float, float]

# Less is rounding where two solids touch, mm³ (derived: a nanometre over 10 cm²).
TOUCH_MM3 = 1e-6


def rooms(keep_out: Sequence[Box | Part], placed: Part) -> tuple[m3.Manifold, ...]:
    """Kept-out room as mesh-kernel solids in the frame of the placed part.

    Boxes are in that frame already; of a part, all its bodies count. Raises InputError for a
    part whose surface is not closed.
    """
    return tuple(
        _bodies(room, placed) if isinstance(room, Part) else evaluate(box(room[:3], room[3:]))
        for room in keep_out
    )


def _bodies(room: Part, placed: Part) -> m3.Manifold:
    beside = transform(room, placed.placement @ np.linalg.inv(room.placement))
    solid = to_manifold(beside.mesh) if room.closed else None
    if solid is None or solid.volume() <= TOUCH_MM3:
        raise InputError(
            f"keeping out {room.source.file}: its surface is not closed, so it bounds no room; "
            "mend it, or give a box"
        )
    return solid


def enters(solid: m3.Manifold, room: m3.Manifold, part: Part) -> bool:
    """Whether an added solid would take some of a room that the part does not take already."""
    shared = solid ^ room
    if shared.volume() <= TOUCH_MM3:
        return False
    taken = to_manifold(part.mesh)
    return taken is None or (shared - taken).volume() > TOUCH_MM3
