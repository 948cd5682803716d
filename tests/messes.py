"""Messes that exporters make, made of sound meshes: each a function from arrays to arrays."""

from __future__ import annotations

import itertools
import math

import manifold3d as m3
import numpy as np

from soffit.part.model import Floats
from tests.meshes import Arrays, block, joined, turned, without
from tests.relations import refined
from tests.solids import block as solid_block
from tests.stacks import prism

JITTER_MM = 0.002


def arrays_of(solid: m3.Manifold) -> Arrays:
    mesh = solid.to_mesh64()
    return (np.array(mesh.vert_properties[:, :3], np.float64),
            np.array(mesh.tri_verts, np.int64))


def bench() -> m3.Manifold:
    """A block with a tunnel, a pocket, a shelf and a ramp: one of each over air."""
    body = solid_block(0, 0, 0, 40, 20, 20)
    body += solid_block(39, 4, 12.03, 48, 16, 16)
    rise = 6 * math.tan(math.radians(30))
    body += prism([(1, 8.03), (0, 8.03), (-6, 8.03 + rise), (-6, 14), (1, 14)], 2, 16)
    return body - solid_block(5, -1, -1, 17, 21, 8.03) - solid_block(24, 5, -1, 34, 15, 6.03)


def fine() -> Arrays:
    """The bench in many facets."""
    return refined(refined(arrays_of(bench())))


def some(mesh: Arrays, share: float) -> np.ndarray:
    """A share of the facets, the same on every call."""
    count = len(mesh[1])
    return np.sort(np.random.default_rng(3).choice(count, round(share * count), replace=False))


def duplicated(mesh: Arrays) -> Arrays:
    return mesh[0], np.concatenate([mesh[1], mesh[1][some(mesh, 0.3)]])


def twins(mesh: Arrays) -> Arrays:
    return joined(mesh, mesh)


def half_flipped(mesh: Arrays) -> Arrays:
    triangles = mesh[1].copy()
    which = some(mesh, 0.5)
    triangles[which] = triangles[which, ::-1]
    return mesh[0], triangles


def split(mesh: Arrays, seam: bool) -> Arrays:
    """Facets cut in two at the middle of a side, the neighbour not: T-junctions; with `seam` each
    is closed by a facet without area."""
    vertices, triangles = mesh
    which = some(mesh, 0.1)
    a, b, c = triangles[which].T
    middle = len(vertices) + np.arange(len(which))
    parts = [np.delete(triangles, which, axis=0), np.stack([a, middle, c], 1),
             np.stack([middle, b, c], 1)]
    if seam:
        parts.append(np.stack([a, b, middle], 1))
    points = 0.5 * (vertices[a] + vertices[b])
    return np.concatenate([vertices, points]), np.concatenate(parts)


def t_junctions(mesh: Arrays) -> Arrays:
    return split(mesh, False)


def slivers(mesh: Arrays) -> Arrays:
    return split(mesh, True)


def collapsed(mesh: Arrays) -> Arrays:
    """Facets with two equal corners besides."""
    a, b, _ = mesh[1][some(mesh, 0.1)].T
    return mesh[0], np.concatenate([mesh[1], np.stack([a, b, b], 1)])


def cracked(mesh: Arrays) -> Arrays:
    """No two facets share a corner: each is off by up to two micrometres, along each axis."""
    corners = mesh[0][mesh[1]].reshape(-1, 3)
    off = np.random.default_rng(4).uniform(-JITTER_MM, JITTER_MM, corners.shape)
    return corners + off, np.arange(len(corners)).reshape(-1, 3)


def wall_missing(mesh: Arrays) -> Arrays:
    """Without one facet of an upright wall."""
    return without(mesh, facing(mesh, 0.0))


def underside_missing(mesh: Arrays) -> Arrays:
    """Without one facet of the underside of the shelf."""
    corners = mesh[0][mesh[1]]
    level = np.flatnonzero(np.abs(corners[:, :, 2] - 12.03).max(axis=1) < 1e-6)
    return without(mesh, int(level[len(level) // 2]))


def facing(mesh: Arrays, down: float) -> int:
    """A facet whose normal has this part downwards."""
    c = mesh[0][mesh[1]]
    normal = np.cross(c[:, 1] - c[:, 0], c[:, 2] - c[:, 0])
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    return int(np.flatnonzero(np.abs(-normal[:, 2] - down) < 1e-9)[5])


def sheet(*corners: tuple[float, float, float]) -> Arrays:
    """Four corners, covered on both sides."""
    facets = np.array([[0, 1, 2], [0, 2, 3]])
    return np.array(corners, np.float64), np.concatenate([facets, facets[:, ::-1]])


def inner_sheet(mesh: Arrays) -> Arrays:
    return joined(mesh, sheet((18, 5, 10), (23, 5, 10), (23, 15, 10), (18, 15, 10)))


def outer_sheet(mesh: Arrays) -> Arrays:
    return joined(mesh, sheet((60, 0, 0), (60, 10, 0), (60, 10, 10), (60, 0, 10)))


def halves() -> Arrays:
    """The bench in two bodies that meet face to face: a wall inside."""
    right, left = bench().split_by_plane((1.0, 0.0, 0.0), 20.0)
    return joined(arrays_of(left), arrays_of(right))


CORNER = ((36.0, -8.0, 0.0), (46.0, 3.0, 20.0))


def crossing() -> Arrays:
    """The bench and a block that stands in its corner."""
    return joined(arrays_of(bench()), block(*CORNER))


def crossing_clean() -> Arrays:
    return arrays_of(bench() + solid_block(*CORNER[0], *CORNER[1]))


BESIDE = ((40.0, 20.0, 0.0), (50.0, 30.0, 20.0))


def on_an_edge() -> Arrays:
    """The bench and a block that share an upright edge."""
    return joined(arrays_of(bench()), block(*BESIDE))


def ribbon(first: int, last: int) -> Arrays:
    """A bar with a flange, bent round an axis from one angle to another (steps of 10°), its radius
    growing: after a full turn it runs into its own beginning."""
    section = np.array([(0, 0), (4, 0), (4, 6.03), (9, 6.03), (9, 8), (0, 8)], np.float64)
    points: list[Floats] = []
    for k in range(first, last + 1):
        turn, radius = math.radians(10 * k), 20 + section[:, 0] + 0.05 * k
        points.append(np.column_stack([radius * math.cos(turn), radius * math.sin(turn),
                                       section[:, 1]]))
    size, count = len(section), last - first
    facets = []
    for k in range(count):
        for a, b in itertools.pairwise([*range(size), 0]):
            a, b = a + k * size, b + k * size
            facets += [(a, b, b + size), (a, b + size, a + size)]
    caps = np.asarray(m3.triangulate([section]))
    facets += [tuple(t) for t in caps[:, ::-1].tolist()]
    facets += [tuple(t) for t in (caps + count * size).tolist()]
    mesh = np.concatenate(points), np.array(facets, np.int64)
    c = mesh[0][mesh[1]]
    volume = np.einsum("ij,ij->i", c[:, 0], np.cross(c[:, 1], c[:, 2])).sum()
    return mesh if volume > 0 else turned(mesh)


def through_itself() -> Arrays:
    return ribbon(0, 40)


def through_itself_clean() -> Arrays:
    """The same in two bodies that overlap nowhere by themselves, united."""
    made = []
    for mesh in (ribbon(0, 20), ribbon(20, 40)):
        made.append(m3.Manifold(m3.Mesh64(vert_properties=mesh[0],
                                          tri_verts=mesh[1].astype(np.uint64))))
    return arrays_of(made[0] + made[1])
