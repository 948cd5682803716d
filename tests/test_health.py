"""What is told of a mesh that is not simply one closed body; nothing is changed unasked."""

from __future__ import annotations

import manifold3d as m3
import numpy as np
import pytest

from soffit.part.model import Part
from soffit.part.topology import turns
from tests.meshes import Arrays, ball, block, joined, kinds, note_of, part_of, turned, without
from tests.winding import winding

CUBE = block((0, 0, 0), (10, 10, 10))


def closed_and_told(mesh: Arrays, kind: str, count: int, severity: str = "marginal") -> Part:
    part = part_of(mesh)
    note = note_of(part, kind)
    assert (note.count, note.severity) == (count, severity)
    assert part.closed
    return part


def test_a_sound_block_has_nothing_to_tell() -> None:
    part = part_of(CUBE)
    assert part.notes == ()
    assert part.closed
    assert part.mesh.volume_mm3 == pytest.approx(1000.0, rel=1e-12)
    assert len(part.faces) == 6


def test_inside_out_block_is_told_and_taken_as_solid() -> None:
    part = closed_and_told(turned(CUBE), "file/inverted", 1)
    assert part.mesh.volume_mm3 == pytest.approx(1000.0, rel=1e-12)


def test_inward_block_within_another_is_a_void_of_it() -> None:
    void = turned(block((3, 3, 3), (7, 7, 7)))
    part = closed_and_told(joined(CUBE, void), "file/void", 1)
    assert part.bodies == 1
    assert "file/inverted" not in kinds(part)
    assert part.mesh.volume_mm3 == pytest.approx(1000.0 - 64.0, rel=1e-12)


def test_inward_block_beside_another_is_inverted_not_a_void() -> None:
    part = closed_and_told(joined(CUBE, turned(block((20, 0, 0), (24, 4, 4)))), "file/inverted", 1)
    assert "file/void" not in kinds(part)
    assert part.mesh.volume_mm3 == pytest.approx(1000.0 + 64.0, rel=1e-12)


def test_overlapping_bodies_are_told_with_their_crossings() -> None:
    # The corner of one stands in the other: 3 faces of each cross 3 of the other.
    part = part_of(joined(CUBE, block((5, 5, 5), (15, 15, 15))))
    note = note_of(part, "file/self-contact")
    assert part.bodies == 2
    assert note.severity == "marginal"
    assert note.count >= 6
    assert f"{note.count} of them between bodies" in note.message
    assert np.linalg.norm(np.array(note.at_mm) - 7.5) < 10.0


def test_a_body_that_runs_through_itself_is_told() -> None:
    # A ball with one half pushed through the other: one shell, closed, no second body.
    vertices, triangles = ball()
    pushed = vertices.copy()
    top = vertices[:, 2] > 5.0
    pushed[top, 2] -= 18.0
    part = part_of((pushed, triangles))
    assert part.bodies == 1
    assert part.closed
    note = note_of(part, "file/self-contact")
    assert note.count >= 10
    assert "between bodies" not in note.message


def test_coplanar_overlap_is_told_though_nothing_crosses() -> None:
    # Two plates side by side share a stretch of one plane, half over each other.
    lower, upper = block((0, 0, 0), (10, 10, 2)), block((5, 2, 2), (15, 8, 4))
    note = note_of(part_of(joined(lower, upper)), "file/self-contact")
    assert note.count >= 2
    assert note.at_mm is not None


def test_touching_at_a_distance_above_rounding_is_not_contact() -> None:
    lower, upper = block((0, 0, 0), (10, 10, 2)), block((5, 2, 2.001), (15, 8, 4))
    assert "file/self-contact" not in kinds(part_of(joined(lower, upper)))


def test_coincident_bodies_count_once() -> None:
    part = closed_and_told(joined(CUBE, CUBE), "file/duplicate", 12)
    assert part.mesh.volume_mm3 == pytest.approx(1000.0, rel=1e-12)


def test_facet_written_twice_counts_once() -> None:
    vertices, triangles = CUBE
    part = closed_and_told((vertices, np.concatenate([triangles, triangles[4:6]])),
                           "file/duplicate", 2)
    assert len(part.mesh.triangles) == 12


def test_facet_with_equal_corners_is_left_out() -> None:
    vertices, triangles = CUBE
    part = closed_and_told((vertices, np.concatenate([triangles, [[0, 0, 1]]])),
                           "file/degenerate", 1)
    assert len(part.mesh.triangles) == 12


def test_missing_facet_gives_three_open_edges() -> None:
    part = part_of(without(CUBE, 7))
    note = note_of(part, "file/open-edges")
    assert (note.count, note.severity) == (3, "blocker")
    assert not part.closed


def test_one_turned_facet_gives_three_edges_of_mixed_winding() -> None:
    vertices, triangles = CUBE
    triangles = triangles.copy()
    triangles[5] = triangles[5, ::-1]
    note = note_of(part_of((vertices, triangles)), "file/winding")
    assert (note.count, note.severity) == (3, "blocker")


def test_blocks_that_share_an_edge_are_allowed_and_told() -> None:
    part = closed_and_told(joined(CUBE, block((10, 10, 0), (20, 20, 10))), "file/non-manifold", 1)
    assert part.mesh.volume_mm3 == pytest.approx(2000.0, rel=1e-12)


def test_third_facet_on_an_edge_is_a_blocker() -> None:
    vertices, triangles = CUBE
    fin = np.concatenate([vertices, [[-5.0, -5.0, 5.0]]])
    part = part_of((fin, np.concatenate([triangles, [[0, 1, 8]]])))
    note = note_of(part, "file/non-manifold")
    assert (note.count, note.severity) == (1, "blocker")
    assert note_of(part, "file/open-edges").count == 2


def test_sheet_back_to_back_is_told() -> None:
    sheet = np.array([[20.0, 0, 0], [30.0, 0, 0], [20.0, 10, 0]])
    part = part_of(joined(CUBE, (sheet, np.array([[0, 1, 2], [0, 2, 1]]))))
    assert note_of(part, "file/zero-volume").severity == "marginal"
    assert part.mesh.volume_mm3 == pytest.approx(1000.0, rel=1e-12)


def test_surface_without_any_volume_is_a_blocker() -> None:
    sheet = np.array([[0.0, 0, 0], [10.0, 0, 0], [0.0, 10, 0]])
    part = part_of((sheet, np.array([[0, 1, 2], [0, 2, 1]])))
    assert note_of(part, "file/zero-volume").severity == "blocker"
    assert not part.closed


def test_turns_are_the_winding_number() -> None:
    """A ball with a hollow ball in it, against the sum of solid angles."""
    outer = m3.Manifold.sphere(10, 48).rotate((11, 23, 37))
    solid = outer - m3.Manifold.sphere(4, 24).translate((3, 1, 0))
    mesh = solid.to_mesh64()
    corners = np.asarray(mesh.vert_properties)[:, :3][np.asarray(mesh.tri_verts)]
    points = np.random.default_rng(4).uniform(-11, 11, (300, 3))
    due = np.rint(winding(points, corners)).astype(int)
    assert 30 < due.sum() < 270
    assert (turns(points, corners) == due).all()
    assert (turns(points, corners[:, ::-1]) == -due).all()
