"""Down-facing facets that are flatter than the limit, sorted into the layers that they end.

The layers say where material lies over air; the facets say which surface that is, how flat
it is and at which exact height.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from soffit.layers.stack import LayerStack
from soffit.part.model import Floats, Ints, Mesh
from soffit.part.topology import edges_of, label

# A facet this much below the limit still counts as at the limit: normals of chordal facets
# and of fitted surfaces scatter by about this much (derived: 0.02 mm deflection on a facet
# 5 mm long leans by 0.46 degrees).
ANGLE_TOLERANCE_DEG = 0.5

# Facets that meet at less than this are taken as parts of one smooth surface (common practice,
# no source: meshes of parts turn by 5 to 15 degrees from facet to facet).
SMOOTH_DEG = 20.0

# Facets that meet at less than this are one plane that is cut finer, and a facet whose arc ends
# this near to the limit is too flat: tessellations are often even about 45 degrees, and rounding
# must not decide (derived: 32-bit corners at 100 mm are known to 4e-6 mm, facets are 0.05 mm high
# or more; this is ten times as much).
ROUNDING_RAD = 1e-3

# Facets are cut at so many heights at once, that what is made of them stays in a processor's
# cache (derived: 0.6 MB of corners).
AT_ONCE = 1 << 13


@dataclass(frozen=True)
class FlatFacets:
    """Samples of too-flat facets, one for each layer that the facet reaches into, sorted by layer.

    `layer`, `triangle` (k,) int64; `xy` (k, 2) mm, a point of the facet within the layer;
    `weight` (k,) mm², its share of plan area; `angle_deg` (k,) downskin angle; `z_mm`
    (k, 2) lowest and highest point of the facet within the layer. `mesh` is that of the facets.
    """

    mesh: Mesh
    layer: Ints
    triangle: Ints
    xy: Floats
    weight: Floats
    angle_deg: Floats
    z_mm: Floats

    def of_layer(self, layer: int) -> slice:
        """Range of the samples of one layer."""
        low, high = np.searchsorted(self.layer, [layer, layer + 1])
        return slice(int(low), int(high))

    def leaning(self, span: slice) -> Ints:
        """Those of the samples of a layer whose facets are not level."""
        z = self.z_mm[span]
        return np.asarray(span.start + np.flatnonzero(z[:, 1] - z[:, 0] >= 1e-9))

    def segments(self, samples: slice | Ints) -> Floats:
        """Where each sample's facet meets the middle of its layer, (k, 2, 2) mm in plan; of a level
        facet its longest side."""
        corners = self.mesh.vertices[self.mesh.triangles[self.triangle[samples]]]
        level, segments = _sections(corners, self.z_mm[samples].mean(axis=1))
        sides = np.stack([corners[level], np.roll(corners[level], -1, axis=1)], axis=2)[..., :2]
        longest = np.linalg.norm(sides[:, :, 1] - sides[:, :, 0], axis=2).argmax(axis=1)
        segments[level] = sides[np.arange(len(sides)), longest]
        return segments

    def bands(self, samples: Ints) -> NDArray[np.object_]:
        """What of each sample's facet lies within its layer, (k,) polygons in plan."""
        corners = self.mesh.vertices[self.mesh.triangles[self.triangle[samples]]]
        low, high = self.z_mm[samples].T
        level, below = _sections(corners, low)
        _, above = _sections(corners, high)
        middle = np.take_along_axis(
            corners, np.argsort(corners[:, :, 2], axis=1, kind="stable")[:, 1, None, None], axis=1)
        within = (middle[:, 0, 2] >= low) & (middle[:, 0, 2] <= high)
        corner = np.where(within[:, None], middle[:, 0, :2], below[:, 1])
        outline = np.stack([*below.swapaxes(0, 1), corner, *above.swapaxes(0, 1)], axis=1)
        outline[level] = corners[level][:, [0, 1, 2, 2, 2], :2]
        # A band is convex; drawn as its hull it never crosses itself by rounding.
        return np.asarray(shapely.convex_hull(shapely.multipoints(outline)), dtype=object)


def flat_facets(
    mesh: Mesh,
    stack: LayerStack,
    angle_deg: float,
    *,
    from_surface: bool = True,
    deflection_mm: float = 0.0,
) -> FlatFacets:
    """Facets of a placed mesh with a downskin angle under `angle_deg` less the tolerance.

    `from_surface`: the normals are those of the true surface. Where they are only those of
    the facets, a facet of a curved surface is known to half the angle at which it meets its
    neighbours, and to what its corners may lie off the surface, `deflection_mm` where it is
    known. Facets that end within the first layer lie on the platform and are left out.
    """
    limit = math.cos(math.radians(angle_deg - ANGLE_TOLERANCE_DEG))
    facing = -mesh.normals[:, 2]
    chosen = np.flatnonzero(facing > limit)
    if not from_surface:
        chosen = chosen[facing[chosen] > np.cos(
            np.radians(angle_deg) - _scatter(mesh, chosen, angle_deg, deflection_mm))]
    # Of these facets alone, so that nothing as large as the mesh is made.
    corners = mesh.vertices[mesh.triangles[chosen]]
    a, b, c = (corners[:, k, 2] for k in range(3))
    low, high = np.minimum(np.minimum(a, b), c), np.maximum(np.maximum(a, b), c)
    cuts = stack.cut_mm
    # A layer ends what lies above the cut below and not above its own.
    first = np.maximum(np.searchsorted(cuts, low, side="left"), 1)
    last = np.minimum(np.searchsorted(cuts, high, side="left"), len(cuts) - 1)
    keep = last >= first
    chosen, corners, low, high = chosen[keep], corners[keep], low[keep], high[keep]
    first, last = first[keep], last[keep]

    count = last - first + 1
    row = np.repeat(np.arange(len(chosen)), count)
    layer = first[row] + np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count)
    z0 = np.maximum(low[row], cuts[layer - 1])
    z1 = np.minimum(high[row], cuts[layer])
    side, other = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    plan = 0.5 * np.abs(side[:, 0] * other[:, 1] - side[:, 1] * other[:, 0])
    height = np.maximum(high - low, 1e-12)[row]
    share = np.where(count[row] == 1, 1.0, (z1 - z0) / height)
    xy = np.empty((len(row), 2))
    for start in range(0, len(row), AT_ONCE):
        block = slice(start, start + AT_ONCE)
        xy[block] = _points_at(corners[row[block]], 0.5 * (z0[block] + z1[block]))
    angle = np.degrees(np.arccos(np.clip(facing[chosen], -1.0, 1.0)))
    # Facets are in order already; numbers this short are sorted by their digits.
    order = np.argsort(layer.astype(np.int16), kind="stable")
    return FlatFacets(
        mesh,
        layer[order],
        chosen[row][order],
        xy[order],
        (plan[row] * share)[order],
        angle[row][order],
        np.stack([z0, z1], axis=1)[order],
    )


def _scatter(mesh: Mesh, chosen: Ints, angle_deg: float, deflection_mm: float) -> Floats:
    """How far the true surface may lean from each chosen facet, (k,) radians: half the largest
    angle to a facet that it, or one in its plane, meets smoothly, or four times the deflection
    over its least altitude (the slope at the ends of an arc of that sagitta), if that is more, but
    no more than half of what counts as smooth; at least the tolerance."""
    scatter = np.full(len(chosen), math.radians(ANGLE_TOLERANCE_DEG))
    # Only facets that this could bring up to the limit are looked at.
    low = np.flatnonzero(
        -mesh.normals[chosen, 2] < math.cos(math.radians(angle_deg - SMOOTH_DEG / 2)))
    near = chosen[low]
    if len(near):
        corner = np.zeros(len(mesh.vertices), dtype=np.int8)
        corner[mesh.triangles[near]] = 1
        shared = sum(corner[mesh.triangles[:, k]] for k in range(3))
        around = np.flatnonzero(shared >= 2)
        edges = edges_of(mesh.triangles[around])
        pairs = edges.start[edges.count == 2]
        a, b = edges.facet[pairs], edges.facet[pairs + 1]
        normals = mesh.normals[around]
        cosine = np.einsum("ij,ij->i", normals[a], normals[b])
        turn = np.arccos(np.clip(cosine, -1.0, 1.0))
        smooth = turn < math.radians(SMOOTH_DEG)
        lean = np.full(len(around), math.radians(ANGLE_TOLERANCE_DEG))
        for side in (a, b):
            np.maximum.at(lean, side[smooth], 0.5 * turn[smooth] - ROUNDING_RAD)
        # What is one plane has one scatter, however finely it is cut.
        plane = turn < ROUNDING_RAD
        number, group = label(np.column_stack([a[plane], b[plane]]), len(around))
        largest = np.zeros(number)
        np.maximum.at(largest, group, lean)
        scatter[low] = largest[group[np.searchsorted(around, near)]]
        if deflection_mm > 0.0:
            corners = mesh.vertices[mesh.triangles[near]]
            sides = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
            altitude = np.maximum(2.0 * mesh.areas[near] / np.maximum(sides, 1e-12), 1e-12)
            sagged = np.minimum(4.0 * deflection_mm / altitude, math.radians(0.5 * SMOOTH_DEG))
            scatter[low] = np.maximum(scatter[low], sagged)
    return scatter


def _points_at(corners: Floats, height: Floats) -> Floats:
    """Middle of the segment in which each triangle meets its height; level ones: the centroid."""
    level, segments = _sections(corners, height)
    point: Floats = segments.mean(axis=1)
    point[level] = corners[level, :, :2].mean(axis=1)
    return point


def _sections(corners: Floats, height: Floats) -> tuple[Ints, Floats]:
    """Which triangles are level, and the segment in plan, (n, 2, 2), in which each other one meets
    its height."""
    by_height = np.argsort(corners[:, :, 2], axis=1, kind="stable")[:, :, None]
    low, mid, high = np.moveaxis(np.take_along_axis(corners, by_height, axis=1), 1, 0)

    def along(a: Floats, b: Floats) -> Floats:
        rise = b[:, 2] - a[:, 2]
        level = rise < 1e-9
        t = np.where(level, 0.5, (height - a[:, 2]) / np.where(level, 1.0, rise))
        return a[:, :2] + np.clip(t, 0.0, 1.0)[:, None] * (b[:, :2] - a[:, :2])

    short_side = np.where((height <= mid[:, 2])[:, None], along(low, mid), along(mid, high))
    level = np.flatnonzero(high[:, 2] - low[:, 2] < 1e-9)
    return level, np.stack([along(low, high), short_side], axis=1)
