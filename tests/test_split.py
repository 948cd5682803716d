"""Advice on a split: planes, which way up, what is left, and the faces to be glued."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from OCP.TopoDS import TopoDS_Shape

from examples._cad import box, cylinder, fuse, move
from soffit.remedies.split import SplitAdvice, advise
from tests.shapes import ball, process_with, read, tee
from tests.trying import looked_at

PLA = process_with()
SHIFTS = [(0.0, 0.0, 0.0), (412.3, -87.6, 30.0)]


def advised(shape: TopoDS_Shape, folder: Path, kind: str = "air/") -> SplitAdvice | None:
    context = looked_at(read(shape, folder), PLA)
    return advise(context, next(f for f in context.review.air if f.kind.startswith(kind)))


def aitch() -> TopoDS_Shape:
    """H: two posts 8 x 10 x 30 and a bar between them, 24 long, from z = 12 to 18."""
    return fuse(box((0, 0, 0), (8, 10, 30)), box((32, 0, 0), (40, 10, 30)),
                box((8, 0, 12), (32, 10, 18)))


@pytest.mark.parametrize("shift", SHIFTS)
def test_t_is_cut_below_its_bar(shift: tuple[float, float, float], tmp_path: Path) -> None:
    found = advised(move(tee(), shift), tmp_path)
    assert found is not None
    assert found.z_mm == pytest.approx(10.0, abs=1e-6)
    assert (found.lower.over_air_mm2, found.upper.over_air_mm2) == (0.0, 0.0)
    assert not found.lower.turned_over
    assert not found.upper.turned_over
    # The stem stands on the middle of the bar.
    assert found.joint.area_mm2 == pytest.approx(6 * 8)
    assert found.lower.face.area_mm2 == pytest.approx(6 * 8)
    assert found.upper.face.area_mm2 == pytest.approx(26 * 8)
    assert found.joint.connected
    (ring,) = found.joint.rings
    assert ring[:, 0].min() - shift[0] == pytest.approx(10.0)
    assert ring[:, 0].max() - shift[0] == pytest.approx(16.0)


@pytest.mark.parametrize("shift", SHIFTS)
def test_h_is_glued_on_two_posts(shift: tuple[float, float, float], tmp_path: Path) -> None:
    found = advised(move(aitch(), shift), tmp_path)
    assert found is not None
    assert found.z_mm == pytest.approx(12.0, abs=1e-6)
    assert found.over_air_mm2 == 0.0
    assert (found.lower.pieces, found.upper.pieces) == (2, 1)
    assert found.joint.pieces == 2
    assert not found.joint.connected
    assert found.joint.area_mm2 == pytest.approx(2 * 80)
    assert "2 faces" in found.sentence


@pytest.mark.parametrize("shift", SHIFTS)
def test_ball_becomes_two_hemispheres(shift: tuple[float, float, float], tmp_path: Path) -> None:
    found = advised(move(ball(10), shift), tmp_path)
    assert found is not None
    assert found.z_mm == pytest.approx(10.0, abs=1e-6)
    assert found.over_air_mm2 == 0.0
    assert found.lower.turned_over
    assert not found.upper.turned_over
    assert found.joint.connected
    # The circle of facets within the deflection of the true one.
    assert found.joint.area_mm2 == pytest.approx(math.pi * 100, rel=0.005)
    assert found.pins


def test_what_stays_in_a_half_is_told(tmp_path: Path) -> None:
    """A shelf above the bar of the T: the cut below the bar leaves it over air; the upper half is
    better off turned over, so that the shelf looks up."""
    shape = fuse(tee(), box((10, 0, 14), (16, 8, 30)), box((16, 0, 24), (40, 8, 30)))
    context = looked_at(read(shape, tmp_path), PLA)
    low = next(f for f in context.review.air if f.z_mm[0] == pytest.approx(10.0))
    found = advise(context, low)
    assert found is not None
    assert found.over_air_mm2 == pytest.approx(
        found.lower.over_air_mm2 + found.upper.over_air_mm2)
    assert found.upper.over_air_mm2 > 0.0
    assert len(found.upper.messages) > 0
    assert "over air" in found.sentence


def test_no_room_for_pins_in_a_thin_stem(tmp_path: Path) -> None:
    """A stem 4 mm across holds no two pins of 3 mm; one of 20 mm does."""
    for radius, pins in ((2.0, False), (10.0, True)):
        mushroom = fuse(cylinder((0, 0, 0), (0, 0, 1), radius, 12),
                        cylinder((0, 0, 12), (0, 0, 1), radius + 8, 4))
        found = advised(mushroom, tmp_path)
        assert found is not None
        assert found.pins is pins
        assert found.joint.area_mm2 == pytest.approx(math.pi * radius**2, rel=0.01)


def test_a_half_thinner_than_two_layers_is_none(tmp_path: Path) -> None:
    """A shelf 0.3 mm thick at the top of its wall, and one of 4 mm."""
    wall = box((-6, 0, 0), (0, 20, 10))
    assert advised(fuse(wall, box((-6, 0, 10), (10, 20, 10.3))), tmp_path) is None
    found = advised(fuse(wall, box((-6, 0, 10), (10, 20, 14))), tmp_path)
    assert found is not None
    assert found.z_mm == pytest.approx(10.0, abs=1e-6)
