"""Where a prop breaks: its sections as drawn against the formulas, and what is never chosen."""

from __future__ import annotations

import math

import manifold3d as m3
import numpy as np
import pytest

from soffit.process import physics
from soffit.process.load import load_process
from soffit.process.model import Process
from soffit.remedies.prop_cup import cups, snap_of
from soffit.remedies.prop_posts import posts
from soffit.remedies.prop_sections import Sections
from soffit.remedies.prop_shape import House, Room, shell, strip
from soffit.remedies.prop_strength import MOST_BORNE, TIP_MM, strength_of, tip_nmm

PLA = load_process("pla-04")
BOND = PLA.bond_mpa
ANYWHERE = Room.of(m3.CrossSection.square((400.0, 400.0), True))
ALONG = np.array([1.0, 0.0])


def weak_hand(pull_n: float) -> Process:
    """The process for a hand that pulls so much."""
    value = PLA.props.pull_n.model_copy(update={"value": pull_n})
    return PLA.model_copy(update={"props": PLA.props.model_copy(update={"pull_n": value})})


STRONG = weak_hand(2000.0)


def house(ridge: float, post: float, high: float) -> House:
    return House(np.array([[-0.5 * ridge, 0.0], [0.5 * ridge, 0.0]]), post, post, high, 0.0,
                 fan=True)


@pytest.mark.parametrize(("ridge", "post", "high"),
                         [(8.0, 2.4, 20.0), (20.0, 3.2, 30.0), (24.0, 2.4, 40.0), (6.0, 4.0, 12.0)])
def test_by_the_sections_of_the_body_as_drawn(ridge: float, post: float, high: float) -> None:
    """Cut at every depth, I / c about the axis about which each section is weaker."""
    one = house(ridge, post, high)
    snap = tip_nmm(ridge, PLA)
    sections = Sections.of(one, PLA)
    found = strength_of(sections, snap, 5.0, PLA)
    body = shell(one, ANYWHERE, PLA)
    borne, drag, soft = 0.0, 0.0, np.zeros(2)
    elastic = 1000.0 * PLA.material.modulus_gpa.value
    for depth in sections.depth.tolist():
        rings = body.slice(high - depth).to_polygons()
        points = np.concatenate(rings)
        xx, yy = (physics._moments(rings)[1][k] for k in (0, 1))
        soft += math.sin(0.5 * math.pi * depth / high) ** 2 / (elastic * np.array([xx, yy]))
        if depth <= TIP_MM:
            continue
        modulus = min(yy / np.abs(points[:, 1]).max(), xx / np.abs(points[:, 0]).max())
        borne = max(borne, snap * (1.0 - depth / high) / (BOND * modulus))
        drag = max(drag, PLA.drag_n * depth / (BOND * modulus))
    assert found.borne == pytest.approx(borne, rel=0.01)
    assert found.drag == pytest.approx(drag, rel=0.01)
    buckles = math.pi**2 / (8.0 * high * float(soft.max()) * sections.step_mm)
    assert found.buckles_n == pytest.approx(buckles, rel=0.01)
    # Nearly all of it is the post.
    slim = physics.second_moment_box(post, post, PLA.line_mm)
    assert found.buckles_n > 0.8 * physics.buckling_n(high, elastic, slim)


def test_tips_stronger_than_their_post_are_rocked_off_by_the_head() -> None:
    """40 mm of tip snap at 26.5 MPa · 40 · 0.4² / 6 = 28 N·mm; a post of 2.4 mm, Z = 1.85 mm³,
    breaks at 49: with ten times as much to snap it would go first."""
    slim = strength_of(Sections.of(house(40.0, 2.4, 60.0), PLA), tip_nmm(40.0, PLA), 20.0, PLA)
    stout = strength_of(Sections.of(house(40.0, 4.0, 60.0), PLA), tip_nmm(40.0, PLA), 20.0, PLA)
    assert stout.borne < slim.borne <= MOST_BORNE
    snap = 10 * tip_nmm(40.0, PLA)
    wide = strength_of(Sections.of(house(40.0, 2.4, 60.0), PLA), snap, 20.0, PLA)
    assert wide.borne == pytest.approx(10.0 * slim.borne)
    # It is rocked off by its head, at 283 N·mm over 20 mm.
    assert not wide.by_foot and wide.comes_off(PLA)
    assert wide.force_n == pytest.approx(snap / 20.0)
    heavy = strength_of(Sections.of(house(40.0, 2.4, 60.0), PLA), 100.0 * snap, 20.0, PLA)
    assert not heavy.comes_off(PLA)


@pytest.mark.parametrize("ridge", [3.0, 8.0, 20.0, 45.0])
@pytest.mark.parametrize("high", [8.0, 20.0, 45.0])
def test_no_post_is_chosen_that_breaks_elsewhere(ridge: float, high: float) -> None:
    line = np.array([[0.0, 0.0], [ridge, 0.0]])
    for way in posts(House(line, 0.0, ridge, high, 0.0), PLA, lambda _: None):
        assert way.strength.by_foot or way.strength.head_n <= 100.0
        assert way.strength.drag < 1.0
        assert way.strength.buckles_n > 10.0 * PLA.drag_n


def test_a_cup_is_as_strong_as_its_tips() -> None:
    """Two ridges 16 apart and 16 long: the outer one breaks first, at bond · I / c with I = 2 · 0.4
    · 16 · 8² + … about the middle; a post that breaks at less is not chosen."""
    tips = strip(np.array([[-8.0, -8.0], [8.0, -8.0]]), PLA.line_mm) + strip(
        np.array([[-8.0, 8.0], [8.0, 8.0]]), PLA.line_mm)
    line = PLA.line_mm
    weak = 2.0 * line * 16.0**3 / 12.0  # about the axis across both, less than 2 · 0.4 · 16 · 64
    far = math.hypot(8.0, 8.0 + 0.5 * line)
    snap = snap_of(tips, PLA)
    assert snap == pytest.approx(BOND * weak / far, rel=1e-6)
    made = cups(tips, ALONG, 40.0, 0.0, STRONG, lambda _: None)
    assert made
    weak = cups(tips, ALONG, 40.0, 0.0, weak_hand(1.0), lambda _: None)
    assert len(weak) < len(made) and all(c.strength.by_foot for c in weak)
    for cup in made:
        assert cup.snap_nmm == pytest.approx(snap)
        assert cup.strength.head_n == pytest.approx(snap / (40.0 - cup.high))
        if not cup.strength.by_foot:
            continue
        # The wall of the post, of I / c, bears all but what the lever takes off.
        size = cup.house.width, cup.house.length
        inner = [s - 2.0 * line for s in size]
        modulus = min((size[1] * size[0]**3 - inner[1] * inner[0]**3) / (6.0 * size[0]),
                      (size[0] * size[1]**3 - inner[0] * inner[1]**3) / (6.0 * size[1]))
        assert BOND * modulus > snap * (cup.high / 40.0) * 0.99
