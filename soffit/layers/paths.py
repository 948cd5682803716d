"""What the nozzle draws in each layer: walls, skins, infill, and the moves between them.

With R a layer's region, w the width of a line and n the number of walls, the walls are the outlines
of R moved inwards by w/2, 3w/2, …; what is left inside R moved by n·w is drawn in straight lines,
w apart where the layer is a skin, w / infill apart elsewhere, at 45° one way in one layer and the
other way in the next. Every line lays w·h of plastic for each mm, so that lines side by side fill
(derived). Where a wall is narrower than n lines together, fewer are drawn.

Rings are drawn one after the other, each time the one whose start is nearest; lines to and fro,
column by column. From one line to the next, where that is no farther than two of them lie apart,
the nozzle turns, and draws on; else it travels. A turn lays down nothing of its own: in its place
the lines, taken here up to the wall, end half a line before it (derived).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import manifold3d as m3
import numpy as np
from numpy.typing import NDArray

from soffit.layers.plastic import hidden_of
from soffit.layers.stack import LayerStack, offset_of
from soffit.part.model import Floats, Ints
from soffit.process.model import Process

# Kinds of moves, in the order in which a layer is drawn.
OUTER, INNER, SKIN, INFILL, TURN, TRAVEL = range(6)
KINDS = ("outer wall", "inner wall", "skin", "infill", "turn", "travel")

# From a line to the next the nozzle turns where that is no farther, in spacings (derived: lines at
# 45° to an edge end √2 spacings apart along it).
TURNS = 2.0

# A move that is shorter is none, mm (derived: rounding).
NONE_MM = 1e-6


@dataclass(frozen=True)
class Paths:
    """Straight moves in the order in which they are made, (n,) each: layer, kind, and from where to
    where, (n, 2) mm. `layers`: how many there are."""

    layer: Ints
    kind: Ints
    start: Floats
    end: Floats
    layers: int

    @property
    def length_mm(self) -> Floats:
        """Length of each move, (n,) mm."""
        return np.asarray(np.linalg.norm(self.end - self.start, axis=1))

    def lengths_mm(self) -> dict[str, Floats]:
        """Length of each kind in each layer, (layers,) mm."""
        return {name: self.by_layer(np.where(self.kind == kind, self.length_mm, 0.0))
                for kind, name in enumerate(KINDS)}

    def by_layer(self, values: Floats) -> Floats:
        """Sums of what each move (n,) takes, of each layer, (layers,)."""
        return np.asarray(np.bincount(self.layer, values, minlength=self.layers), dtype=np.float64)


def paths_of(stack: LayerStack, process: Process) -> Paths:
    """The moves of all layers of a stack."""
    line, walls = process.line_mm, round(process.filling.walls.value)
    moves: list[_Moves] = []
    for layer, region in enumerate(stack.regions):
        rings = [(OUTER if wall == 0 else INNER, np.asarray(ring, dtype=np.float64))
                 for wall in range(walls)
                 for ring in offset_of(region, -(wall + 0.5) * line).to_polygons()]
        moves += [_ring(layer, kind, ring) for kind, ring in _nearest_first(rings)]
    cores = [offset_of(region, -walls * line) for region in stack.regions]
    sparse = [core ^ inside for core, inside in zip(
        cores, hidden_of(stack.regions, process), strict=True)]
    skins = [core - hidden for core, hidden in zip(cores, sparse, strict=True)]
    moves.append(_lines(skins, line, SKIN))
    if process.filling.infill.value > 0.0:
        moves.append(_lines(sparse, line / process.filling.infill.value, INFILL))
    return _in_order(moves, len(stack), process)


@dataclass(frozen=True)
class _Moves:
    layer: Ints
    kind: Ints
    start: Floats
    end: Floats


def _ring(layer: int, kind: int, ring: Floats) -> _Moves:
    return _Moves(np.full(len(ring), layer), np.full(len(ring), kind), ring,
                  np.roll(ring, -1, axis=0))


def _nearest_first(rings: Sequence[tuple[int, Floats]]) -> list[tuple[int, Floats]]:
    """Rings in the order in which the nearest start comes next, from the first on."""
    if len(rings) < 3:
        return list(rings)
    starts = np.array([ring[0] for _, ring in rings])
    left = np.ones(len(rings), dtype=bool)
    order, at = [], 0
    for _ in rings:
        order.append(at)
        left[at] = False
        away = np.where(left, np.square(starts - starts[at]).sum(axis=1), np.inf)
        at = int(np.argmin(away))
    return [rings[k] for k in order]


def _lines(regions: Sequence[m3.CrossSection], spacing: float, kind: int) -> _Moves:
    """Lines across regions, one for each layer, to and fro in columns."""
    from_, to, layer = _edges(regions)
    # Turned so that lines are level: by 45° one way in even layers, the other way in odd ones.
    turn = np.where(layer % 2 == 0, 1.0, -1.0) * np.sqrt(0.5)
    a, b = (np.column_stack([np.sqrt(0.5) * p[:, 0] + turn * p[:, 1],
                             np.sqrt(0.5) * p[:, 1] - turn * p[:, 0]]) for p in (from_, to))
    # Line k lies at (k + ½)·spacing; an edge meets those between its ends.
    low = np.ceil(np.minimum(a[:, 1], b[:, 1]) / spacing - 0.5)
    count = np.maximum(0, np.ceil(np.maximum(a[:, 1], b[:, 1]) / spacing - 0.5) - low).astype(int)
    edge = np.repeat(np.arange(len(a)), count)
    step = np.arange(len(edge)) - np.repeat(np.cumsum(count) - count, count)
    row = low[edge] + step
    y = (row + 0.5) * spacing
    rise = np.where(a[:, 1] == b[:, 1], 1.0, b[:, 1] - a[:, 1])[edge]
    x = a[edge, 0] + (y - a[edge, 1]) / rise * (b[edge, 0] - a[edge, 0])
    order = np.lexsort([x, row, layer[edge]])
    x, y, row, layer = x[order], y[order], row[order], layer[edge][order]
    # Crossings of a line come in pairs: into the region and out of it.
    x0, x1, y, row, layer = x[0::2], x[1::2], y[0::2], row[0::2], layer[0::2]
    new = np.ones(len(row), dtype=bool)
    new[1:] = (row[1:] != row[:-1]) | (layer[1:] != layer[:-1])
    first = np.maximum.accumulate(np.where(new, np.arange(len(row)), 0))
    column = np.arange(len(row)) - first
    order = np.lexsort([row, column, layer])
    x0, x1, y, row, layer = (values[order] for values in (x0, x1, y, row, layer))
    back = row.astype(int) % 2 == 1
    x0, x1 = np.where(back, x1, x0), np.where(back, x0, x1)
    turn = np.where(layer % 2 == 0, 1.0, -1.0) * np.sqrt(0.5)
    start, end = (np.column_stack([np.sqrt(0.5) * x - turn * y, turn * x + np.sqrt(0.5) * y])
                  for x in (x0, x1))
    return _Moves(layer, np.full(len(layer), kind), start, end)


def _edges(regions: Sequence[m3.CrossSection]) -> tuple[Floats, Floats, Ints]:
    """Edges of regions: from where, to where, (n, 2), and of which region, (n,)."""
    rings = [(layer, np.asarray(ring, dtype=np.float64))
             for layer, region in enumerate(regions) for ring in region.to_polygons()]
    if not rings:
        return np.empty((0, 2)), np.empty((0, 2)), np.empty(0, dtype=np.int64)
    return (np.concatenate([ring for _, ring in rings]),
            np.concatenate([np.roll(ring, -1, axis=0) for _, ring in rings]),
            np.repeat([layer for layer, _ in rings], [len(ring) for _, ring in rings]))


def _in_order(parts: Sequence[_Moves], layers: int, process: Process) -> Paths:
    """Moves of each layer by kind, with what leads from each to the next."""
    layer, kind = (np.concatenate([np.empty(0, dtype=np.int64),
                                   *(getattr(m, name) for m in parts)])
                   for name in ("layer", "kind"))
    start, end = (np.concatenate([np.empty((0, 2)), *(getattr(m, name) for m in parts)])
                  for name in ("start", "end"))
    # Walls as they come, in one group; then skins, then infill.
    group = np.maximum(kind, INNER)
    order = np.lexsort([np.arange(len(layer)), group, layer])
    order = order[np.linalg.norm(end - start, axis=1)[order] > NONE_MM]
    layer, kind, start, end = layer[order], kind[order], start[order], end[order]
    gap = np.linalg.norm(start[1:] - end[:-1], axis=1)
    between = np.flatnonzero(gap > NONE_MM)
    turns = _turns(layer, kind, gap, process)[between]
    place = np.concatenate([np.arange(len(layer)), between + 0.5])
    order = np.argsort(place, kind="stable")
    return Paths(
        np.concatenate([layer, layer[between + 1]])[order],
        np.concatenate([kind, np.where(turns, TURN, TRAVEL)])[order],
        np.concatenate([start, end[between]])[order],
        np.concatenate([end, start[between + 1]])[order], layers)


def _turns(layer: Ints, kind: Ints, gap: Floats, process: Process) -> NDArray[np.bool_]:
    """Whether the nozzle only turns from each move to the next."""
    spacing = np.where(kind == INFILL, process.line_mm / max(process.filling.infill.value, 1e-9),
                       process.line_mm)[:-1]
    same = (layer[1:] == layer[:-1]) & (kind[1:] == kind[:-1]) & (kind[:-1] >= SKIN)
    return np.asarray(same & (gap <= TURNS * spacing))
