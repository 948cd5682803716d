"""Triangles that are lines, laid the other way: the surface closes, and encloses what it did."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from soffit.part.caps import CAP_MM, without_caps
from soffit.part.manifold import to_manifold
from soffit.part.mesh_solid import arrays
from soffit.part.topology import edges_of
from tests.solids import block, part_of


def heights(points: np.ndarray, facets: np.ndarray) -> np.ndarray:
    p = points[facets]
    longest = np.linalg.norm(p - np.roll(p, 1, axis=1), axis=2).max(axis=1)
    return np.linalg.norm(np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]), axis=1) / longest


def volume(points: np.ndarray, facets: np.ndarray) -> float:
    p = points[facets]
    return float(np.einsum("ij,ij->i", p[:, 0], np.cross(p[:, 1], p[:, 2])).sum()) / 6.0


def capped(shares: list[float], off: float, turn: float) -> tuple[np.ndarray, np.ndarray]:
    """A box, one facet of which is divided at points along one of its sides, off that side by a
    little; between them and the facet on the other side of it lie triangles without height."""
    points, facets = arrays(block(0, 0, 0, 10, 6, 4).rotate((turn, 2 * turn, 0)))
    a, b, x = facets[0].tolist()
    inward = points[x] - points[a]
    made, new = facets.tolist()[1:], list(points)
    chain = [a]
    for share in shares:
        new.append(points[a] + share * (points[b] - points[a]) + off * inward)
        chain.append(len(new) - 1)
    chain.append(b)
    made += [[p, q, x] for p, q in itertools.pairwise(chain)]
    # A fan of caps from a.
    made += [[a, q, p] for p, q in itertools.pairwise(chain[1:])]
    return np.array(new), np.array(made)


@pytest.mark.parametrize("shares", [[0.5], [0.3, 0.6], [0.1, 0.35, 0.5, 0.9]])
@pytest.mark.parametrize("off", [0.0, 1e-7])
@pytest.mark.parametrize("turn", [0.0, 25.0])
def test_a_surface_without_caps_closes_and_encloses_as_much(
    shares: list[float], off: float, turn: float
) -> None:
    points, facets = capped(shares, off, turn)
    assert (edges_of(facets).count == 2).all()
    assert (heights(points, facets) < CAP_MM).sum() == len(shares)
    made = without_caps(points, facets)
    assert (heights(points, made) > 0.1).all() and len(made) == len(facets)
    assert (edges_of(made).count == 2).all()
    assert volume(points, made) == pytest.approx(240.0, rel=1e-6)


def test_what_has_none_stays_as_it_is() -> None:
    mesh = part_of(block(0, 0, 0, 3, 4, 5) - block(1, 1, -1, 2, 2, 6)).mesh
    solid = to_manifold(mesh)
    assert solid is not None
    points, facets = arrays(solid)
    assert (without_caps(points, facets) == facets).all()
