"""Bodies beside the part and faces that must stay as they are."""

from __future__ import annotations

from pathlib import Path

import pytest

from soffit.part.edit import make_body
from soffit.part.model import Mesh, Part
from soffit.part.solid import box as room
from soffit.plan.protect import select_faces, touched_face
from tests.shapes import box, fuse, read


@pytest.fixture(name="boss")
def boss_on_a_plate(tmp_path: Path) -> Part:
    """A plate 5 thick with a boss 2 × 2 on it, 1 high."""
    return read(fuse(box((0, 0, 0), (40, 40, 5)), box((19, 19, 4), (21, 21, 6))), tmp_path)


def body(part: Part, low: tuple[float, float, float], high: tuple[float, float, float]) -> Mesh:
    return make_body("prop", room(low, high), part).mesh


@pytest.mark.parametrize(
    ("low", "high", "touches"),
    [
        ((19.5, 19.5, 6), (20.5, 20.5, 12), True),  # stands within the face
        ((10, 10, 6), (30, 30, 12), True),  # covers all of it, no corner on it
        ((10, 19.8, 6), (30, 20.2, 12), True),  # runs across it, no corner on it
        ((19.5, 19.5, 6.3), (20.5, 20.5, 12), False),  # stands off by more than is a touch
        ((21.4, 19, 5), (24, 21, 12), False),  # stands on the plate beside it
    ],
)
def test_a_body_that_marks_a_protected_face(
    boss: Part, low: tuple[float, float, float], high: tuple[float, float, float], touches: bool
) -> None:
    (top,) = select_faces(boss, "face near 20,20,6 facing +z")
    found = touched_face(boss, [top], body(boss, low, high))
    assert found == (top if touches else None)
