"""Strands: in which direction a patch can be spanned, and how far.

A strand is a straight chord across the patch. It holds when both its ends lie on edges
that the layer below holds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from soffit.findings.patches import Bools, RawPatch
from soffit.part.model import Floats

# Share of the strands that must hold for the whole patch to count as spanned: the last
# one at a corner may miss (derived: one strand in a hundred).
ALL_HELD = 0.99


@dataclass(frozen=True)
class Strands:
    """Chords across a patch in one direction.

    `direction_deg` from x. `low`, `high` (n,): ends along the direction; `across` (n,):
    position across it; `held` (n,): both ends held. `spacing_mm` between strands.
    """

    direction_deg: float
    low: Floats
    high: Floats
    across: Floats
    held: Bools
    spacing_mm: float

    @property
    def length(self) -> Floats:
        """Length of each strand, (n,) mm."""
        return self.high - self.low

    @property
    def held_share(self) -> float:
        """Share of the length of all strands that holds."""
        total = float(self.length.sum())
        return float(self.length[self.held].sum()) / total if total else 0.0

    @property
    def span_mm(self) -> float:
        """Longest strand that holds, mm; 0 if none does."""
        held = self.length[self.held]
        return float(held.max()) if len(held) else 0.0

    @property
    def unit(self) -> tuple[float, float]:
        """Direction as a unit vector in plan."""
        angle = math.radians(self.direction_deg)
        return (math.cos(angle), math.sin(angle))


def strands(patch: RawPatch, direction_deg: float, line_mm: float) -> Strands:
    """Chords of `patch` along a direction, about one line width apart, at most 96 of them."""
    angle = math.radians(direction_deg)
    along = np.array([math.cos(angle), math.sin(angle)])
    cross = np.array([-math.sin(angle), math.cos(angle)])
    starts, ends, held = patch.edges
    v0, v1 = starts @ cross, ends @ cross
    low, high = float(v0.min()), float(v0.max())
    count = int(np.clip(math.ceil((high - low) / line_mm), 8, 96))
    spacing = (high - low) / count
    lines: Floats = np.asarray(low + spacing * (np.arange(count) + 0.5), dtype=np.float64)
    row, edge = np.nonzero((v0[None, :] <= lines[:, None]) != (v1[None, :] <= lines[:, None]))
    t = (lines[row] - v0[edge]) / (v1[edge] - v0[edge])
    u = (starts[edge] @ along) * (1 - t) + (ends[edge] @ along) * t
    order = np.lexsort((u, row))
    row, u, ok = row[order], u[order], held[edge[order]]
    return Strands(
        direction_deg,
        u[0::2],
        u[1::2],
        lines[row[0::2]],
        ok[0::2] & ok[1::2],
        spacing,
    )


def directions(patch: RawPatch, *, edges: int = 8, around: int = 24) -> list[float]:
    """Directions worth trying, degrees in [0, 180): along and across the longest `edges`,
    and in `around` equal steps from the longest, so that turning the patch turns them too."""
    starts, ends, _ = patch.edges
    edge = ends - starts
    length = np.linalg.norm(edge, axis=1)
    longest = np.argsort(-length, kind="stable")[:edges]
    turn = np.degrees(np.arctan2(edge[longest, 1], edge[longest, 0])) % 180.0
    tried = {round(float(a) % 180.0, 4) for t in turn for a in (t, t + 90.0)}
    steps = {round(float(turn[0] + 180.0 / around * k) % 180.0, 4) for k in range(around)}
    return sorted(tried | steps)


def best_bridge(patch: RawPatch, line_mm: float, tried: list[float]) -> Strands | None:
    """The direction whose longest strand is shortest among those where all strands hold."""
    best: Strands | None = None
    for direction in tried:
        candidate = strands(patch, direction, line_mm)
        if candidate.held_share >= ALL_HELD and (
            best is None or candidate.span_mm < best.span_mm - 1e-6
        ):
            best = candidate
    return best


def best_partial(patch: RawPatch, line_mm: float, tried: list[float], limit_mm: float) -> Strands:
    """The direction in which strands no longer than `limit_mm` hold most of the patch."""

    def covered(s: Strands) -> float:
        good = s.held & (s.length <= limit_mm)
        return float(s.length[good].sum() * s.spacing_mm)

    return max((strands(patch, d, line_mm) for d in tried), key=covered)
