"""What of a mesh hides what is drawn."""

from __future__ import annotations

import numpy as np
import pytest

from soffit.part.model import Mesh
from soffit.sheet.fills import visible_middles
from soffit.sheet.view import FRONT, Scene, View, below
from tests.solids import block, part_of


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("view", [FRONT, below(30.0)])
def test_a_triangle_without_area_hides_nothing(view: View) -> None:
    """Beside one of 10 × 10, towards the eye of the front view, two that are lines but for the
    rounding of their corners, and one that is a point."""
    vertices = np.array([[0, 0, 0], [10, 0, 0], [0, 0, 10], [100, 100, 100],
                         [5, 0, 5], [5 + 1e-14, 0, 5 - 1e-15]], dtype=np.float64)
    triangles = np.array([[0, 1, 2], [0, 4, 5], [4, 1, 5], [4, 4, 4]])
    none = np.zeros(len(triangles), dtype=np.int64)
    mesh = Mesh(vertices, triangles, none + 1, np.zeros((len(triangles), 3)), none)
    scene = Scene.of(mesh, view)
    assert np.isfinite(scene.planes).all()
    assert scene.front.tolist() == [True, False, False, False]


def test_points_behind_a_box_are_those_in_its_outline() -> None:
    """A cube of 10 mm stands before a wall of 40 × 40 mm; from the front the wall is hidden where x
    and z are within the cube, in any order in which the points are asked for."""
    part = part_of(block(10, 0, 10, 20, 10, 20) + block(0, 20, 0, 40, 22, 40))
    scene = Scene.of(part.mesh, FRONT)
    rng = np.random.default_rng(3)
    x, z = rng.uniform(0.1, 39.9, (2, 700))
    hidden = (x > 10) & (x < 20) & (z > 10) & (z < 20)
    assert 20 < hidden.sum() < 100
    points = FRONT.points(np.column_stack([x, np.full(700, 20.0), z]))
    assert (visible_middles(scene, points) == ~hidden).all()
    assert (visible_middles(scene, points[::-1]) == ~hidden[::-1]).all()
    assert visible_middles(scene, points[:1]).tolist() == [not hidden[0]]
    assert visible_middles(scene, points[:0]).tolist() == []
