"""Props that stand on sloping and curved ground, and the room that they have."""

from __future__ import annotations

import math

import manifold3d as m3
import pytest

from soffit.part.manifold import to_manifold
from soffit.part.mesh_solid import evaluate
from soffit.plan.resolve import resolve
from soffit.plan.wishes import Wishes
from soffit.process.load import load_process
from soffit.remedies.prop_shape import Room
from tests.solids import block, part_of

PLA = load_process("pla-04")
PROPS = Wishes(only=frozenset({"prop"}))


def bored(radius: float) -> m3.Manifold:
    """A block 40 wide and 16 deep with a horizontal hole."""
    hole = m3.Manifold.cylinder(20.0, radius, radius, 96).rotate((90, 0, 0)).translate((20, 18, 20))
    return block(0, 0, 0, 40, 16, 40) - hole


@pytest.mark.usefixtures("from_below")
@pytest.mark.parametrize("radius", [6.0, 9.0, 11.0, 14.0])
@pytest.mark.parametrize("turn_deg", [0.0, 30.0])
def test_a_prop_in_a_bore_stands_on_its_curved_floor(radius: float, turn_deg: float) -> None:
    """Its feet reach down to the surface that falls away below them: nothing of it is over air,
    and it does not cut into the part."""
    part = part_of(bored(radius).rotate((0, 0, turn_deg)))
    result = resolve(part, PLA, wishes=PROPS)
    assert result.clean, [o.finding.message for o in result.open]
    solid = to_manifold(part.mesh)
    assert solid is not None
    for edit, body in zip(result.edits, result.props, strict=True):
        assert edit.prop is not None
        assert not edit.prop.fins
        made = evaluate(body.solid)
        assert (made ^ solid).volume() < 1e-3
        # It touches below as well as above.
        assert (made.translate((0, 0, -0.02)) ^ solid).volume() > 0.02 * 0.16
        assert edit.volume_mm3 < 1.2 * edit.prop.baseline_mm3


def test_room_of_two_heights_is_one_body() -> None:
    """10 x 10 up to 3, 10 x 6 from there to 8, each a line less on every side within."""
    wide = m3.CrossSection.square((10.0, 10.0), True)
    narrow = m3.CrossSection.square((10.0, 6.0), True)
    room = Room(((3.0, wide), (math.inf, narrow)))
    whole = room.solid(0.1, 8.0)
    assert len(whole.decompose()) == 1
    assert whole.volume() == pytest.approx(100.0 * 2.9 + 60.0 * 5.0)
    assert room.solid(0.1, 8.0, 0.5).volume() == pytest.approx(81.0 * 2.9 + 45.0 * 5.0)
    assert room.solid(0.1, 2.0).volume() == pytest.approx(190.0)
