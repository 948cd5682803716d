"""Repair: what it mends has the volume that it should have, and every step is told."""

from __future__ import annotations

import csv
import itertools
import json
import math
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, seed, settings
from hypothesis import strategies as st

from examples._cad import Drawing, box, write_step
from soffit.errors import FileError
from soffit.part.model import Part
from soffit.part.read import read
from soffit.part.topology import edges_of
from tests.meshes import Arrays, ball, block, joined, kinds, note_of, part_of, turned, without

ROOT = Path(__file__).resolve().parent.parent
CUBE = block((0, 0, 0), (10, 10, 10))
TOP = (2, 3)


def mended(mesh: Arrays) -> Part:
    """The mesh repaired, which must have closed it; repairing the result again does nothing."""
    part = part_of(mesh, repair=True)
    assert part.closed, [n.message for n in part.notes]
    assert not edges_of(part.mesh.triangles).turn.any()
    again = part_of((part.mesh.vertices, part.mesh.triangles), repair=True)
    assert "file/repaired" not in kinds(again)
    assert np.array_equal(again.mesh.vertices[again.mesh.triangles], part.mesh.corners)
    return part


def soup(mesh: Arrays, jitter: float = 0.0) -> Arrays:
    """Each facet with corners of its own, moved at random by up to `jitter` along each axis."""
    corners = mesh[0][mesh[1]].reshape(-1, 3)
    corners = corners + np.random.default_rng(7).uniform(-jitter, jitter, corners.shape)
    return corners, np.arange(len(corners)).reshape(-1, 3)


# --- unasked, unchanged ----------------------------------------------------------------------


def test_nothing_is_mended_unasked() -> None:
    part = part_of(without(CUBE, *TOP))
    assert not part.closed
    assert "file/repaired" not in kinds(part)
    assert len(part.mesh.triangles) == 10
    assert "ask for repair" in note_of(part, "file/open-edges").message


def test_a_sound_mesh_comes_back_bit_for_bit() -> None:
    plain, asked = part_of(ball()), part_of(ball(), repair=True)
    assert np.array_equal(plain.mesh.vertices, asked.mesh.vertices)
    assert np.array_equal(plain.mesh.triangles, asked.mesh.triangles)
    assert plain.notes == asked.notes == ()


def test_same_in_same_out() -> None:
    first, second = (part_of(without(ball(), 3, 50, 51, 400), repair=True) for _ in range(2))
    assert np.array_equal(first.mesh.corners, second.mesh.corners)
    assert first.notes == second.notes


# --- welding ---------------------------------------------------------------------------------


def test_facets_apart_by_a_few_micrometres_are_welded() -> None:
    jitter = 0.002
    part = mended(soup(ball(), jitter))
    sound = part_of(ball())
    # Each corner moves by at most √3 · jitter, so the volume by at most that times the area.
    bound = math.sqrt(3) * jitter * sound.mesh.area_mm2
    assert abs(part.mesh.volume_mm3 - sound.mesh.volume_mm3) < bound
    assert len(part.mesh.triangles) == len(sound.mesh.triangles)
    note = note_of(part, "file/repaired", "welded")
    assert note.count == 3 * len(sound.mesh.triangles) - len(sound.mesh.vertices)


def test_a_gap_of_a_tenth_of_a_millimetre_is_not_welded() -> None:
    # A block in two halves that stand 0.1 mm apart: each is open, and is closed by itself.
    left = without(block((0, 0, 0), (5, 10, 10)), 10, 11)
    right = without(block((5.1, 0, 0), (10, 10, 10)), 8, 9)
    part = mended(joined(left, right))
    assert part.bodies == 2
    assert note_of(part, "file/repaired", "filled").count == 2
    assert part.mesh.volume_mm3 == pytest.approx(500.0 + 490.0, rel=1e-12)


# --- facets that say nothing -----------------------------------------------------------------


def test_copies_are_left_out() -> None:
    vertices, triangles = ball()
    twice = np.random.default_rng(1).choice(len(triangles), 300, replace=False)
    part = mended((vertices, np.concatenate([triangles, triangles[twice]])))
    assert note_of(part, "file/repaired").count == 300
    assert len(part.mesh.triangles) == len(triangles)


def test_copies_that_face_the_other_way_are_left_out() -> None:
    vertices, triangles = ball()
    twice = np.random.default_rng(2).choice(len(triangles), 100, replace=False)
    part = mended((vertices, np.concatenate([triangles, triangles[twice][:, ::-1]])))
    assert part.mesh.volume_mm3 == pytest.approx(part_of(ball()).mesh.volume_mm3, rel=1e-12)


def test_twin_body_is_left_out() -> None:
    part = mended(joined(CUBE, CUBE))
    assert note_of(part, "file/repaired").count == 12
    assert part.mesh.volume_mm3 == pytest.approx(1000.0, rel=1e-12)


def test_wall_between_two_blocks_that_meet_goes() -> None:
    # The face at x = 10 is written by both, back to back: without it they are one block.
    part = mended(joined(CUBE, block((10, 0, 0), (20, 10, 10))))
    assert part.bodies == 1
    assert part.mesh.volume_mm3 == pytest.approx(2000.0, rel=1e-12)
    assert part.mesh.area_mm2 == pytest.approx(2 * 100 + 4 * 200, rel=1e-12)


def test_fin_without_thickness_goes() -> None:
    vertices, triangles = CUBE
    fin = np.concatenate([vertices, [[-5.0, -5.0, 5.0]]])
    part = mended((fin, np.concatenate([triangles, [[0, 1, 8], [0, 8, 1]]])))
    assert len(part.mesh.triangles) == 12


def test_facet_without_area_goes_and_the_neighbour_takes_its_corner() -> None:
    # The middle of an edge is a corner of one neighbour; a facet without area fills the seam.
    vertices, triangles = CUBE
    edge = edges_of(triangles)
    a, b = edge.ends[0]
    at = len(vertices)
    facet = edge.facet[edge.start[0]]
    corner = next(int(c) for c in triangles[facet] if c not in (a, b))
    vertices = np.concatenate([vertices, [(vertices[a] + vertices[b]) / 2]])
    split = np.array([[a, at, corner], [at, b, corner], [a, b, at]])
    if list(triangles[facet]) not in [list(np.roll([a, b, corner], k)) for k in range(3)]:
        split = split[:, ::-1]
    mesh = (vertices, np.concatenate([np.delete(triangles, facet, axis=0), split]))
    assert note_of(part_of(mesh), "file/degenerate").count == 1
    part = mended(mesh)
    assert "file/degenerate" not in kinds(part)
    assert part.mesh.volume_mm3 == pytest.approx(1000.0, rel=1e-12)
    assert len(part.mesh.triangles) == 14
    assert part.mesh.areas.min() > 20.0


def test_stray_facet_goes() -> None:
    stray = (np.array([[20.0, 0, 0], [21.0, 0, 0], [20.0, 1, 3]]), np.array([[0, 1, 2]]))
    part = mended(joined(CUBE, stray))
    assert note_of(part, "file/repaired", "without volume").count == 1
    assert part.mesh.volume_mm3 == pytest.approx(1000.0, rel=1e-12)


def test_nothing_but_loose_facets_is_left_as_it_was() -> None:
    corners = np.random.default_rng(3).uniform(0, 10, (60, 3))
    mesh = (corners, np.arange(60).reshape(-1, 3))
    part = part_of(mesh, repair=True)
    assert not part.closed
    assert np.array_equal(part.mesh.corners, part_of(mesh).mesh.corners)
    assert "nothing was changed" in note_of(part, "file/repaired").message
    note = note_of(part, "file/open-edges")
    assert (note.count, note.severity) == (60, "blocker")
    assert "ask for repair" not in note.message


# --- seams and winding -----------------------------------------------------------------------


@pytest.mark.parametrize("pieces", [2, 3, 7])
def test_corner_on_the_edge_of_a_neighbour_splits_it(pieces: int) -> None:
    # Every third facet is cut at points of one edge, its neighbour is not.
    vertices, triangles = ball(finer=2)
    points, facets = [vertices], []
    for i, (a, b, c) in enumerate(triangles.tolist()):
        if i % 3:
            facets.append((a, b, c))
            continue
        step = np.arange(1, pieces)[:, None] / pieces
        first = sum(map(len, points))
        points.append(vertices[a] + step * (vertices[b] - vertices[a]))
        rim = [a, *range(first, first + pieces - 1), b]
        facets += [(p, q, c) for p, q in itertools.pairwise(rim)]
    mesh = (np.concatenate(points), np.array(facets))
    assert not part_of(mesh).closed
    part = mended(mesh)
    sound = part_of((vertices, triangles))
    assert part.mesh.volume_mm3 == pytest.approx(sound.mesh.volume_mm3, rel=1e-12)
    assert part.mesh.area_mm2 == pytest.approx(sound.mesh.area_mm2, rel=1e-12)


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9, 1.0])
def test_turned_facets_agree_again_and_face_out(share: float) -> None:
    vertices, triangles = ball()
    flip = np.random.default_rng(4).random(len(triangles)) < share
    part = mended((vertices, np.where(flip[:, None], triangles[:, ::-1], triangles)))
    assert part.mesh.volume_mm3 == pytest.approx(part_of(ball()).mesh.volume_mm3, rel=1e-12)
    assert len(part.mesh.triangles) == len(triangles)


def test_inverted_body_is_turned_and_a_void_stays_a_void() -> None:
    void = turned(block((3, 3, 3), (7, 7, 7)))
    beside = turned(block((20, 0, 0), (24, 4, 4)))
    part = mended(joined(CUBE, void, beside))
    assert note_of(part, "file/repaired").count == 1
    assert note_of(part, "file/void").count == 1
    assert part.mesh.volume_mm3 == pytest.approx(1000.0 - 64.0 + 64.0, rel=1e-12)


def test_surface_with_one_side_is_not_forced() -> None:
    # A Möbius band has no inside; repair must not invent one.
    turn = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    rims = [np.column_stack([(10 + s * np.cos(turn / 2)) * np.cos(turn),
                             (10 + s * np.cos(turn / 2)) * np.sin(turn),
                             s * np.sin(turn / 2)]) for s in (-3.0, 3.0)]
    facets = []
    for i in range(24):
        a, b = i, i + 24
        c, d = (i + 1, i + 25) if i < 23 else (24, 0)
        facets += [(a, c, b), (c, d, b)]
    part = part_of((np.concatenate(rims), np.array(facets)), repair=True)
    assert not part.closed
    assert {"file/winding", "file/open-edges"} & kinds(part)


# --- holes -----------------------------------------------------------------------------------


def test_missing_face_is_filled_in_its_plane() -> None:
    part = mended(without(CUBE, *TOP))
    note = note_of(part, "file/repaired")
    assert (note.count, note.severity) == (1, "marginal")
    assert "100 mm²" in note.message
    assert "14.1 mm wide" in note.message  # the diagonal of the face
    assert part.mesh.volume_mm3 == pytest.approx(1000.0, rel=1e-12)


def test_missing_ring_is_filled_round_the_hole_in_it() -> None:
    # A block with a square pocket; the whole top face, a square ring, is missing.
    outer, pocket = without(CUBE, *TOP), turned(without(block((3, 4, 2), (8, 6, 10)), *TOP))
    part = mended(joined(outer, pocket))
    assert part.bodies == 1
    assert part.mesh.volume_mm3 == pytest.approx(1000.0 - 5 * 2 * 8, rel=1e-12)
    assert "90 mm²" in note_of(part, "file/repaired", "filled").message


def test_two_missing_faces_on_one_edge_are_filled_with_that_edge() -> None:
    # The loop is not plane and goes round two faces of the block; least area is their diagonal,
    # not their edge, so the filling is a chamfer: it must close, and take at most half.
    part = part_of(without(CUBE, 2, 3, 10, 11), repair=True)
    note = note_of(part, "file/open-edges")
    assert note.count == 6  # 7 × 7 mm is far more than a tenth of the diagonal, squared
    assert "repair could not mend it" in note.message


def test_small_bent_hole_is_filled() -> None:
    vertices, triangles = ball()
    gone = np.flatnonzero((triangles == 100).any(axis=1))  # the facets round one corner
    part = mended(without((vertices, triangles), *gone.tolist()))
    sound = part_of(ball())
    assert len(part.mesh.triangles) == len(triangles) - 2
    lost = sound.mesh.volume_mm3 - part.mesh.volume_mm3
    edge = np.linalg.norm(vertices[triangles[gone[0]][0]] - vertices[triangles[gone[0]][1]])
    # The cap that is cut off: hexagon of about this edge, height edge²/2R (derived).
    assert 0 < lost < 2.6 * edge**2 * edge**2 / (2 * 10.0)


@seed(17)
@settings(max_examples=25, deadline=None, database=None)
@given(st.sets(st.integers(0, 319), min_size=1, max_size=30))
def test_any_few_missing_facets_are_filled_or_counted(gone: set[int]) -> None:
    mesh = without(ball(finer=2), *gone)
    part = part_of(mesh, repair=True)
    edges = edges_of(part.mesh.triangles)
    loose = int((edges.count == 1).sum())
    assert part.closed == (not edges.turn.any())
    if loose:
        assert note_of(part, "file/open-edges").count == loose
    else:
        whole = part_of(ball(finer=2)).mesh.volume_mm3
        assert 0.8 * whole < part.mesh.volume_mm3 <= whole * (1 + 1e-9)


# --- bodies that overlap ---------------------------------------------------------------------


def test_overlapping_blocks_are_united() -> None:
    part = mended(joined(CUBE, block((5, 5, 5), (15, 15, 15))))
    assert part.bodies == 1
    assert part.mesh.volume_mm3 == pytest.approx(2000.0 - 125.0, rel=1e-9)
    assert part.mesh.area_mm2 == pytest.approx(1200.0 - 6 * 25.0, rel=1e-9)
    assert "125 mm³" in note_of(part, "file/repaired").message
    assert "file/self-contact" not in kinds(part)


def test_block_within_a_block_counts_once() -> None:
    part = mended(joined(CUBE, block((3, 3, 3), (7, 7, 7))))
    assert part.bodies == 1
    assert part.mesh.volume_mm3 == pytest.approx(1000.0, rel=1e-9)
    assert "64 mm³" in note_of(part, "file/repaired").message


def test_chain_of_balls_is_united() -> None:
    balls = [(v + np.array([12.0 * k, 0, 0]), t) for k, (v, t) in enumerate([ball(finer=3)] * 4)]
    part = mended(joined(*balls))
    assert part.bodies == 1
    one = part_of(ball(finer=3)).mesh.volume_mm3
    # Lens of two spheres R at distance d: π(4R+d)(2R−d)²/12; facets lie within 1 % of the sphere.
    lens = math.pi * (40 + 12) * (20 - 12) ** 2 / 12
    assert part.mesh.volume_mm3 == pytest.approx(4 * one - 3 * lens, rel=0.01)


def test_void_stays_where_bodies_are_united() -> None:
    void = turned(block((1, 1, 1), (4, 4, 4)))
    part = mended(joined(CUBE, void, block((5, 5, 5), (15, 15, 15))))
    assert part.mesh.volume_mm3 == pytest.approx(2000.0 - 125.0 - 27.0, rel=1e-9)
    assert note_of(part, "file/void").count == 1


def test_bodies_that_stand_apart_stay_two() -> None:
    part = part_of(joined(CUBE, block((11, 0, 0), (20, 10, 10))), repair=True)
    assert part.bodies == 2
    assert "file/repaired" not in kinds(part)


def test_body_that_runs_through_itself_stays_a_finding() -> None:
    vertices, triangles = ball()
    pushed = vertices.copy()
    pushed[vertices[:, 2] > 5.0, 2] -= 18.0
    part = part_of((pushed, triangles), repair=True)
    assert "repair could not mend it" in note_of(part, "file/self-contact").message
    assert np.array_equal(part.mesh.corners, part_of((pushed, triangles)).mesh.corners)


# --- files -----------------------------------------------------------------------------------


def test_step_solids_are_read_as_ever_with_a_word_on_it(tmp_path: Path) -> None:
    write_step(Drawing(box((0, 0, 0), (10, 20, 30))), tmp_path / "block.step", "block")
    plain = read(tmp_path / "block.step")
    asked = read(tmp_path / "block.step", repair=True)
    assert "nothing was changed" in note_of(asked, "file/repaired").message
    assert asked.mesh.volume_mm3 == plain.mesh.volume_mm3
    assert "file/repaired" not in kinds(plain)


def test_command_mends_and_says_so(tmp_path: Path) -> None:
    vertices, triangles = without(CUBE, *TOP)
    lines = [f"v {x} {y} {z}" for x, y, z in vertices.tolist()]
    lines += [f"f {a + 1} {b + 1} {c + 1}" for a, b, c in triangles.tolist()]
    file = tmp_path / "open.obj"
    file.write_text("\n".join(lines))
    before = file.read_bytes()
    answers = {}
    for extra in ((), ("--repair",)):
        done = subprocess.run(
            [sys.executable, "-m", "soffit", "review", str(file), "--unit", "mm", "--format",
             "json", *extra], capture_output=True, text=True, timeout=60, check=False, cwd=ROOT)
        answers[extra] = done.returncode, json.loads(done.stdout)
    code, plain = answers[()]
    assert code == 1
    assert {f["kind"] for f in plain["findings"]} == {"file/open-edges", "cool/small-layer"}
    code, asked = answers[("--repair",)]
    assert code == 0
    assert asked["part"]["closed"]
    assert asked["part"]["volume_mm3"] == pytest.approx(1000.0)
    assert "file/repaired" in {f["kind"] for f in asked["findings"]}
    assert file.read_bytes() == before


CLOSES = ("nasty_derived/degenerate_slivers.stl", "nasty_derived/half_facets_flipped.stl",
          "nasty_derived/t_junctions_10pct.stl",
          "nasty_derived/unwelded_cracks_2um.stl", "trimesh_models/featuretype.3mf",
          "trimesh_models/multibody.stl", "assimp_models/sphereWithHole.stl")


@pytest.mark.parametrize("name", CLOSES)
def test_broken_real_part_is_closed(parts_dir: Path, name: str) -> None:
    file = parts_dir / "hostile" / name
    unit = None if file.suffix == ".3mf" else "mm"
    assert not read(file, unit=unit).closed
    part = read(file, unit=unit, repair=True)
    assert part.closed
    assert not edges_of(part.mesh.triangles).turn.any()
    assert part.mesh.volume_mm3 > 0


@pytest.mark.parametrize(("name", "twin"), [
    ("degenerate_slivers.stl", "binary_header_starts_with_solid.stl"),
    ("duplicate_facets_30pct.stl", "binary_header_starts_with_solid.stl"),
    ("t_junctions_10pct.stl", "all_normals_inverted.stl"),
    ("half_facets_flipped.stl", "../../good/odri/body_structure_front_batterie.stl"),
    ("coincident_twin_bodies.stl", "ascii_uppercase_crlf.stl"),
    ("holes_2pct_removed.stl", "../../good/m5_hardware/Dial_Knob.stl"),
])
def test_repair_finds_back_the_sound_part(parts_dir: Path, name: str, twin: str) -> None:
    """Broken on purpose; the part before it was broken is there too."""
    folder = parts_dir / "hostile" / "nasty_derived"
    part = read(folder / name, unit="mm", repair=True)
    sound = read(folder / twin, unit="mm")
    assert part.closed
    # Holes are filled flat: on a knob of 10 mm radius and 0.5 mm facets that costs < 0.5 %.
    share = 5e-3 if name.startswith("holes") else 1e-6
    assert part.mesh.volume_mm3 == pytest.approx(sound.mesh.volume_mm3, rel=share)
    assert part.size_mm == pytest.approx(sound.size_mm, rel=share)


def test_loose_faces_of_a_step_file_are_sewn(parts_dir: Path) -> None:
    folder = parts_dir / "hostile" / "nasty_derived"
    with pytest.raises(FileError, match="ask for repair"):
        read(folder / "unsewn_faces.step")
    part = read(folder / "unsewn_faces.step", repair=True)
    assert note_of(part, "file/repaired", "sewn").count == 33
    whole = read(parts_dir / "good" / "pypi_generators" / "vslot_l_plate_3x3x4.step")
    assert part.mesh.volume_mm3 == pytest.approx(whole.mesh.volume_mm3, rel=1e-6)
    with pytest.raises(FileError, match="do not close"):
        read(folder / "open_shell_one_face_missing.step", repair=True)


def test_no_mesh_of_the_folder_gets_worse(parts_dir: Path) -> None:
    """Closed stays closed, and the reader refuses the same files with and without repair."""
    with (parts_dir / "INDEX.tsv").open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream, delimiter="\t"))
    small = [r for r in rows if r["kind"] != "step" and int(r["bytes"]) < 60_000]
    assert len(small) > 25
    for row in small:
        file = parts_dir / row["path"]
        unit = None if file.suffix == ".3mf" else "mm"
        try:
            plain = read(file, unit=unit)
        except FileError as fault:
            with pytest.raises(FileError) as again:
                read(file, unit=unit, repair=True)
            assert str(again.value) == str(fault)
            continue
        part = read(file, unit=unit, repair=True)
        assert part.closed >= plain.closed, row["path"]
        assert part.size_mm == pytest.approx(plain.size_mm, rel=1e-3), row["path"]
        loose = int((edges_of(part.mesh.triangles).count == 1).sum())
        told = [n.count for n in part.notes if n.kind == "file/open-edges"]
        assert told == ([loose] if loose else []), row["path"]
