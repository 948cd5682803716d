"""The cheapest row of tips along a free edge, against closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from soffit.part.model import Floats
from soffit.process.load import load_process
from soffit.remedies.context import BRIDGE_SHARE, LIP_SHARE
from soffit.remedies.prop_row import Price, row

PLA = load_process("pla-04")
SPACING = BRIDGE_SHARE * PLA.bridge_mm
INSET = 0.5 * PLA.line_mm


def to_wall(deep: float) -> Price:
    """What ridges from a wall along y = 0 cost that are as long as a place is deep."""
    return lambda tip, _: (20.0 * deep, np.array([tip[0], 0.0]))


def test_a_straight_edge_has_as_few_as_the_spacing_allows() -> None:
    """Of a ledge of 60 mm between two walls: ⌈60 / 12⌉ − 1 = 4 tips (derived)."""
    area = shapely.box(0.0, 0.0, 60.0, 5.0)
    edge = shapely.LineString([(0.0, 5.0 - INSET), (60.0, 5.0 - INSET)])
    tips = np.array(row(edge, area, PLA, to_wall(5.0)))
    assert len(tips) == math.ceil(60.0 / SPACING - 1e-9) - 1
    gaps = np.diff([0.0, *tips[:, 0], 60.0])
    assert gaps.max() <= SPACING + 1e-9


def test_a_round_edge_has_one_for_each_chord_that_bulges_by_the_lip() -> None:
    """A chord of an arc of radius R bulges by s over 2 √(2 R s) (to second order); tips may stand
    as deep inside as the edge may bulge."""
    radius = 30.0
    area = shapely.Point(0.0, 0.0).buffer(radius, quad_segs=256)
    edge = area.buffer(-INSET).exterior
    tips = row(edge, area, PLA, lambda tip, _: (100.0, tip / np.linalg.norm(tip) * 15.0))
    deep = radius - INSET
    chord = 2.0 * math.sqrt(2.0 * deep * LIP_SHARE * PLA.lip_mm)
    least = math.ceil(2.0 * math.pi * deep / min(SPACING, chord) - 1e-9)
    assert least <= len(tips) <= least + 1


def test_the_dear_ones_are_avoided() -> None:
    """Ridges right of the middle cost four times as much: no more stand there than must."""
    area = shapely.box(0.0, 0.0, 60.0, 5.0)
    edge = shapely.LineString([(0.0, 5.0 - INSET), (60.0, 5.0 - INSET)])

    def price(tip: Floats, _: Floats) -> tuple[float, Floats]:
        return (20.0 if tip[0] > 30.0 else 5.0), np.array([tip[0], 0.0])

    tips = np.array(row(edge, area, PLA, price))
    # From 30 to 60 mm: ⌈30 / 12⌉ − 1 = 2.
    assert (tips[:, 0] > 30.0).sum() == 2


def test_where_none_can_stand_for_longer_than_a_bridge_there_is_no_row() -> None:
    area = shapely.box(0.0, 0.0, 60.0, 5.0)
    edge = shapely.LineString([(0.0, 5.0 - INSET), (60.0, 5.0 - INSET)])

    def price(tip: Floats, _: Floats) -> tuple[float, Floats] | None:
        return None if 20.0 < tip[0] < 40.0 else (5.0, np.array([tip[0], 0.0]))

    assert row(edge, area, PLA, price) == []


@pytest.mark.parametrize(("depth", "tips"), [(0.5, 0), (0.7, 1)])
def test_a_hollow_edge_is_passed_on_its_inner_side(depth: float, tips: int) -> None:
    """An edge of 10 mm between walls with a notch 4 mm wide: its corners are as far from the first
    whole strand as it is deep, of 0.6 mm allowed."""
    inner = 5.0 - INSET
    edge = shapely.LineString([(0.0, inner), (3.0, inner), (3.0, inner - depth),
                               (7.0, inner - depth), (7.0, inner), (10.0, inner)])
    area = shapely.Polygon([(0, 0), *edge.offset_curve(INSET).coords, (10, 0)])
    # At the ends nothing stands, so that the corners hang from the strand alone.
    found = row(edge, area, PLA, to_wall(5.0))
    assert (len(found) > 0) == (tips > 0)
