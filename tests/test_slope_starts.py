"""A slope whose surface is as steep as may be where it starts, and so starts a layer lower in some
stretches than beside them: it is held all along, and its chamfer starts there all along."""

from __future__ import annotations

import math

import manifold3d as m3
import numpy as np
import pytest
import shapely

from soffit.part.model import Part
from soffit.process.load import load_process
from soffit.remedies import chamfer
from soffit.remedies.outline import evened, without_saw
from tests.solids import block, part_of
from tests.trying import done, looked_at, over_air

PLA = load_process("pla-04")


def fillet(radii: list[tuple[float, float, float]]) -> Part:
    """A ledge 6 mm deep and 20 wide at 10 mm height, below it a fillet with its axis 6 mm out from
    the wall: from x to x with a radius."""
    rooms = [m3.Manifold.cylinder(b - a, r, r, 256).rotate((0, 90, 0)).translate((a, 10, 4))
             for a, b, r in radii]
    corner = block(0, 4, 3.9, 20, 10, 10) - block(-1, 4, -1, 21, 10, 4)
    return part_of(block(0, 0, 0, 20, 4, 20) + block(0, 4, 10, 20, 10, 14)
                   + (corner - m3.Manifold.batch_boolean(rooms, m3.OpType.Add)))


@pytest.mark.parametrize("by", [-0.1, -0.05, 0.0, 0.05])
def test_the_whole_low_edge_holds_and_carries_the_chamfer(by: float) -> None:
    part = fillet([(-1, 7, 6.0), (7, 13, 6.0 + by), (13, 21, 6.0)])
    context = looked_at(part, PLA)
    (slope,) = context.review.air
    held = sum(float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())
               for line in slope.patch.anchors)
    assert held == pytest.approx(20.0, abs=0.2)
    options, _ = chamfer.options(context, slope)
    assert {o.remedy for o in options} == {"chamfer", "chamfer leaving a lip"}
    # From the ledge's edge down to the wall at 45°: the segment of the arc of 90° over that chord,
    # r²(π/4 − ½), and up to as much more as the lowest stretch lies below the others.
    due = 20 * 6.0**2 * (0.25 * math.pi - 0.5)
    for option in options:
        after = done(part, option)
        assert over_air(after, PLA) == []
        assert after.mesh.volume_mm3 - part.mesh.volume_mm3 < 1.06 * due


def test_teeth_where_strips_end_one_after_another_are_evened() -> None:
    """Ends of strips 0.2 mm wide, each 0.15 mm past the one before: what is put under them has no
    tooth that would start in mid-air, and a region without teeth stays the very same."""
    steps = [(5.0 + 0.15 * (k % 2), 0.2 * k + dy) for k in range(10) for dy in (0.0, 0.2)]
    ragged = shapely.Polygon([(0.0, 0.0), *steps, (0.0, 2.0)])
    held = [np.array([[0.0, 2.0], [0.0, 0.0]])]
    below, above = shapely.box(-5.0, -5.0, 0.0, 5.0), shapely.box(-5.0, -5.0, 9.0, 5.0)
    even = evened(ragged, held, below, above)
    narrower = even.buffer(-0.19, join_style="mitre").buffer(0.19, join_style="mitre")
    assert even.difference(narrower).area < 1e-3
    assert shapely.hausdorff_distance(even.boundary, ragged.boundary) <= 0.16
    # Filled no farther than the surface goes.
    near = evened(ragged, held, below, shapely.box(-5.0, -5.0, 5.1, 5.0))
    assert near.difference(ragged).bounds[2] <= 5.1
    smooth = shapely.box(0.0, 0.0, 5.0, 2.0)
    assert evened(smooth, held, below, above) is smooth
    # A band narrower than a line, and what is held, are no teeth.
    band = shapely.box(0.0, 0.0, 5.0, 0.35)
    assert evened(band, held, below, above) is band


def test_a_saw_along_a_side_is_filled_to_its_tips() -> None:
    """Teeth of 0.1 mm at right angles, as strips have beside a round wall: one straight side, on
    their tips. What holds the region stays as it is, as does a notch deeper than half a line."""
    def saw(x: float, turned: float) -> list[tuple[float, float]]:
        return [(x + turned * 0.1 * (k % 2), 0.1 * k) for k in range(1, 20)]

    ring = np.array([(0.0, 0.0), (5.0, 0.0), *saw(5.0, 1.0), (5.0, 2.0), (0.0, 2.0),
                     *reversed(saw(0.0, -1.0))])
    held = shapely.LineString(saw(0.0, -1.0))
    made = without_saw(ring, held)
    right = made[made[:, 0] > 4.0]
    # Chords of a millimetre at most are bridged at once, all of them from tip to tip.
    assert right[:, 0].tolist() == pytest.approx([5.0, *[5.1] * (len(right) - 2), 5.0])
    assert len(right) <= 6
    there = {tuple(p) for p in made.tolist()}
    assert all(p in there for p in saw(0.0, -1.0)[1:-1])
    whole = shapely.Polygon(made)
    assert shapely.Polygon(ring).difference(whole).area == pytest.approx(0.0, abs=1e-9)
    assert whole.area - shapely.Polygon(ring).area == pytest.approx(9 * 0.01, rel=1e-3)

    deep = np.array([(0.0, 0.0), (5.0, 0.0), (5.0, 1.0), (4.7, 1.2), (5.0, 1.4), (5.0, 2.0),
                     (0.0, 2.0)])
    assert without_saw(deep, shapely.Polygon()) is deep


def test_a_saw_in_a_hole_is_filled_too() -> None:
    """The side of a hole in a region, on its right as seen from within: the hole gets smaller."""
    hole = [(1.0, 1.0), *[(1.0 + 0.1 * (k % 2), 1.0 + 0.1 * k) for k in range(1, 20)],
            (1.0, 3.0), (4.0, 3.0), (4.0, 1.0)]
    region = shapely.Polygon([(0.0, 0.0), (5.0, 0.0), (5.0, 5.0), (0.0, 5.0)], [hole])
    wide, none = shapely.box(-9.0, -9.0, 9.0, 9.0), shapely.Polygon()
    made = evened(region, [np.array([(0.0, 0.0), (5.0, 0.0)])], none, wide)
    assert region.difference(made).area < 1e-9
    # The sharp corners at both ends are notches as well.
    assert 0.9 * 0.1 - 1e-6 < made.area - region.area < 1.3 * 0.1
    assert len(made.interiors[0].coords) < 12
