"""A recipe taken again by `resolve`: on the same part, and on twenty revisions of a block."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from OCP.BRepBuilderAPI import BRepBuilderAPI_Transform
from OCP.gp import gp_Ax1, gp_Dir, gp_Pnt, gp_Trsf, gp_Vec
from OCP.TopLoc import TopLoc_Location
from OCP.TopoDS import TopoDS_Shape

from soffit.errors import InputError
from soffit.part.model import Part
from soffit.plan.model import Resolution
from soffit.plan.recipe import Recipe, load_recipe, recipe_of, recipe_toml
from soffit.plan.resolve import resolve
from soffit.plan.wishes import Wishes, covers
from soffit.process.load import load_process
from tests import shapes
from tests.shapes import box, cut, cylinder, fuse, read, resolved
from tests.shared import once

PROCESS = load_process("pla-04")
# Small, so that twenty of them are quick; a hole of radius 4 is still too wide to stay round.
SCALE, DEEP = 0.8, 10.0
Hole = tuple[float, float, float]  # x, z and radius of a hole along y


@dataclass(frozen=True)
class Block:
    """A block of 80 × 10 × 60 with a shelf at its right side and two round holes through it; the
    whole `SCALE` times as large, turned about z by `turn_deg` and shifted in its file."""

    shelf: tuple[float, float] | None = (8.0, 40.0)  # how deep, how high
    a: Hole | None = (20.0, 25.0, 5.0)
    b: Hole | None = (55.0, 25.0, 5.0)
    more: Hole | None = None
    second_shelf: bool = False
    turn_deg: float = 0.0
    shift: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def shape(self) -> TopoDS_Shape:
        made = box((0, 0, 0), (80, DEEP, 60))
        if self.shelf is not None:
            deep, high = self.shelf
            made = fuse(made, box((80, 0, high), (80 + deep, DEEP, high + 8)))
        if self.second_shelf:
            made = fuse(made, box((-7, 0, 45), (0, DEEP, 52)))
        for hole in (self.a, self.b, self.more):
            if hole is not None:
                made = cut(made, cylinder((hole[0], -1, hole[1]), (0, 1, 0), hole[2], DEEP + 2))
        turn, shift, scale = gp_Trsf(), gp_Trsf(), gp_Trsf()
        scale.SetScale(gp_Pnt(0, 0, 0), SCALE)
        made = BRepBuilderAPI_Transform(made, scale).Shape()
        turn.SetRotation(gp_Ax1(gp_Pnt(0, 0, 0), gp_Dir(0, 0, 1)), math.radians(self.turn_deg))
        shift.SetTranslation(gp_Vec(*self.shift))
        return made.Moved(TopLoc_Location(shift.Multiplied(turn)))

    def drawn(self, at: np.ndarray) -> np.ndarray:
        """A point of the file in the frame in which the block is drawn."""
        angle = math.radians(self.turn_deg)
        c, s = math.cos(angle), math.sin(angle)
        x, y, z = at - np.array(self.shift)
        return np.array([c * x + s * y, -s * x + c * y, z]) / SCALE

    def place_of(self, at: np.ndarray) -> str:
        """What of the block is at a point of the file."""
        x, _, z = self.drawn(at)
        if self.shelf is not None and x > 79:
            return "shelf"
        if self.second_shelf and x < 1:
            return "second shelf"
        names = {"a": self.a, "b": self.b, "more": self.more}
        near = {name: math.hypot(x - h[0], z - h[1]) - h[2] for name, h in names.items() if h}
        return min(near, key=lambda name: near[name])


def mesh_of(block: Block, folder: Path) -> Part:
    """The block as a mesh that knows its faces: the quicker kernel."""
    return replace(read(block.shape(), folder), brep=None)


def remedies(block: Block, result: Resolution) -> dict[str, set[str]]:
    """The remedies that each place got."""
    back = np.linalg.inv(result.received.placement)
    before = {f.id: f for f in result.before.findings}
    found: dict[str, set[str]] = {}
    for edit in result.edits:
        at = before[edit.finding].at_mm if edit.finding else edit.at_mm
        at_file = back[:3, :3] @ np.asarray(at) + back[:3, 3]
        found.setdefault(block.place_of(at_file), set()).add(edit.remedy)
    return found


@pytest.fixture(scope="module")
def decided(tmp_path_factory: pytest.TempPathFactory) -> Recipe:
    """Hole b is held by props, which nobody would choose unasked: so it shows where a decision
    went."""
    return once("decided", lambda: _decided(tmp_path_factory.mktemp("block")))


def _decided(folder: Path) -> Recipe:
    part = mesh_of(Block(), folder)
    free = resolve(part, PROCESS)
    assert remedies(Block(), free) == {
        "shelf": {"chamfer leaving a lip"}, "a": {"teardrop"}, "b": {"teardrop"}}
    at_b = [f.id for f in free.before.air if Block().place_of(np.asarray(f.at_mm) - (
        free.received.placement[:3, 3])) == "b"]
    result = resolve(part, PROCESS, wishes=Wishes(
        demand=tuple((name, "prop") for name in at_b), forbid=frozenset({"prop of gussets"})))
    assert result.clean
    assert remedies(Block(), result) == {
        "shelf": {"chamfer leaving a lip"}, "a": {"teardrop"}, "b": {"prop"}}
    return recipe_of(result)


REVISIONS = {
    "as it was": Block(),
    "shelf deeper": Block(shelf=(10.0, 40.0)),
    "shelf less deep": Block(shelf=(5.0, 40.0)),
    "shelf lower": Block(shelf=(8.0, 34.0)),
    "shelf higher": Block(shelf=(8.0, 46.0)),
    "no shelf": Block(shelf=None),
    "a moved": Block(a=(24.0, 27.0, 5.0)),
    "b moved": Block(b=(50.0, 30.0, 5.0)),
    "both moved alike": Block(a=(25.0, 25.0, 5.0), b=(60.0, 25.0, 5.0)),
    "a moved towards b": Block(a=(30.0, 25.0, 5.0)),
    "a wider": Block(a=(20.0, 25.0, 6.0)),
    "b narrower": Block(b=(55.0, 25.0, 4.0)),
    "a gone": Block(a=None),
    "b gone": Block(b=None),
    "a third hole": Block(more=(37.0, 45.0, 4.5)),
    "a second shelf": Block(second_shelf=True),
    "turned and shifted": Block(turn_deg=90.0, shift=(100.0, -40.0, 7.0)),
    "turned, a gone": Block(a=None, turn_deg=180.0, shift=(3.0, 5.0, 0.0)),
    "several": Block(shelf=(9.0, 38.0), a=(22.0, 25.0, 5.0), more=(38.0, 44.0, 4.5)),
    "nothing but b": Block(shelf=None, a=None),
}


@pytest.mark.parametrize("name", REVISIONS)
def test_what_was_decided_is_done_again_and_nowhere_else(
    name: str, decided: Recipe, tmp_path: Path
) -> None:
    block = REVISIONS[name]
    result = resolve(mesh_of(block, tmp_path), PROCESS, recipe=decided)
    got = remedies(block, result)
    due = {"shelf": block.shelf and {"chamfer leaving a lip"}, "a": block.a and {"teardrop"},
           "b": block.b and {"prop"}}
    for place, wanted in due.items():
        # A kind of prop is a prop: which one fits is worked out again.
        made = {"prop" if covers("prop", r) else r for r in got.pop(place, set())}
        assert made == (wanted or set()), place
    # What is new was not decided: it gets what anybody would choose, and is told as new.
    fresh = {"more": block.more, "second shelf": block.second_shelf}
    assert set(got) == {place for place, there in fresh.items() if there}
    assert all("prop" not in remedy for remedy in got.values())
    assert result.clean
    assert result.replay is not None
    assert bool(result.replay.new) == bool(got)


@pytest.mark.parametrize("name", ["clamp_block", "tongue", "tunnel", "flange", "seat"])
def test_the_same_part_gives_the_same_geometry(name: str, tmp_path: Path) -> None:
    """An example with teardrops; a prop, a roof, a chamfer and a stepped ceiling."""
    small = {"tongue": shapes.hanging_tongue(), "tunnel": shapes.slot(17, 8, 10),
             "flange": shapes.flange(), "seat": shapes.counterbore(4, 1.7, 4)}
    part = read(small[name], tmp_path) if name in small else shapes.example(name)
    first = resolve(part, PROCESS) if name in small else resolved(name)
    assert {e.remedy.split()[0] for e in first.edits} == {{
        "clamp_block": "teardrop", "tongue": "prop", "tunnel": "roof", "flange": "chamfer",
        "seat": "stepped"}[name]}
    file = tmp_path / "old.recipe.toml"
    file.write_text(recipe_toml(first), encoding="utf-8")
    again = resolve(part, PROCESS, recipe=load_recipe(file))
    assert again.produced.brep == first.produced.brep
    assert np.array_equal(again.produced.mesh.vertices, first.produced.mesh.vertices)
    assert [p.name for p in again.props] == [p.name for p in first.props]
    assert recipe_toml(again) == recipe_toml(first)
    assert again.replay is not None and not again.replay.new
    assert {d.status for d in again.replay.decisions} == {"same"}


def test_a_demand_overrules_the_recipe(decided: Recipe, tmp_path: Path) -> None:
    part = mesh_of(Block(), tmp_path)
    props = sorted({d.finding for d in decided.edit if d.remedy == "prop"})
    wishes = Wishes(demand=tuple((name, "teardrop") for name in props))
    again = resolve(part, PROCESS, recipe=decided, wishes=wishes)
    assert remedies(Block(), again)["b"] == {"teardrop"}


def test_a_demand_for_what_is_not_there_is_one_clear_error(tmp_path: Path) -> None:
    part = mesh_of(Block(), tmp_path)
    with pytest.raises(InputError, match=r"roof is demanded for F99"):
        resolve(part, PROCESS, wishes=Wishes(demand=(("F99", "roof"),)))
    with pytest.raises(InputError, match=r"no remedy 'ruf'"):
        resolve(part, PROCESS, wishes=Wishes(forbid=frozenset({"ruf"})))
