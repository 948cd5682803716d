"""Room that nothing may be added to: boxes, and the bodies of another file.

A body of another file stands where it stands beside the part in the customer's frame; both are
turned together. It counts as its mesh has it, which for curved faces of a B-rep is to within
`Part.deflection_mm`.

What was kept out is remembered in the frame of the part's file: a box whole, a file by its name
and what it holds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import manifold3d as m3
import numpy as np

from soffit.errors import InputError
from soffit.part.manifold import to_manifold
from soffit.part.mesh_solid import evaluate
from soffit.part.model import Floats, Part, Vec3
from soffit.part.place import transform
from soffit.part.solid import Hull, box

Box = tuple[float, float, float, float, float, float]

# Less is rounding where two solids touch, mm³ (derived: a nanometre over 10 cm²).
TOUCH_MM3 = 1e-6


@dataclass(frozen=True)
class BoxRoom:
    """A box by one corner and its three edges from there, in the frame of a part's file, mm: it
    may stand askew there."""

    corner_mm: Vec3
    edges_mm: tuple[Vec3, Vec3, Vec3]

    @property
    def volume_mm3(self) -> float:
        """Its volume, mm³."""
        return abs(float(np.linalg.det(np.array(self.edges_mm))))

    @property
    def points(self) -> Floats:
        """Its corners, (8, 3) mm."""
        steps = np.array([[i, j, k] for i in (0, 1) for j in (0, 1) for k in (0, 1)])
        return np.asarray(self.corner_mm + steps @ np.array(self.edges_mm))

    def moved(self, motion: Floats) -> BoxRoom:
        """The box under a rigid 4×4 motion, to a nanometre."""
        turn, shift = motion[:3, :3], motion[:3, 3]
        a, b, c = (_point(turn @ np.array(edge)) for edge in self.edges_mm)
        return BoxRoom(_point(turn @ np.array(self.corner_mm) + shift), (a, b, c))


@dataclass(frozen=True)
class FileRoom:
    """All bodies of another file."""

    file: str
    sha256: str


def remembered(keep_out: Sequence[Box | Part], placed: Part) -> tuple[BoxRoom | FileRoom, ...]:
    """What was kept out, in the frame of the file of the placed part."""
    back = np.asarray(np.linalg.inv(placed.placement), dtype=np.float64)
    return tuple(
        FileRoom(room.source.file, room.source.sha256) if isinstance(room, Part)
        else _upright(room).moved(back)
        for room in keep_out
    )


def _upright(room: Box) -> BoxRoom:
    x, y, z = (room[k + 3] - room[k] for k in range(3))
    return BoxRoom(room[:3], ((x, 0.0, 0.0), (0.0, y, 0.0), (0.0, 0.0, z)))


def _point(values: Floats) -> Vec3:
    x, y, z = (np.round(values, 6) + 0.0).tolist()
    return (x, y, z)


def rooms(keep_out: Sequence[Box | BoxRoom | Part], placed: Part) -> tuple[m3.Manifold, ...]:
    """Kept-out room as mesh-kernel solids in the frame of the placed part.

    Plain boxes are in that frame already; of a part, all its bodies count. Raises InputError for a
    part whose surface is not closed.
    """
    return tuple(_solid(room, placed) for room in keep_out)


def _solid(room: Box | BoxRoom | Part, placed: Part) -> m3.Manifold:
    if isinstance(room, Part):
        return _bodies(room, placed)
    if isinstance(room, BoxRoom):
        turn, shift = placed.placement[:3, :3], placed.placement[:3, 3]
        return evaluate(Hull(room.points @ turn.T + shift))
    return evaluate(box(room[:3], room[3:]))


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
