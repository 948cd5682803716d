"""The soles of props as one plate, the first layer of which is drawn smaller."""

from __future__ import annotations

import manifold3d as m3
import numpy as np
import pytest

from soffit.process.load import load_process
from soffit.remedies.prop_shape import SOLE_LAYERS, House, Room, shell
from soffit.remedies.prop_sole import soled
from tests.solids import block

PLA = load_process("pla-04")
SPREAD = PLA.bead.spread_mm.value
FIRST = 0.5 * PLA.first_layer_mm
SECOND = PLA.first_layer_mm + 0.5 * PLA.layer_mm
HIGH = SOLE_LAYERS * PLA.layer_mm


def post(x: float, sole: float) -> m3.Manifold:
    """A post of 5 by 4 mm under a ridge of 12 mm."""
    line = np.array([[x - 6.0, 0.0], [x + 6.0, 0.0]])
    house = House(line, 4.0, 5.0, 20.0, 0.0, sole=sole, fan=True)
    return shell(house, Room.of(m3.CrossSection.square((90.0, 90.0), True)), PLA)


@pytest.mark.parametrize("sole", [0.0, 2.0])
def test_the_first_layer_is_drawn_smaller_by_what_it_is_pressed_out(sole: float) -> None:
    assert PLA.step_mm > SPREAD  # what is above it is no overhang
    body = soled(post(0.0, sole), PLA)
    first, second = (body.slice(z).bounds() for z in (FIRST, SECOND))
    assert second == pytest.approx((-2.5 - sole, -2 - sole, 2.5 + sole, 2 + sole), abs=1e-6)
    assert np.abs(np.subtract(first, second)) == pytest.approx([SPREAD] * 4, abs=1e-6)


def test_above_the_sole_nothing_changes() -> None:
    body = post(0.0, 2.0)
    made = soled(body, PLA)
    ring = 4 * SPREAD * (9.0 + 8.0 - 2 * SPREAD) / 2 * PLA.first_layer_mm
    assert made.volume() == pytest.approx(body.volume() - ring, abs=1e-3)
    for z in (HIGH + 0.01, 5.0, 19.0):
        assert (made.slice(z) - body.slice(z)).area() == pytest.approx(0.0, abs=1e-6)
        assert (body.slice(z) - made.slice(z)).area() == pytest.approx(0.0, abs=1e-6)


def test_again_changes_nothing() -> None:
    once = soled(post(0.0, 2.0), PLA)
    again = soled(once, PLA)
    assert again.volume() == pytest.approx(once.volume(), abs=1e-4)
    assert again.slice(FIRST).area() == pytest.approx(once.slice(FIRST).area(), abs=1e-4)


def test_soles_that_nearly_meet_become_one_plate_without_a_sliver_between() -> None:
    """A gap of 0.3 mm, in which no bead fits."""
    two = post(0.0, 2.0) + post(9.3, 2.0)
    assert len(two.slice(SECOND).to_polygons()) == 2
    made = soled(two, PLA)
    (outline,) = made.slice(SECOND).to_polygons()
    assert np.ptp(outline, axis=0) == pytest.approx([9.3 + 9.0, 8.0], abs=1e-6)
    assert made.slice(SECOND).area() == pytest.approx(18.3 * 8.0, abs=1e-3)
    assert sum(piece.volume() > 0.0 for piece in made.decompose()) == 1


def test_walls_that_stand_on_the_platform_stay_as_drawn() -> None:
    wall = block(0, 0, 0, 20, PLA.line_mm, 3)
    assert soled(wall, PLA).volume() == pytest.approx(wall.volume(), abs=1e-9)


def test_a_wall_beside_a_sole_stays_on_the_platform() -> None:
    """At the clearance from it, from which the rim of the sole is taken away."""
    wall = block(-4, 4.4, 0, 4, 4.4 + PLA.line_mm, 3)
    made = soled(post(0.0, 2.0) + wall, PLA)
    assert (made.slice(FIRST) ^ wall.slice(FIRST)).area() == pytest.approx(
        8 * PLA.line_mm, abs=1e-6)


def test_what_stands_on_the_part_has_no_sole() -> None:
    body = block(0, 0, 5, 8, 8, 20)
    assert soled(body, PLA).volume() == pytest.approx(body.volume(), abs=1e-9)
