"""What of a mesh hides what is drawn."""

from __future__ import annotations

import numpy as np
import pytest

from soffit.part.model import Mesh
from soffit.sheet.view import FRONT, Scene, View, below


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
