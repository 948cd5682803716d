"""Covering: a level patch spanned piece by piece, each by strands of its own direction.

Both ends of every strand lie on what the layer *below* holds. The edge of another piece is no
anchor: it is itself printed over air in the same layer.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from soffit.findings.bridging import Strands, best_bridge, best_partial, fan
from soffit.findings.patches import PROBE_MM, Bools, RawPatch
from soffit.findings.words import within
from soffit.part.model import Floats
from soffit.part.topology import following
from soffit.process.model import Process

# Share of a piece that strands of one direction must cover before they are taken (own choice: with
# 0.1 they run askew across the corners of a frame, with 0.3 slots keep a plate from being bridged).
WORTH_SPANNING = 0.2

# Share of the most that can be covered which is as good, if strands are shorter (own choice:
# strands straight across are what a machine lays).
NEARLY = 0.9

# Most directions tried on one patch: a branching patch has one for each branch (derived: four
# arms; more is work that no machine would follow).
MOST_DIRECTIONS = 4

# A piece, the span of its strands, mm, and their unit direction.
Spanned = tuple[RawPatch, float, tuple[float, float]]


@dataclass(frozen=True)
class Cover:
    """`spanned`: pieces with the span, mm, and unit direction of their strands; `too_wide`: such
    pieces past the limit; `left`: pieces that no strands cover, with the greatest distance to
    what holds the patch, mm."""

    spanned: tuple[Spanned, ...]
    too_wide: tuple[Spanned, ...]
    left: tuple[tuple[RawPatch, float], ...]

    def open_mm2(self, process: Process) -> float:
        """Area of what is left past the lip, and of what is spanned past the limit."""
        return math.fsum(
            [p.area_mm2 for p, reach in self.left if not within(reach, process.lip_mm)]
            + [p.area_mm2 for p, span, _ in self.too_wide if not within(span, process.bridge_mm)])


def cover(
    patch: RawPatch, process: Process, found: list[Strands], nearly: float = NEARLY
) -> Cover:
    """`patch` covered as far as strands within the limit go; `found` are its strands in all
    directions. Of directions that cover at least a share `nearly` of the most that any does, the
    one with the shortest strands is taken.

    A strand within a line of an edge that is in the air all the way round is left: the wall
    of that hole is there.
    """
    rims = [shapely.LinearRing(ring) for ring in patch.loose]
    rim = shapely.union_all(shapely.buffer(rims, process.line_mm))
    held = shapely.multilinestrings(patch.lines(patch.held))
    beside = shapely.MultiLineString()
    if patch.beside:
        beside = shapely.multilinestrings(patch.lines(patch.beside))
    spanned: list[Spanned] = []
    left: list[tuple[RawPatch, list[Strands]]] = []
    todo = [(patch, found)]
    for _ in range(MOST_DIRECTIONS):
        pieces, todo = todo, []
        for piece, own in pieces:
            best = best_partial(own, process.bridge_mm, nearly)
            good = best.held & (best.length <= process.bridge_mm)
            good &= ~shapely.intersects(_chords(best), rim)
            covered = float((best.length * best.wide)[good].sum())
            if covered < WORTH_SPANNING * piece.area_mm2:
                left.append((piece, own))
                continue
            area = _area(best, good)
            new = _polygons(shapely.intersection(piece.polygon, area), process.line_mm)
            if not new:
                left.append((piece, own))
                continue
            span = float(best.length[good].max())
            spanned += [(_piece(patch, p, held, beside), span, best.unit) for p in new]
            rest = _polygons(shapely.difference(piece.polygon, area), 0.5 * process.line_mm)
            parts = [_piece(patch, p, held, beside) for p in rest]
            todo += [(p, fan(p, process.line_mm)) for p in parts]
    holds = shapely.union(held, beside)
    over = shapely.union_all([p.polygon for p, _, _ in spanned])
    too_wide: list[Spanned] = []
    reaches: list[tuple[RawPatch, float]] = []
    for piece, own in [*left, *todo]:
        long = best_bridge(piece, process.line_mm, own)
        if long is not None and spanned:
            too_wide.append((piece, long.span_mm, long.unit))
        else:
            reaches.append((piece, _reach(piece, holds, over, process.lip_mm)))
    return Cover(tuple(spanned), tuple(too_wide), tuple(reaches))


def _chords(best: Strands) -> NDArray[np.object_]:
    """The strands as lines in plan."""
    along, cross = best.axes
    ends = [u[:, None] * along + best.across[:, None] * cross for u in (best.low, best.high)]
    return np.asarray(shapely.linestrings(np.stack(ends, axis=1)))


def _reach(
    piece: RawPatch, holds: shapely.Geometry, spanned: shapely.Geometry, lip_mm: float
) -> float:
    """Greatest distance to what holds the patch. What lies within the lip of a spanned piece is
    laid beside its strands and counts from there; it needs no anchor of its own."""
    points = shapely.points(piece.asked)
    held = shapely.distance(points, holds)
    # The distance to nothing is not a number.
    beside = float(np.fmin(held, shapely.distance(points, spanned)).max())
    return beside if within(beside, lip_mm) else float(held.max())


def _area(best: Strands, good: Bools) -> shapely.Geometry:
    """What the chosen strands cover."""
    along, cross = best.axes
    corners = []
    for u0, u1, v, half in zip(best.low[good], best.high[good], best.across[good],
                               0.5 * best.wide[good], strict=True):
        # Out to where the edges are, which need not run straight across: the piece trims it.
        a, b = u0 - half - PROBE_MM, u1 + half + PROBE_MM
        ends = ((a, v - half), (b, v - half), (b, v + half), (a, v + half))
        corners.append([u * along + w * cross for u, w in ends])
    quads = shapely.polygons(np.array(corners))
    joined = shapely.union_all(shapely.buffer(quads, PROBE_MM, join_style="mitre"))
    return shapely.buffer(joined, -PROBE_MM, join_style="mitre")


def _polygons(shape: shapely.Geometry, least_width: float) -> list[shapely.Polygon]:
    """Polygons of `shape` that are somewhere as wide as `least_width`, sorted."""
    parts = [p for p in shapely.get_parts(shape) if isinstance(p, shapely.Polygon)]
    wide = [p for p in parts if not p.buffer(-0.5 * least_width).is_empty]
    return sorted(wide, key=lambda p: p.bounds)


def _piece(
    patch: RawPatch, piece: shapely.Polygon, held: shapely.Geometry, beside: shapely.Geometry
) -> RawPatch:
    oriented = shapely.orient_polygons(piece)
    rings: list[Floats] = [
        np.asarray(r.coords, dtype=np.float64)[:-1]
        for r in (oriented.exterior, *oriented.interiors)
    ]

    def near(lines: shapely.Geometry) -> tuple[Bools, ...]:
        middles = [0.5 * (ring + following(ring)) for ring in rings]
        return tuple(
            np.asarray(shapely.distance(shapely.points(m), lines) <= 2 * PROBE_MM, dtype=bool)
            for m in middles
        )

    return RawPatch(
        patch.layer, tuple(rings), near(held), float(piece.area), patch.samples, (), near(beside),
        patch.level,
    )
