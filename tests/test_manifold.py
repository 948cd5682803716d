"""Triangles handed to the mesh kernel, which may crash on a surface that does not close."""

from __future__ import annotations

import numpy as np
import pytest

from soffit.errors import GeometryError
from soffit.part.manifold import built
from soffit.part.mesh_solid import evaluate
from soffit.part.model import Ints
from soffit.part.solid import Polyhedron
from soffit.part.topology import pairs_up

CORNERS = np.array([[0, 0, 0], [3, 0, 0], [0, 3, 0], [0, 0, 3]], dtype=np.float64)
CLOSED = np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [0, 3, 2]], dtype=np.int64)


@pytest.mark.parametrize(("facets", "closes"), [
    (CLOSED, True),
    (CLOSED[:, ::-1], True),
    (np.concatenate([CLOSED, CLOSED]), True),  # each edge twice, both ways
    (CLOSED[:3], False),  # open
    (np.concatenate([CLOSED[:3], CLOSED[3:, ::-1]]), False),  # one turned
    (np.concatenate([CLOSED, CLOSED[:1]]), False),  # one doubled
])
def test_edges_pair_up_where_each_is_run_along_both_ways_as_often(
    facets: Ints, closes: bool
) -> None:
    assert pairs_up(facets)[0] is closes
    if not closes:
        assert built(CORNERS, facets) is None


def test_a_closed_surface_is_a_solid_with_its_faces() -> None:
    solid = built(CORNERS, CLOSED, np.array([7, 8, 9, 7]))
    assert solid is not None and solid.volume() == pytest.approx(4.5)
    assert set(np.asarray(solid.to_mesh64().face_id).tolist()) == {7, 8, 9}
    plain = built(CORNERS, CLOSED)
    assert plain is not None and plain.volume() == pytest.approx(4.5)


def test_loops_that_do_not_close_are_told_and_not_handed_on() -> None:
    loops = tuple(tuple(t) for t in CLOSED.tolist())
    assert evaluate(Polyhedron(CORNERS, loops)).volume() == pytest.approx(4.5)
    for wrong in (loops[:3], (*loops, loops[0]), (*loops[:3], loops[3][::-1])):
        with pytest.raises(GeometryError, match="not closed"):
            evaluate(Polyhedron(CORNERS, wrong))
