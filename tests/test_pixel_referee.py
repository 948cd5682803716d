"""The layer engine against the pixel-column referee, on every example and its resolved part."""

from __future__ import annotations

from pathlib import Path

import pytest

from examples.make import NAMES
from soffit.part.model import Part
from soffit.part.place import place
from soffit.part.read import read
from soffit.part.scene import with_bodies
from soffit.process.load import load_process
from tests.pixel_engine import Judged
from tests.referee import LAYERS_MM, by_pixels, judge_case, judge_propped, rules_of, with_layer
from tests.shapes import example, resolved

PROCESS = load_process("pla-04")

PIXEL_MM = 0.06


def judged(part: Part) -> Judged:
    """The referee's verdict on a part as it stands."""
    return by_pixels(part, PROCESS, rules_of(part, PROCESS), PIXEL_MM)


@pytest.mark.parametrize("layer_mm", LAYERS_MM)
@pytest.mark.parametrize("name", NAMES)
def test_both_engines_agree_on_every_example(name: str, layer_mm: float) -> None:
    """Area that steps too far, area over air by the verdict, and patch by patch."""
    case = judge_case(name, example(name), (0, 0, 1), with_layer(PROCESS, layer_mm), PIXEL_MM)
    assert case.product_mm2[0] > 50, "every example has something over air"
    assert case.agrees(0), case.reasons[0]
    assert case.agrees(1), case.reasons[1]
    found = case.matched
    assert found.shared_mm2 > 0.97 * max(found.product_mm2, found.referee_mm2)


@pytest.mark.parametrize("name", NAMES)
def test_resolved_part_by_the_referee(name: str) -> None:
    """Where the product says clean, the referee finds nothing over air either; where it says
    open, the referee sees it too. Props count as part of the scene, as they do in the product."""
    result = resolved(name)
    found = judged(with_bodies(result.produced, result.props))
    bad = sum(found.bad_mm2(p) for p in found.patches)
    if result.clean:
        assert bad < 0.5 * PROCESS.line_mm**2, [p for p in found.patches if found.bad_mm2(p)]
    else:
        assert bad > 0


def test_the_referee_condemns_every_example_as_received() -> None:
    assert [name for name in NAMES if judged(example(name)).over_air_mm2 > 10] == list(NAMES)


def test_nothing_is_lost_where_a_hole_touches_its_outline(parts_dir: Path) -> None:
    """In this part, leaning, a strip has a hole that meets its outline in the highest corner: the
    kernel's offset then turned the layer inside out, and a quarter of what is over air was gone."""
    part = read(str(parts_dir / "good/respiraworks/SmallFilterHousing.stl"), unit="mm")
    up = (-0.742, -0.563, -0.365)
    case = judge_case("housing", place(part, up), up, PROCESS, PIXEL_MM)
    assert case.agrees(0), case.reasons[0]
    assert case.agrees(1), case.reasons[1]


def test_what_props_hold_by_the_referee() -> None:
    """A lamp base resolved with props alone, as its STL file says: both engines find as much that
    steps too far, and that all of it is held."""
    path = Path(__file__).resolve().parent.parent / "examples" / "lamp_base.step"
    (case,) = judge_propped(path, path.parent, None).cases
    assert case.agrees(0) and case.referee_mm2[0] > 500.0
    assert case.product_mm2[1] == case.referee_mm2[1] == 0.0
