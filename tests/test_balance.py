"""Volumes of a change that must add up, as well as the faces of its tool meet."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from OCP.BRep import BRep_Builder
from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace, BRepBuilderAPI_MakePolygon
from OCP.gp import gp_Pnt
from OCP.TopoDS import TopoDS_Face, TopoDS_Shell, TopoDS_Solid

from soffit.errors import GeometryError
from soffit.part.brep.balance import balanced
from soffit.part.brep.shapes import edges_of, faces_of


def face(*corners: Sequence[float]) -> TopoDS_Face:
    outline = BRepBuilderAPI_MakePolygon()
    for corner in corners:
        outline.Add(gp_Pnt(*corner))
    outline.Close()
    return BRepBuilderAPI_MakeFace(outline.Wire(), True).Face()


def cube(size: float, short: float = 0.0) -> TopoDS_Solid:
    """A cube, one side of which ends so far below the top."""
    s, t = size, size - short
    shell, builder, solid = TopoDS_Shell(), BRep_Builder(), TopoDS_Solid()
    builder.MakeShell(shell)
    for corners in (
        [(0, 0, 0), (0, s, 0), (s, s, 0), (s, 0, 0)], [(0, 0, s), (s, 0, s), (s, s, s), (0, s, s)],
        [(0, 0, 0), (s, 0, 0), (s, 0, s), (0, 0, s)], [(0, s, 0), (0, s, s), (s, s, s), (s, s, 0)],
        [(0, 0, 0), (0, 0, s), (0, s, s), (0, s, 0)], [(s, 0, 0), (s, s, 0), (s, s, t), (s, 0, t)],
    ):
        builder.Add(shell, face(*corners))
    builder.MakeSolid(solid)
    builder.Add(solid, shell)
    return solid


def test_what_a_change_gains_is_what_its_tool_adds() -> None:
    """A cube of 10 mm in the open: a thousand, and not 0.03 % more."""
    whole = cube(10.0)
    assert balanced("add", [0.0], [whole], [], faces_of(whole), False) == [pytest.approx(1000.0)]
    for size in (10.001, 9.999):
        with pytest.raises(GeometryError, match="do not add up"):
            balanced("add", [0.0], [whole], [], faces_of(cube(size)), False)


def test_where_a_tool_does_not_quite_close_its_volume_is_known_no_better() -> None:
    """A side 0.01 mm short leaves a gap of 0.1 mm²: 1/6 mm³ less about the middle, at 5 mm, and
    1/3 mm³ less about the corner. Three times the difference, half a mm³, is allowed for."""
    gaping, due = cube(10.0, 0.01), 1000.0 - 1.0 / 6.0
    for size in (10.0, 9.999):
        gained = balanced("add", [0.0], [gaping], [], faces_of(cube(size)), False)
        assert gained == [pytest.approx(size**3)]
        assert 0.1 < abs(size**3 - due) < 0.6
    for size in (9.997, 10.002):
        assert abs(size**3 - due) > 0.6
        with pytest.raises(GeometryError, match="do not add up"):
            balanced("add", [0.0], [gaping], [], faces_of(cube(size)), False)


def test_what_the_edges_of_a_part_leave_open_is_allowed_for_up_to_half_a_percent() -> None:
    """Four edges of 10 mm around each of six faces, 7.07 mm from the middle, with a tolerance of t
    leave 24 · 10 · 7.07 t / 3 = 566 t mm³ open; 5 mm³ of 1000 are never exceeded."""
    whole = cube(10.0)

    def loose(size: float, tolerance: float) -> TopoDS_Solid:
        made = cube(size)
        for edge in edges_of(made):
            BRep_Builder().UpdateEdge(edge, tolerance)
        return made

    for size, tolerance, passes in (
        (10.001, 1e-4, False),  # 0.3 mm³ more, 0.06 open
        (10.001, 1e-3, True),  # 0.57 open
        (10.01, 1e-2, True),  # 3.0 mm³ more, 5.7 open
        (10.02, 0.1, False),  # 6.0 mm³ more
    ):
        come = faces_of(loose(size, tolerance))
        if passes:
            assert balanced("add", [0.0], [whole], [], come, False) == [pytest.approx(size**3)]
            continue
        with pytest.raises(GeometryError, match="do not add up"):
            balanced("add", [0.0], [whole], [], come, False)
