"""Bodies beside the part, put together from their triangles where nothing else draws them."""

from __future__ import annotations

from types import SimpleNamespace

import manifold3d as m3
import numpy as np
import pytest
from OCP.TopoDS import TopoDS_Shape

from examples._cad import box as block
from soffit.errors import GeometryError
from soffit.part.brep import beside
from soffit.part.brep.beside import beside_solids
from soffit.part.brep.shapes import faces_of, from_bytes, is_valid, to_bytes, volume_mm3
from soffit.part.brep.solids import Frame, file_frame
from soffit.part.model import Body, Floats, Ints, Mesh, Vec3
from soffit.part.place import place
from soffit.part.solid import Intersection, Solid, box
from soffit.part.step import read_shape

# An expression that gives nothing, so that the triangles must do.
NOTHING = Intersection((box((0, 0, 0), (1, 1, 1)), box((3, 3, 3), (4, 4, 4))))


@pytest.fixture(autouse=True)
def _nothing_kept() -> None:
    beside._solids.cache_clear()


def faceted(
    vertices: Floats, triangles: Ints, up: Vec3 = (0, 0, 1), drawn: Solid = NOTHING
) -> list[TopoDS_Shape]:
    zeros = np.zeros(len(triangles), dtype=np.int64)
    mesh = Mesh(vertices, triangles, zeros + 1, np.zeros((len(triangles), 3)), zeros)
    part = place(read_shape(block((0, 0, 0), (5, 5, 5))), up)
    assert part.brep is not None
    frame = file_frame(part.placement, faces_of(from_bytes(part.brep)))
    return beside_solids(Body("prop", drawn, mesh), frame)


@pytest.mark.parametrize("up", [(0, 0, 1), (0, 0, -1), (1, 2, 3)])
def test_a_hollow_body_has_planar_faces_and_its_cavities(up: Vec3) -> None:
    """A box with two closed rooms and a box loose in one of them: six faces for each surface."""
    cube = m3.Manifold.cube
    room = cube((8.0, 8.0, 8.0))
    body = cube((20.0, 10.0, 10.0)) - room.translate((1, 1, 1)) - room.translate((11, 1, 1))
    made = (body + cube((2.0, 2.0, 2.0)).translate((4, 4, 4))).to_mesh64()
    solids = faceted(made.vert_properties[:, :3], made.tri_verts.astype(np.int64), up)
    assert sorted(len(faces_of(s)) for s in solids) == [6, 18]
    assert all(is_valid(s) for s in solids)
    assert sorted(volume_mm3(s) for s in solids) == pytest.approx([8, 2000 - 1024])


def test_an_edge_of_no_length_is_a_corner() -> None:
    """A tetrahedron with a corner drawn as an edge 1e-9 mm long, as booleans may leave it."""
    vertices = np.array([[0, 0, 0], [9, 0, 0], [0, 9, 0], [0, 0, 9], [1e-9, 0, 9]])
    triangles = np.array([[0, 2, 1], [0, 1, 4], [0, 4, 3], [1, 2, 4], [2, 3, 4], [0, 3, 2]])
    (solid,) = faceted(vertices, triangles)
    assert len(faces_of(solid)) == 4
    assert is_valid(solid)
    assert volume_mm3(solid) == pytest.approx(9**3 / 6)


def test_blocks_that_touch_along_an_edge_close() -> None:
    """Two blocks that share an edge in space and are one surface in neither: two solids."""
    cube = m3.Manifold.cube((3.0, 3.0, 3.0))
    made = m3.Manifold.compose([cube, cube.translate((3, 3, 0))]).to_mesh64()
    solids = faceted(made.vert_properties[:, :3], made.tri_verts.astype(np.int64))
    assert [len(faces_of(s)) for s in solids] == [6, 6]
    assert all(is_valid(s) for s in solids)
    assert [volume_mm3(s) for s in solids] == pytest.approx([27, 27])


def test_of_doubtful_forms_the_one_that_can_be_meshed_is_taken(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Every face counts as too small here, and what is drawn, first, as one that no mesh is made
    of: the triangles are taken, which are a little larger."""
    tried: list[float] = []

    def mesh(solids: list[TopoDS_Shape], _deflection_mm: float) -> SimpleNamespace:
        tried.append(volume_mm3(solids[0]))
        return SimpleNamespace(closed=tried[-1] > 27.1)

    monkeypatch.setattr(beside, "LEAST_MM2", 1e9)
    monkeypatch.setattr(beside, "tessellate", mesh)
    made = m3.Manifold.cube((3.01, 3.01, 3.01)).to_mesh64()
    vertices, triangles = made.vert_properties[:, :3], made.tri_verts.astype(np.int64)
    (solid,) = faceted(vertices, triangles, drawn=box((0, 0, 0), (3, 3, 3)))
    assert tried == pytest.approx([3.0**3, 3.01**3])  # the third is no better than the second
    assert volume_mm3(solid) == pytest.approx(3.01**3)
    assert len(faces_of(solid)) == 6  # of two that can the one with fewer faces


@pytest.mark.parametrize("least", [6, 12, 13])
def test_triangles_are_merged_only_where_they_close_then(
    monkeypatch: pytest.MonkeyPatch, least: int
) -> None:
    """A cube that only closes as so many faces: six, or twelve triangles; more it has not, and
    that is an error."""
    def mesh(solids: list[TopoDS_Shape], _deflection_mm: float) -> SimpleNamespace:
        return SimpleNamespace(closed=len(faces_of(solids[0])) >= least)

    monkeypatch.setattr(beside, "tessellate", mesh)
    monkeypatch.setattr(beside, "_drawn", lambda *_: [])
    made = m3.Manifold.cube((3, 3, 3 + 0.001 * least)).to_mesh64()
    vertices, triangles = made.vert_properties[:, :3], made.tri_verts.astype(np.int64)
    if least > 12:
        with pytest.raises(GeometryError, match="does not close"):
            faceted(vertices, triangles, drawn=box((0, 0, 0), (3, 3, 3)))
        return
    (solid,) = faceted(vertices, triangles, drawn=box((0, 0, 0), (3, 3, 3)))
    assert len(faces_of(solid)) == least


def test_a_body_is_drawn_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same body in the same frame is kept as drawn, in a solid of its own each time; in
    another frame it is drawn anew."""
    drawn: list[Solid] = []
    draw = beside._drawn

    def counting(solid: Solid, frame: Frame) -> list[TopoDS_Shape]:
        drawn.append(solid)
        return draw(solid, frame)

    monkeypatch.setattr(beside, "_drawn", counting)
    made = m3.Manifold.cube((7.0, 3.0, 3.0)).to_mesh64()
    vertices, triangles = made.vert_properties[:, :3], made.tri_verts.astype(np.int64)
    first, again = (faceted(vertices, triangles, drawn=box((0, 0, 0), (7, 3, 3)))
                    for _ in range(2))
    assert len(drawn) == 1
    assert not first[0].IsPartner(again[0])
    assert to_bytes(first[0]) == to_bytes(again[0])
    faceted(vertices, triangles, up=(0, 0, -1), drawn=box((0, 0, 0), (7, 3, 3)))
    assert len(drawn) == 2
