"""Bodies that overlap or touch as one: material where the surface winds round it at least once.

Used by `repair` only. The mesh kernel unites; each union is taken only if the volumes add up.
"""

from __future__ import annotations

from dataclasses import dataclass

import manifold3d as m3
import numpy as np

from soffit.part.contact import find_contacts
from soffit.part.health import examine
from soffit.part.manifold import built
from soffit.part.mesh_solid import merged
from soffit.part.model import Floats, Ints
from soffit.part.raw import exact_ids
from soffit.part.topology import edges_of, label, shell_volumes, shells

_BALANCE = 1e-6
"""Volumes of bodies united must add up to this share (derived: rounding of the mesh kernel)."""

_MANY = 2000
"""With more bodies than this nothing is united (own limit, for time)."""


@dataclass(frozen=True)
class United:
    """The mesh, how many `bodies` went into a union, the volume that had been counted more than
    once (0 where they only touch), and how many slivers between them were left out."""

    vertices: Floats
    triangles: Ints
    bodies: int
    shared_mm3: float
    slivers: int


def unite(vertices: Floats, triangles: Ints, tolerance: float) -> United:
    """Unite the bodies of a mesh, (n, 3) mm and (m, 3), that overlap or touch.

    A surface that is not closed, and bodies that the kernel refuses, stay as they are. What is
    united loses facets that say less than a hundredth of the tolerance, and shells thinner than
    the tolerance, which are left where surfaces nearly coincide.
    """
    health = examine(vertices, triangles, contacts=False)
    if not health.closed or health.body_of.max() >= _MANY:
        return United(vertices, triangles, 0, 0.0, 0)
    group = _touching(vertices, triangles, health.body_of)
    kept: list[tuple[Floats, Ints]] = []
    gone, shared, thin = 0, 0.0, 0
    for g in range(int(group.max()) + 1):
        pieces: list[m3.Manifold] = []
        for body in np.flatnonzero(group == g):
            own = triangles[health.body_of == body]
            parts = _pieces(vertices, own)
            if not parts:
                kept.append((vertices, own))
            pieces += parts
        for united, number in _sums(pieces):
            if number > 1:
                gone += number
                points, facets, slivers = _without_slivers(
                    *merged(united.simplify(0.01 * tolerance).to_mesh64()), tolerance)
                kept.append((points, facets))
                thin += slivers
            else:
                kept.append(merged(united.to_mesh64()))
            shared -= united.volume()
        shared += sum(piece.volume() for piece in pieces)
    if not gone:
        return United(vertices, triangles, 0, 0.0, 0)
    points = np.concatenate([v for v, _ in kept])
    starts = np.cumsum([0, *(len(v) for v, _ in kept[:-1])])
    facets = np.concatenate([t + s for (_, t), s in zip(kept, starts, strict=True)])
    used, index = np.unique(facets, return_inverse=True)
    whole = shell_volumes(points, facets, np.zeros(len(facets), np.int64), 1)[0]
    return United(points[used], index.reshape(-1, 3).astype(np.int64), gone,
                  shared if shared > _BALANCE * abs(whole) else 0.0, thin)


def _without_slivers(vertices: Floats, triangles: Ints, tolerance: float
                     ) -> tuple[Floats, Ints, int]:
    """A closed mesh without the shells whose mean thickness, twice their volume over their
    area, is below the tolerance; and how many those were."""
    number, group = shells(edges_of(triangles), len(triangles))
    volumes = shell_volumes(vertices, triangles, group, number)
    c = vertices[triangles]
    areas = np.bincount(group, 0.5 * np.linalg.norm(
        np.cross(c[:, 1] - c[:, 0], c[:, 2] - c[:, 0]), axis=1), number)
    thin = 2.0 * np.abs(volumes) < tolerance * areas
    return vertices, triangles[~thin[group]], int(thin.sum())


def _touching(vertices: Floats, triangles: Ints, body_of: Ints) -> Ints:
    """Group of each body: those whose surfaces cross, touch or lie on each other, or one within
    the box of another."""
    number = int(body_of.max()) + 1
    low = np.full((number, 3), np.inf)
    high = np.full((number, 3), -np.inf)
    for k in range(3):
        np.minimum.at(low, body_of, vertices[triangles[:, k]])
        np.maximum.at(high, body_of, vertices[triangles[:, k]])
    meet = np.ones((number, number), bool)
    within = np.ones((number, number), bool)
    for k in range(3):
        meet &= (low[:, None, k] <= high[None, :, k]) & (low[None, :, k] <= high[:, None, k])
        within &= (low[:, None, k] >= low[None, :, k]) & (high[:, None, k] <= high[None, :, k])
    np.fill_diagonal(meet, False)
    np.fill_diagonal(within, False)
    crowded = np.flatnonzero(meet.any(axis=1))
    near = np.isin(body_of, crowded)
    if not near.any():
        return np.arange(number)
    found = find_contacts(vertices, triangles[near])
    pairs = body_of[near][np.concatenate([found.crossing, found.coplanar])]
    ids = exact_ids(vertices)[1]
    corner = np.unique(np.column_stack([ids[triangles].reshape(-1), np.repeat(body_of, 3)]), axis=0)
    shared = np.flatnonzero(np.diff(corner[:, 0]) == 0)
    return label(np.concatenate([
        pairs, np.column_stack([corner[shared, 1], corner[shared + 1, 1]]),
        np.argwhere(within)]), number)[1]


def _pieces(vertices: Floats, triangles: Ints) -> list[m3.Manifold]:
    """A body as kernel solids: apart where it meets itself on edges only, whole where a piece
    is a void; none if the kernel does not take it."""
    used, index = np.unique(triangles, return_inverse=True)
    whole = built(vertices[used], index.reshape(-1, 3).astype(np.int64))
    if whole is None:
        return []
    parts = whole.decompose()
    return parts if all(part.volume() > 0 for part in parts) else [whole]


def _sums(solids: list[m3.Manifold]) -> list[tuple[m3.Manifold, int]]:
    """Solids united where that changes something and the volumes add up, each with the number
    of solids in it."""
    sums: list[tuple[m3.Manifold, int]] = []
    for solid in solids:
        count = 1
        apart: list[tuple[m3.Manifold, int]] = []
        for other, members in sums:
            after = _sum(other, solid)
            if after is None:
                apart.append((other, members))
            else:
                solid, count = after, count + members
        sums = [*apart, (solid, count)]
    return sums


def _sum(one: m3.Manifold, two: m3.Manifold) -> m3.Manifold | None:
    if not _boxes_meet(one.bounding_box(), two.bounding_box()):
        return None
    after = one + two
    if after.status() != m3.Error.NoError:
        return None
    common = (one ^ two).volume()
    expected = one.volume() + two.volume() - common
    if abs(after.volume() - expected) > _BALANCE * abs(expected):
        return None
    joined = len(after.decompose()) < len(one.decompose()) + len(two.decompose())
    return after if joined or common > _BALANCE * expected else None


def _boxes_meet(one: tuple[float, ...], two: tuple[float, ...]) -> bool:
    return all(one[k] <= two[k + 3] and two[k] <= one[k + 3] for k in range(3))
