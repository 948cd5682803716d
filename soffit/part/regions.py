"""Faces of a mesh: which facets belong to one plane, bore, cone or ball.

Two facets are smooth across their edge where they turn by less than `SMOOTH_DEG`. Facets in
one plane form plates. Where plates meet smoothly they are strips of something curved: rows
of strips that share an axis and one distance from it are cylinders, also beside a plane that
is tangent to them and where two bores cross. What is left is tried as a cone or a ball, and
is a plane if it is a plate much larger than its neighbours, else a region of no known form.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from soffit.part.fits import Fit, fit_any, fit_strips
from soffit.part.model import Face, Floats, Ints, Surface, Vec3
from soffit.part.topology import edges_of, label

SMOOTH_DEG = 31.0
"""Facets that turn by more meet in an edge of the part. A bore drawn with twelve facets turns
by 30° from one to the next, so twelve or more are round, fewer a polygon (own limit)."""
_PLATE_DEG = 1.0
"""Facets of one plane turn by less, unless they are slivers (own limit; the distance decides)."""
_PLANE_SHARE = 4.0
"""A plate is a plane of its own beside curved ones if it is this many times larger than its
smooth neighbours on average (own limit)."""
_MAX_AXES = 60
"""Most directions tried as axes in one smooth patch; a freeform patch has no good one."""


@dataclass(frozen=True)
class _Mesh:
    """Facets with what is known of each; `pair` (e, 2) facets across edges that have two,
    `along` (e, 3) unit direction, `length` (e,) and `turn` (e,) angle in radians of those."""

    corners: Floats
    normal: Floats
    area: Floats
    pair: Ints
    along: Floats
    length: Floats
    turn: Floats
    slack: float


def segment(vertices: Floats, triangles: Ints, body_of: Ints | None = None
            ) -> tuple[Ints, tuple[Face, ...]]:
    """Faces of a mesh.

    `vertices` (n, 3) float64, mm; `triangles` (m, 3) int64; `body_of` (m,) body of each facet.
    Returns `face_of` (m,), 1-based, and the faces by id: sorted by body, then by z, y and x of
    their centroid, then by size. A facet without area has the normal +z.
    """
    count = len(triangles)
    bodies = np.zeros(count, np.int64) if body_of is None else body_of
    if not count:
        return np.empty(0, np.int64), ()
    mesh = _prepare(vertices, triangles)
    plate, flat = _plates(mesh)
    smooth = mesh.turn < np.radians(SMOOTH_DEG)
    same_plate = plate[mesh.pair[:, 0]] == plate[mesh.pair[:, 1]]
    joined = mesh.pair[smooth | same_plate]
    group_count, group = label(joined, count)

    # A smooth group of one flat plate is a plane: most facets of most parts end here.
    face = np.full(count, -1, np.int64)
    fits: list[Fit | None] = []
    plates_in = np.bincount(np.unique(np.column_stack([group, plate]), axis=0)[:, 0],
                            minlength=group_count)
    order = np.argsort(group, kind="stable")
    begin = np.searchsorted(group[order], np.arange(group_count + 1))
    edge_order = np.argsort(group[mesh.pair[:, 0]], kind="stable")
    inner = edge_order[smooth[edge_order]]
    inner = inner[group[mesh.pair[inner, 0]] == group[mesh.pair[inner, 1]]]
    edge_begin = np.searchsorted(group[mesh.pair[inner, 0]], np.arange(group_count + 1))
    for g in range(group_count):
        members = order[begin[g]:begin[g + 1]]
        if plates_in[g] == 1 and flat[plate[members[0]]]:
            face[members] = len(fits)
            fits.append(Fit(Surface.PLANE))
            continue
        for part, fit in _split(mesh, members, inner[edge_begin[g]:edge_begin[g + 1]], plate,
                                flat):
            face[part] = len(fits)
            fits.append(fit)
    return _faces(mesh, face, fits, bodies)


def facet_normals(vertices: Floats, triangles: Ints) -> Floats:
    """Unit normal of each facet (m, 3); +z for a facet without area, so that it is never taken
    for a surface that faces down."""
    corners = vertices[triangles]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(cross, axis=1)
    normals = cross / np.where(length > 0, length, 1.0)[:, None]
    normals[length == 0] = (0.0, 0.0, 1.0)
    return normals


def _prepare(vertices: Floats, triangles: Ints) -> _Mesh:
    corners = vertices[triangles]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    area = 0.5 * np.linalg.norm(cross, axis=1)
    normal = facet_normals(vertices, triangles)
    edges = edges_of(triangles)
    two = (edges.count == 2) & (edges.turn == 0)
    start = edges.start[two]
    pair = np.column_stack([edges.facet[start], edges.facet[start + 1]])
    run = vertices[edges.ends[two, 1]] - vertices[edges.ends[two, 0]]
    length = np.linalg.norm(run, axis=1)
    cos = np.einsum("ij,ij->i", normal[pair[:, 0]], normal[pair[:, 1]])
    sin = np.linalg.norm(np.cross(normal[pair[:, 0]], normal[pair[:, 1]]), axis=1)
    size = float((corners.max(axis=(0, 1)) - corners.min(axis=(0, 1))).max())
    reach = max(size, float(np.abs(corners).max()))
    # Eight steps of a 32-bit number, or a millionth of the size (derived: what rounding does).
    slack = max(8.0 * reach * 2.0**-23, 1e-6 * size, 1e-9)
    return _Mesh(corners, normal, area, pair, run / np.maximum(length, 1e-300)[:, None], length,
                 np.arctan2(sin, cos), slack)


def _plates(mesh: _Mesh) -> tuple[Ints, NDArray[np.bool_]]:
    """Plate of each facet, and which plates are flat."""
    pair, corners = mesh.pair, mesh.corners
    longest = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    height = 2.0 * mesh.area / np.maximum(longest, 1e-300)
    wide = np.where((height[pair[:, 0]] >= height[pair[:, 1]])[:, None], pair, pair[:, ::-1])
    off = np.einsum("eij,ej->ei", corners[wide[:, 1]] - corners[wide[:, 0]][:, :1],
                    mesh.normal[wide[:, 0]])
    near = np.abs(off).max(axis=1) <= 2.0 * mesh.slack
    sliver = height[wide[:, 1]] <= 20.0 * mesh.slack
    count = len(corners)
    number, plate = label(pair[near & ((mesh.turn < np.radians(_PLATE_DEG)) | sliver)], count)
    for _ in range(2):
        # A finely drawn curve can creep from facet to facet: what is not flat falls apart.
        mean = np.column_stack([np.bincount(plate, mesh.normal[:, k] * mesh.area, number)
                                for k in range(3)])
        mean = mean / np.maximum(np.linalg.norm(mean, axis=1), 1e-300)[:, None]
        height_of = np.einsum("fij,fj->fi", corners, mean[plate])
        low = np.full(number, np.inf)
        high = np.full(number, -np.inf)
        np.minimum.at(low, plate, height_of.min(axis=1))
        np.maximum.at(high, plate, height_of.max(axis=1))
        flat = (high - low) <= 8.0 * mesh.slack
        if flat.all():
            break
        broken = ~flat[plate]
        keep = near & ~broken[pair[:, 0]] & ~broken[pair[:, 1]]
        number, plate = label(pair[keep & ((mesh.turn < np.radians(_PLATE_DEG)) | sliver)], count)
    else:
        flat = np.ones(number, bool)
    return plate, flat


def _split(mesh: _Mesh, members: Ints, edges: Ints, plate: Ints, flat: NDArray[np.bool_]
           ) -> list[tuple[Ints, Fit | None]]:
    """Cut a smooth group into faces. `edges`: indices of the smooth edges within it."""
    whole = fit_any(mesh.corners[members], mesh.normal[members], mesh.area[members], mesh.slack)
    if whole is not None:
        return [(members, whole)]
    found: list[tuple[Ints, Fit | None]] = []
    free = np.zeros(len(mesh.corners), bool)
    free[members] = True
    for strips, fit in _cylinders(mesh, members, edges, plate, free):
        found.append((strips, fit))
    rest = members[free[members]]
    if not len(rest):
        return found
    local = np.full(len(mesh.corners), -1, np.int64)
    local[rest] = np.arange(len(rest))
    open_edges = edges[free[mesh.pair[edges]].all(axis=1)]
    a, b = mesh.pair[open_edges].T

    # Plates that stand out as planes of their own.
    ids, of = np.unique(plate[rest], return_inverse=True)
    size = np.bincount(of, mesh.area[rest])
    pa, pb = of[local[a]], of[local[b]]
    other = pa != pb
    links = np.unique(np.sort(np.column_stack([pa, pb])[other], axis=1), axis=0)
    around = np.bincount(links.reshape(-1), size[links[:, ::-1]].reshape(-1), len(ids))
    degree = np.bincount(links.reshape(-1), minlength=len(ids))
    plane = flat[ids] & ((degree == 0)
                         | (size >= _PLANE_SHARE * around / np.maximum(degree, 1)))
    plane &= (degree == 0) | (size >= 0.01 * size.sum())
    chosen = np.flatnonzero(plane)
    by_plate = np.argsort(of, kind="stable")
    bounds = np.searchsorted(of[by_plate], np.arange(len(ids) + 1))
    for p in chosen:
        found.append((rest[by_plate[bounds[p]:bounds[p + 1]]], Fit(Surface.PLANE)))
    rest_open = ~plane[of]
    left = rest[rest_open]
    local[rest] = -1
    local[left] = np.arange(len(left))
    inner = (local[a] >= 0) & (local[b] >= 0)
    number, group = label(np.column_stack([local[a[inner]], local[b[inner]]]), len(left))
    order = np.argsort(group, kind="stable")
    begin = np.searchsorted(group[order], np.arange(number + 1))
    for g in range(number):
        part = left[order[begin[g]:begin[g + 1]]]
        plates = np.unique(plate[part])
        if len(plates) <= 3 and flat[plates].all():  # two or three planes at a slight angle
            found += [(part[plate[part] == p], Fit(Surface.PLANE)) for p in plates]
        else:
            found.append((part, fit_any(mesh.corners[part], mesh.normal[part], mesh.area[part],
                                        mesh.slack)))
    return found


def _cylinders(mesh: _Mesh, members: Ints, edges: Ints, plate: Ints, free: NDArray[np.bool_]
               ) -> list[tuple[Ints, Fit]]:
    """Rows of strips round one axis; what they take is no longer `free`."""
    found: list[tuple[Ints, Fit]] = []
    bent = edges[plate[mesh.pair[edges, 0]] != plate[mesh.pair[edges, 1]]]
    bent = bent[mesh.turn[bent] > np.radians(0.2)]
    if not len(bent):
        return found
    along = mesh.along[bent]
    lead = np.abs(along).argmax(axis=1)
    sign = np.sign(along[np.arange(len(bent)), lead])
    along = along * sign[:, None]
    # Edges between strips run along the axis: the directions with most edge length come first.
    keys, of = np.unique(np.round(along, 2), axis=0, return_inverse=True)
    weight = np.bincount(of, mesh.length[bent])
    ranked = np.lexsort((keys[:, 2], keys[:, 1], keys[:, 0], -np.round(weight, 6)))
    for k in ranked[:_MAX_AXES]:
        chosen = bent[of == k]
        if len(chosen) < 2:
            continue
        longest = chosen[np.argmax(np.round(mesh.length[chosen], 6))]
        axis = mesh.along[longest]
        tilt = max(0.002, 4.0 * mesh.slack / max(float(mesh.length[longest]), 1e-9))
        around = members[free[members]]
        around = around[np.abs(mesh.normal[around] @ axis) < tilt]
        if len(around) < 3:
            continue
        inside = np.zeros(len(mesh.corners), bool)
        inside[around] = True
        near = bent[inside[mesh.pair[bent]].all(axis=1)]
        if len(near) < 2:
            continue
        for strips, fit in fit_strips(mesh.corners, mesh.normal, mesh.area, mesh.pair,
                                      mesh.length, around, near, plate, axis,
                                      mesh.slack):
            free[strips] = False
            found.append((strips, fit))
    return found


def _faces(mesh: _Mesh, face: Ints, fits: list[Fit | None], bodies: Ints
           ) -> tuple[Ints, tuple[Face, ...]]:
    count = len(fits)
    middle = mesh.corners.mean(axis=1)
    area = np.bincount(face, mesh.area, count)
    weight = np.where(area[face] > 0, mesh.area, 1.0)
    total = np.bincount(face, weight, count)
    centroid = np.column_stack([np.bincount(face, middle[:, k] * weight, count) / total
                                for k in range(3)])
    mean = np.column_stack([np.bincount(face, mesh.normal[:, k] * weight, count)
                            for k in range(3)])
    # Where a face closes on itself the sum is nothing: then the facet nearest the centroid says.
    away = np.linalg.norm(middle - centroid[face], axis=1)
    nearest = np.full(count, -1, np.int64)
    order = np.lexsort((np.arange(len(face)), np.round(away, 6), face))
    nearest[face[order[::-1]]] = order[::-1]
    length = np.linalg.norm(mean, axis=1)
    vague = length < 1e-3 * total
    mean[vague] = mesh.normal[nearest[vague]]
    mean = mean / np.linalg.norm(mean, axis=1)[:, None]
    body = bodies[nearest]
    key = np.round(centroid, 6)
    rank = np.lexsort((nearest, np.round(area, 6), key[:, 0], key[:, 1], key[:, 2], body))
    number = np.empty(count, np.int64)
    number[rank] = np.arange(1, count + 1)
    faces = []
    for i in rank.tolist():
        fit = fits[i] or Fit(Surface.REGION)
        own = int(number[i])
        faces.append(Face(own, fit.surface, int(body[i]), float(area[i]), _vec(centroid[i]),
                          _vec(mean[i]), fit.axis_point, fit.axis_dir, fit.radius_mm, fit.inward,
                          origin=own))
    return number[face], tuple(faces)


def _vec(values: Floats) -> Vec3:
    x, y, z = values.tolist()
    return (x + 0.0, y + 0.0, z + 0.0)
