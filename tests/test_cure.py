"""What a cure is estimated at, against the closed forms of the wedge and the prop."""

from __future__ import annotations

import math

import manifold3d as m3
import pytest

from soffit.findings.model import Finding
from soffit.findings.review import review
from soffit.layers.plastic import laid_about_mm3
from soffit.layers.stack import cut_layers
from soffit.orient.cure import Cure, cure_of
from soffit.process.cost import cost_of
from soffit.process.load import load_process
from tests.solids import block, part_of

PLA = load_process("pla-04")
LIMIT = PLA.bridge_mm


def cured(solid: m3.Manifold) -> tuple[Cure, tuple[Finding, ...]]:
    part = part_of(solid)
    stack = cut_layers(part, PLA)
    air = review(part, PLA, stack=stack).air
    return cure_of(stack, air, PLA), air


def laid(volume_mm3: float, under_mm2: float) -> float:
    return laid_about_mm3(volume_mm3, math.sqrt(2.0) * under_mm2, PLA)


def test_a_ledge_gets_a_wedge_of_half_its_area_by_its_reach() -> None:
    """Of 20 × 12 mm, 30 mm high: 240 · 12 / 2 mm³ (the triangle below it); 8 mm high a prop."""
    def shelf(low: float) -> m3.Manifold:
        return block(0, 0, 0, 20, 10, low + 4.0) + block(0, 0, low, 20, 22, low + 4.0)

    cure, _ = cured(shelf(30.0))
    assert cure.props == 0
    assert cure.plastic_mm3 == pytest.approx(laid(1440.0, 240.0), rel=0.02)
    assert cured(shelf(8.0))[0].props == 1


def test_a_bridge_gets_a_wedge_from_both_sides_up_to_what_it_may_span() -> None:
    """Of 10 × 35 mm, 30 mm high, where 15 may be: two triangles of 10² / 2 by 10 mm."""
    cure, (bridge,) = cured(block(0, 0, 0, 10, 10, 34) + block(45, 0, 0, 55, 10, 34)
                            + block(0, 0, 30, 55, 10, 34))
    assert bridge.kind == "air/bridge"
    side = 0.5 * (35.0 - LIMIT)
    assert cure.props == 0
    assert cure.plastic_mm3 == pytest.approx(laid(10.0 * side**2, 350.0), rel=0.02)
    bare = cost_of(PLA, plastic_mm3=cure.plastic_mm3, changed_mm2=0.0, deviation_mm=0.0)
    assert cure.price == pytest.approx(bare.price)
    assert cure.worth == PLA.costs.avoid_bridge.value


def test_a_rounded_bottom_edge_is_filled_to_the_platform() -> None:
    """A bar with a quarter round of 5 mm below one side: no prop, though there is no height below;
    what it takes is far below a prop, and no less than the tangent chamfer, 1.0757 mm² by 30 mm
    (`remedies.bottom_edge`)."""
    edge = block(0, 0, 0, 5, 30, 5) - m3.Manifold.cylinder(30, 5, 5, 192).rotate(
        (-90, 0, 0)).translate((0, 0, 5))
    cure, (slope,) = cured(block(0, 0, 0, 25, 30, 20) - edge)
    assert slope.kind == "air/slope" and slope.z_mm[0] < PLA.first_layer_mm
    assert cure.props == 0
    assert 1.0757 * 30.0 < cure.plastic_mm3 < 200.0


def test_an_island_gets_a_prop() -> None:
    cure, _ = cured(block(0, 0, 0, 6, 6, 40) + block(0, 0, 40, 30, 6, 46)
                    + block(24, 0, 20, 30, 6, 40))
    assert cure.props == 1
