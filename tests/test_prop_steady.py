"""Props that stand by themselves until they are tied: what the checks of an unattended run, which
follow the build layer by layer, say of bodies that were sized by closed forms."""

from __future__ import annotations

import manifold3d as m3
import numpy as np
import pytest

from soffit.findings import bed_topple
from soffit.findings.built import Built
from soffit.layers.stack import cut_layers, pressed_of
from soffit.part.manifold import to_manifold
from soffit.part.model import Part
from soffit.plan.resolve import resolve
from soffit.plan.wishes import Wishes
from soffit.process.load import load_process
from soffit.process.physics import least_second_moment, tip_deflection_mm
from soffit.remedies.prop_cup import TIP_MM, body_of, cups
from soffit.remedies.prop_shape import Room, strip
from soffit.remedies.prop_site import SOLES_MM
from tests.shapes import example
from tests.solids import block, part_of

PLA = load_process("pla-04")
W, H = PLA.line_mm, PLA.layer_mm
E_MPA = 1000.0 * PLA.material.modulus_gpa.value
EVERYWHERE = Room.of(m3.CrossSection.square((400.0, 400.0), True))


def unsteady(part: Part) -> list[str]:
    return [f.message for f in bed_topple.check(Built(part, PLA, cut_layers(part, PLA)))]


@pytest.mark.parametrize("name", ["skid_foot", "cable_duct", "counterbore_spacer",
                                  "junction_block"])
def test_every_prop_of_an_example_is_steady(name: str) -> None:
    """Posts beside a wall that cuts them, on contacts; on soles of the least size; cups with plates
    in their middle."""
    result = resolve(example(name), PLA, wishes=Wishes(only=frozenset({"prop"})))
    assert result.props
    before = {f.message for f in result.before.findings}
    assert [f.message for f in result.after.findings
            if f.kind == bed_topple.KIND and f.message not in before] == []


@pytest.mark.parametrize(("high", "long"), [(1.0, 40.0), (2.0, 40.0), (2.2, 12.0)])
def test_a_low_blade_stands_on_the_smallest_sole_that_holds(high: float, long: float) -> None:
    """A rectangle of width b peels at 6 F H / (L b^2) of its rim's stress."""
    part = part_of(block(0, 0, 0, 10, long, 20) + block(0, 0, high, 20, long, 20))
    result = resolve(part, PLA, wishes=Wishes(only=frozenset({"prop"})))
    assert result.clean and [f for f in result.after.findings if f.kind == bed_topple.KIND] == []
    (body,) = (to_manifold(prop.mesh) for prop in result.props)
    assert body is not None
    x0, y0, x1, y1 = body.slice(PLA.first_layer_mm + 0.5 * H).bounds()
    blade = body.slice(high - 0.5 * H).bounds()
    length, due = blade[3] - blade[1], next(
        s for s in SOLES_MM if 6.0 * PLA.drag_n * high / ((long + 2 * s) * (W + 2 * s)**2)
        <= PLA.capability.adhesion_mpa.value)
    assert (x1 - x0, y1 - y0) == pytest.approx((W + 2 * due, length + 2 * due), abs=0.02)
    assert due > 0.0


@pytest.mark.parametrize(("reach", "top", "tied"), [(12.0, 40.0, True), (1.5, 20.0, False)])
def test_a_plate_in_the_middle_of_a_cup_is_tied_where_it_would_give(
    reach: float, top: float, tied: bool
) -> None:
    """Two long ridges `reach` to both sides of a short one: the wall leans out past that, which
    then stands free from where it did, and gives by F h^3 / (3 E I)."""
    lines = [np.array([[-4.0, y], [4.0, y]]) for y in (-reach, reach)]
    lines.append(np.array([[-1.0, 0.0], [1.0, 0.0]]))
    strips = [strip(line, W) for line in lines]
    tips = m3.CrossSection.batch_boolean(strips, m3.OpType.Add)
    found = cups(tips, np.array([1.0, 0.0]), top, 0.0, PLA, lambda _: None)
    cup = found[0] if tied else min(found, key=lambda one: one.give_mm)
    free, untied = (body_of(cup, tips, EVERYWHERE, PLA, some) for some in (lines, ()))
    bare = tip_deflection_mm(PLA.drag_n, cup.house.top - cup.high, E_MPA,
                             least_second_moment(strips[2].to_polygons()))
    assert (cup.give_mm + bare > PLA.give_mm) == tied
    assert (unsteady(part_of(untied)) != []) == tied
    assert unsteady(part_of(free)) == []
    if not tied:
        assert free.volume() == pytest.approx(untied.volume(), rel=1e-9)
        return
    # It is held from wall to wall, and only its tip reaches the underside.
    assert len(free.slice(cup.house.top - TIP_MM - 0.5 * H).decompose()) == 1
    section = free.slice(cup.house.top - 1e-3)
    assert (section - tips.offset(PLA.step_mm + 1e-3, m3.JoinType.Miter)).area() < 1e-3


def test_a_first_layer_drawn_smaller_counts_as_it_is_pressed_out() -> None:
    """By no more than the second layer is wide, and not where that is not wider."""
    spread = PLA.bead.spread_mm.value
    second = m3.CrossSection.square((10.0, 10.0), True)
    drawn = m3.CrossSection.square((10.0 - 2.0 * spread,) * 2, True)
    less = m3.CrossSection.square((10.0 - 4.0 * spread,) * 2, True)
    assert pressed_of(drawn, second, PLA).area() == pytest.approx(100.0, rel=1e-9)
    assert pressed_of(second, second, PLA).area() == pytest.approx(100.0, rel=1e-9)
    assert pressed_of(second, drawn, PLA).area() == pytest.approx(100.0, rel=1e-9)
    assert pressed_of(less, second, PLA).area() == pytest.approx((10.0 - 2 * spread)**2, rel=1e-9)
    # A gate whose posts peel at 4 mm does not at a foot pressed out to 8.
    foot, post = 8.0 - 2.0 * spread, 58.0
    gate = block(0, 0, 58, 44, 4, 62)
    for x in (2.0, 42.0):
        gate = gate + block(x - 2, 0, 0, x + 2, 4, post)
        gate = gate + block(x - 4, -2, 0.2, x + 4, 6, 0.6) + block(
            x - foot / 2, 2 - foot / 2, 0, x + foot / 2, 2 + foot / 2, 0.2)
    first = Built(part_of(gate), PLA, cut_layers(part_of(gate), PLA)).layers[0]
    assert [c.area_mm2 for c in first] == pytest.approx([64.0, 64.0], rel=1e-6)
