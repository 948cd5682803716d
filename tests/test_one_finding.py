"""What is said of one finding: an option by its words, and what it is not to get."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from soffit.cli.options import parse_forbidden
from soffit.errors import InputError
from soffit.part.place import place
from soffit.part.step import read_shape
from soffit.plan.model import Resolution
from soffit.plan.recipe import load_recipe, recipe_of, to_toml
from soffit.plan.resolve import resolve
from soffit.plan.variants import alike, variants
from soffit.plan.wishes import Wishes, checked, demanded_of, meant
from soffit.process.load import load_process
from tests.shapes import twin_holes

PROCESS = load_process("pla-04")


@dataclass(frozen=True)
class Some:
    remedy: str
    why: str
    volume_mm3: float = 1.0


PROPS = [Some("prop", "27 ridges on 20 posts, one line wide; 4731 mm³ of plastic"),
         Some("prop", "42 ridges on 4 posts, one line wide; 1671 mm³ of plastic"),
         Some("prop of fins", "3 fins; 200 mm³ of plastic"),
         Some("chamfer", "run to the edge")]


def test_an_option_is_called_by_the_first_clause_that_is_its_own() -> None:
    assert variants(PROPS) == ["27 ridges on 20 posts", "42 ridges on 4 posts", "", ""]
    same = [Some("fill", "to the top", 2.0), Some("fill", "to the top", 3.0)]
    assert variants(same) == ["2.00 mm³", "3.00 mm³"]


def test_words_mean_that_option_or_the_nearest_with_other_numbers() -> None:
    assert alike("27 ridges on 20 posts", PROPS) == [0]
    assert alike("7 ridges on 20 posts", PROPS, near=False) == []  # no part of a number
    assert alike("25 ridges on 18 posts", PROPS) == [0]
    assert alike("40 ridges on 5 posts", PROPS) == [1]
    assert alike("2 legs", PROPS) == []
    assert alike(PROPS[1].why, PROPS) == [1]
    assert meant("prop", PROPS) == [0, 1, 2] and meant("just prop", PROPS) == [0, 1]
    assert meant("just prop: 42 ridges on 4 posts", PROPS) == [1]
    # What is demanded in words that nothing says is any of that remedy; what is forbidden, nothing.
    assert demanded_of("just prop: 2 legs", PROPS) == [0, 1]
    assert demanded_of("just prop of", PROPS) == [2] == meant("prop of", PROPS)
    assert not Wishes(forbid_at=(("F1", "prop: 2 legs"),)).barred("F1", PROPS)


@pytest.fixture(scope="module")
def first() -> Iterator[Resolution]:
    """Two holes, each two findings that one cut cures: level, as that is the smaller cut."""
    found = resolve(place(read_shape(twin_holes())), PROCESS)
    assert {e.remedy for e in found.edits} == {"teardrop"} and len(found.edits) == 2
    assert all("level" in e.why for e in found.edits)
    yield found


def test_one_finding_gets_just_what_was_chosen_for_it_and_a_recipe_says_so(
    first: Resolution, tmp_path: Path
) -> None:
    finding = first.edits[0].finding
    keys = [(row.finding, row.remedy, row.variant) for row in first.options]
    assert len(set(keys)) == len(keys)
    (pointed,) = {row.variant for row in first.options
                  if row.finding == finding and "point" in row.variant}
    part = first.received
    wishes = Wishes(demand=((finding, f"just teardrop: {pointed}"),))
    found = resolve(part, PROCESS, wishes=wishes)
    of = {e.finding: e.why for e in found.edits}
    assert "point" in of[finding] and len(of) == 2
    assert all("level" in why for name, why in of.items() if name != finding)
    assert found.clean
    # Written down, it is done again although the level cut is smaller.
    file = tmp_path / "twin.recipe.toml"
    file.write_text(to_toml(recipe_of(found)), encoding="utf-8")
    again = resolve(part, PROCESS, recipe=load_recipe(file))
    assert {e.finding: e.why for e in again.edits} == of


def test_what_one_finding_is_not_to_get_it_does_not_get_nor_by_the_recipe(
    first: Resolution, tmp_path: Path
) -> None:
    finding = first.edits[0].finding
    part = first.received
    found = resolve(part, PROCESS, wishes=Wishes(forbid_at=((finding, "teardrop"),)))
    assert found.clean and not [e for e in found.edits
                                if e.finding == finding and e.remedy == "teardrop"]
    assert [e.remedy for e in found.edits].count("teardrop") == 1  # the other hole has its own
    assert {row.outcome for row in found.options if (row.finding, row.remedy) ==
            (finding, "teardrop")} == {"forbidden here"}
    file = tmp_path / "twin.recipe.toml"
    file.write_text(to_toml(recipe_of(found)), encoding="utf-8")
    recipe = load_recipe(file)
    assert [(f.finding, f.remedy) for f in recipe.forbid_at] == [(finding, "teardrop")]
    again = resolve(part, PROCESS, recipe=recipe)
    assert [(e.finding, e.remedy) for e in again.edits] == [
        (e.finding, e.remedy) for e in found.edits]
    assert again.wishes.forbid_at == ((finding, "teardrop"),)
    assert again.replay is not None
    assert [(f.status, f.finding_id) for f in again.replay.forbidden] == [("same", finding)]
    # What is forbidden now counts more than what the recipe chose.
    other = next(e.finding for e in found.edits if e.remedy == "teardrop")
    third = resolve(part, PROCESS, recipe=recipe, wishes=Wishes(forbid_at=((other, "teardrop"),)))
    assert third.clean and "teardrop" not in {e.remedy for e in third.edits}
    # And a recipe that speaks of what it does not describe is no recipe.
    head, said, rest = file.read_text(encoding="utf-8").partition("[[forbid_at]]")
    loose = rest.replace(f'finding = "{finding}"', 'finding = "F99"', 1)
    file.write_text(head + said + loose, encoding="utf-8")
    with pytest.raises(InputError, match="forbid_at speaks of F99"):
        load_recipe(file)


def test_one_clear_error(first: Resolution) -> None:
    with pytest.raises(InputError, match=r"roof is forbidden for F99, but what prints over air is"):
        resolve(first.received, PROCESS, wishes=Wishes(forbid_at=(("F99", "roof"),)))
    with pytest.raises(InputError, match="there is no remedy 'magic'"):
        checked(Wishes(forbid_at=(("F1", "magic: with words"),)))
    both = Wishes(demand=(("F1", "just prop: 2 ridges"),), forbid_at=(("F1", "prop"),))
    with pytest.raises(InputError, match="do one or the other"):
        checked(both)
    checked(replace(both, forbid_at=(("F2", "prop"), ("F1", "just prop: 3 ridges"))))


def test_the_option_takes_a_remedy_or_a_finding_and_its_remedy() -> None:
    assert parse_forbidden(["prop", "F3=roof", "F3 = just fill"]) == (
        ["prop"], {"F3": ["roof", "just fill"]})
    with pytest.raises(InputError, match="reading --forbid"):
        parse_forbidden(["=roof"])
