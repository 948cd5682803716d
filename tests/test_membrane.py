"""Membrane and stepped ceiling over the hole of a pierced ceiling, in both kernels."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest
from OCP.TopoDS import TopoDS_Shape

from examples._cad import box, cut, cylinder, move, turn
from soffit.findings.review import review
from soffit.part.manifold import to_manifold
from soffit.part.model import Surface
from soffit.remedies import all_options, membrane, stepped
from tests.shapes import blind_box, counterbore, process_with, read
from tests.trying import asked, done, gained, looked_at, over_air

PROCESS = process_with()


@pytest.mark.parametrize(("layer", "count"), [(0.2, 1), (0.1, 2)])
@pytest.mark.parametrize(("turned", "at"), [(0.0, (0, 0)), (33.0, (90.0, -60.0))])
def test_membrane_is_one_disc_of_whole_layers(
    layer: float, count: int, turned: float, at: tuple[float, float], tmp_path: Path
) -> None:
    process = process_with(layer_mm=layer)
    part = read(move(turn(counterbore(5.5, 2.75, 6), turned), (*at, 0)), tmp_path)
    (option,), _ = asked(membrane.options, part, process, "air/ceiling")
    assert option.after == "drill or punch out the membrane of 5.5 mm diameter"
    exact = done(part, option)
    thick = count * layer
    assert gained(part, exact) == pytest.approx(math.pi * 2.75**2 * thick, rel=1e-5)
    assert over_air(exact, process) == []
    # The ceiling is one plane again: 11 mm across, nothing in it.
    ceiling = [f for f in exact.faces if f.surface is Surface.PLANE and f.normal[2] < -0.99
               and abs(f.centroid[2] - 6) < 1e-6]
    assert [f.area_mm2 for f in ceiling] == [pytest.approx(math.pi * 5.5**2, rel=1e-3)]
    faceted = replace(part, brep=None)
    in_mesh = done(faceted, option)
    assert gained(faceted, in_mesh) == pytest.approx(math.pi * 2.75**2 * thick, rel=0.02)
    assert over_air(in_mesh, process) == []


def test_membrane_is_preferred_and_nothing_else_touches_the_seat(tmp_path: Path) -> None:
    part = read(counterbore(5.5, 2.75, 6), tmp_path)
    context = looked_at(part, PROCESS)
    (finding,) = context.review.air
    found, _ = all_options(context, finding)
    assert [o.remedy for o in found][:2] == ["membrane", "stepped ceiling"]


def test_four_equal_places_get_four_equal_cures(tmp_path: Path) -> None:
    body = box((0, 0, 0), (54, 54, 14))
    for x in (10, 44):
        for y in (10, 44):
            body = cut(body, cylinder((x, y, -1), (0, 0, 1), 2.75, 16),
                       cylinder((x, y, -1), (0, 0, 1), 5.5, 7))
    part = read(body, tmp_path)
    context = looked_at(part, PROCESS)
    assert len(context.review.air) == 4
    options = [membrane.options(context, f)[0] for f in context.review.air]
    assert [len(o) for o in options] == [1] * 4
    for (option,) in options:
        part = done(part, option)
    assert over_air(part, PROCESS) == []


def _strip(outer: float, half: float) -> float:
    """Area of a circle within `half` of its diameter (derived)."""
    return 2 * (half * math.sqrt(outer**2 - half**2) + outer**2 * math.asin(half / outer))


@pytest.mark.parametrize(("wide", "narrow", "steps"), [(5.5, 2.75, 3), (4.0, 1.7, 2)])
def test_stepped_ceiling_is_clean_and_as_large_as_drawn(
    wide: float, narrow: float, steps: int, tmp_path: Path
) -> None:
    part = read(counterbore(wide, narrow, 6), tmp_path)
    (option,), _ = asked(stepped.options, part, PROCESS, "air/ceiling")
    assert option.op == "cut" and option.after == "" and f"over {steps} layers" in option.why
    hole = math.pi * narrow**2
    # Each step is 0.06 wider than the last; the strip ends at the wall.
    cuts = [_strip(wide, narrow + 0.06) - hole,
            4 * (narrow + 0.06) * (narrow + 0.12) - hole,
            8 * math.tan(math.pi / 8) * (narrow + 0.18) ** 2 - hole][:steps]
    exact = done(part, option)
    assert gained(part, exact) == pytest.approx(-0.2 * sum(cuts), rel=1e-5)
    assert over_air(exact, PROCESS) == []
    # The review sees bridges where the trade sees them: 2√(R² − r²) and 2r long.
    spans = sorted({round(f.span_mm, 1) for f in review(exact, PROCESS).findings
                    if f.kind == "air/bridge" and f.span_mm and f.area_mm2 > 1.0})
    chord = 2 * math.sqrt(wide**2 - narrow**2)
    assert 0.96 * chord < spans[-1] <= chord + 0.05  # strands lie half a line apart
    faceted = replace(part, brep=None)
    in_mesh = done(faceted, option)
    assert gained(faceted, in_mesh) == pytest.approx(-0.2 * sum(cuts), rel=0.05)
    assert over_air(in_mesh, PROCESS) == []
    solid = to_manifold(in_mesh.mesh)
    assert solid is not None and solid.genus() == 1


REFUSED: dict[str, tuple[TopoDS_Shape, str, str]] = {
    "not pierced": (blind_box(16, 20, 12), "only a ceiling with a hole", ""),
    "too wide": (counterbore(9, 2.75, 6), "18.0 mm", "needs bridges of 17"),
    "hole nearly as wide": (counterbore(5.5, 4.9, 6), "", "too little ceiling is left"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_reasons_in_words(name: str, tmp_path: Path) -> None:
    shape, first, second = REFUSED[name]
    part = read(shape, tmp_path)
    for module, words in ((membrane, first), (stepped, second)):
        if words:
            options, reasons = asked(module.options, part, process_with(lip_mm=0.3),
                                     "air/ceiling")
            assert options == [] and words in reasons[0], reasons
