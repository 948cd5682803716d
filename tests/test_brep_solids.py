"""Solid expressions in the B-rep kernel against closed forms and the mesh kernel."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest

from examples._cad import box as block
from examples._cad import cylinder as rod
from soffit.errors import GeometryError
from soffit.part import mesh_solid
from soffit.part.brep_edit import make_body, solid_mesh, solid_volume
from soffit.part.model import Part
from soffit.part.place import place
from soffit.part.solid import (
    Cone,
    Difference,
    Drop,
    Extrusion,
    Hull,
    Intersection,
    Moved,
    Polyhedron,
    Prism,
    Solid,
    Union,
    box,
)
from soffit.part.step import read_shape


def ring(*points: tuple[float, float]) -> np.ndarray:
    return np.array(points, dtype=np.float64)


SQUARE = ring((0, 0), (10, 0), (10, 10), (0, 10))
HOLE = ring((3, 3), (3, 7), (7, 7), (7, 3))
TRIANGLE = ring((20, 0), (30, 0), (30, 10))
WEDGE = Hull(np.array([[0, 0, 0], [0, 20, 0], [0, 0, -10], [0, 20, -10], [10, 0, 0], [10, 20, 0]],
                      dtype=np.float64))
PYRAMID = Polyhedron(
    np.array([[0, 0, 0], [6, 0, 0], [6, 6, 0], [0, 6, 0], [3, 3, 5]], dtype=np.float64),
    ((3, 2, 1, 0), (0, 1, 4), (1, 2, 4), (2, 3, 4), (3, 0, 4)),
)


def turned(angle_deg: float, axis: Sequence[float], shift: Sequence[float]) -> np.ndarray:
    a = np.asarray(axis, dtype=np.float64) / np.linalg.norm(axis)
    k = np.array([[0, -a[2], a[1]], [a[2], 0, -a[0]], [-a[1], a[0], 0]])
    t = math.radians(angle_deg)
    matrix = np.eye(4)
    matrix[:3, :3] = np.eye(3) + math.sin(t) * k + (1 - math.cos(t)) * k @ k
    matrix[:3, 3] = shift
    return matrix


@pytest.fixture(scope="module")
def part() -> Part:
    """A block standing askew: nothing may depend on the file's frame being the build frame."""
    return place(read_shape(block((0, 0, 0), (30, 30, 30))), (1, 2, 3))


CLOSED_FORMS = {
    "box": (box((1, 2, 3), (4, 7, 10)), 105.0, 6),
    "prism with hole and second lump": (Prism((SQUARE, HOLE, TRIANGLE), 1, 4), 402.0, 15),
    "ledge wedge d=10 b=20": (WEDGE, 1000.0, 5),
    "pyramid": (PYRAMID, 60.0, 5),
    "slanted sweep": (
        Extrusion(np.array([[0, 0, 0], [4, 0, 0], [4, 5, 0], [0, 5, 0.0]]), (3, 0, 6)), 120.0, 6),
    "cylinder": (Cone((1, 2, 3), (1, 1, 1), 7, 2, 2), math.pi * 28, 3),
    "cone to a point": (Cone((0, 0, 0), (0, 0, -1), 9, 3, 0), math.pi * 27, 2),
    "frustum": (Cone((0, 0, 0), (0, 1, 0), 6, 2, 5), math.pi * 6 / 3 * (4 + 10 + 25), 3),
    "cylinder in a box, cut": (
        Difference(box((-5, -5, 0), (5, 5, 4)), Cone((0, 0, -1), (0, 0, 1), 6, 3, 3)),
        400 - math.pi * 36, 7),
    "two boxes in a corner": (
        Union((box((0, 0, 0), (4, 4, 4)), box((2, 2, 2), (6, 6, 6)))), 120.0, 12),
    "two boxes side by side": (
        Union((box((0, 0, 0), (4, 4, 4)), box((4, 0, 0), (9, 4, 4)))), 144.0, 6),
    "quarter cone sector": (
        Intersection((Cone((0, 0, 0), (0, 0, 1), 6, 6, 0), box((0, 0, 0), (9, 9, 9)))),
        math.pi * 36 * 6 / 3 / 4, 4),
    "moved twice": (
        Moved(Moved(box((0, 0, 0), (2, 3, 4)), turned(30, (0, 0, 1), (5, 0, 0))),
              turned(50, (1, 0, 2), (0, 7, 0))), 24.0, 6),
}


@pytest.mark.parametrize("name", CLOSED_FORMS)
def test_volume_and_faces(part: Part, name: str) -> None:
    """Closed form, number of faces after planes are merged, and the mesh kernel's answer."""
    solid, volume, faces = CLOSED_FORMS[name]
    assert solid_volume(solid, part) == pytest.approx(volume, rel=1e-9)
    mesh = solid_mesh(solid, part)
    assert len(np.unique(mesh.face_of)) == faces
    # Curved ones: chords lie inside the circle.
    assert mesh.volume_mm3 == pytest.approx(volume, rel=2e-2)
    other = mesh_solid.solid_mesh(solid, part)
    assert other.volume_mm3 == pytest.approx(volume, rel=5e-3)
    assert mesh.bounds == pytest.approx(other.bounds, abs=0.05)
    # Outward: normals of the true surface and facets agree.
    outward = np.einsum("ij,ij->i", mesh.cross, mesh.normals)
    assert (outward[mesh.areas > 1e-9] > 0).all()


def test_slot_wedges_meet_at_half_the_span(part: Part) -> None:
    """Two wedges across a slot of span 12: area s²/4 = 36 mm² (oracle: derived)."""
    s, length = 12.0, 20.0
    roof = Prism((ring((0, 0), (s, 0), (s, length), (0, length)),), -s, 0)
    free = Extrusion(np.array([[0, 0, -s], [s / 2, 0, -s / 2], [s, 0, -s], [s, 0, -2 * s],
                               [0, 0, -2 * s]]), (0, length, 0))
    roof_only = Prism((ring((0, 0), (s, 0), (s, length), (0, length)),), -s / 2, 0)
    tent = Hull(np.array([[0, y, -s / 2] for y in (0, length)] +
                         [[s, y, -s / 2] for y in (0, length)] +
                         [[s / 2, y, 0] for y in (0, length)], dtype=np.float64))
    assert solid_volume(Difference(roof_only, tent), part) == pytest.approx(36 * length)
    assert solid_volume(Difference(roof, free), part) == pytest.approx(
        s * s * length - (s / 2) ** 2 * length)


def test_round_blind_ceiling(part: Part) -> None:
    """Filling a round ceiling at 45° all round takes πr³/3 (r=5: 130.900 mm³, oracle 7), as a
    cylinder less its cone."""
    r = 5.0
    fill = Difference(Cone((0, 0, 0), (0, 0, 1), r, r, r), Cone((0, 0, 0), (0, 0, 1), r, r, 0))
    assert solid_volume(fill, part) == pytest.approx(2 * math.pi * r**3 / 3)
    cone = Cone((0, 0, 0), (0, 0, 1), r, r, 0)
    assert solid_volume(cone, part) == pytest.approx(130.900, abs=5e-4)


def test_circle_of_many_segments_becomes_as_many_planes(part: Part) -> None:
    t = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    outline = 8 * np.column_stack([np.cos(t), np.sin(t)])
    area = 0.5 * 60 * 64 * math.sin(2 * math.pi / 60)
    prism = Prism((outline,), 0, 3)
    assert solid_volume(prism, part) == pytest.approx(3 * area, rel=1e-12)
    assert len(np.unique(solid_mesh(prism, part).face_of)) == 62


def test_doubled_and_straight_corners_make_no_faces(part: Part) -> None:
    outline = ring((0, 0), (5, 0), (5, 0), (10, 0), (10, 10), (10 + 1e-9, 10), (5, 10), (0, 10))
    mesh = solid_mesh(Prism((outline,), 0, 2), part)
    assert len(np.unique(mesh.face_of)) == 6
    assert mesh.volume_mm3 == pytest.approx(200)


def test_hull_of_a_dented_cloud_is_its_hull(part: Part) -> None:
    rng = np.random.default_rng(7)
    corners = np.array([[x, y, z] for x in (0, 9) for y in (0, 8) for z in (0, 7)], dtype=float)
    inside = rng.uniform([1, 1, 1], [8, 7, 6], (40, 3))
    on_face = np.column_stack([rng.uniform(1, 8, 10), rng.uniform(1, 7, 10), np.zeros(10)])
    matrix = turned(33, (1, 2, 3), (40, -20, 5))
    points = np.vstack([corners, inside, on_face]) @ matrix[:3, :3].T + matrix[:3, 3]
    mesh = solid_mesh(Hull(points), part)
    assert mesh.volume_mm3 == pytest.approx(504, rel=1e-9)
    assert len(np.unique(mesh.face_of)) == 6


def test_drop_sweeps_true_faces_in_the_build_frame() -> None:
    """The ball's lower half swept down: plan area × depth, though the file stands otherwise."""
    lying = place(read_shape(rod((0, 0, 0), (0, 0, 1), 10, 50)), (1, 0, 0))
    (side,) = [f for f in lying.faces if f.radius_mm]
    flat = place(read_shape(block((0, 0, 0), (10, 20, 30))), (0.3, 0.2, 0.9))
    down = [f for f in flat.faces if f.normal[2] < -0.1]
    assert len(down) == 3
    plan = sum(-f.normal[2] * f.area_mm2 for f in down)
    drop = Drop(tuple(f.id for f in down), flat.triangles_of([f.id for f in down]), 4.0)
    assert solid_volume(drop, flat) == pytest.approx(4 * plan)
    mesh = solid_mesh(drop, flat)
    assert mesh.bounds[0, 2] == pytest.approx(-4, abs=1e-9)
    assert side.area_mm2 == pytest.approx(2 * math.pi * 10 * 50)


def test_body_of_a_prop(part: Part) -> None:
    body = make_body("post 1", box((0, 0, 0), (8, 8, 60)), part)
    assert body.name == "post 1"
    assert body.mesh.volume_mm3 == pytest.approx(3840)


@pytest.mark.parametrize(
    ("solid", "says"),
    [
        (Hull(np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [1, 1, 0.0]])), "one plane"),
        (Extrusion(np.array([[0, 0, 0], [4, 0, 0], [4, 5, 0.0]]), (1, 1, 0)), "own plane"),
        (Polyhedron(PYRAMID.vertices, PYRAMID.loops[:4]), "not make a closed solid"),
        (Polyhedron(PYRAMID.vertices + np.outer([0, 0, 1, 0, 0], [0, 0, 0.3]), PYRAMID.loops),
         "out of its plane"),
        (Intersection((box((0, 0, 0), (1, 1, 1)), box((5, 5, 5), (6, 6, 6)))), "empty"),
        (Difference(box((0, 0, 0), (1, 1, 1)), box((-1, -1, -1), (6, 6, 6))), "empty"),
        (Prism((HOLE,), 0, 1), "empty"),
        (Drop((99,), np.array([0]), 1.0), "no face 99"),
    ],
)
def test_what_is_no_solid_is_said(part: Part, solid: Solid, says: str) -> None:
    with pytest.raises(GeometryError, match=says):
        solid_volume(solid, part)
