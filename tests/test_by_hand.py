"""Props set by hand, and places that stay without any."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import manifold3d as m3
import numpy as np
import pytest

import soffit
from soffit.cli.run import run
from soffit.errors import InputError
from soffit.findings.model import Finding
from soffit.part.manifold import to_manifold
from soffit.part.mesh_solid import evaluate
from soffit.part.model import Part
from soffit.plan import search, survey
from soffit.plan.model import Resolution
from soffit.plan.recipe import load_recipe
from soffit.plan.trials import Carried, Rules, State
from soffit.process.load import load_process
from soffit.remedies.context import Context
from soffit.remedies.model import Option
from soffit.remedies.prop_join import completed
from soffit.sheet.ledger import change_rows
from soffit.sheet.places import places
from tests.shapes import ledge, move, read, turn
from tests.solids import block, part_of

CORNER = (120.0, -35.0, 50.0)


def two_shelves() -> Part:
    """A wall 10 thick with shelves 12 deep and 30 wide, 12 and 30 above the platform."""
    return part_of(block(0, 0, 0, 10, 30, 40) + block(0, 0, 12, 22, 30, 16)
                   + block(0, 0, 30, 22, 30, 34))


def standing(result: Resolution) -> m3.Manifold:
    return m3.Manifold.batch_boolean([evaluate(b.solid) for b in result.props], m3.OpType.Add)


def column(x: float, y: float, radius: float) -> m3.Manifold:
    return m3.Manifold.cylinder(100.0, radius, radius, 32).translate((x, y, -1.0))


@pytest.mark.parametrize(("point", "under", "kind"), [
    ((16.0, 21.0), 12.0, "prop"), ((16.0, 21.0, 31.0), 30.0, "prop leaning")])
def test_a_prop_set_by_hand_touches_there(
    point: tuple[float, ...], under: float, kind: str
) -> None:
    """A tip of about a line by a line, right below the lowest underside, or the one named."""
    result = soffit.resolve(two_shelves(), prop_at=[point])
    assert result.clean
    first = result.edits[0]
    assert (first.remedy, first.finding, first.by_hand) == (kind, "", True)
    tip = evaluate(result.props[0].solid) ^ column(point[0], point[1], 1.0)
    assert tip.bounding_box()[5] == pytest.approx(under, abs=1e-3)
    line = load_process("pla-04").line_mm
    assert line**2 * 0.99 < tip.slice(under - 0.01).area() < 1.2 * line**2
    assert not any(edit.by_hand for edit in result.edits[1:])
    (told,) = [row.place for row in change_rows(result, places(result)) if row.edit == first.id]
    assert told == "Set by hand"


@pytest.mark.usefixtures("from_below")
@pytest.mark.parametrize("radius", [None, 2.0])
def test_no_prop_comes_near_a_place_that_is_to_stay_clear(radius: float | None) -> None:
    """A ridge along the free edge of the shelf would pass; ridges across it do not."""
    part = part_of(block(0, 0, 0, 6, 20, 18) + block(0, 0, 14, 16, 20, 18))
    spot = (15.0, 5.0)
    around = column(*spot, radius or 4.0)
    assert (standing(soffit.resolve(part, only=["props"])) ^ around).volume() > 1.0
    result = soffit.resolve(part, only=["props"], no_prop_at=[(*spot, radius) if radius else spot])
    assert result.clean
    assert (standing(result) ^ around).volume() < 1e-6


def test_no_gusset_comes_near_a_place_that_is_to_stay_clear() -> None:
    """One would stand in the middle of the shelf; another beside it does."""
    part = part_of(block(0, 0, 0, 6, 20, 18) + block(0, 0, 14, 16, 20, 18))
    around = column(15.0, 10.0, 1.0)
    assert (standing(soffit.resolve(part, only=["prop of gussets"])) ^ around).volume() > 0.1
    result = soffit.resolve(part, only=["prop of gussets"], no_prop_at=[(15.0, 10.0, 1.0)])
    assert result.clean and len(result.edits) == 1
    assert (standing(result) ^ around).volume() < 1e-6


def test_what_was_set_by_hand_goes_along_with_the_part(tmp_path: Path) -> None:
    """In a recipe points stand in the frame of the part's file; so they are found again where the
    whole part lies elsewhere in its file, turned about the vertical."""
    part = read(move(ledge(8, 18, 8), CORNER), tmp_path, "shelf")
    x, y, _ = CORNER
    result = soffit.resolve(part, only=["props"], prop_at=[(x + 6.0, y + 4.0)],
                            no_prop_at=[(x + 2.0, y + 15.0, 2.0)])
    assert result.edits[0].by_hand
    written = result.write(tmp_path / "out")
    recipe = written.files["recipe"]
    assert [spot.radius_mm for spot in load_recipe(recipe).no_prop_at] == [2.0]
    again = soffit.resolve(part, recipe=recipe)
    assert again.wishes == result.wishes
    assert [e.volume_mm3 for e in again.edits] == [e.volume_mm3 for e in result.edits]
    moved = soffit.resolve(part, recipe=recipe, prop_at=[(x + 6.0, y + 8.0)])
    assert moved.wishes.only == {"prop"} and moved.edits[0].by_hand
    assert moved.wishes.prop_at != result.wishes.prop_at
    turned = read(turn(move(ledge(8, 18, 8), CORNER), 90.0), tmp_path, "turned")
    other = soffit.resolve(turned, recipe=recipe)
    (px, py, _), = other.wishes.prop_at
    # A quarter turn about z takes x, y to −y, x.
    assert (px, py) == pytest.approx((-(y + 4.0), x + 6.0), abs=1e-3)
    solid = to_manifold(other.received.mesh)
    assert solid is not None
    tip = evaluate(other.props[0].solid) ^ column(px, py, 0.5)
    assert (tip.translate((0, 0, 0.02)) ^ solid).volume() > 0.0
    assert np.isclose(tip.bounding_box()[5], 8.0, atol=1e-3)


@pytest.mark.parametrize(("wishes", "says"), [
    ({"prop_at": [(80.0, 3.0)]}, "nothing of the part over it"),
    ({"prop_at": [(5.0, 5.0)]}, "stands on the platform there"),
    ({"prop_at": [(16.0, 21.0)], "forbid": ["prop"]}, "props are forbidden"),
    ({"prop_at": [(16.0, 21.0), (16.0, 21.0)]}, "none can stand there"),
    ({"prop_at": [(16.0,)]}, "is no point"),
    ({"no_prop_at": [(1.0, 2.0, 0.0)]}, "not above 0"),
    ({"no_prop_at": [(1.0, 2.0, 3.0, 4.0)]}, "is no place"),
])
def test_one_clear_error(wishes: dict[str, list[tuple[float, ...]]], says: str) -> None:
    with pytest.raises(InputError, match=says):
        soffit.resolve(two_shelves(), **wishes)  # type: ignore[arg-type]


@pytest.mark.parametrize("option", [["--prop-at", "12"], ["--prop-at", "a,b"],
                                    ["--no-prop-at", "1,2,3,4"]])
def test_points_on_the_command_line(
    option: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    read(ledge(), tmp_path, "shelf")
    assert run(["resolve", str(tmp_path / "shelf.step"), "--out", str(tmp_path / "o"),
                *option]) == 2
    assert "in mm" in capsys.readouterr().err


@pytest.mark.usefixtures("from_below")
def test_props_that_are_refused_again_and_again_are_given_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One that was completed under what it leaves, and cannot be carried out, is not asked for
    anew each time."""
    made: list[str] = []
    carry_out = search.applied

    def refuse(state: State, options: Sequence[Option], names: Sequence[str], rules: Rules
               ) -> Carried | str:
        return "no" if state.props else carry_out(state, options, names, rules)

    def counting(context: Context, option: Option, left: Sequence[Finding]) -> Option | None:
        made.append(option.finding)
        return completed(context, option, left)

    monkeypatch.setattr(search, "applied", refuse)
    monkeypatch.setattr(survey, "completed", counting)
    x, y, _ = CORNER
    part = read(move(ledge(8, 18, 8), CORNER), tmp_path, "shelf")
    result = soffit.resolve(part, only=["props"], prop_at=[(x + 6.0, y + 4.0)],
                            no_prop_at=[(x + 2.0, y + 15.0, 2.0)])
    assert made and [edit.by_hand for edit in result.edits] == [True]
    assert [one.finding.kind for one in result.open] == ["air/ledge"]
    assert "no" in result.open[0].reason
