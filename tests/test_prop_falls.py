"""Ridges down slopes, and props that stand on slopes."""

from __future__ import annotations

import math

import manifold3d as m3
import numpy as np
import pytest

from soffit.findings.review import review
from soffit.layers.stack import cut_layers
from soffit.part.manifold import to_manifold
from soffit.part.mesh_solid import evaluate
from soffit.plan.resolve import resolve
from soffit.plan.wishes import Wishes
from soffit.process.load import load_process
from soffit.remedies.context import BRIDGE_SHARE, context_of
from soffit.remedies.prop_falls import falls
from soffit.remedies.prop_shape import Room
from tests.solids import block, part_of

PLA = load_process("pla-04")
PROPS = Wishes(only=frozenset({"prop"}))


def funnel(radius: float, lean_deg: float) -> m3.Manifold:
    """A cone at an angle from the platform between a stem of radius 4 and a rim, 10 up."""
    high = (radius - 4.0) * math.tan(math.radians(lean_deg))
    return (m3.Manifold.cylinder(10.0, 4.0, 4.0, 128)
            + m3.Manifold.cylinder(high, 4.0, radius, 128).translate((0, 0, 10))
            + m3.Manifold.cylinder(2.0, radius, radius, 128).translate((0, 0, 10 + high)))


def bored(radius: float) -> m3.Manifold:
    """A block 40 wide and 16 deep with a horizontal hole."""
    hole = m3.Manifold.cylinder(20.0, radius, radius, 96).rotate((90, 0, 0)).translate((20, 18, 20))
    return block(0, 0, 0, 40, 16, 40) - hole


@pytest.mark.parametrize(("radius", "lean_deg"), [(14.0, 30.0), (20.0, 30.0), (14.0, 20.0)])
def test_ridges_run_straight_down_a_cone(radius: float, lean_deg: float) -> None:
    """All lie on radii of the cone, to within half a side of its 128. A chord of an nth of a circle
    bends by r (1 - cos(pi / n)), at most half of the step h / tan(lean); no two are farther apart
    than the spacing."""
    found = review(part_of(funnel(radius, lean_deg)), PLA)
    (slope,) = found.air
    lines = falls(context_of(found, cut_layers(found.part, PLA)), slope)
    step = PLA.layer_mm / math.tan(math.radians(lean_deg))
    for line in lines:
        (ax, ay), (bx, by) = line
        off = abs(ax * by - ay * bx) / np.linalg.norm(line[1] - line[0])
        assert off < 1.1 * math.pi * radius / 128
    ends = np.linalg.norm(lines, axis=2).max(axis=1)
    rim = [line for line, end in zip(lines, ends, strict=True) if end > radius - 1.0]
    turn = np.sort([math.atan2(*line[np.linalg.norm(line, axis=1).argmax()][::-1])
                    for line in rim])
    widest = float(np.diff(np.append(turn, turn[0] + 2.0 * math.pi)).max())
    assert radius * widest <= BRIDGE_SHARE * PLA.bridge_mm + 0.1
    assert (radius - step) * (1.0 - math.cos(0.5 * widest)) <= 0.5 * step * 1.1


def test_a_cone_is_held_by_ridges_that_snap_off() -> None:
    """Fins along its contours would take 40 N and more for each mm2 of them to be torn off."""
    result = resolve(part_of(funnel(20.0, 30.0)), PLA, wishes=PROPS)
    assert result.clean
    (edit,) = result.edits
    assert edit.prop is not None
    assert not edit.prop.fins
    assert edit.prop.force_n < 20.0


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


@pytest.mark.parametrize(("count", "clean"), [(32, True), (24, True), (12, False), (8, False)])
def test_strands_between_ribs_lie_on_the_strip_of_their_layer(count: int, clean: bool) -> None:
    """Between so many ribs down a cone the edge of a layer bends by r (1 - cos(pi / n)): with 24 by
    0.17 mm of the 0.35 that the next layer steps out, so that strands straight from rib to rib lie
    on most of it; with 12 by 0.68."""
    radius, lean = 20.0, math.radians(30.0)
    high = (radius - 4.0) * math.tan(lean)
    web = m3.CrossSection([[(3.0, 0.0), (radius, 0.0), (radius, 10.0 + high), (3.9, 10.0)]])
    rib = web.extrude(0.4).rotate((90, 0, 0)).translate((0, 0.2, 0))
    ribs = m3.Manifold.batch_boolean(
        [rib.rotate((0, 0, 360.0 * k / count)) for k in range(count)], m3.OpType.Add)
    slopes = [f for f in review(part_of(funnel(radius, 30.0) + ribs), PLA).air
              if f.kind == "air/slope"]
    assert bool(slopes) != clean


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
