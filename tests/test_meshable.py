"""Faces that the kernel's checker passes and its mesher makes nothing of."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest
from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace, BRepBuilderAPI_MakePolygon
from OCP.gp import gp_Pnt
from OCP.TopoDS import TopoDS_Face

from soffit.part.brep import edit, together
from soffit.part.brep.tessellate import can_be_meshed
from soffit.part.model import Change
from soffit.part.read import read
from soffit.part.solid import box

EXAMPLES = Path(__file__).resolve().parent.parent / "examples"
SQUARE = [(0.0, 0.0), (9.0, 0.0), (9.0, 9.0), (0.0, 9.0)]


def face(corners: Sequence[tuple[float, float]]) -> TopoDS_Face:
    outline = BRepBuilderAPI_MakePolygon()
    for x, y in corners:
        outline.Add(gp_Pnt(x, y, 0.0))
    outline.Close()
    return BRepBuilderAPI_MakeFace(outline.Wire(), True).Face()


def test_an_outline_that_crosses_itself_gives_no_mesh() -> None:
    crossed = face([SQUARE[0], SQUARE[2], SQUARE[1], SQUARE[3]])
    past_the_edge = face([*SQUARE[:3], (4.0, -0.5), SQUARE[3]])
    assert can_be_meshed([face(SQUARE)])
    assert can_be_meshed([])
    for bad in (crossed, past_the_edge):
        assert not can_be_meshed([bad])
        assert not can_be_meshed([face(SQUARE), bad])


def test_a_change_is_tried_with_another_tolerance_where_a_face_gives_no_mesh(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """As the mesher judged the first two results; with all of them bad the change is refused."""
    part = read(str(EXAMPLES / "ledge_bracket.step"))
    low, high = part.mesh.vertices.min(axis=0), part.mesh.vertices.max(axis=0)
    middle = 0.5 * (low + high)
    wide = box((low[0] - 1.0, middle[1] - 0.5, high[2] - 1.0),
               (high[0] + 1.0, middle[1] + 0.5, high[2] + 1.0))
    change = Change("cut", wide, "E1", "E1 groove")
    asked: list[int] = []

    def judged(faces: Sequence[TopoDS_Face]) -> bool:
        asked.append(len(faces))
        return len(asked) > 2

    monkeypatch.setattr(edit, "can_be_meshed", judged)
    made, refused = together.apply_what_can(part, [change])
    assert not refused and made.closed and len(asked) == 3 and min(asked) > 0

    monkeypatch.setattr(edit, "can_be_meshed", lambda _: False)
    _, refused = together.apply_what_can(part, [change])
    assert "cannot be turned into triangles" in refused[0]
