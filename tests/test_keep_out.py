"""Room that nothing may be added to: boxes and the bodies of another file."""

from __future__ import annotations

import hashlib
import math
from pathlib import Path

import manifold3d as m3
import numpy as np
import pytest
import trimesh

import soffit
from soffit.cli.options import parse_keep_out
from soffit.cli.run import run
from soffit.errors import InputError
from soffit.part.manifold import to_manifold
from soffit.part.model import Part
from soffit.part.place import place
from soffit.plan.keep_out import (
    TOUCH_MM3,
    Box,
    BoxRoom,
    FileRoom,
    enters,
    remembered,
    rooms,
)
from soffit.plan.recipe import load_recipe, recipe_of, recipe_toml
from soffit.plan.replay import replay
from tests.shapes import box, cylinder, fuse, ledge, move, read, turn
from tests.solids import block

# A wall with a shelf 10 out at z = 14, y = 0 to 20, off the origin in its file's frame.
CORNER = (120.0, -35.0, 50.0)
# Room under all of the shelf, from 2 above the platform to 2 below the shelf.
UNDER: Box = (1, 1, 2, 10, 19, 12)


@pytest.fixture(name="shelf")
def shelf_off_the_origin(tmp_path: Path) -> Part:
    return read(move(ledge(), CORNER), tmp_path, "shelf")


def moved(room: Box, by: tuple[float, float, float] = CORNER) -> Box:
    """A room of the shelf's own frame in that of its file."""
    x, y, z = by
    a, b, c, d, e, f = room
    return (a + x, b + y, c + z, d + x, e + y, f + z)


# The same room in the build frame: the part stands on the platform where x and y have it.
PLACED = moved(UNDER, (CORNER[0], CORNER[1], 0.0))


def as_stl(room: Box, folder: Path, scale: float = 1.0) -> Path:
    low, high = np.reshape(room, (2, 3))
    path = folder / "room.stl"
    made = trimesh.creation.box(bounds=np.array([low, high]))
    made.apply_scale(scale)
    made.export(path)
    return path


def added(result: soffit.Resolution) -> m3.Manifold:
    """What the part and its props have that the part as received has not."""
    bodies = [result.produced.mesh, *(prop.mesh for prop in result.props)]
    whole = m3.Manifold.batch_boolean([require(mesh) for mesh in bodies], m3.OpType.Add)
    return whole - require(result.received.mesh)


def require(mesh: object) -> m3.Manifold:
    solid = to_manifold(mesh)  # type: ignore[arg-type]
    assert solid is not None
    return solid


# --- where the rooms are --------------------------------------------------------------------


@pytest.mark.parametrize("up", [(0, 0, 1), (0, 0, -1), (0, 1, 0), (0.3, -0.5, 0.7)])
def test_a_body_stands_where_it_stands_beside_the_part(
    up: tuple[float, float, float], shelf: Part, tmp_path: Path
) -> None:
    """By hand: both turn together, so that the room's share of the part stays: 4 × 4 × 2 of a
    body that reaches 2 into the shelf."""
    room = soffit.read(as_stl(moved((2, 2, 10, 6, 6, 16)), tmp_path), unit="mm")
    part = place(shelf, up)
    (solid,) = rooms([room], part)
    assert solid.volume() == pytest.approx(4 * 4 * 6, rel=1e-5)
    assert (solid ^ require(part.mesh)).volume() == pytest.approx(4 * 4 * 2, rel=1e-4)


def test_a_room_that_was_placed_counts_in_its_own_files_frame(shelf: Part, tmp_path: Path) -> None:
    room = soffit.read(as_stl(moved(UNDER), tmp_path), unit="mm")
    (plain,), (turned,) = rooms([room], shelf), rooms([place(room, (1, 2, 3))], shelf)
    assert (plain ^ turned).volume() == pytest.approx(plain.volume(), rel=1e-6)


def test_a_room_in_inches(shelf: Part, tmp_path: Path) -> None:
    room = soffit.read(as_stl(moved(UNDER), tmp_path, 1 / 25.4), unit="in")
    (solid,) = rooms([room], shelf)
    (drawn,) = rooms([PLACED], shelf)
    assert (solid ^ drawn).volume() == pytest.approx(9 * 18 * 10, rel=1e-4)


def test_every_body_of_a_file_counts(shelf: Part, tmp_path: Path) -> None:
    pair = fuse(cylinder((10, 0, 0), (0, 0, 1), 2, 5), cylinder((40, 0, 0), (0, 0, 1), 3, 5))
    room = soffit.read(path_of(read(pair, tmp_path, "pair"), tmp_path))
    assert room.bodies == 2
    (solid,) = rooms([room], shelf)
    # Within the tessellation: chords of at most 0.02 mm.
    assert solid.volume() == pytest.approx(math.pi * 5 * (4 + 9), rel=0.02)
    assert solid.volume() < math.pi * 5 * (4 + 9)


def path_of(part: Part, folder: Path) -> Path:
    return folder / part.source.file


def test_touching_is_not_entering() -> None:
    part = place(soffit.read(trimesh.creation.box(bounds=[[0, 0, 0], [10, 10, 10]]), unit="mm"))
    room = block(10, 0, 0, 20, 10, 10)
    assert not enters(block(0, 0, 10, 10, 10, 20), room, part)  # meets it in an edge
    assert not enters(block(10, 10, 0, 20, 20, 10), room, part)  # and in a face
    assert enters(block(0, 0, 9, 10.001, 10, 20), room, part)


def test_what_the_part_has_already_is_not_added() -> None:
    """A room that reaches into the part, as a bearing's does into its seat."""
    part = place(soffit.read(trimesh.creation.box(bounds=[[0, 0, 0], [10, 10, 10]]), unit="mm"))
    room = block(8, 0, 0, 20, 10, 10)
    assert not enters(block(5, 0, 5, 10, 10, 10), room, part)
    assert enters(block(5, 0, 5, 10.01, 10, 10), room, part)


# --- what the search does -------------------------------------------------------------------


@pytest.mark.parametrize("mesh", [False, True], ids=["B-rep", "STL"])
def test_nothing_is_added_in_a_body_of_a_second_file(
    mesh: bool, shelf: Part, tmp_path: Path
) -> None:
    """What cures the shelf when it is free enters the room; with the room, nothing does."""
    part = shelf
    if mesh:
        path = tmp_path / "shelf.stl"
        back = np.linalg.inv(shelf.placement)
        trimesh.Trimesh(shelf.mesh.vertices @ back[:3, :3].T + back[:3, 3], shelf.mesh.triangles,
                        process=False).export(path)
        part = soffit.read(path, unit="mm")
    room = soffit.read(as_stl(moved(UNDER), tmp_path), unit="mm")
    free, kept = soffit.resolve(part), soffit.resolve(part, keep_out=[room])
    assert free.edits and free.after.over_air_mm2 == 0
    (solid,) = rooms([room], free.received)
    assert (added(free) ^ solid).volume() > 100
    # 32-bit numbers step by 8e-6 mm here, over the 18 × 10 faces of the room.
    assert (added(kept) ^ solid).volume() <= max(TOUCH_MM3, 18 * 10 * 1e-5)
    assert any("keep-out" in entry.reason for entry in kept.open)


def test_a_box_and_the_same_body_do_the_same(shelf: Part, tmp_path: Path) -> None:
    room = soffit.read(as_stl(moved(UNDER), tmp_path), unit="mm")
    (by_box, by_body) = (soffit.resolve(shelf, keep_out=[k]) for k in (PLACED, room))
    assert [(e.remedy, round(e.volume_mm3, 2)) for e in by_box.edits] == [
        (e.remedy, round(e.volume_mm3, 2)) for e in by_body.edits]  # fmt: skip
    assert [o.reason for o in by_box.open] == [o.reason for o in by_body.open]


def test_a_turned_part_takes_its_room_along(shelf: Part, tmp_path: Path) -> None:
    """Drawn upside down and put upright: the same edits and reasons as drawn upright."""
    over = read(turn(ledge(), 180, (1, 0, 0)), tmp_path, "over")
    a, b, c, d, e, f = UNDER
    flipped = (a, -e, -f, d, -b, -c)
    room = soffit.read(as_stl(flipped, tmp_path), unit="mm")
    upright = soffit.resolve(soffit.read(tmp_path / "over.step"), up=(0, 0, -1), keep_out=[room])
    plain = soffit.resolve(shelf, keep_out=[PLACED])
    assert over.size_mm == pytest.approx(shelf.size_mm)
    assert [e.remedy for e in upright.edits] == [e.remedy for e in plain.edits]
    assert [o.reason for o in upright.open] == [o.reason for o in plain.open]
    assert (added(upright) ^ rooms([room], upright.received)[0]).volume() <= TOUCH_MM3


# --- what a recipe remembers ----------------------------------------------------------------


@pytest.mark.parametrize("up", [(0, 0, 1), (0, -1, 0), (0.3, -0.5, 0.7)])
def test_a_box_is_remembered_in_the_frame_of_the_file(
    up: tuple[float, float, float], shelf: Part
) -> None:
    """However the part was put, the box that is remembered is the one that was given."""
    part = place(shelf, up)
    (kept,) = remembered([UNDER], part)
    assert isinstance(kept, BoxRoom)
    assert kept.volume_mm3 == pytest.approx(9 * 18 * 10, rel=1e-6)
    (given,), (again,) = rooms([UNDER], part), rooms([kept], part)
    # Corners are rounded to a nanometre.
    assert (given ^ again).volume() == pytest.approx(9 * 18 * 10, rel=1e-5)
    back = part.placement[:3, :3].T @ (np.array(UNDER[:3]) - part.placement[:3, 3])
    assert kept.corner_mm == pytest.approx(back, abs=1e-6)


def test_a_box_of_a_recipe_goes_along_with_the_part(shelf: Part, tmp_path: Path) -> None:
    """The next revision lies elsewhere in its file, turned by 90° about z: nothing is added under
    its shelf, without a word about it."""
    first = soffit.resolve(shelf, keep_out=[PLACED])
    path = tmp_path / "shelf.recipe.toml"
    path.write_text(recipe_toml(first), "utf-8")
    part = read(move(turn(ledge(), 90), (7, 8, 9)), tmp_path, "next")
    free, kept = soffit.resolve(part), soffit.resolve(part, recipe=path)
    a, b, _, d, e, _ = UNDER
    (solid,) = rooms([(7 - e, 8 + a, 2, 7 - b, 8 + d, 12)], free.received)
    assert (added(free) ^ solid).volume() > 100
    assert (added(kept) ^ solid).volume() <= TOUCH_MM3
    assert kept.replay is not None
    (told,) = kept.replay.keep_out
    assert (told.status, told.file) == ("moved", None)
    # And it is remembered on.
    (room,) = kept.keep_out
    assert recipe_of(kept).keep_out[0].room == room == told.box


def test_a_box_that_is_given_again_counts_once(shelf: Part, tmp_path: Path) -> None:
    path = tmp_path / "shelf.recipe.toml"
    path.write_text(recipe_toml(soffit.resolve(shelf, keep_out=[PLACED])), "utf-8")
    again = soffit.resolve(shelf, keep_out=[PLACED], recipe=path)
    assert len(again.keep_out) == 1
    assert again.replay is not None
    assert [k.status for k in again.replay.keep_out] == ["same"]


def test_a_file_is_asked_for_again(
    shelf: Part, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """A recipe knows it by its name and what it holds, and says where it was not given again."""
    room = as_stl(moved(UNDER), tmp_path)
    call = ["resolve", str(tmp_path / "shelf.step"), "--unit", "mm", "--out", str(tmp_path / "o")]
    assert run([*call, "--keep-out", str(room)]) == 1
    recipe = tmp_path / "o" / "shelf.recipe.toml"
    text = recipe.read_text("utf-8")
    digest = hashlib.sha256(room.read_bytes()).hexdigest()
    assert f'[[keep_out]]\nfile = "room.stl"\nsha256 = "{digest}"\n' in text
    first = load_recipe(recipe)
    capfd.readouterr()
    assert run([*call, "--recipe", str(recipe)]) == 0
    assert "keep-out room.stl: missing; it is not kept out" in capfd.readouterr().out
    assert load_recipe(recipe).keep_out == ()  # what was not kept out is not told of
    review = soffit.review(shelf)
    same, other = FileRoom("x.stl", digest), FileRoom("room.stl", "0" * 64)
    for given, status in ((same, "same"), (other, "changed")):
        assert [k.status for k in replay(first, review, [given]).keep_out] == [status]


# --- what is refused ------------------------------------------------------------------------


def test_a_body_that_is_not_closed_is_refused_by_name(shelf: Part, tmp_path: Path) -> None:
    made = trimesh.creation.box(extents=(5, 5, 5))
    path = tmp_path / "open motor.stl"
    trimesh.Trimesh(made.vertices, made.faces[1:], process=False).export(path)
    with pytest.raises(InputError, match=r"open motor\.stl: its surface is not closed"):
        soffit.resolve(shelf, keep_out=[soffit.read(path, unit="mm")])


def test_values_of_keep_out(tmp_path: Path) -> None:
    assert parse_keep_out("0,1,2,3,0,5") == (0.0, 0.0, 2.0, 3.0, 1.0, 5.0)
    file = tmp_path / "1,2.stl"
    file.write_text("solid\nendsolid\n")
    assert parse_keep_out(str(file)) == file
    for text, said in (("1,2,3", "opposite corners"), ("0,0,0,1,1,0", "no volume"),
                       ("motor.stl", "no file 'motor.stl'"), (str(tmp_path), "no file"),
                       ("0,0,0,1,1,x", "no file"), ("", "opposite corners")):
        with pytest.raises(InputError, match=said):
            parse_keep_out(text)


def test_the_command_says_which_file_is_wrong(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    read(ledge(), tmp_path, "shelf")
    room = as_stl(UNDER, tmp_path)
    call = ["resolve", str(tmp_path / "shelf.step"), "--out", str(tmp_path / "out"), "--keep-out"]
    assert run([*call, str(room)]) == 2
    assert "room.stl: it states no unit" in capfd.readouterr().err.replace("\n", " ")
    broken = tmp_path / "broken.step"
    broken.write_text("no part")
    assert run([*call, str(broken)]) == 2
    assert "broken.step" in capfd.readouterr().err
    # The unit counts for both; the part states millimetres, too.
    assert run([*call, str(room), "--unit", "mm"]) == 1
    assert "keep-out" in capfd.readouterr().out


def test_a_part_may_lie_in_its_own_room(tmp_path: Path) -> None:
    """What needs no edit is clean, wherever its rooms are."""
    part = read(box((0, 0, 0), (10, 10, 10)), tmp_path)
    assert soffit.resolve(part, keep_out=[part, (0, 0, 0, 50, 50, 50)]).clean
