"""Faces described by what survives, and found again on a revision."""

from __future__ import annotations

import itertools
import math
import random
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import soffit
from examples._cad import mirror_x
from soffit.part.model import Floats, Part, Surface
from soffit.part.place import place, transform
from soffit.part.write_mesh import write_stl
from soffit.plan.faces import FaceDescription, describe_faces
from soffit.plan.match_faces import FaceMatch, match_faces
from tests.meshes import block, joined, part_of
from tests.shapes import (
    blind_round,
    box,
    counterbore,
    cut,
    cylinder,
    example,
    fuse,
    hanging_tongue,
    mixed,
    read,
    rounded_bottom,
)

Holes = dict[str, tuple[float, float, float]]

ROW: Holes = {f"h{k}": (10.0 + 18 * k, 12.0, 4.0) for k in range(6)}


def plate(folder: Path, holes: Holes) -> Part:
    """Plate 110 × 30 × 6 with holes (x, y, radius) through it."""
    tools = [cylinder((x, y, -1), (0, 0, 1), r, 8) for x, y, r in holes.values()]
    return read(cut(box((0, 0, 0), (110, 30, 6)), *tools), folder, "plate")


def hole_at(part: Part, hole: tuple[float, float, float]) -> int:
    """Face of the hole at x, y."""
    (one,) = [f.id for f in part.faces if f.surface is Surface.CYLINDER and f.axis_point
              and math.dist(f.axis_point[:2], hole[:2]) < 0.01]
    return one


def matched(a: Part, b: Part) -> FaceMatch:
    return match_faces(describe_faces(a), describe_faces(b))


def rigid(turn: Floats, shift: tuple[float, float, float]) -> Floats:
    motion = np.eye(4)
    motion[:3, :3], motion[:3, 3] = turn, shift
    return motion


def in_another_file(part: Part, motion: Floats) -> Part:
    """The part drawn elsewhere in its file."""
    return replace(transform(part, motion), placement=part.placement)


def quarter_turns() -> list[Floats]:
    """The 24 turns of a cube."""
    turns = []
    for order in itertools.permutations(range(3)):
        for signs in itertools.product((1.0, -1.0), repeat=3):
            turn = np.zeros((3, 3))
            turn[range(3), order] = signs
            if np.linalg.det(turn) > 0:
                turns.append(turn)
    return turns


# --- descriptions ---------------------------------------------------------------------------


def test_planes_of_a_box_are_described_in_closed_form(tmp_path: Path) -> None:
    faces = describe_faces(read(box((10, 20, 30), (18, 26, 34)), tmp_path))
    top = next(f for f in faces if f.normal == (0.0, 0.0, 1.0))
    # The part was set on the platform; the description stays in the file.
    assert top.at_mm == (14.0, 23.0, 34.0)
    assert (top.area_mm2, top.perimeter_mm, top.slack_mm) == (48.0, 28.0, 0.0)
    # Second moment of a rectangle over its area: a²/12.
    assert top.moments_mm2 == pytest.approx((64 / 12, 36 / 12, 0, 0, 0, 0), abs=1e-6)
    assert top.surface is Surface.PLANE


def test_a_bore_is_described_in_closed_form(tmp_path: Path) -> None:
    part = read(blind_round(radius=5, height=12), tmp_path)
    (bore,) = [f for f in describe_faces(part) if f.surface is Surface.CYLINDER]
    assert bore.inward
    assert bore.radius_mm == pytest.approx(5.0)
    assert bore.axis == (0.0, 0.0, 1.0)
    assert bore.normal == pytest.approx((0, 0, 0), abs=1e-6)
    assert bore.at_mm == pytest.approx((0, 0, 6), abs=1e-6)
    # Chords: a facet of a bore lies off it by its sagitta, and no more than what was asked for.
    assert 0.0 < bore.slack_mm <= 2 * part.deflection_mm
    # A chord is shorter than its arc by a third of sagitta / radius.
    lost = 2 * math.pi * 12 * bore.slack_mm / 3
    assert bore.area_mm2 == pytest.approx(2 * math.pi * 5 * 12 - lost, abs=0.01 * lost)
    # Of a tube r, h: r²/2 across, h²/12 along.
    across, along = bore.moments_mm2[0], bore.moments_mm2[2]
    assert across == pytest.approx(12.5, abs=2 * 5 * bore.slack_mm)
    assert along == pytest.approx(12.0, abs=1e-6)


@pytest.mark.parametrize("name", ["ledge_bracket", "latch_hook", "bearing_carrier"])
def test_areas_are_those_of_the_kernel(name: str) -> None:
    """Second engine: the B-rep kernel integrates over the true surface."""
    part = example(name)
    for face, said in zip(part.faces, describe_faces(part), strict=True):
        slack = said.slack_mm * (said.perimeter_mm + math.sqrt(said.area_mm2)) + 1e-4
        assert said.area_mm2 == pytest.approx(face.area_mm2, abs=slack)
        assert said.id == face.id


def test_a_description_does_not_depend_on_the_way_up(tmp_path: Path) -> None:
    part = read(mixed(), tmp_path)
    turned = place(part, (0.3, -0.5, 0.2))
    for one, two in zip(describe_faces(part), describe_faces(turned), strict=True):
        assert one.at_mm == pytest.approx(two.at_mm, abs=1e-5)
        assert one.normal == pytest.approx(two.normal, abs=1e-5)
        assert one.moments_mm2 == pytest.approx(two.moments_mm2, abs=1e-4)
        assert one.axis == (two.axis and pytest.approx(two.axis, abs=1e-5))


# --- parts that are the same ----------------------------------------------------------------


@pytest.mark.parametrize("make", [mixed, counterbore, hanging_tongue, rounded_bottom,
                                  lambda: box((0, 0, 0), (10, 10, 10))])
def test_every_face_of_the_same_part_is_itself(make: object, tmp_path: Path) -> None:
    part = read(make(), tmp_path)  # type: ignore[operator]
    match = matched(part, part)
    assert [(p.a, p.b, p.status, p.sure) for p in match.pairs] == [
        (f.id, f.id, "matched", True) for f in part.faces]
    assert not match.whole_moved
    assert match.vanished == match.new == ()


def test_faces_that_touch_each_other_all_around_stay_apart() -> None:
    """Two blocks on each other share a face that both have, one facing up, one down."""
    part = part_of(joined(block((0, 0, 0), (10, 10, 10)), block((0, 0, 10), (10, 10, 20))))
    match = matched(part, part)
    middle = [f.normal[2] for f in part.faces if f.centroid[2] == 10.0 and f.normal[2]]
    assert set(middle) == {-1.0, 1.0}
    assert [p.a == p.b for p in match.pairs] == [True] * len(part.faces)


@pytest.mark.parametrize("turn", quarter_turns(), ids=str)
def test_a_part_without_symmetry_is_found_turned_in_its_file(
    turn: Floats, tmp_path_factory: pytest.TempPathFactory
) -> None:
    part = read(mixed(), tmp_path_factory.getbasetemp(), "mixed")
    motion = rigid(turn, (12.5, -300.0, 7.25))
    match = matched(part, in_another_file(part, motion))
    assert all(p.a == p.b and p.status == "matched" and p.sure for p in match.pairs)
    assert len(match.pairs) == len(part.faces)
    assert match.motion == pytest.approx(motion, abs=1e-5)


def test_a_part_is_found_at_any_angle(tmp_path: Path) -> None:
    part = read(mixed(), tmp_path)
    c, s = math.cos(0.3), math.sin(0.3)
    turn = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]) @ np.array(
        [[1, 0, 0], [0, s, -c], [0, c, s]])
    match = matched(part, in_another_file(part, rigid(turn, (1.0, 2.0, 3.0))))
    assert all(p.a == p.b and p.status == "matched" for p in match.pairs)
    assert match.motion[:3, :3] == pytest.approx(turn, abs=1e-4)


def test_a_mirrored_part_is_not_a_turned_one(tmp_path: Path) -> None:
    one, two = read(mixed(), tmp_path, "one"), read(mirror_x(mixed()), tmp_path, "two")
    match = matched(one, two)
    assert np.linalg.det(match.motion[:3, :3]) == pytest.approx(1.0)
    assert any(p.status != "matched" for p in match.pairs) or match.vanished


def test_a_part_without_faces_has_nothing_to_match(tmp_path: Path) -> None:
    faces = describe_faces(read(box((0, 0, 0), (1, 2, 3)), tmp_path))
    assert match_faces((), ()).pairs == ()
    assert match_faces(faces, ()).vanished == tuple(f.id for f in faces)
    assert match_faces((), faces).new == tuple(f.id for f in faces)


# --- drawn finer, coarser, or as a mesh -----------------------------------------------------


@pytest.mark.parametrize("name", ["lamp_base", "ring_knob", "bearing_carrier", "rain_funnel"])
def test_a_finer_mesh_of_the_same_surface_changes_nothing(name: str) -> None:
    file = Path(__file__).parents[1] / "examples" / f"{name}.step"
    from soffit.part.step import read_step

    match = match_faces(describe_faces(read_step(file, deflection_mm=0.05)),
                        describe_faces(read_step(file, deflection_mm=0.01)))
    assert {p.status for p in match.pairs} == {"matched"}
    assert all(p.a == p.b for p in match.pairs)
    assert match.vanished == match.new == ()


def test_a_mesh_of_planes_and_bores_is_matched_with_its_cad(tmp_path: Path) -> None:
    part = plate(tmp_path, ROW)
    write_stl(part.mesh, tmp_path / "plate.stl")
    mesh = soffit.read(tmp_path / "plate.stl", unit="mm")
    match = matched(part, mesh)
    assert {p.status for p in match.pairs} == {"matched"}
    assert len(match.pairs) == len(part.faces) == len(mesh.faces)
    for hole in ROW.values():
        assert match.of[hole_at(part, hole)].b == hole_at(mesh, hole)


def test_a_region_of_no_known_form_is_found_again() -> None:
    x, y = (c.ravel() for c in np.meshgrid(np.linspace(0, 30, 16), np.linspace(0, 20, 11)))
    top = np.column_stack([x, y, 10 + 2 * np.sin(x / 9) * np.cos(y / 7)])

    def cushion(shift: float) -> Part:
        rows, columns = 11, 16
        points = np.concatenate([top + np.array([0, 0, shift]),
                                 np.column_stack([x, y, 0 * x])])
        n = rows * columns
        facets = []
        for i, j in itertools.product(range(rows - 1), range(columns - 1)):
            a, b, c, d = (i * columns + j, i * columns + j + 1, (i + 1) * columns + j + 1,
                          (i + 1) * columns + j)
            facets += [(a, b, c), (a, c, d), (n + a, n + c, n + b), (n + a, n + d, n + c)]
        rim = [*range(columns), *range(2 * columns - 1, n, columns),
               *range(n - 2, n - columns - 1, -1), *range(n - 2 * columns, 0, -columns)]
        for a, b in itertools.pairwise([*rim, rim[0]]):
            facets += [(b, a, n + a), (b, n + a, n + b)]
        return part_of((points, np.array(facets)))

    one, two = cushion(0.0), cushion(1.5)
    assert one.closed
    wavy = [f.id for f in one.faces if f.surface is Surface.REGION]
    assert wavy
    assert {matched(one, one).of[f].status for f in wavy} == {"matched"}
    for face in wavy:
        pair = matched(one, two).of[face]
        assert (pair.status, pair.shift_mm) == ("moved", pytest.approx((0, 0, 1.5), abs=1e-5))


# --- features changed -----------------------------------------------------------------------


def test_a_hole_moved_is_moved_by_as_much(tmp_path: Path) -> None:
    a = plate(tmp_path, ROW)
    b = plate(tmp_path, {**ROW, "h2": (48.5, 14.0, 4.0)})
    match = matched(a, b)
    pair = match.of[hole_at(a, ROW["h2"])]
    assert (pair.b, pair.status, pair.sure) == (hole_at(b, (48.5, 14.0, 4.0)), "moved", True)
    assert pair.shift_mm == pytest.approx((2.5, 2.0, 0.0), abs=1e-5)
    # The two faces of the plate lost a hole here and got one there; all else is as it was.
    assert Counter(p.status for p in match.pairs) == {"matched": 9, "moved": 1, "resized": 2}


def test_a_hole_of_another_size_is_resized_in_place(tmp_path: Path) -> None:
    a, b = plate(tmp_path, ROW), plate(tmp_path, {**ROW, "h4": (82.0, 12.0, 5.5)})
    pair = matched(a, b).of[hole_at(a, ROW["h4"])]
    assert (pair.status, pair.sure, pair.distance_mm) == ("resized", True, 0.0)
    assert pair.radius_change_mm == pytest.approx(1.5)


@pytest.mark.parametrize("gone", list(ROW))
def test_of_a_row_of_equal_holes_the_one_that_is_gone_has_vanished(
    gone: str, tmp_path: Path
) -> None:
    left = {name: hole for name, hole in ROW.items() if name != gone}
    a, b = plate(tmp_path, ROW), plate(tmp_path, left)
    match = matched(a, b)
    assert match.vanished == (hole_at(a, ROW[gone]),)
    assert match.new == ()
    for hole in left.values():
        pair = match.of[hole_at(a, hole)]
        assert (pair.b, pair.status, pair.sure) == (hole_at(b, hole), "matched", True)
    back = matched(b, a)
    assert (back.vanished, back.new) == ((), (hole_at(a, ROW[gone]),))


@pytest.mark.parametrize("shift", [3.0, 5.0, -5.0])
def test_a_row_that_moved_and_lost_one_is_followed(shift: float, tmp_path: Path) -> None:
    left = {name: (x + shift, y, r) for name, (x, y, r) in ROW.items() if name != "h3"}
    a, b = plate(tmp_path, ROW), plate(tmp_path, left)
    match = matched(a, b)
    assert hole_at(a, ROW["h3"]) in match.vanished
    for name, hole in left.items():
        pair = match.of[hole_at(a, ROW[name])]
        assert (pair.b, pair.sure) == (hole_at(b, hole), True)


def test_what_cannot_be_told_is_not_sure(tmp_path: Path) -> None:
    """Pitch 18 becomes 13.5 and one is gone: which one, no measure tells."""
    a = plate(tmp_path, {name: ROW[name] for name in ("h0", "h1", "h2", "h3")})
    b = plate(tmp_path, {"h0": (10, 12, 4.0), "h2": (37, 12, 4.0), "h3": (50.5, 12, 4.0)})
    truth = {"h0": (10, 12), "h2": (37, 12), "h3": (50.5, 12)}
    match = matched(a, b)
    sure = 0
    for name in ("h0", "h1", "h2", "h3"):
        pair = match.of.get(hole_at(a, ROW[name]))
        if pair is not None and pair.sure:
            sure += 1
            assert pair.b == hole_at(b, (*truth[name], 4.0))
    assert sure < 3


def test_a_face_at_the_limit_of_what_is_the_same(tmp_path: Path) -> None:
    def shelf(z: float) -> Part:
        return read(fuse(box((0, 0, 0), (10, 20, 30)), box((10, 0, z), (22, 20, z + 4))), tmp_path)

    def underside(part: Part) -> int:
        (one,) = [f.id for f in part.faces if f.normal[2] < -0.9 and f.centroid[2] > 1]
        return one

    a = shelf(12.0)
    for moved, status in ((0.004, "matched"), (0.006, "moved")):
        b = shelf(12.0 + moved)
        pair = matched(a, b).of[underside(a)]
        assert (pair.b, pair.status) == (underside(b), status)


def test_a_face_cut_in_two_names_both_pieces(tmp_path: Path) -> None:
    a = read(box((0, 0, 0), (40, 20, 10)), tmp_path)
    b = read(cut(box((0, 0, 0), (40, 20, 10)), box((17, -1, 6), (21, 21, 11))), tmp_path)
    match = matched(a, b)
    (top,) = [f.id for f in a.faces if f.normal[2] > 0.9]
    pieces = {f.id for f in b.faces if f.normal[2] > 0.9 and f.centroid[2] > 9}
    assert len(pieces) == 2
    pair = match.of[top]
    assert (pair.status, pair.sure) == ("resized", False)
    assert {piece for face, piece in match.pieces if face == top} | {pair.b} == pieces
    # And back: two faces that became one.
    back = matched(b, a)
    assert {piece for piece, face in back.pieces if face == top} | {
        p.a for p in back.pairs if p.b == top} == pieces


def test_a_plate_grown_to_one_side_has_the_same_faces(tmp_path: Path) -> None:
    """A face that moves alone is followed for a sixth of the part; here 53 mm, so 8.9 mm."""
    a = read(box((0, 0, 0), (40, 20, 10)), tmp_path)
    match = matched(a, near := read(box((0, 0, 0), (48, 20, 10)), tmp_path))
    assert match.vanished == match.new == ()
    for pair in match.pairs:
        assert a.face(pair.a).normal == pytest.approx(near.face(pair.b).normal)
        assert pair.sure
    assert Counter(p.status for p in match.pairs) == {"matched": 1, "moved": 1, "resized": 4}
    match = matched(a, far := read(box((0, 0, 0), (60, 20, 10)), tmp_path))
    assert [a.face(f).normal for f in match.vanished] == [(1.0, 0.0, 0.0)]
    assert [far.face(f).normal for f in match.new] == [(1.0, 0.0, 0.0)]
    assert Counter(p.status for p in match.pairs) == {"matched": 1, "resized": 4}


# --- large parts ----------------------------------------------------------------------------


def test_five_hundred_faces_of_a_grid_are_told_apart() -> None:
    """Equal bores, as descriptions alone: some gone, some moved by less than half a pitch."""
    rng = random.Random(7)
    base = FaceDescription(
        id=1, surface=Surface.CYLINDER, area_mm2=60.0, perimeter_mm=20.0, at_mm=(0.0, 0.0, 0.0),
        normal=(0.0, 0.0, 0.0), moments_mm2=(1.3, 1.3, 3.0, 0.0, 0.0, 0.0), radius_mm=1.6,
        axis=(0.0, 0.0, 1.0), inward=True,
    )
    places = [(8.0 * i, 8.0 * j, 0.0) for i in range(23) for j in range(22)]
    a = [base.model_copy(update={"id": k, "at_mm": at}) for k, at in enumerate(places, 1)]
    gone = set(rng.sample(range(1, len(a) + 1), 20))
    moved = set(rng.sample(sorted(set(range(1, len(a) + 1)) - gone), 20))
    b = [f.model_copy(update={"id": 1000 + f.id, "at_mm": (f.at_mm[0] + 1.1 * (f.id in moved),
                                                           f.at_mm[1], 0.0)})
         for f in a if f.id not in gone]
    match = match_faces(a, list(reversed(b)))
    assert not match.whole_moved
    told = {p.a: p for p in match.pairs}
    for face in a:
        if face.id in gone:
            assert face.id not in told or not told[face.id].sure
        elif face.id in moved:
            assert not told[face.id].sure or told[face.id].b == 1000 + face.id
        else:
            assert (told[face.id].b, told[face.id].status) == (1000 + face.id, "matched")


def test_a_real_part_is_itself_turned_in_its_file(parts_dir: Path) -> None:
    files = sorted((parts_dir / "good").rglob("*.step"))
    files = [file for file in files if file.stat().st_size < 1_000_000][:8]
    assert files
    for file in files:
        part = soffit.read(file)
        turn = quarter_turns()[5]
        match = matched(part, in_another_file(part, rigid(turn, (100.0, -20.0, 3.0))))
        assert {p.status for p in match.pairs} == {"matched"}, file.name
        assert len(match.pairs) == len(part.faces), file.name
