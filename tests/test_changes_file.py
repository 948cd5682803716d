"""The file of what edits added and removed: closed-form volumes, read back, and their balance."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
import trimesh

import soffit
from examples._cad import box as block
from examples._cad import cut as carve
from examples._cad import cylinder as rod
from examples._cad import fuse as join
from examples._cad import move
from soffit.errors import GeometryError
from soffit.part import changes as changes_module
from soffit.part.brep_edit import make_body
from soffit.part.changes import DrawnEdit, matches, write_changes
from soffit.part.edit import apply
from soffit.part.measure import mass_properties, solid_volumes
from soffit.part.model import Body, Change, Floats, Part, Vec3
from soffit.part.place import place
from soffit.part.solid import Cone, Drop, Hull, Solid, box
from soffit.part.step import read_shape, read_step
from tests.shapes import resolved
from tests.test_step import write

TEAL, GREY = (0, 0x79 / 255, 0x7A / 255), (0x8A / 255,) * 3
OCHRE = (0xB7 / 255, 0x79 / 255, 0x1F / 255)

# A wall 6 thick with a shelf 10 deep, 20 wide and 4 thick, its underside at z = 14.
SHELF = join(block((-6, 0, 0), (0, 20, 18)), block((-6, 0, 14), (10, 20, 18)))
TURNS = {"as drawn": (0, 0, 1), "upside down": (0, 0, -1), "turned": (1, 2, 3)}
UP = pytest.mark.parametrize("up", TURNS.values(), ids=list(TURNS))


def at(part: Part, points: Sequence[Sequence[float]]) -> Floats:
    """Points of the file's frame in the build frame."""
    return np.asarray(points) @ part.placement[:3, :3].T + part.placement[:3, 3]


def hull(part: Part, points: Sequence[Sequence[float]]) -> Hull:
    return Hull(at(part, points))


def cylinder(part: Part, base: Vec3, axis: Vec3, length: float, r: float) -> Cone:
    x, y, z = at(part, [base])[0].tolist()
    ax, ay, az = (part.placement[:3, :3] @ np.asarray(axis)).tolist()
    return Cone((x, y, z), (ax, ay, az), length, r, r)


def corners(low: Vec3, high: Vec3) -> list[list[float]]:
    return [[x, y, z] for x in (low[0], high[0]) for y in (low[1], high[1])
            for z in (low[2], high[2])]


def change(op: str, solid: Solid, edit: str) -> Change:
    return Change("add" if op == "add" else "cut", solid, edit, f"{edit} {op} by test")


def made_of(part: Part, steps: Sequence[Change | Body]) -> Part:
    """The steps applied one at a time, as a resolution does."""
    for step in steps:
        if isinstance(step, Change):
            part = apply(part, [step])
    return part


def written(part: Part, steps: Sequence[Change | Body], path: Path) -> tuple[Part, list[DrawnEdit]]:
    edits = write_changes(part, made_of(part, steps), [[s] for s in steps], path,
                          product="test changes")
    return read_step(path), list(edits)


def meshed_volumes(part: Part) -> list[float]:
    """Volumes of the bodies by their triangles, through another engine."""
    return [
        abs(trimesh.Trimesh(part.mesh.vertices, part.mesh.triangles[part.mesh.body_of == i],
                            process=False).volume)
        for i in range(part.bodies)
    ]


# Closed forms ------------------------------------------------------------------------------


@UP
def test_a_wedge_is_drawn_without_what_the_part_filled(tmp_path: Path, up: Vec3) -> None:
    """A wedge ½·10²·20 under the shelf that reaches 2 mm into the wall and 1 mm into the shelf,
    off the origin: what is drawn is the wedge in the corner alone."""
    part = place(read_shape(move(SHELF, (100, -40, 7))), up)
    profile = [(-2, 4), (0, 4), (10, 14), (10, 15), (-2, 15)]
    wedge = hull(part, [[x + 100, y - 40, z + 7] for x, z in profile for y in (0, 20)])
    back, edits = written(part, [change("add", wedge, "E1")], tmp_path / "c.step")
    assert edits == [DrawnEdit("E1 add by test", 1, pytest.approx(1000, rel=1e-6))]
    assert solid_volumes(back) == pytest.approx([1000], rel=1e-9)
    assert meshed_volumes(back) == pytest.approx([1000], rel=1e-9)
    # In the frame of the customer's file, whichever way up it was printed.
    assert back.mesh.bounds == pytest.approx(np.array([[100, -40, 11], [110, -20, 21]]), abs=1e-6)
    assert len(back.faces) == 5
    assert all(f.color == pytest.approx(TEAL, abs=1e-3) for f in back.faces)


@UP
def test_a_teardrop_is_drawn_as_the_crown_that_went(tmp_path: Path, up: Vec3) -> None:
    """The corner between two planes at 45° and the circle that they touch, r²·(1 − π/4) in
    section, over 20 mm; the tool holds the whole of the hole too."""
    r = 4.0
    shape = move(carve(block((0, 0, 0), (20, 20, 20)), rod((10, -1, 8), (0, 1, 0), r, 22)),
                 (-30, 12, 5))
    part = place(read_shape(shape), up)
    base = (10 - 30, 12.0, 8.0 + 5)
    tip = np.array([[0, r * 2**0.5], [-(r / 2**0.5), r / 2**0.5], [0, 0], [r / 2**0.5, r / 2**0.5]])
    roof = hull(part, [[base[0] + x, y, base[2] + z] for x, z in tip for y in (12.0, 32.0)])
    tool = roof | cylinder(part, base, (0, 1, 0), 20, r)
    back, edits = written(part, [change("cut", tool, "E1")], tmp_path / "c.step")
    due = r**2 * (1 - np.pi / 4) * 20
    assert edits[0].volume_mm3 == pytest.approx(due, rel=1e-6)
    assert sum(solid_volumes(back)) == pytest.approx(due, rel=1e-6)
    # Chords within 0.02 mm of an arc of a quarter turn.
    assert sum(meshed_volumes(back)) == pytest.approx(due, abs=0.02 * 20 * np.pi * r / 2)
    assert all(f.color == pytest.approx(GREY, abs=1e-3) for f in back.faces)


def test_a_prop_is_drawn_as_it_stands(tmp_path: Path) -> None:
    part = place(read_shape(SHELF), (0, 0, 1))
    prop = make_body("E1 prop", box((20, 2, 0), (28, 10, 30)), part)
    back, edits = written(part, [prop], tmp_path / "c.step")
    assert edits == [DrawnEdit("E1 prop", 1, pytest.approx(8 * 8 * 30))]
    assert solid_volumes(back) == pytest.approx([1920])
    assert all(f.color == pytest.approx(OCHRE, abs=1e-3) for f in back.faces)


def test_a_part_in_inches_has_its_changes_in_millimetres(tmp_path: Path) -> None:
    part = read_step(write(SHELF, tmp_path / "inch.step", "INCH"))
    assert part.source.unit == "in"
    lug = change("add", box((-6, 5, 17), (-2, 9, 22)), "E1")
    back, _ = written(part, [lug], tmp_path / "c.step")
    assert back.source.unit == "mm"
    assert solid_volumes(back) == pytest.approx([4 * 4 * 4])


def test_a_sweep_of_a_face_that_an_edit_made_is_drawn(tmp_path: Path) -> None:
    """The second edit sweeps a face that only the first has made: ids are those of the part as
    it then was."""
    part = read_shape(block((0, 0, 10), (20, 20, 14)))
    first = change("add", box((5, 5, 3), (9, 9, 10)), "E1")
    between = apply(part, [first])
    (foot,) = [f for f in between.faces if f.edit and f.normal[2] < -0.9]
    drop = Drop((foot.id,), between.triangles_of([foot.id]), 2.0)
    back, _ = written(part, [first, change("add", drop, "E2")], tmp_path / "c.step")
    assert solid_volumes(back) == pytest.approx([4 * 4 * 7, 4 * 4 * 2])


# Many edits --------------------------------------------------------------------------------


@UP
def test_what_was_added_less_what_was_removed_is_the_change_of_volume(
    tmp_path: Path, up: Vec3
) -> None:
    """Edits that overlap each other: each is trimmed against the part as it then was."""
    part = place(read_shape(SHELF), up)
    steps = [
        change("add", hull(part, corners((-1, 2, 3), (6, 18, 15))), "E1"),
        change("cut", cylinder(part, (3, 10, -1), (0, 0, 1), 22, 2), "E2"),
        change("add", hull(part, corners((1, 4, 5), (9, 12, 10))), "E3"),
        change("cut", hull(part, corners((4, 0, 8), (7, 20, 9))), "E4"),
    ]
    after = made_of(part, steps)
    back, edits = written(part, steps, tmp_path / "c.step")
    signs = [1, -1, 1, -1]
    changed = mass_properties(after)[0] - mass_properties(part)[0]
    assert sum(s * e.volume_mm3 for s, e in zip(signs, edits, strict=True)) == pytest.approx(
        changed, rel=1e-6)
    lumps = iter(solid_volumes(back))
    facets = iter(meshed_volumes(back))
    for edit in edits:
        mine = sum(next(lumps) for _ in range(edit.lumps))
        assert mine == pytest.approx(edit.volume_mm3, rel=1e-6)
        assert sum(next(facets) for _ in range(edit.lumps)) == pytest.approx(mine, rel=5e-3)
    # E1 stands 6 mm out of the wall and up to the shelf; E2 goes through it and the shelf.
    assert edits[0].volume_mm3 == pytest.approx(6 * 16 * 11)
    assert edits[1].volume_mm3 == pytest.approx(np.pi * 4 * (11 + 4))
    # E3 fills five of the bore again, and 5 × 8 × 5 of it was there; E4 crosses E1 for 2 × 16
    # and what E3 stands out for 1 × 8.
    assert edits[2].volume_mm3 == pytest.approx(8 * 8 * 5 - (5 * 8 * 5 - np.pi * 4 * 5))
    assert edits[3].volume_mm3 == pytest.approx(40)


def test_each_edit_is_a_named_coloured_body_in_order(tmp_path: Path) -> None:
    part = place(read_shape(SHELF), (0, 0, 1))
    steps = [
        change("add", box((-4, 2, 17), (-2, 4, 20)), "E1"),
        make_body("E2 prop", box((20, 2, 0), (28, 10, 30)), part),
        change("cut", box((-4, 8, 15), (-2, 12, 19)), "E3"),
    ]
    first, second = tmp_path / "c.step", tmp_path / "again" / "c.step"
    second.parent.mkdir()
    back, _ = written(part, steps, first)
    written(part, steps, second)
    assert first.read_bytes() == second.read_bytes()
    text = first.read_text("ascii")
    assert re.findall(r"MANIFOLD_SOLID_BREP\('([^']*)'", text) == [
        "E1 add by test", "E2 prop", "E3 cut by test"]
    assert "PRODUCT('test changes'" in text
    assert [next(f.color for f in back.faces if f.body == i) for i in range(3)] == [
        pytest.approx(color, abs=1e-3) for color in (TEAL, OCHRE, GREY)]


# What is not written -----------------------------------------------------------------------


def test_edits_that_did_not_make_the_part_are_refused(tmp_path: Path) -> None:
    part = place(read_shape(SHELF), (0, 0, 1))
    lug = change("add", box((-6, 5, 18), (-2, 9, 22)), "E1")
    with pytest.raises(GeometryError, match="do not give the part as produced"):
        write_changes(part, part, [[lug]], tmp_path / "c.step", product="p")
    assert not list(tmp_path.iterdir())


def test_a_file_that_reads_back_as_another_is_taken_away(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    part = place(read_shape(SHELF), (0, 0, 1))
    lug = change("add", box((-6, 5, 18), (-2, 9, 22)), "E1")
    read = changes_module.read_step
    other = read_step(write(block((0, 0, 0), (4, 4, 4.1)), tmp_path / "other.step"))
    monkeypatch.setattr(changes_module, "read_step", lambda path: read(path) and other)
    with pytest.raises(GeometryError, match=r"E1 add by test has 65\.6000 mm³ where 64\.0000"):
        written(part, [lug], tmp_path / "c.step")
    assert not (tmp_path / "c.step").exists()


def test_volumes_match_to_a_thousandth_and_a_grain() -> None:
    assert matches(1001.0009, 1000)
    assert not matches(1001.0011, 1000)
    assert not matches(998.9989, 1000)
    assert matches(0.0009, 0)


# Through the release -----------------------------------------------------------------------


def test_ledge_bracket_has_its_chamfer_beside_it(tmp_path: Path) -> None:
    """What the production file gained over the part as received is what the changes hold, and
    no fault is told of either."""
    result = resolved("ledge_bracket").write(tmp_path)
    assert result.missing == {}
    assert result.quality is not None
    assert result.quality.faults == ()
    assert result.quality.after.valid
    assert result.quality.after.closed
    # The underside of the shelf has gone, the slope and the lip are new, all else is merged.
    assert (result.quality.before.faces, result.quality.after.faces) == (18, 19)
    back = read_step(result.files["changes_step"])
    gained = (mass_properties(read_step(result.files["step"]))[0]
              - mass_properties(result.received)[0])
    assert sum(solid_volumes(back)) == pytest.approx(gained, rel=1e-6)
    assert sum(meshed_volumes(back)) == pytest.approx(gained, rel=1e-3)
    # So does the edit itself, where the mesh's figure was off by the chords of its bores.
    (edit,) = result.edits
    assert edit.volume_mm3 == pytest.approx(gained, rel=1e-7)
    report = json.loads((tmp_path / "ledge_bracket.report.json").read_text("utf-8"))
    assert report["edits"][0]["volume_mm3"] == pytest.approx(gained, rel=1e-7)


def test_changes_that_cannot_be_drawn_are_told_and_the_rest_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from soffit.sheet import release

    def refuse(*_args: object, **_options: object) -> None:
        raise GeometryError("drawing E1: no")

    monkeypatch.setattr(release, "write_changes", refuse)
    result = resolved("ledge_bracket").write(tmp_path)
    assert result.missing == {"changes_step": "drawing E1: no"}
    assert "changes_step" not in result.files
    assert "step" in result.files
    assert not list(tmp_path.glob("*.changes.step"))
    report = (tmp_path / "ledge_bracket.report.json").read_text("utf-8")
    assert '"changes_step": "drawing E1: no"' in report


def test_a_mesh_and_a_part_left_alone_have_none(tmp_path: Path) -> None:
    written_cap = resolved("button_cap").write(tmp_path / "mesh")
    assert written_cap.edits
    assert "changes_step" not in written_cap.files
    assert written_cap.quality is None
    (tmp_path / "sound").mkdir()
    sound = write(block((0, 0, 0), (20, 20, 5)), tmp_path / "block.step")
    alone = soffit.resolve(soffit.read(sound), "pla-04").write(tmp_path / "sound")
    assert alone.edits == ()
    assert "changes_step" not in alone.files
    assert alone.missing == {}
    assert alone.quality is not None
    assert alone.quality.before == alone.quality.after
    assert alone.quality.after.faces == 6
