"""Changes to a mesh part: volumes, faces that stay, faces that are new, refusals."""

from __future__ import annotations

import math

import manifold3d as m3
import numpy as np
import pytest

from soffit.errors import GeometryError
from soffit.part.edit import apply, make_body
from soffit.part.manifold import to_manifold
from soffit.part.mesh_edit import ADDED, REMOVED, check_balance
from soffit.part.mesh_solid import solid_mesh
from soffit.part.model import Change, Face, Part, Source, Surface
from soffit.part.solid import Cone, Solid, box


def part_of(solid: Solid) -> Part:
    """A mesh part of this solid, one face for each plane or smooth region."""
    mesh = solid_mesh(solid)
    faces = []
    for number in range(1, int(mesh.face_of.max()) + 1):
        mine = np.flatnonzero(mesh.face_of == number)
        x, y, z = mesh.corners[mine].mean(axis=(0, 1)).tolist()
        u, v, w = mesh.normals[mine[0]].tolist()
        area = float(mesh.areas[mine].sum())
        faces.append(
            Face(number, Surface.REGION, 0, area, (x, y, z), (u, v, w), origin=number)
        )
    return Part(Source("x.stl", "stl", "", "mm", "option"), mesh, tuple(faces), 1, True)


@pytest.fixture
def cube() -> Part:
    return part_of(box((0, 0, 0), (10, 10, 10)))


def facing(part: Part, direction: tuple[float, float, float]) -> list[Face]:
    return [f for f in part.faces if np.dot(f.normal, direction) > 0.999]


def test_add_a_block_to_a_side(cube: Part) -> None:
    made = apply(cube, [Change("add", box((9.5, 3, 3), (14, 7, 7)), "E1", "rib")])
    assert made.mesh.volume_mm3 == pytest.approx(1000 + 4 * 4 * 4, rel=1e-12)
    assert to_manifold(made.mesh) is not None
    assert [f.id for f in made.faces] == list(range(1, 12))
    new = [f for f in made.faces if f.edit == "E1"]
    assert len(new) == 5
    assert {f.name for f in new} == {"rib"} and {f.color for f in new} == {ADDED}
    assert {f.surface for f in new} == {Surface.PLANE}
    assert sorted(f.area_mm2 for f in new) == pytest.approx([16] * 5)
    side = [f for f in facing(made, (1, 0, 0)) if f.edit is None]
    assert len(side) == 1
    assert side[0].area_mm2 == pytest.approx(100 - 16)
    assert sorted(f.origin for f in made.faces if f.origin) == [1, 2, 3, 4, 5, 6]
    assert made.mesh.area_mm2 == pytest.approx(600 + 4 * 16)


def test_triangles_lie_in_the_planes_of_their_faces(cube: Part) -> None:
    made = apply(cube, [Change("add", box((9.5, 3, 3), (14, 7, 7)), "E1", "rib")])
    for face in made.faces:
        corners = made.mesh.corners[made.triangles_of([face.id])].reshape(-1, 3)
        assert np.abs((corners - face.centroid) @ np.array(face.normal)).max() < 1e-9
    assert np.linalg.norm(made.mesh.normals, axis=1) == pytest.approx(1.0)


def test_cut_a_bore(cube: Part) -> None:
    bore = Cone((5, 5, -1), (0, 0, 1), 12.0, 2.0, 2.0)
    made = apply(cube, [Change("cut", bore, "E1", "bore")])
    area = 48 * math.sin(2 * math.pi / 96) * 4
    assert made.mesh.volume_mm3 == pytest.approx(1000 - 10 * area, rel=1e-9)
    new = [f for f in made.faces if f.edit == "E1"]
    assert len(new) == 1
    assert new[0].surface is Surface.REGION and new[0].color == REMOVED


def test_a_face_that_is_covered_goes_and_numbers_close_up(cube: Part) -> None:
    made = apply(cube, [Change("add", box((0, 0, 9.99), (10, 10, 12)), "E1", "lid")])
    assert made.mesh.volume_mm3 == pytest.approx(1200, rel=1e-9)
    assert [f.id for f in made.faces] == list(range(1, len(made.faces) + 1))
    assert len([f for f in made.faces if f.origin is not None]) == 5
    assert set(np.unique(made.mesh.face_of).tolist()) == {f.id for f in made.faces}


def test_two_changes_keep_the_first_one_s_faces(cube: Part) -> None:
    first = Change("add", box((9.5, 3, 3), (14, 7, 7)), "E1", "rib")
    second = Change("cut", box((12, 4, 4), (15, 6, 6)), "E2", "slot")
    made = apply(cube, [first, second])
    assert made.mesh.volume_mm3 == pytest.approx(1064 - 8, rel=1e-12)
    assert {f.edit for f in made.faces} == {None, "E1", "E2"}
    assert len([f for f in made.faces if f.edit == "E2"]) == 5


def test_bodies_stay_apart_and_new_faces_join_theirs() -> None:
    both = part_of(box((0, 0, 0), (10, 10, 10)) | box((20, 0, 0), (30, 10, 10)))
    right = both.mesh.corners.mean(axis=1)[:, 0] > 15
    mesh = type(both.mesh)(
        both.mesh.vertices,
        both.mesh.triangles,
        both.mesh.face_of,
        both.mesh.normals,
        right.astype(np.int64),
    )
    bodies = {n: int(mesh.body_of[mesh.face_of == n][0]) for n in range(1, 13)}
    faces = tuple(
        Face(f.id, f.surface, bodies[f.id], f.area_mm2, f.centroid, f.normal, origin=f.id)
        for f in both.faces
    )
    both = Part(both.source, mesh, faces, 2, True)
    made = apply(both, [Change("add", box((29, 3, 3), (33, 7, 7)), "E1", "rib")])
    assert {f.body for f in made.faces if f.edit} == {1}
    centre = made.mesh.corners.mean(axis=1)[:, 0]
    assert (made.mesh.body_of == (centre > 15)).all()


def test_an_addition_that_hangs_free_is_refused(cube: Part) -> None:
    with pytest.raises(GeometryError, match=r"E1.*does not touch"):
        apply(cube, [Change("add", box((11, 0, 0), (12, 1, 1)), "E1", "rib")])


def test_an_empty_solid_is_refused(cube: Part) -> None:
    nothing = box((0, 0, 0), (1, 1, 1)) & box((2, 2, 2), (3, 3, 3))
    with pytest.raises(GeometryError, match="empty"):
        apply(cube, [Change("add", nothing, "E1", "rib")])


def test_an_open_part_is_refused(cube: Part) -> None:
    mesh = cube.mesh
    opened = type(mesh)(
        mesh.vertices, mesh.triangles[1:], mesh.face_of[1:], mesh.normals[1:], mesh.body_of[1:]
    )
    part = Part(cube.source, opened, cube.faces, 1, False)
    with pytest.raises(GeometryError, match="not closed"):
        apply(part, [Change("cut", box((4, 4, 4), (6, 6, 20)), "E1", "slot")])


def test_volume_balance_is_checked() -> None:
    cube = m3.Manifold.cube((10, 10, 10))
    tool = m3.Manifold.cube((2, 2, 2)).translate((9, 4, 4))
    check_balance(cube, tool, cube + tool, "add", "edit")
    check_balance(cube, tool, cube - tool, "cut", "edit")
    with pytest.raises(GeometryError, match=r"1000\.0000 mm³ where 1004\.0000"):
        check_balance(cube, tool, cube, "add", "edit")


def test_the_part_is_left_as_it_was(cube: Part) -> None:
    before = cube.mesh.vertices.copy()
    apply(cube, [Change("cut", box((4, 4, 4), (6, 6, 20)), "E1", "slot")])
    assert (cube.mesh.vertices == before).all()
    assert len(cube.faces) == 6


def test_make_body(cube: Part) -> None:
    body = make_body("prop 1", box((20, 0, 0), (22, 3, 4)), cube)
    assert body.name == "prop 1"
    assert body.mesh.volume_mm3 == pytest.approx(24)
