"""Rays along edges and corners of a solid, where a ray cast may see a surface never or twice."""

from __future__ import annotations

import itertools

import manifold3d as m3
import numpy as np
import pytest

from soffit.remedies.probe import hits, inside

UP = np.array([0.0, 0.0, 1.0])


@pytest.mark.parametrize("rounding", [0.0, 4.4e-12, 1e-10])
@pytest.mark.parametrize("refined", [1, 2, 4, 7])
def test_a_ray_through_edges_and_corners_of_the_triangulation_leaves_once(
    refined: int, rounding: float
) -> None:
    cube = m3.Manifold.cube((2.0, 2.0, 2.0), center=True).refine(refined)
    for x, y in itertools.product(np.linspace(-0.75, 0.75, 7).tolist(), repeat=2):
        found = hits(cube, np.array([x - rounding, y + rounding, 0.0]), UP, 5.0)
        assert [h.entering for h in found] == [False]
        assert found[0].at_mm == pytest.approx(1.0, abs=1e-9)
        assert inside(cube, np.array([x, y, 0.5])) and not inside(cube, np.array([x, y, 1.5]))


def test_a_ray_along_the_crown_of_a_round_hole_meets_it_once() -> None:
    """The middle of a hole's crown is an edge between two facets."""
    block = m3.Manifold.cube((20.0, 20.0, 20.0), center=True)
    drilled = block - m3.Manifold.cylinder(30, 4, circular_segments=64, center=True)\
        .rotate((90, 0, 0))
    for y in np.linspace(-9.0, 9.0, 19).tolist():
        found = hits(drilled, np.array([0.0, y, 0.0]), UP, 50.0)
        assert [h.entering for h in found] == [True, False]
        assert [h.at_mm for h in found] == pytest.approx([4.0, 10.0], abs=1e-4)
