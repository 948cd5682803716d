"""What an option costs, against closed forms (derived here)."""

from __future__ import annotations

import math
from pathlib import Path

import manifold3d as m3
import pytest

from soffit.layers.plastic import laid_mm2
from soffit.layers.stack import cut_layers
from soffit.part.place import place
from soffit.process.cost import cost_of
from soffit.process.deposit import flow_mm3_s
from soffit.process.load import load_process
from soffit.remedies import all_options
from soffit.remedies.cost import laid_by, surface_change
from tests import shapes, solids
from tests.shapes import read
from tests.trying import asked, looked_at

PROCESS = load_process("pla-04")
WALLS = PROCESS.filling.walls.value * PROCESS.line_mm
SKINS = round(PROCESS.filling.skins.value)
INFILL = PROCESS.filling.infill.value


def block(a: float, b: float, layers: int) -> float:
    """Plastic of an a × b block of so many layers: skins solid, else walls and infill, mm³."""
    inside = max(0.0, a - 2 * WALLS) * max(0.0, b - 2 * WALLS)
    sparse = max(0, layers - 2 * SKINS)
    return PROCESS.layer_mm * (layers * a * b - sparse * (1.0 - INFILL) * inside)


@pytest.mark.parametrize("size", [(20, 30, 10), (20, 30, 1.6), (20, 30, 1.8), (1.6, 30, 10)])
def test_plastic_of_a_block(tmp_path: Path, size: tuple[float, float, float]) -> None:
    high = (5 + size[0], -7 + size[1], size[2])
    part = place(read(shapes.box((5, -7, 0), high), tmp_path), "keep")
    laid = laid_mm2(cut_layers(part, PROCESS).regions, PROCESS)
    due = block(size[0], size[1], round(size[2] / PROCESS.layer_mm))
    assert laid.sum() * PROCESS.layer_mm == pytest.approx(due, rel=1e-6)


def test_plastic_of_a_block_made_higher_and_wider(tmp_path: Path) -> None:
    """A block of 20 × 20 × 10 with more on top, or beside it, takes what the two wholes differ by;
    a pocket filled saves its walls and its floor's and ceiling's skins."""
    part = place(read(shapes.box((0, 0, 0), (20, 20, 10)), tmp_path), "keep")
    stack = cut_layers(part, PROCESS)
    beside = m3.Manifold.cube((10.0, 20.0, 10.0)).translate((20.0, 0.0, 0.0))
    assert laid_by(beside, "add", stack, PROCESS) == pytest.approx(
        block(30, 20, 50) - block(20, 20, 50), rel=1e-6)
    cut = m3.Manifold.cube((10.0, 20.0, 10.0)).translate((10.0, 0.0, 0.0))
    assert laid_by(cut, "cut", stack, PROCESS) == pytest.approx(
        block(10, 20, 50) - block(20, 20, 50), rel=1e-6)
    stand = m3.Manifold.cube((0.4, 5.0, 3.0)).translate((40.0, 0.0, 0.0))
    assert laid_by(stand, "prop", stack, PROCESS) == pytest.approx(6.0)
    assert laid_by(m3.Manifold(), "add", stack, PROCESS) == 0.0


def test_a_closed_hollow_filled_saves_its_walls(tmp_path: Path) -> None:
    """A cube of 30 with a hollow of 10 in its middle, 5 or more of it on all sides."""
    outer, inner = shapes.box((0, 0, 0), (30, 30, 30)), shapes.box((10, 10, 10), (20, 20, 20))
    part = place(read(shapes.cut(outer, inner), tmp_path), "keep")
    stack = cut_layers(part, PROCESS)
    ring, h = (10 + 2 * WALLS) ** 2, PROCESS.layer_mm
    # Within the hollow's height walls stand round it; above and below lie its skins.
    walls = 50 * (ring - 100) * (1.0 - INFILL)
    skins = 2 * SKINS * 100 * (1.0 - INFILL)
    due = h * (50 * 100 * INFILL - walls - skins)
    fill = m3.Manifold.cube((10.0, 10.0, 10.0)).translate((10.0, 10.0, 10.0))
    assert laid_by(fill, "add", stack, PROCESS) == pytest.approx(due, rel=1e-6)


def test_what_a_chamfer_does_to_the_surface(tmp_path: Path) -> None:
    """A ledge of depth d and width b: a whole chamfer covers the ledge and as much wall, its
    slope is farthest from both in its middle, d/2 (derived)."""
    part = read(shapes.ledge(), tmp_path)
    options, _ = asked(lambda c, f: all_options(c, f, ["chamfer"]), part, PROCESS)
    whole = next(o for o in options if o.remedy == "chamfer")
    assert whole.cost is not None
    assert whole.cost.changed_mm2 == pytest.approx(2 * 10 * 20, rel=1e-3)
    assert whole.cost.deviation_mm == pytest.approx(5.0, abs=0.3)
    assert whole.safety == "changes a face: approve"
    lip = next(o for o in options if o.remedy == "chamfer leaving a lip")
    assert lip.cost is not None and lip.cost.plastic_mm3 < whole.cost.plastic_mm3


def test_work_by_hand(tmp_path: Path) -> None:
    """A prop leaves the surface as it is and must be broken off, post by post; gussets are run off
    in a row."""
    context = looked_at(read(shapes.ledge(), tmp_path), PROCESS)
    options, _ = all_options(context, context.review.air[0], ["prop"])
    costs = PROCESS.costs
    assert {option.prop.gussets > 0 for option in options if option.prop is not None} == {
        True, False}
    for option in options:
        assert option.cost is not None and option.pieces > 0
        assert option.prop is not None and not option.prop.fins
        each = costs.run_off_s if option.prop.gussets else costs.break_off_s
        assert option.cost.labour_s == pytest.approx(
            costs.handle_s.value + option.prop.posts * each.value)
        assert option.cost.changed_mm2 == option.cost.deviation_mm == 0.0
        assert option.safety == "needs an operation after printing"


def test_fins_are_pulled_off_bit_by_bit() -> None:
    """Under a ball: each 100 N that they take to be torn off count as a post."""
    ball = m3.Manifold.sphere(10, 96).translate((0, 0, 20)) + solids.block(-2, -2, 0, 2, 2, 20)
    context = looked_at(solids.part_of(ball), PROCESS)
    options, _ = all_options(context, context.review.air[0], ["prop"])
    (fins,) = [o for o in options if o.prop is not None and o.prop.fins]
    assert fins.prop is not None and fins.cost is not None
    assert fins.breaks == pytest.approx(fins.prop.force_n / 100.0)
    assert fins.cost.labour_s == pytest.approx(
        PROCESS.costs.handle_s.value + fins.breaks * PROCESS.costs.break_off_s.value)


def test_a_membrane_is_work(tmp_path: Path) -> None:
    context = looked_at(read(shapes.counterbore(), tmp_path), PROCESS)
    options, _ = all_options(context, context.review.air[0], ["membrane"])
    (option,) = options
    costs = PROCESS.costs
    assert option.cost is not None
    assert option.cost.labour_s == costs.handle_s.value + costs.drill_s.value
    assert option.cost.avoid == costs.avoid_work.value


def test_price_is_the_sum_of_its_parts() -> None:
    cost = cost_of(PROCESS, plastic_mm3=4000.0, changed_mm2=0.0, deviation_mm=0.0, works=2)
    seconds = 4000.0 / flow_mm3_s(PROCESS, 150.0)
    assert cost.machine_s == pytest.approx(seconds)
    assert cost.labour_s == 10 + 2 * 10
    assert cost.price == pytest.approx(
        0.005 * 20 + seconds / 3600 * 2 + 30 / 3600 * 40)
    assert cost.avoid == pytest.approx(2 * PROCESS.costs.avoid_work.value)
    assert cost_of(PROCESS, plastic_mm3=0.0, changed_mm2=0.0, deviation_mm=0.0).price == 0.0


def test_surface_of_a_cut(tmp_path: Path) -> None:
    """A round hole of 6 drilled through a plate of 8 takes two discs of its surface away."""
    part = looked_at(read(shapes.box((0, 0, 0), (40, 40, 8)), tmp_path), PROCESS)
    assert part.solid is not None
    drill = m3.Manifold.cylinder(20.0, 3.0, circular_segments=256).translate((20.0, 20.0, -5.0))
    changed, deviation = surface_change(drill ^ part.solid, part.names, part.part)
    assert changed == pytest.approx(2 * math.pi * 9, rel=1e-3)
    assert deviation == pytest.approx(4.0, abs=0.3)
