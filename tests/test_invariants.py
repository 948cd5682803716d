"""What must not matter: turning about Z, moving, mirroring, refining, company in the file."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from OCP.TopoDS import TopoDS_Shape
from scipy.spatial import ConvexHull

from examples._cad import mirror_x
from soffit.findings.model import Review
from soffit.findings.review import review
from soffit.part.model import Face, Floats, Mesh, Part, Source, Surface
from soffit.part.place import place, transform
from tests import shapes
from tests.shapes import process_with, read

PROCESS = process_with()

SHAPES: dict[str, TopoDS_Shape] = {
    "mixed": shapes.mixed(),
    "counterbore": shapes.counterbore(),
    "ball": shapes.ball(8),
    "cross hole": shapes.cross_hole(6, 16),
    "ramp": shapes.ramp(30),
    "tongue": shapes.hanging_tongue(),
}

Row = tuple[str, str, float]


def rows(found: Review) -> list[Row]:
    """Kind, severity and area of each air finding, sorted."""
    return sorted((f.kind, f.severity, f.area_mm2) for f in found.findings
                  if f.kind.startswith("air/"))


def assert_same(one: Sequence[Row], other: Sequence[Row], rel: float, floor: float = 0.05) -> None:
    assert [r[:2] for r in one] == [r[:2] for r in other]
    assert [r[2] for r in one] == pytest.approx([r[2] for r in other], rel=rel, abs=floor)


@pytest.fixture(scope="module")
def parts(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Part]:
    folder = tmp_path_factory.mktemp("shapes")
    return {name: read(shape, folder, name.replace(" ", "_")) for name, shape in SHAPES.items()}


@pytest.fixture(scope="module")
def plain(parts: dict[str, Part]) -> dict[str, list[Row]]:
    return {name: rows(review(part, PROCESS)) for name, part in parts.items()}


def moved(part: Part, degrees: float = 0.0, by: tuple[float, float] = (0.0, 0.0)) -> Part:
    """The part turned about Z and moved in plan."""
    step = np.eye(4)
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    step[:2, :2] = [[c, -s], [s, c]]
    step[:2, 3] = by
    return transform(part, step)


def with_mesh(part: Part, mesh: Mesh, bodies: int = 1) -> Part:
    return replace(part, mesh=mesh, bodies=bodies)


def test_every_shape_has_something_to_compare(plain: dict[str, list[Row]]) -> None:
    assert {name: [r[0] for r in found] for name, found in plain.items()} == {
        "mixed": ["air/bridge", "air/bridge", "air/ceiling", "air/island", "air/ledge",
                  "air/ledge"],
        "counterbore": ["air/ceiling"],
        "ball": ["air/slope"],
        "cross hole": ["air/bridge", "air/slope", "air/slope"],
        "ramp": ["air/slope"],
        "tongue": ["air/bridge", "air/island"],
    }


@pytest.mark.parametrize("name", sorted(SHAPES))
@pytest.mark.parametrize("degrees", [0.01, 17.3, 45.0, 90.0, 133.7, 270.0])
def test_turning_about_z(
    parts: dict[str, Part], plain: dict[str, list[Row]], name: str, degrees: float
) -> None:
    assert_same(rows(review(moved(parts[name], degrees), PROCESS)), plain[name], 0.002)


@pytest.mark.parametrize("name", sorted(SHAPES))
@pytest.mark.parametrize("by", [(0.1234, -7.77), (1000.0, -2500.0)])
def test_moving_in_plan(parts: dict[str, Part], plain: dict[str, list[Row]], name: str,
                        by: tuple[float, float]) -> None:
    assert_same(rows(review(moved(parts[name], by=by), PROCESS)), plain[name], 0.001)


@pytest.mark.parametrize("name", ["mixed", "cross hole"])
def test_a_file_drawn_far_off_the_origin(plain: dict[str, list[Row]], tmp_path: Path,
                                         name: str) -> None:
    """Moved before it is written, in all three axes; `place` sets it on the platform."""
    part = read(shapes.move(SHAPES[name], (812.5, -431.25, 333.0)), tmp_path)
    assert float(part.mesh.bounds[0, 2]) == pytest.approx(0, abs=1e-9)
    assert_same(rows(review(part, PROCESS)), plain[name], 0.002)


@pytest.mark.parametrize("name", sorted(SHAPES))
def test_mirrored(plain: dict[str, list[Row]], tmp_path: Path, name: str) -> None:
    assert_same(rows(review(read(mirror_x(SHAPES[name]), tmp_path), PROCESS)), plain[name], 0.005)


@pytest.mark.parametrize("name", sorted(SHAPES))
def test_refining_the_mesh_changes_nothing(parts: dict[str, Part], plain: dict[str, list[Row]],
                                           name: str) -> None:
    """Each triangle split in four at the middles of its sides: the same surface."""
    mesh = parts[name].mesh
    count = len(mesh.vertices)
    sides = np.sort(mesh.triangles[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1)
    unique, which = np.unique(sides, axis=0, return_inverse=True)
    m = count + which.reshape(-1, 3)
    a, b, c = mesh.triangles.T
    fine = np.stack([np.stack([a, m[:, 0], m[:, 2]], 1), np.stack([b, m[:, 1], m[:, 0]], 1),
                     np.stack([c, m[:, 2], m[:, 1]], 1), m], axis=1).reshape(-1, 3)
    finer = Mesh(
        vertices=np.concatenate([mesh.vertices, mesh.vertices[unique].mean(axis=1)]),
        triangles=fine,
        face_of=np.repeat(mesh.face_of, 4),
        normals=np.repeat(mesh.normals, 4, axis=0),
        body_of=np.repeat(mesh.body_of, 4),
    )
    assert finer.volume_mm3 == pytest.approx(mesh.volume_mm3, rel=1e-9)
    assert_same(rows(review(with_mesh(parts[name], finer), PROCESS)), plain[name], 0.001)


@pytest.mark.parametrize(("one", "other"), [("mixed", "tongue"), ("ball", "cross hole"),
                                            ("ramp", "counterbore")])
def test_two_distant_parts_have_the_findings_of_both(
    parts: dict[str, Part], plain: dict[str, list[Row]], one: str, other: str
) -> None:
    first, second = parts[one].mesh, moved(parts[other], by=(150, 40)).mesh
    both = Mesh(
        vertices=np.concatenate([first.vertices, second.vertices]),
        triangles=np.concatenate([first.triangles, second.triangles + len(first.vertices)]),
        face_of=np.concatenate([first.face_of, second.face_of + int(first.face_of.max())]),
        normals=np.concatenate([first.normals, second.normals]),
        body_of=np.concatenate([first.body_of, second.body_of + 1]),
    )
    count = len(parts[one].faces)
    faces = parts[one].faces + tuple(replace(f, id=f.id + count) for f in parts[other].faces)
    whole = replace(with_mesh(parts[one], both, bodies=2), faces=faces)
    assert_same(rows(review(whole, PROCESS)), sorted(plain[one] + plain[other]), 0.001)


def hull_part(points: Floats) -> tuple[Part, float] | None:
    """Hull of the points resting on its largest face, with its least downskin angle; None
    where the hull is too slim to rest or to judge."""
    hull = ConvexHull(points)
    triangles = hull.simplices.astype(np.int64)
    corner = points[triangles]
    normal = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    inward = np.einsum("ij,ij->i", normal, hull.equations[:, :3]) < 0
    triangles[inward] = triangles[inward][:, ::-1]
    normals = hull.equations[:, :3].copy()
    used, triangles = np.unique(triangles, return_inverse=True)
    triangles = triangles.reshape(-1, 3)
    mesh = Mesh(points[used], triangles, np.arange(1, len(triangles) + 1), normals,
                np.zeros(len(triangles), dtype=np.int64))
    if mesh.areas.max() < 4 or mesh.volume_mm3 < 20:
        return None
    down = normals[int(mesh.areas.argmax())]
    faces = tuple(Face(k + 1, Surface.PLANE, 0, 0.0, (0, 0, 0), (0, 0, 1))
                  for k in range(len(triangles)))
    part = Part(Source("hull", "points", "", "mm", "object"), mesh, faces, 1, True)
    placed = place(part, tuple((-down).tolist()))
    facing = -placed.mesh.normals[:, 2]
    others = np.delete(facing, int(mesh.areas.argmax()))
    coplanar = others > 1 - 1e-9
    worst = float(others[~coplanar].max())
    return placed, math.degrees(math.acos(min(1.0, worst)))


@settings(max_examples=60, deadline=None, derandomize=True)
@given(points=st.lists(st.tuples(*(st.floats(0, 20, width=32),) * 3), min_size=6, max_size=14,
                       unique=True))
def test_convex_body_on_a_face_is_clean_unless_it_leans_out_too_far(
    points: list[tuple[float, float, float]]
) -> None:
    """Oracle 16: no dihedral over 135 degrees at the face it rests on, so no downskin angle
    under 45: no finding. A convex body's flattest lower face touches the resting one or lies
    above a steeper one, so the least downskin angle of all faces decides."""
    cloud = np.array(points, dtype=np.float64)
    if np.linalg.matrix_rank(cloud - cloud[0], tol=1e-3) < 3:
        return
    made = hull_part(cloud)
    if made is None:
        return
    part, least_deg = made
    found = [f for f in review(part, PROCESS).findings if f.kind.startswith("air/")]
    if least_deg >= 45:
        assert found == []


@pytest.mark.parametrize("lean_deg", [0, 20, 40, 44.9])
def test_frustum_that_leans_out_within_the_limit_is_clean(tmp_path: Path, lean_deg: float) -> None:
    """Wider above: dihedral 90 + lean under 135 degrees at its foot."""
    part = read(shapes.frustum(lean_deg), tmp_path)
    assert review(part, PROCESS).findings == ()


@pytest.mark.parametrize("lean_deg", [46, 60])
def test_frustum_that_leans_out_beyond_the_limit_is_not(tmp_path: Path, lean_deg: float) -> None:
    found = review(read(shapes.frustum(lean_deg), tmp_path), PROCESS)
    assert not found.clean and {f.kind for f in found.findings} == {"air/slope"}
