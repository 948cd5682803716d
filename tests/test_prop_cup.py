"""Cups: one post for several ridges, against closed forms and layer by layer."""

from __future__ import annotations

import itertools
import math

import manifold3d as m3
import numpy as np
import pytest

from soffit.part.mesh_solid import evaluate
from soffit.part.place import place
from soffit.plan.resolve import resolve
from soffit.plan.wishes import Wishes
from soffit.process.load import load_process
from soffit.remedies.prop_cup import RIM_LAYERS, body_of, cups
from soffit.remedies.prop_posts import LEAST_POST_MM
from soffit.remedies.prop_shape import Room, stadium, strip
from soffit.remedies.prop_solid import lumps
from tests.solids import block, part_of

PLA = load_process("pla-04")
W, H = PLA.line_mm, PLA.layer_mm
EVERYWHERE = Room.of(m3.CrossSection.square((400.0, 400.0), True))
ALONG = np.array([1.0, 0.0])
# A hand so strong that the shapes can be looked at whatever they take to be broken off.
STRONG = PLA.model_copy(update={"props": PLA.props.model_copy(update={
    "pull_n": PLA.props.pull_n.model_copy(update={"value": 2000.0})})})


def square(side: float) -> m3.CrossSection:
    """Four ridges along the inside of a square."""
    half = 0.5 * (side - W)
    corners = half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    return m3.CrossSection.batch_boolean(
        [strip(np.array([a, b]) + 0.5 * W * np.sign(np.array([a - b, b - a])), W)
         for a, b in itertools.pairwise([*corners, corners[0]])], m3.OpType.Add)


def ring(radius: float, count: int = 12) -> m3.CrossSection:
    """Ridges along the chords of a circle."""
    turn = np.linspace(0.0, 2.0 * math.pi, count + 1)
    points = radius * np.column_stack([np.cos(turn), np.sin(turn)])
    return m3.CrossSection.batch_boolean(
        [strip(np.array([a, b]), W) for a, b in itertools.pairwise(points)], m3.OpType.Add)


def cross(reach: float) -> m3.CrossSection:
    return (strip(np.array([[-reach, 0.0], [reach, 0.0]]), W)
            + strip(np.array([[0.0, -reach], [0.0, reach]]), W))


@pytest.mark.parametrize("side", [12.0, 20.0])
def test_a_square_on_a_square_post(side: float) -> None:
    """Walls of one line between the side of the tips and that of the post, which differ by twice
    the height between them at 45° on the diagonal, √2 of it on a side (derived)."""
    tips = square(side)
    cup = next(c for c in cups(tips, ALONG, 40.0, 0.0, STRONG, lambda _: None)
               if c.house.length == c.house.width)
    post = cup.house.length
    fan = 40.0 - H - cup.high  # a layer of it is upright
    assert fan == pytest.approx(math.sqrt(0.5) * (side - post), rel=1e-3)
    made = body_of(cup, tips, EVERYWHERE, PLA)
    for depth in (1.0, 0.3 * fan, 0.8 * fan, fan + 2.0):
        outline = side + min(1.0, max(0.0, depth - H) / fan) * (post - side)
        wall = outline**2 - (outline - 2 * W) ** 2
        # The ridges of this square are its wall: no plate stands in it but near the tips.
        plates = (tips ^ m3.CrossSection.square((outline, outline), True)).area()
        assert wall - 1e-2 <= made.slice(40.0 - depth).area() <= wall + plates + 1e-2
    assert made.slice(40.0 - 1e-3).area() == pytest.approx(tips.area(), rel=1e-2)


@pytest.mark.parametrize("tips", [square(14.0), ring(5.0), cross(7.0)], ids=["square", "ring",
                                                                            "cross"])
@pytest.mark.parametrize("contact", [None, 2.0])
def test_printed_layer_by_layer_and_touches_with_its_tips_alone(
    tips: m3.CrossSection, contact: float | None
) -> None:
    base, top = 3.0 if contact else 0.0, 25.0
    cup = cups(tips, ALONG, top, base, STRONG, lambda _: contact)[0]
    made = body_of(cup, tips, EVERYWHERE, PLA)
    if contact is not None:
        foot = stadium(cup.house.foot, cup.house.contact or 0.0)
        made = made + foot.extrude(H).translate((0.0, 0.0, base))
    assert cup.give_mm <= 0.5 * W
    assert cup.high >= base + LEAST_POST_MM
    sole = 0.0 if contact else 2.0 * H * (cup.house.length * cup.house.width)
    assert made.volume() < 1.05 * cup.plastic_mm3 + sole
    below = made.slice(base + 0.5 * H)
    for k in range(1, round((top - base) / H)):
        here = made.slice(base + (k + 0.5) * H)
        near = below.offset(PLA.step_mm + 2e-3, m3.JoinType.Round, 2.0, 64)
        assert (here - near).area() < 1e-2, base + (k + 0.5) * H
        # A line wide all over, but for corners.
        wide = here.offset(-0.45 * W, m3.JoinType.Miter).offset(0.45 * W, m3.JoinType.Miter)
        assert (here - wide).area() < 0.06 * here.area(), base + (k + 0.5) * H
        below = here
    section = made.slice(top - 1e-4)
    assert (tips - section).area() < 0.02 * tips.area()
    assert (section - tips.offset(PLA.step_mm + 1e-3, m3.JoinType.Miter)).area() < 1e-3
    between = made.slice(top - 0.5 * RIM_LAYERS * H).area()
    assert between < 1.6 * tips.area()


def test_stiff_enough_or_none() -> None:
    """At 150 mm no post of these sizes holds a tip 10 mm aside; at 25 mm many do, in order."""
    tips = ring(10.0)
    assert cups(tips, ALONG, 150.0, 0.0, STRONG, lambda _: None) == []
    found = cups(tips, ALONG, 25.0, 0.0, STRONG, lambda _: None)
    assert len(found) > 5
    assert (np.diff([c.plastic_mm3 for c in found]) > -1e-3).all()
    assert cups(tips, ALONG, 25.0, 0.0, STRONG, lambda _: math.inf) == []


def test_ridges_around_a_hole_share_a_post() -> None:
    """A shelf with a hole through it, 30 above the platform: around the hole the posts of its
    ridges would stand in each other. One body holds them, and the whole takes less than a tenth of
    the column."""
    shelf = block(0, 0, 0, 10, 40, 40) + block(0, 0, 30, 30, 40, 40)
    drill = m3.Manifold.cylinder(60.0, 2.5, 2.5, 48).translate((20.0, 20.0, 0.0))
    part = place(part_of(shelf - drill), "keep")
    # Gussets on the wall would take less; here it is posts that are looked at.
    wishes = Wishes(only=frozenset({"prop"}), forbid=frozenset({"prop of gussets"}))
    result = resolve(part, PLA, wishes=wishes)
    assert result.clean and all(e.prop is not None and not e.prop.gussets for e in result.edits)
    plastic = sum(b.mesh.volume_mm3 for b in result.props)
    assert plastic < 0.1 * 20 * 40 * 30
    feet = [foot for b in result.props for lump in lumps(evaluate(b.solid))
            for foot in lump.slice(0.1).decompose()]
    assert len(feet) <= 6
