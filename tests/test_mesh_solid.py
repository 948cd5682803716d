"""Solid expressions in the mesh kernel against closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest

from soffit.errors import GeometryError
from soffit.part.mesh_solid import evaluate, make_body, solid_mesh
from soffit.part.model import Face, Mesh, Part, Source, Surface
from soffit.part.solid import Cone, Drop, Extrusion, Hull, Moved, Polyhedron, Prism, box

SQUARE = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 10.0], [0.0, 10.0]])
HOLE = np.array([[2.0, 2.0], [2.0, 5.0], [6.0, 5.0], [6.0, 2.0]])


def sheet(vertices: list[list[float]], triangles: list[list[int]]) -> Part:
    """A part whose mesh is only these triangles: enough for `Drop`."""
    v, t = np.array(vertices, dtype=float), np.array(triangles)
    ones = np.ones(len(t), dtype=np.int64)
    mesh = Mesh(v, t, ones, np.tile([0.0, 0.0, -1.0], (len(t), 1)), ones - 1)
    face = Face(1, Surface.REGION, 0, 1.0, (0.0, 0.0, 0.0), (0.0, 0.0, -1.0), origin=1)
    return Part(Source("x", "object", "", "mm", "object"), mesh, (face,), 1, False)


def test_prism_with_a_hole_and_two_lumps() -> None:
    prism = Prism((SQUARE, HOLE, SQUARE + 20.0), 1.0, 3.5)
    made = evaluate(prism)
    assert made.volume() == pytest.approx((100 - 12 + 100) * 2.5, rel=1e-12)
    assert len(made.decompose()) == 2
    assert made.bounding_box() == (0.0, 0.0, 1.0, 30.0, 30.0, 3.5)


def test_prism_keeps_exact_coordinates() -> None:
    odd = SQUARE + np.array([1 / 3, math.pi])
    vertices = solid_mesh(Prism((odd,), 0.1, 0.7)).vertices
    assert {tuple(v) for v in vertices.tolist()} == {
        (x, y, z) for x, y in odd.tolist() for z in (0.1, 0.7)
    }


def test_prism_whose_rings_touch_in_a_point() -> None:
    other = SQUARE + 10.0
    assert evaluate(Prism((SQUARE, other), 0.0, 1.0)).volume() == pytest.approx(200.0, rel=1e-9)


def test_empty_prism_has_no_volume() -> None:
    assert evaluate(Prism((SQUARE,), 2.0, 2.0)).volume() == 0.0


@pytest.mark.parametrize("along", [(0.0, 4.0, 0.0), (0.0, -4.0, 1.0)])
def test_extrusion_sweeps_either_way(along: tuple[float, float, float]) -> None:
    triangle = np.array([[0.0, 0.0, 0.0], [3.0, 0.0, 0.0], [0.0, 0.0, 3.0]])
    assert evaluate(Extrusion(triangle, along)).volume() == pytest.approx(4.5 * 4, rel=1e-12)


def test_extrusion_within_its_plane_is_refused() -> None:
    triangle = np.array([[0.0, 0.0, 0.0], [3.0, 0.0, 0.0], [0.0, 0.0, 3.0]])
    with pytest.raises(GeometryError, match="own plane"):
        evaluate(Extrusion(triangle, (1.0, 0.0, 1.0)))


@pytest.mark.parametrize("axis", [(0, 0, 1), (0, 0, -1), (1, 0, 0), (1, 2, 2)])
@pytest.mark.parametrize(("r0", "r1"), [(3.0, 0.0), (0.0, 3.0), (3.0, 1.0), (2.0, 2.0)])
def test_cone_lies_inside_and_outside_the_true_one(
    axis: tuple[float, float, float], r0: float, r1: float
) -> None:
    true = math.pi * 5 / 3 * (r0 * r0 + r0 * r1 + r1 * r1)
    turn = 2 * math.pi / 96
    inner = evaluate(Cone((1, 2, 3), axis, 5.0, r0, r1)).volume()
    outer = evaluate(Cone((1, 2, 3), axis, 5.0, r0, r1, outside=True)).volume()
    assert inner == pytest.approx(true * math.sin(turn) / turn, rel=1e-9)
    assert outer == pytest.approx(true * math.tan(turn / 2) / (turn / 2), rel=1e-9)


def test_hull_box_polyhedron_and_moved() -> None:
    assert evaluate(box((0, 0, 0), (2, 3, 4))).volume() == pytest.approx(24, rel=1e-12)
    corner = np.array([[0, 0, 0], [3, 0, 0], [0, 3, 0], [0, 0, 3.0]])
    assert evaluate(Hull(corner)).volume() == pytest.approx(4.5, rel=1e-12)
    vertices = np.array([[x, y, z] for z in (0.0, 2.0) for x, y in SQUARE.tolist()])
    walls = [(i, (i + 1) % 4, (i + 1) % 4 + 4, i + 4) for i in range(4)]
    loops = ((3, 2, 1, 0), (4, 5, 6, 7), *walls)
    matrix = np.array([[0, -1, 0, 5], [1, 0, 0, 6], [0, 0, 1, 7], [0, 0, 0, 1.0]])
    made = evaluate(Moved(Polyhedron(vertices, loops), matrix))
    assert made.volume() == pytest.approx(200, rel=1e-12)
    assert made.bounding_box() == pytest.approx((-5, 6, 7, 5, 16, 9))


def test_polyhedron_with_a_loop_on_one_line() -> None:
    """Where one side of an edge is cut in three and the other is not, a loop without area closes
    the gap between them."""
    corners = np.array([[0, 0, 0], [6, 0, 0], [0, 6, 0], [0, 0, 6], [2, 0, 0], [4, 0, 0]], float)
    loops = ((0, 2, 1, 5, 4), (0, 1, 3), (1, 2, 3), (0, 3, 2), (0, 4, 5, 1))
    assert evaluate(Polyhedron(corners, loops)).volume() == pytest.approx(36.0)


def test_boolean_expressions() -> None:
    a, b = box((0, 0, 0), (2, 2, 2)), box((1, 0, 0), (3, 2, 2))
    assert evaluate(a | b).volume() == pytest.approx(12)
    assert evaluate(a & b).volume() == pytest.approx(4)
    assert evaluate(a - b).volume() == pytest.approx(4)


def test_drop_sweeps_a_slanted_sheet_by_plan_area_times_depth() -> None:
    part = sheet([[0, 0, 5], [4, 0, 7], [4, 3, 7], [0, 3, 5]], [[0, 2, 1], [0, 3, 2]])
    made = evaluate(Drop((1,), np.array([0, 1]), 2.0), part)
    assert made.volume() == pytest.approx(12 * 2.0, rel=1e-12)
    assert made.bounding_box() == (0.0, 0.0, 3.0, 4.0, 3.0, 7.0)


def test_drop_of_sheets_that_touch_in_one_vertex() -> None:
    part = sheet(
        [[0, 0, 5], [2, 0, 5], [0, 2, 5], [-2, 0, 5], [0, -2, 5]], [[0, 2, 1], [0, 4, 3]]
    )
    made = evaluate(Drop((1,), np.array([0, 1]), 1.0), part)
    assert made.volume() == pytest.approx(4.0, rel=1e-12)


def test_drop_of_sheets_one_above_the_other_counts_once() -> None:
    low = [[0, 0, 5], [2, 0, 5], [0, 2, 5]]
    high = [[x, y, 6] for x, y, _ in low]
    part = sheet(low + high, [[0, 2, 1], [3, 5, 4]])
    made = evaluate(Drop((1,), np.array([0, 1]), 2.0), part)
    assert made.volume() == pytest.approx(2.0 * 3.0, rel=1e-9)


def test_drop_refuses_a_face_that_looks_up() -> None:
    part = sheet([[0, 0, 5], [2, 0, 5], [0, 2, 5]], [[0, 1, 2]])
    with pytest.raises(GeometryError, match="looks up"):
        evaluate(Drop((1,), np.array([0]), 2.0), part)


def test_body_mesh_is_closed_and_has_one_face_for_each_plane() -> None:
    body = make_body("prop", Prism((SQUARE, HOLE), 0.0, 1.0))
    assert body.mesh.volume_mm3 == pytest.approx(88.0, rel=1e-12)
    assert len(np.unique(body.mesh.face_of)) == 10
    cone = solid_mesh(Cone((0, 0, 0), (0, 0, 1), 5.0, 3.0, 1.0))
    assert len(np.unique(cone.face_of)) == 3
