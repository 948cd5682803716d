"""Whether a tool gets at a prop: pockets just wide and long enough for it, and just not."""

from __future__ import annotations

import manifold3d as m3
import pytest

from soffit.process.load import load_process
from soffit.remedies.prop_reach import reach
from soffit.remedies.prop_removal import removal
from soffit.remedies.prop_site import Refused
from soffit.remedies.prop_way import angle_of, around, ways_words
from tests.solids import block, part_of
from tests.trying import looked_at

PLA = load_process("pla-04")
WIDE, NOSE = PLA.props.tool_mm.value, PLA.props.nose_mm.value
INSIDE = block(10, 14, 5, 12, 16, 15)


def asked(solid: m3.Manifold, body: m3.Manifold) -> str | None:
    one = looked_at(part_of(solid), PLA)
    return reach(one, around(one, body))


def slot(wide: float, high: float = 12.0, long: float = 31.0) -> m3.Manifold:
    """A roofed slot about the body that opens to +x."""
    return (block(0, 0, 0, long - 1, 30, 20)
            - block(5, 15 - wide / 2, 4, long, 15 + wide / 2, 4 + high))


@pytest.mark.parametrize(("wide", "got"), [
    (WIDE + 0.01, "from the side, 0° from x"), (WIDE - 0.01, None)])
def test_a_slot_as_wide_as_the_tool(wide: float, got: str | None) -> None:
    thin = block(10, 14.9, 5, 10.2, 15.1, 15)
    assert asked(slot(wide), thin) == got


@pytest.mark.parametrize(("beyond", "got"), [
    (-0.1, "from the side, 0° from x"), (0.1, None)])
def test_a_slot_as_long_as_the_tool(beyond: float, got: str | None) -> None:
    """From the body's face at x = 12 to where the part ends."""
    assert asked(slot(4.0, long=12 + NOSE + beyond + 1), INSIDE) == got


def test_a_bend_in_the_way_is_none_for_a_straight_tool() -> None:
    part = slot(4.0) + block(20, 0, 0, 24, 30, 20)
    bent = part - block(14, 15, 4, 19, 31, 16)
    assert asked(bent, INSIDE) is None
    # Beside the body it comes from +y straight to it.
    assert asked(part - block(10, 15, 4, 12.1, 31, 16), INSIDE) == "from the side, 90° from x"


def test_what_stands_on_the_platform_shows_its_foot() -> None:
    pocket = block(0, 0, 0, 30, 30, 20) - block(10, 10, -1, 14.8, 14.8, 15)
    assert asked(pocket, block(10.4, 10.4, 0, 14.4, 14.4, 15)) == "from below, at its foot"


@pytest.mark.parametrize(("beside", "got"), [(WIDE + 0.1, "from above"), (WIDE - 0.2, None)])
def test_a_well(beside: float, got: str | None) -> None:
    well = block(0, 0, 0, 30, 30, 20) - block(10, 10, 5, 14 + beside, 14, 25)
    assert asked(well, block(10, 10, 5, 14, 14, 12)) == got


def test_a_prop_that_comes_out_but_that_nothing_gets_at_is_refused_with_the_reason() -> None:
    """It fills its slot: there is a way for it, none for a tool."""
    tight = WIDE - 0.4
    body = block(10, 15 - tight / 2, 5, 12, 15 + tight / 2, 15)
    with pytest.raises(Refused, match="no tool of 2 mm gets at a prop here"):
        removal(looked_at(part_of(slot(tight + 0.2)), PLA), body)
    free = removal(looked_at(part_of(slot(6.0)), PLA), body)
    assert free.way == "sideways, 0° from x" and free.tool == "from the side, 0° from x"


def test_several_ways_are_told_in_one_phrase_and_an_angle_is_read_back() -> None:
    down = "straight down, off the platform"
    assert ways_words([down]) == down
    assert ways_words(["sideways, 60° from x"]) == "sideways, 60° from x"
    assert ways_words(["sideways, 0° from x", "sideways, 30° from x", "sideways, 0° from x",
                       "sideways, 60° from x"]) == "sideways, 0°, 30° and 60° from x"
    assert ways_words(["sideways, 0° from x", "sideways, 90° from x, then up", down]) == (
        f"sideways, 0° from x, or sideways, 90° from x, then up, or {down}")
    assert angle_of("sideways, 90° from x, then up") == 90.0
    assert angle_of(down) is None
