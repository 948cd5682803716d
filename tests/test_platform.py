"""Parts on a platform: rows against the closed form, outlines against their own gaps."""

from __future__ import annotations

import itertools

import manifold3d as m3
import numpy as np
import pytest
import shapely
from shapely import affinity

from soffit.layers.stack import plan_of
from soffit.production.platform import (
    COARSE_MM,
    Layout,
    Spot,
    _leaving,
    layout,
    nested,
    rows,
    shadow_of,
)


def region(*points: tuple[float, float]) -> m3.CrossSection:
    return m3.CrossSection([np.array(points, dtype=float)], m3.FillRule.NonZero)


def rectangle(x: float, y: float) -> m3.CrossSection:
    return m3.CrossSection.square((x, y))


ELL = region((0, 0), (60, 0), (60, 20), (20, 20), (20, 60), (0, 60))
TRIANGLE = region((0, 0), (60, 0), (0, 60))


def test_layers_together_cover_what_their_union_covers() -> None:
    """A round of 20 that moves a hair each layer, and a far one; nothing covers nothing."""
    layers = [m3.CrossSection.circle(20.0, 400).translate((0.01 * k, 0.0)) for k in range(100)]
    layers.append(rectangle(10, 10).translate((50, 0)))
    due = m3.CrossSection.batch_boolean(layers, m3.OpType.Add)
    found = shadow_of(layers)
    # What is made coarser moves by no more than `COARSE_MM` in each of seven rounds (derived).
    assert abs(found.area() - due.area()) < 7 * COARSE_MM * 200
    assert found.bounds() == pytest.approx(due.bounds(), abs=7 * COARSE_MM)
    assert found.num_vert() < due.num_vert()
    assert layout(shadow_of([]), 250, 250, 5) == Layout("rows", ())


def test_rows_in_closed_form() -> None:
    """Oracle: ⌊(W + g) / (x + g)⌋ · ⌊(D + g) / (y + g)⌋; 256², 40 × 30, 5 apart: 35 one way, and
    as many the other; with the last row turned there are no more."""
    assert len(rows(40, 30, 256, 256, 5)) >= 35
    for x, y, w, d, g in ((40, 40, 250, 250, 5), (10, 10, 95, 50, 5), (100, 100, 99, 300, 5)):
        assert len(rows(x, y, w, d, g)) == ((w + g) // (x + g)) * ((d + g) // (y + g))


@pytest.mark.parametrize(("x", "y", "width", "depth", "gap", "due"), [
    (50, 50, 105, 105, 5, 4),  # just fits
    (50, 50, 104.9, 105, 5, 2),
    (60, 25, 60, 250, 0, 10),
    (250, 30, 30, 250, 0, 1),  # turned only
    (300, 300, 250, 250, 5, 0),
    (60, 40, 100, 100, 0, 3),  # two turned, and one in the rest: a block of each sort
])
def test_rows_at_their_limits(
    x: float, y: float, width: float, depth: float, gap: float, due: int
) -> None:
    found = rows(x, y, width, depth, gap)
    assert len(found) == due
    assert apart(layout_of(found), rectangle(x, y), width, depth) >= gap - 1e-6


def layout_of(spots: list[Spot]) -> Layout:
    return Layout("rows", tuple(spots))


def apart(found: Layout, outline: m3.CrossSection, width: float, depth: float) -> float:
    """The smallest distance of two parts of a layout, all of them on the platform."""
    plan = plan_of(outline)
    placed = []
    for spot in found.spots:
        turned = affinity.rotate(plan, 90 * spot.quarters, origin=(0, 0))
        x0, y0, _, _ = turned.bounds
        placed.append(affinity.translate(turned, spot.x_mm - x0, spot.y_mm - y0))
    for one in placed:
        x0, y0, x1, y1 = one.bounds
        assert x0 >= -1e-6 and y0 >= -1e-6 and x1 <= width + 1e-6 and y1 <= depth + 1e-6
    return min((shapely.distance(a, b) for a, b in itertools.combinations(placed, 2)),
               default=np.inf)


@pytest.mark.parametrize("outline", [ELL, TRIANGLE, rectangle(33.3, 21.7),
                                     m3.CrossSection.circle(17.0, 90)])
@pytest.mark.parametrize("gap", [0.0, 0.4, 4.5, 5.0])
def test_outlines_keep_their_gap(outline: m3.CrossSection, gap: float) -> None:
    spots = nested(outline, 200, 180, gap)
    assert len(spots) >= 4
    assert apart(layout_of(spots), outline, 200, 180) >= gap - 1e-6


def test_outlines_fit_into_each_other() -> None:
    """Two triangles fill a square: nearly twice as many as boxes; boxes of their own stay rows."""
    boxes = len(rows(60, 60, 250, 250, 5))
    found = layout(TRIANGLE, 250, 250, 5)
    assert found.how == "nested" and len(found.spots) > 1.3 * boxes
    assert layout(rectangle(40, 30), 256, 256, 5).how == "rows"


def test_nothing_fits_where_nothing_can() -> None:
    assert layout(rectangle(300, 300), 250, 250, 5).spots == ()


def test_parts_leave_foremost_first_and_hooks_hold_each_other() -> None:
    found = layout(rectangle(40, 30), 256, 256, 5)
    fronts = [s.y_mm for s in found.spots]
    assert fronts == sorted(fronts, reverse=True) and not found.held
    # An L on end is the foremost, its foot behind another L that lies: that one goes first.
    outline = region((0, 0), (60, 0), (60, 8), (8, 8), (8, 30), (0, 30))
    on_end, lying = Spot(100, 0, 1), Spot(60, 20, 0)
    assert apart(layout_of([on_end, lying]), outline, 250, 250) == pytest.approx(2.0)
    held = _leaving(outline, [lying, on_end], 250, 250)
    assert held.spots == (on_end, lying) and held.held == (0,)
    free = _leaving(outline, [lying, Spot(130, 0, 1)], 250, 250)
    assert len(free.spots) == 2 and not free.held
