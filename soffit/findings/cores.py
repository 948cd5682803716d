"""Cores: where a layer steps out by more than tessellation explains.

Of what lies past Δ a stretch counts near where it is wider than the slack, and near a facet that
says that the surface itself is too flat; not because it is joined to one that does.
"""

from __future__ import annotations

import math

import manifold3d as m3
import numpy as np
import shapely
from numpy.typing import NDArray

from soffit.findings.facets import FlatFacets
from soffit.layers.stack import GRID_MM, LayerStack, components, offset_of, outline_of, union_of
from soffit.part.model import Floats

# How far from the evidence for it a core reaches, steps: a level facet that passes Δ by little is
# known by one side of it, a step and more from the core (derived).
NEAR_STEPS = 2.0

# Strips beside facets of one layer from which on not all are laid (own limit, for time; a strip
# reaches five times as far as those left out lie from one that is laid).
MOST_STRIPS = 2000

# Corners grow to their mitre up to 60 degrees in plan, the least the kernel allows; a sharper
# one would reach over the air beside it, as at a slope's edge beside a hole (derived).
MITRE_LIMIT = 2.0

# What of `over` is narrower than twice this is rounding, not a step (derived: five grids).
SLIVER_MM = 5 * GRID_MM


def cores_of(
    stack: LayerStack, facets: FlatFacets, span: slice, over: m3.CrossSection
) -> m3.CrossSection | None:
    """What of `over` counts, None if nothing does: near the middle of what is wider than the slack,
    or near one of the flat facets of `span`."""
    margin = 0.5 * (stack.slack_mm - GRID_MM)
    wide = offset_of(over, -margin)
    sure = points_of(wide)
    if span.start == span.stop and not len(sure):
        return None
    opened = offset_of(offset_of(over, -SLIVER_MM), SLIVER_MM)
    parts = components(opened)
    if not parts:
        return None
    tree = shapely.STRtree([shapely.Polygon(r[0], r[1:]) for r in map(outline_of, parts)])
    chosen = set(members(tree, sure))
    if span.start < span.stop and len(chosen) < len(parts):
        # By its middle first; the one facet along a shaft is beside more than that.
        chosen |= _beside(tree, shapely.points(facets.xy[span]), stack.step_mm)
    if span.start < span.stop and len(chosen) < len(parts):
        lines = shapely.linestrings(facets.segments(facets.leaning(span)))
        chosen |= _beside(tree, lines, stack.step_mm)
    if not chosen:
        return None
    cores = opened if len(chosen) == len(parts) else union_of([parts[k] for k in sorted(chosen)])
    # A strip that tessellation explains does not count because it ends at one that does.
    reach = NEAR_STEPS * stack.step_mm
    near = offset_of(wide, margin + reach, limit=MITRE_LIMIT)
    far = cores - near
    if far.area() > GRID_MM**2:
        segments = _thinned(facets.segments(span), 0.5 * stack.step_mm)
        strips = _strips(_within(segments, far, math.sqrt(2.0) * reach + GRID_MM), reach)
        cores = cores ^ (near + m3.CrossSection(strips, m3.FillRule.NonZero))
    return None if cores.is_empty() else cores


def _within(segments: Floats, region: m3.CrossSection, distance_mm: float) -> Floats:
    """Those of segments (n, 2, 2) that lie within a distance of a region."""
    polygons = [shapely.Polygon(r[0], r[1:]) for r in map(outline_of, components(region))]
    near = shapely.STRtree(polygons).query(
        shapely.linestrings(segments), predicate="dwithin", distance=distance_mm)[0]
    return np.asarray(segments[np.unique(near)])


def _thinned(segments: Floats, short_mm: float) -> Floats:
    """Segments (n, 2, 2) with, where they are very many, one of those shorter than `short_mm` for
    each square half as wide: they are the sections of fine facets that lie side by side."""
    if len(segments) <= MOST_STRIPS:
        return segments
    length = np.linalg.norm(segments[:, 1] - segments[:, 0], axis=1)
    short = np.flatnonzero(length < short_mm)
    cell = np.floor(segments[short].mean(axis=1) / (0.5 * short_mm)).astype(np.int64)
    _, first = np.unique(cell, axis=0, return_index=True)
    return np.concatenate([segments[length >= short_mm], segments[short[first]]])


def _strips(segments: Floats, reach_mm: float) -> list[Floats]:
    """Rectangles that reach so far past segments (n, 2, 2) on all sides, (4, 2) each."""
    a, b = segments[:, 0], segments[:, 1]
    length = np.linalg.norm(b - a, axis=1, keepdims=True)
    along = np.where(length > GRID_MM, (b - a) / np.maximum(length, GRID_MM), (1.0, 0.0)) * reach_mm
    across = np.stack([-along[:, 1], along[:, 0]], axis=1)
    corners = (a - along - across, b + along - across, b + along + across, a - along + across)
    return list(np.stack(corners, axis=1))


def points_of(region: m3.CrossSection) -> Floats:
    """Corner points of a region, (n, 2) mm."""
    polygons = region.to_polygons()
    return np.concatenate(polygons) if polygons else np.empty((0, 2))


def _beside(tree: shapely.STRtree, shapes: NDArray[np.object_], step_mm: float) -> set[int]:
    hits = tree.query(shapes, predicate="dwithin", distance=step_mm + SLIVER_MM)[1]
    return {int(k) for k in np.unique(hits)}


def members(tree: shapely.STRtree, points: Floats) -> list[int]:
    """Which polygons of a tree hold one of `points` (n, 2), ascending."""
    if not len(points):
        return []
    hits = tree.query(shapely.points(points), predicate="intersects")[1]
    return [int(k) for k in np.unique(hits)]
