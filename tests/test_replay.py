"""Recipes: written, read back, and set against the next revision of the part."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import soffit
from soffit.errors import InputError
from soffit.findings.model import Review
from soffit.part.model import Part
from soffit.part.place import place
from soffit.part.write_mesh import write_stl
from soffit.plan.keep_out import BoxRoom
from soffit.plan.recipe import (
    Recipe,
    RecipeKeepOut,
    load_recipe,
    recipe_of,
    recipe_toml,
    to_toml,
)
from soffit.plan.replay import Decision, Replay, replay
from tests.revisions import (
    FEATURES,
    Bore,
    Bracket,
    Pocket,
    any_revision,
    decided,
    resolution,
    reviewed,
    revisions,
)
from tests.shapes import box, fuse, read, resolved


@pytest.fixture(scope="module")
def first(tmp_path_factory: pytest.TempPathFactory) -> Review:
    return reviewed(Bracket(), tmp_path_factory.mktemp("first"))


@pytest.fixture(scope="module")
def recipe(first: Review) -> Recipe:
    return decided(first)


def by_place(recipe: Recipe, found: Replay) -> dict[str, Decision]:
    """Decisions by what they were taken on."""
    at = {f.id: Bracket().place_of(f.at_mm) for f in recipe.received.findings}
    cured = {edit.id: at[edit.finding] for edit in recipe.edit}
    return {cured[decision.edit_id]: decision for decision in found.decisions}


def one_of(review: Review, *ids: str) -> Recipe:
    return decided(replace(review, findings=tuple(f for f in review.findings if f.id in ids)))


# --- the family of brackets -----------------------------------------------------------------


def test_every_place_of_the_bracket_is_decided_once(recipe: Recipe) -> None:
    assert len(recipe.edit) == 14
    assert {Bracket().place_of(f.at_mm).split()[0] for f in recipe.received.findings} == set(
        FEATURES)


@pytest.mark.parametrize("name", [name for name in revisions() if name != "all new"])
def test_decisions_are_found_again_where_their_feature_went(
    name: str, recipe: Recipe, tmp_path: Path
) -> None:
    bracket = revisions()[name]
    review = reviewed(bracket, tmp_path)
    found = replay(recipe, review)
    truth = bracket.places(review)
    decisions = by_place(recipe, found)
    assert {place: d.finding_id for place, d in decisions.items()} == {
        place: truth.get(place) for place in decisions}
    for place_, decision in decisions.items():
        feature = place_.split()[0]
        if feature not in bracket.features:
            assert decision.status == "vanished"
            continue
        before, now = FEATURES[feature], bracket.features[feature]
        if name != "longer at its start":
            assert decision.status == ("same" if before == now else "moved"), place_
            assert (decision.shift_mm < 0.2) == (decision.status == "same") or "larger" in name
        found_at = next(f for f in review.air if f.id == decision.finding_id).at_mm
        assert decision.at_mm[:2] == pytest.approx(found_at[:2], abs=40)
    known = set(decisions)
    assert set(found.new) == {id_ for place_, id_ in truth.items() if place_ not in known}
    assert found.known == ()
    assert found.same_way_up
    assert found.faces.whole_moved == ((bracket.turned_deg, bracket.shifted) != (0, (0, 0, 0))
                                       or name == "longer at its start")


def test_nothing_is_found_again_on_another_part(recipe: Recipe, tmp_path: Path) -> None:
    found = replay(recipe, reviewed(revisions()["all new"], tmp_path))
    assert {d.finding_id for d in found.decisions} == {None}
    assert {d.status for d in found.decisions} <= {"vanished", "unclear"}


def test_no_decision_is_taken_elsewhere_on_revisions_by_chance(
    recipe: Recipe, tmp_path: Path
) -> None:
    made = kept = 0
    for seed in range(14):
        bracket = any_revision(seed)
        review = reviewed(bracket, tmp_path)
        truth = bracket.places(review)
        for place_, decision in by_place(recipe, replay(recipe, review)).items():
            if decision.finding_id is not None:
                assert decision.finding_id == truth[place_], (seed, place_)
            made += place_ in truth
            kept += decision.finding_id is not None
    assert made > 150
    # What is not told apart is unclear, and that is rare.
    assert kept >= 0.95 * made


def test_a_revision_as_a_mesh_is_followed_like_one_in_cad(tmp_path: Path) -> None:
    def as_mesh(bracket: Bracket) -> Review:
        write_stl(reviewed(bracket, tmp_path).part.mesh, tmp_path / "b.stl")
        return soffit.review(place(soffit.read(tmp_path / "b.stl", unit="mm")))

    before, bracket = as_mesh(Bracket()), revisions()["several at once"]
    recipe, review = decided(before), as_mesh(bracket)
    assert review.part.brep is None
    truth = bracket.places(review)
    for place_, decision in by_place(recipe, replay(recipe, review)).items():
        assert decision.finding_id == truth.get(place_)


# --- what is told of each -------------------------------------------------------------------


def test_a_shelf_that_moved_says_how_far(recipe: Recipe, tmp_path: Path) -> None:
    found = replay(recipe, reviewed(revisions()["shelf moved up"], tmp_path))
    decision = by_place(recipe, found)["shelf_low"]
    assert (decision.status, decision.shift_mm) == ("moved", pytest.approx(4.3, abs=1e-4))
    assert decision.at_mm[2] == pytest.approx(30 + 4.3, abs=1e-4)
    assert "4.30 mm" in decision.why


def test_a_pocket_opened_to_the_side_is_another_kind_and_unclear(
    recipe: Recipe, tmp_path: Path
) -> None:
    """A ceiling becomes a bridge: the decision was taken on something else."""
    bracket = Bracket().but(pocket_1=Pocket(20, 15, 24, 36))
    review = reviewed(bracket, tmp_path)
    found = replay(recipe, review)
    decision = by_place(recipe, found)["pocket_1"]
    assert (decision.status, decision.finding_id) == ("unclear", None)
    assert "air/ceiling" in decision.why
    assert bracket.places(review)["pocket_1"] in found.new


def legs(*at: float) -> Callable[[Path], Review]:
    """Plate 76 long on legs 4 wide at these x."""
    body = fuse(box((0, 0, 20), (76, 20, 24)), *(box((x, 0, 0), (x + 4, 20, 20)) for x in at))
    return lambda folder: soffit.review(read(body, folder, "legs"))


def test_two_bridges_that_became_one_are_unclear(tmp_path: Path) -> None:
    before, now = legs(0, 36, 72)(tmp_path), legs(0, 72)(tmp_path)
    assert [len(before.air), len(now.air)] == [2, 1]
    found = replay(decided(before), now)
    assert [(d.status, d.finding_id) for d in found.decisions] == [("unclear", None)] * 2
    assert found.new == ()


def test_one_bridge_that_became_two_is_unclear(tmp_path: Path) -> None:
    before, now = legs(0, 72)(tmp_path), legs(0, 36, 72)(tmp_path)
    found = replay(decided(before), now)
    assert [(d.status, d.finding_id) for d in found.decisions] == [("unclear", None)]
    assert all(f.id in found.decisions[0].why for f in now.air)


def test_of_two_bridges_on_one_face_each_is_itself(tmp_path: Path) -> None:
    before, now = legs(0, 32, 72)(tmp_path), legs(0, 37, 72)(tmp_path)
    found = replay(decided(before), now)
    left = [min(r.air, key=lambda f: f.at_mm[0]).id for r in (before, now)]
    of_left = next(d for d in found.decisions if d.edit_id == f"E-{left[0]}")
    assert (of_left.status, of_left.finding_id) == ("moved", left[1])


def test_what_no_longer_prints_over_air_has_vanished(tmp_path: Path) -> None:
    """The bridge is still there, but short enough to hold."""
    before, now = legs(0, 24)(tmp_path), legs(0, 17, 24)(tmp_path)
    bridge = next(f for f in before.air if f.kind == "air/bridge")
    found = replay(one_of(before, bridge.id), now)
    assert all(f.at_mm[0] > 24 for f in now.air)
    (decision,) = found.decisions
    assert (decision.status, decision.finding_id) == ("vanished", None)


def test_what_went_along_with_another_edit_is_known_not_new(first: Review) -> None:
    whole = recipe_of(resolution(first))
    without = whole.model_copy(update={"edit": whole.edit[2:]})
    found = replay(without, first)
    assert found.new == ()
    assert set(found.known) == {edit.finding for edit in whole.edit[:2]}


def test_an_edit_that_followed_from_another_goes_with_its_faces(
    recipe: Recipe, tmp_path: Path
) -> None:
    at = {Bracket().place_of(f.at_mm): f for f in recipe.received.findings}
    edits = tuple(
        edit.model_copy(update={"finding": "", "faces": at[name].faces})
        for name, edit in zip(("shelf_low", "shelf_high", "pocket_1"), recipe.edit, strict=False))
    later = recipe.model_copy(update={"edit": edits})
    bracket = Bracket().but(shelf_high=None, shelf_low=revisions()["shelf moved up"].features[
        "shelf_low"])
    found = replay(later, reviewed(bracket, tmp_path))
    assert [(d.status, d.finding_id, round(d.shift_mm, 4)) for d in found.decisions] == [
        ("moved", None, 4.3), ("vanished", None, 0.0), ("same", None, 0.0)]


def test_protected_faces_are_named_anew(first: Review, tmp_path: Path) -> None:
    part = first.part

    def bore(part: Part, x: float, z: float) -> int:
        return next(f.id for f in part.faces if f.inward and f.axis_point
                    and abs(f.axis_point[0] - x) < 1e-6 and abs(f.axis_point[2] - z) < 1e-6)

    kept = (bore(part, 50, 50), bore(part, 50, 68), bore(part, 32, 68))
    review = reviewed(Bracket().but(bore_2=None, bore_3=Bore(36, 68, 4)), tmp_path)
    one, two, three = replay(decided(first, kept), review).protected
    assert [k.recipe_face for k in (one, two, three)] == list(kept)
    assert (one.status, one.face, one.shift_mm) == ("same", bore(review.part, 50, 50), 0.0)
    assert (two.status, two.face) == ("vanished", None)
    assert (three.status, three.face) == ("moved", bore(review.part, 36, 68))
    assert three.shift_mm == pytest.approx(4.0, abs=1e-4)


def test_another_way_up_is_told(recipe: Recipe, first: Review) -> None:
    lying = soffit.review(first.part, up=(0.0, -1.0, 0.0))
    found = replay(recipe, lying)
    assert not found.same_way_up
    assert found.up == (0.0, 0.0, 1.0)
    assert {d.finding_id for d in found.decisions} == {None}
    assert not found.faces.whole_moved


# --- the file -------------------------------------------------------------------------------


def test_a_recipe_reads_back_as_it_was_written(recipe: Recipe, tmp_path: Path) -> None:
    file = tmp_path / "part.recipe.toml"
    file.write_text(to_toml(recipe), encoding="utf-8")
    assert load_recipe(file) == recipe
    assert to_toml(load_recipe(file)) == to_toml(recipe)
    assert tomllib.loads(to_toml(recipe))["schema"] == "soffit.recipe/2"
    assert "-0.0," not in to_toml(recipe)


def test_the_recipe_of_a_real_resolution_finds_every_decision_again(tmp_path: Path) -> None:
    result = resolved("bearing_carrier")
    file = tmp_path / "r.toml"
    file.write_text(recipe_toml(result), encoding="utf-8")
    recipe = load_recipe(file)
    assert [edit.id for edit in recipe.edit] == [edit.id for edit in result.edits]
    assert [p.face for p in recipe.protect] == [p.face for p in result.protected]
    assert recipe.process.up == result.before.up
    found = replay(recipe, result.before)
    assert found.decisions
    for edit, decision in zip(result.edits, found.decisions, strict=True):
        assert (decision.status, decision.finding_id) == ("same", edit.finding or None)
        assert decision.at_mm == pytest.approx(edit.at_mm, abs=1e-4)
    assert found.new == ()
    assert {k.status for k in found.protected} == {"same"}
    assert [k.face for k in found.protected] == [p.face for p in result.protected]


def test_rooms_are_read_back_and_found_beside_a_part_that_moved(
    recipe: Recipe, tmp_path: Path
) -> None:
    """A box askew goes along with the whole part, turned and shifted in its file; a file that was
    not given again is missing."""
    turn = math.radians(20)
    box_room = BoxRoom((1.0, 2.0, 3.0), (
        (4 * math.cos(turn), 4 * math.sin(turn), 0.0), (-5 * math.sin(turn), 5 * math.cos(turn), 0),
        (0.0, 0.0, 6.0)))
    kept = (RecipeKeepOut(corner_mm=box_room.corner_mm, edges_mm=box_room.edges_mm),
            RecipeKeepOut(file="motor.step", sha256="ab" * 32))
    file = tmp_path / "r.toml"
    file.write_text(to_toml(recipe.model_copy(update={"keep_out": kept})), encoding="utf-8")
    again = load_recipe(file)
    assert again.keep_out == kept
    bracket = revisions()["turned in its file"]
    box, motor = replay(again, reviewed(bracket, tmp_path)).keep_out
    assert (box.status, motor.status, motor.box) == ("moved", "missing", None)
    assert box.box is not None
    angle = math.radians(bracket.turned_deg)
    c, s = math.cos(angle), math.sin(angle)
    spun = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
    assert box.box.points == pytest.approx(box_room.points @ spun.T + bracket.shifted, abs=1e-4)


def test_two_runs_write_the_same_bytes(tmp_path: Path) -> None:
    one = decided(reviewed(revisions()["turned a little"], tmp_path))
    two = decided(reviewed(revisions()["turned a little"], tmp_path))
    assert to_toml(one) == to_toml(two)


def test_odd_letters_survive(recipe: Recipe, tmp_path: Path) -> None:
    why = 'tab\t "quoted" \\ \x7f ü → \u2028 line\nbreak'
    edit = recipe.edit[0].model_copy(update={"why": why})
    file = tmp_path / "r.toml"
    file.write_text(to_toml(recipe.model_copy(update={"edit": (edit,)})), encoding="utf-8")
    assert load_recipe(file).edit[0].why == why


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("soffit.recipe/2", "soffit.recipe/1", "it is 'soffit.recipe/1'"),
        ('schema = "soffit.recipe/2"', "", "it names no schema"),
        ('op = "add"', 'op = "melt"', "edit.0.op is 'melt'"),
        ('op = "add"', "", "edit.0.op is missing"),
        ('op = "add"', 'op = "add"\nopp = 1', "unknown key edit.0.opp"),
        ("quantity = 1", "quantity = 0", "process.quantity is 0"),
        ("quantity = 1", 'quantity = "1"', "process.quantity is '1'"),
        ("up = [0.0, 0.0, 1.0]", "up = [0.0, 1.0]", "process.up"),
        ("up = [0.0, 0.0, 1.0]", "up = [0.0, nan, 1.0]", "process.up.1"),
        ('finding = "F1"', 'finding = "F99"', "edit E-F1 cures F99"),
        ("faces = [37]", "faces = [977]", "speaks of face 977"),
        ('id = "E-F2"', 'id = "E-F1"', "edit has E-F1 twice"),
        ('surface = "plane"', 'surface = "flat"', "received.faces.0.surface is 'flat'"),
        ("[received]", "[[keep_out]]\ncorner_mm = [0, 0, 0]\n[received]", "keep_out 1 is neither"),
        ("[received]", "[[keep_out]]\ncorner_mm = [0, 0, 0]\n"
         "edges_mm = [[1, 0, 0], [0, 1, 0], [1, 1, 0]]\n[received]", "keep_out 1 is neither"),
        ("[received]", '[[keep_out]]\nfile = "a"\nsha256 = "b"\ncorner_mm = [0, 0, 0]\n[received]',
         "keep_out 1 is neither"),
        ("[part]", "[part", "not valid TOML"),
    ],
)
def test_a_recipe_that_is_wrong_is_one_clear_line(
    recipe: Recipe, tmp_path: Path, old: str, new: str, says: str
) -> None:
    text = to_toml(recipe)
    assert old in text
    file = tmp_path / "r.toml"
    file.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(InputError) as error:
        load_recipe(file)
    message = str(error.value)
    assert message.startswith(f"reading recipe {file}: ")
    assert says in message
    assert "\n" not in message


def test_a_recipe_that_is_not_there_is_one_clear_line(tmp_path: Path) -> None:
    for file in (tmp_path / "none.toml", tmp_path):
        with pytest.raises(InputError, match=r"reading recipe .*check the path"):
            load_recipe(file)
    (tmp_path / "latin.toml").write_bytes(b"# \xe4\n")
    with pytest.raises(InputError, match="not UTF-8"):
        load_recipe(tmp_path / "latin.toml")
