"""Which way up comes first."""

from __future__ import annotations

import manifold3d as m3
import numpy as np
import pytest

from soffit.orient.choose import search
from soffit.orient.measure import Orientation
from soffit.part.model import Part
from soffit.process.load import load_process
from tests.solids import block, part_of

PLA = load_process("pla-04")


def orientations(part: Part) -> tuple[Orientation, ...]:
    return search(part, PLA, around=300, most=8).finalists


def tree(stem: float) -> Part:
    """A stem 60 mm high under a plate of 30 × 30, which a pyramid at 45° carries, as one does a
    flange of 16 × 16 half way up: nothing over air as drawn; on its head 16² − stem² of the
    flange."""
    def corbel(half: float, z: float, thick: float) -> m3.Manifold:
        low = z - (half - 0.5 * stem)
        points = [(x * s, y * s, h) for s, h in ((0.5 * stem, low), (half, z), (half, z + thick))
                  for x in (-1, 1) for y in (-1, 1)]
        return m3.Manifold.hull_points(np.array(points, dtype=np.float64))

    half = 0.5 * stem
    return part_of(block(-half, -half, 0, half, half, 58) + corbel(8.0, 25.0, 2.0)
                   + corbel(15.0, 58.0, 2.0))


def test_a_part_that_its_foot_does_not_hold_comes_after_one_that_stands() -> None:
    """Of 4 × 4 mm at 60 mm: F·H·c/I = 0.5·60·2/(4⁴/12) = 2.8 MPa, where 0.2 MPa holds."""
    found = orientations(tree(4.0))
    (drawn,) = [o for o in found if o.as_drawn]
    assert drawn.clean and not drawn.stands
    assert drawn.pull_mpa == pytest.approx(0.5 * 60.0 * 2.0 / (4.0**4 / 12.0), rel=0.02)
    assert found[0].up == (0.0, 0.0, -1.0) and found[0].stands
    assert found[0].over_air_mm2 == pytest.approx(16.0**2 - 4.0**2, rel=0.02)
    stands = [o.stands for o in found]
    assert stands == sorted(stands, reverse=True)


def test_a_foot_that_holds_lets_the_area_decide() -> None:
    """Of 12 × 12 mm: 0.5·60·6/(12⁴/12) = 0.10 MPa."""
    best = orientations(tree(12.0))[0]
    assert best.as_drawn and best.clean
    assert best.pull_mpa == pytest.approx(0.104, rel=0.02)


def test_a_part_is_turned_only_where_that_saves_a_fifth() -> None:
    """A plate on a stem beside a step: 50 × 10 mm over air as drawn; on its head, under the step,
    50 × 10 × share; either way under pins at both ends, on which it does not stand, 80 mm²."""
    def drawn_first(share: float) -> bool:
        stem, plate = block(0, 0, 0, 50, 20, 30), block(0, 0, 20, 50, 30, 30)
        step = block(0, -10.0 * share, 0, 50, 0, 10)
        pins = block(-4, 5, 12, 54, 15, 16)
        found = orientations(part_of(stem + plate + step + pins))
        areas = {o.up[2]: o.over_air_mm2 for o in found if abs(o.up[2]) == 1.0}
        assert areas[1.0] == pytest.approx(580.0, rel=0.01)
        assert areas[-1.0] == pytest.approx(500.0 * share + 80.0, rel=0.01)
        return found[0].as_drawn

    assert drawn_first(0.9)
    assert not drawn_first(0.7)
