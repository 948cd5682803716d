"""Posts under a ridge: their form against sections, their stiffness against beams."""

from __future__ import annotations

import math
from dataclasses import replace

import manifold3d as m3
import numpy as np
import pytest

from soffit.part.model import Floats
from soffit.process import physics
from soffit.process.load import load_process
from soffit.remedies.prop_posts import LEAST_POST_MM, posts
from soffit.remedies.prop_sections import Sections, bends_mm, give_mm, turns_mm
from soffit.remedies.prop_shape import House, Room, shell, stadium

PLA = load_process("pla-04")
W = PLA.line_mm
EVERYWHERE = Room.of(m3.CrossSection.square((400.0, 400.0), True))
MODULUS = 1000.0 * PLA.material.modulus_gpa.value


def ridge(length: float, turn: float = 0.0, at: tuple[float, float] = (0.0, 0.0)) -> Floats:
    half = 0.5 * length * np.array([math.cos(turn), math.sin(turn)])
    return np.array([np.array(at) - half, np.array(at) + half])


def platform(_length: float) -> None:
    return None


@pytest.mark.parametrize(("turn", "at"), [(0.0, (0.0, 0.0)), (0.7, (-60.0, 35.0))])
@pytest.mark.parametrize(("length", "width"), [(4.0, 3.2), (2.4, 8.0), (11.0, 2.4)])
def test_fan_and_post_are_one_line_thick(
    turn: float, at: tuple[float, float], length: float, width: float
) -> None:
    """A ridge of 20 mm over a post: both outlines change evenly over the height of the fan, in
    which the farther of them moves by as much to each side; the wall is one line (derived)."""
    house = House(ridge(20.0, turn, at), width, length, 40.0, 0.0, fan=True)
    high = 0.5 * max(20.0 - length, width - W)
    assert house.fan_mm(PLA) == pytest.approx(high)
    made = shell(house, EVERYWHERE, PLA)
    assert len(made.decompose()) == 2  # the wall, and the room in it
    for depth in (1e-4, 0.2, 1.0, 0.5 * high, 0.99 * high, high + 1.0, 30.0):
        share = min(1.0, max(0.0, depth - PLA.layer_mm) / high)  # a layer of it is upright
        long, wide = 20.0 + share * (length - 20.0), W + share * (width - W)
        inner = max(0.0, long - 2 * W) * max(0.0, wide - 2 * W)
        assert made.slice(40.0 - depth).area() == pytest.approx(long * wide - inner, rel=2e-3)


@pytest.mark.parametrize("contact", [0.8, 1.5, 3.0])
@pytest.mark.parametrize("length", [2.4, 6.0])
def test_every_layer_lies_within_a_step_of_the_one_below(contact: float, length: float) -> None:
    """On the part: from a contact with round ends, over the corners of the post, to the ends of the
    fan."""
    house = House(ridge(18.0), 5.0, length, 30.0, 0.0, contact, fan=True)
    foot = m3.CrossSection.extrude(stadium(house.foot, contact), PLA.layer_mm)
    made = shell(house, EVERYWHERE, PLA) + foot
    below = made.slice(0.5 * PLA.layer_mm)
    for k in range(1, 150):
        here = made.slice((k + 0.5) * PLA.layer_mm)
        near = below.offset(PLA.step_mm + 2e-3, m3.JoinType.Round, 2.0, 64)
        assert (here - near).area() < 1e-2
        below = here


@pytest.mark.parametrize("contact", [None, 2.0])
@pytest.mark.parametrize("height", [12.0, 30.0])
def test_plastic_and_give_are_those_of_the_body(contact: float | None, height: float) -> None:
    """The sections of the real body: their areas summed, and the beam of their second moments
    integrated down from the tip (Castigliano). Turning apart, which no section tells."""
    house = House(ridge(12.0), 4.0, 4.0, height, 0.0, contact, fan=True)
    made = shell(house, EVERYWHERE, PLA)
    if contact is not None:
        made = made + m3.CrossSection.extrude(stadium(house.foot, contact), PLA.layer_mm)
    step = 0.05
    depths = (np.arange(round(height / step)) + 0.5) * step
    found = [physics.second_moments(made.slice(height - d).to_polygons()) for d in depths.tolist()]
    volume = step * sum(area for area, *_ in found)
    sections = Sections.of(house, PLA)
    assert sections.plastic_mm3 == pytest.approx(volume, rel=0.05)
    for k, moment in enumerate((1, 2)):  # across the ridge the body is weaker
        bend = PLA.drag_n / MODULUS * step * sum(
            d**2 / section[moment] for d, section in zip(depths.tolist(), found, strict=True))
        # The round ends of the contact and the corners of the neck are left out.
        near = 0.05 if contact is None else 0.15
        assert bends_mm(sections, PLA)[k] == pytest.approx(bend, rel=near)
    assert give_mm(sections, 6.0, PLA) == pytest.approx(
        max(bends_mm(sections, PLA)[0] + turns_mm(sections, 6.0, PLA), bends_mm(sections, PLA)[1]))


def test_a_tall_post_turns_as_a_tube() -> None:
    """F (L/2)² H/(G J), J = t (a − t)³ of a square tube a × a (Bredt; Roark); the fan, whose upper
    part is softer, is 3 % of the height."""
    house = House(ridge(20.0), 8.0, 8.0, 200.0, 0.0, fan=True)
    shear = MODULUS / (2.0 * (1.0 + PLA.material.poisson.value))
    tube = PLA.drag_n * 10.0**2 * 200.0 / (shear * W * (8.0 - W) ** 3)
    assert tube < turns_mm(Sections.of(house, PLA), 10.0, PLA) < 1.25 * tube


def test_least_plastic_first_and_stiff_enough() -> None:
    """A ridge of 50 mm at a height of 37: no way gives more than half a line, posts stand apart
    evenly, and their ridges make up the whole one, each a line into the next."""
    found = posts(House(ridge(50.0), 0.0, 50.0, 37.0, 0.0), PLA, platform)
    assert found
    assert (np.diff([p.plastic_mm3 for p in found]) > -1e-3).all()
    assert {len(p.houses) for p in found} > {1, 2}
    for way in found:
        assert way.give_mm <= 0.5 * W
        ends = np.array([h.line[:, 0] for h in way.houses])
        assert ends[0, 0] == pytest.approx(-25.0) and ends[-1, 1] == pytest.approx(25.0)
        assert ends[:-1, 1] - ends[1:, 0] == pytest.approx(np.full(len(ends) - 1, W))


def test_no_post_where_there_is_no_height_for_its_fan() -> None:
    """A ridge of 40 mm at a height of 4: two of the longest posts would need fans of 4.7 mm."""
    house = House(ridge(40.0), 0.0, 40.0, 4.0, 0.0)
    found = posts(house, PLA, platform)
    assert min(len(p.houses) for p in found) == 3
    assert all(h.fan_mm(PLA) <= 4.0 - LEAST_POST_MM - PLA.layer_mm for p in found for h in p.houses)
    assert posts(replace(house, top=1.0), PLA, platform) == []
    assert posts(house, PLA, lambda _: math.inf) == []
