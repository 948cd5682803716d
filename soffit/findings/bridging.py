"""Strands: in which direction a patch can be spanned, and how far.

A strand is a straight chord across the patch. It holds when both its ends lie on edges that the
layer below holds. In a patch that is somewhere a line wide they may also lie on what steps out from
it by no more than Δ: half a bead farther it is there. A narrower strip that ends there is a slope
that turns steeper, not a bridge.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from soffit.findings.patches import PROBE_MM, Bools, RawPatch
from soffit.part.model import Floats, Ints

# Share of the strands that must hold for the whole patch to count as spanned: the last
# one at a corner may miss (derived: one strand in a hundred).
ALL_HELD = 0.99

# Finest bands, as a share of a line, and most of them (derived: a tenth of a millimetre; a
# patch of a hundred lines in as many bands).
FINEST_SHARE = 0.25
MOST_BANDS = 96


@dataclass(frozen=True)
class Strands:
    """Chords across a patch in one direction, one or more in the middle of each of its bands.

    `direction_deg` from x. `low`, `high` (n,): ends along the direction; `across` (n,):
    position across it; `wide` (n,): width of the band; `held` (n,): both ends held. `span_mm`:
    the longest of all chords that hold, also between the middles of bands; 0 if none does.
    """

    direction_deg: float
    low: Floats
    high: Floats
    across: Floats
    wide: Floats
    held: Bools
    span_mm: float

    @property
    def length(self) -> Floats:
        """Length of each strand, (n,) mm."""
        return self.high - self.low

    @property
    def held_share(self) -> float:
        """Share of the area of all strands that holds."""
        area = self.length * self.wide
        total = float(area.sum())
        return float(area[self.held].sum()) / total if total else 0.0

    def area_within(self, limit_mm: float) -> float:
        """Area of the strands that hold and are no longer than `limit_mm`, mm²."""
        return float((self.length * self.wide)[self.held & (self.length <= limit_mm)].sum())

    @property
    def unit(self) -> tuple[float, float]:
        """Direction as a unit vector in plan."""
        angle = math.radians(self.direction_deg)
        return (math.cos(angle), math.sin(angle))

    @property
    def axes(self) -> tuple[Floats, Floats]:
        """Unit vectors along the strands and across them, (2,) each."""
        x, y = self.unit
        return np.array([x, y]), np.array([-y, x])


def strands(
    patch: RawPatch, direction_deg: float, line_mm: float, *, exact: bool = False,
    held: Bools | None = None,
) -> Strands:
    """Chords of `patch` along a direction, in bands no wider than a line (or a 96th of the
    patch) that end at its corners. `exact`: the span is that of the longest chord at any corner,
    not only of the longest in the middle of a band. `held` (m,): the edges that hold an end, where
    that is known already."""
    angle = math.radians(direction_deg)
    along = np.array([math.cos(angle), math.sin(angle)])
    cross = np.array([-math.sin(angle), math.cos(angle)])
    starts, ends, _ = patch.edges
    held = _anchors(patch, line_mm) if held is None else held
    frame = (starts @ along, starts @ cross, ends @ along, ends @ cross)
    bounds = _bands(frame[1], line_mm)
    middle = 0.5 * (bounds[1:] + bounds[:-1])
    row, low, high, ok = _chords(frame, held, middle)
    length = [(high - low)[ok]]
    if exact:
        corners = np.unique(frame[1])
        # On either side of each corner; between corners the length changes evenly.
        at = np.concatenate([corners[:-1] + PROBE_MM, corners[1:] - PROBE_MM])
        _, low_too, high_too, ok_too = _chords(frame, held, at)
        length.append((high_too - low_too)[ok_too])
    return Strands(
        direction_deg, low, high, middle[row], (bounds[1:] - bounds[:-1])[row], ok,
        float(np.concatenate(length).max(initial=0.0)),
    )


def _anchors(patch: RawPatch, line_mm: float) -> Bools:
    """Which edges of a patch hold the end of a strand, (m,)."""
    wide = patch.beside and not patch.polygon.buffer(-0.5 * line_mm).is_empty
    return np.concatenate(patch.kept if wide else patch.held)


def _bands(across: Floats, line_mm: float) -> Floats:
    """Bounds of the bands of a patch whose corners lie at `across`, ascending."""
    corners = np.sort(across)
    low, high = corners[0], corners[-1]
    finest = max(FINEST_SHARE * line_mm, (high - low) / MOST_BANDS)
    cell = np.floor((corners - low) / finest)
    # The first corner of each cell, but that of the last gives way to the end of the patch.
    first = corners[1:][cell[1:] != cell[:-1]]
    bounds = np.concatenate([[low], first[:-1], [high]])
    widest = max(line_mm, (high - low) / MOST_BANDS)
    gaps = bounds[1:] - bounds[:-1]
    pieces = np.maximum(np.ceil(gaps / widest - 1e-9), 1.0).astype(np.int64)
    # Each in so many equal bands, counted from its own start.
    number = np.arange(pieces.sum()) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    return np.append(np.repeat(bounds[:-1], pieces) + number * np.repeat(gaps / pieces, pieces),
                     high)


def _chords(
    frame: tuple[Floats, Floats, Floats, Floats], held: Bools, rows: Floats
) -> tuple[Ints, Floats, Floats, Bools]:
    """Row, both ends, and whether both are held, of the chords at `rows`; `frame`: along and
    across of the start and of the end of each edge."""
    u0, v0, u1, v1 = frame
    row, edge = np.nonzero((v0[None, :] <= rows[:, None]) != (v1[None, :] <= rows[:, None]))
    t = (rows[row] - v0[edge]) / (v1[edge] - v0[edge])
    u = u0[edge] * (1 - t) + u1[edge] * t
    order = np.lexsort((u, row))
    row, u, ok = row[order], u[order], held[edge[order]]
    return row[0::2], u[0::2], u[1::2], ok[0::2] & ok[1::2]


def directions(
    patch: RawPatch, *, edges: int = 8, around: int = 24, stretches: int = 4
) -> list[float]:
    """Directions worth trying, degrees in [0, 180): along and across the longest `edges`,
    in `around` equal steps from the longest, so that turning the patch turns them too, and from
    end to end of the longest `stretches` of its outline that nothing holds."""
    starts, ends, _ = patch.edges
    edge = ends - starts
    length = np.linalg.norm(edge, axis=1)
    longest = np.argsort(-length, kind="stable")[:edges]
    turn = np.degrees(np.arctan2(edge[longest, 1], edge[longest, 0])) % 180.0
    tried = {round(float(a) % 180.0, 4) for t in turn for a in (t, t + 90.0)}
    steps = {round(float(turn[0] + 180.0 / around * k) % 180.0, 4) for k in range(around)}
    return sorted(tried | steps | set(_end_to_end(patch, stretches)))


def _end_to_end(patch: RawPatch, most: int) -> list[float]:
    """Directions from where the outline stops being held to where it is held again, degrees."""
    ways = []
    for ring, held in zip(patch.rings, patch.kept, strict=True):
        if not held.any() or held.all():
            continue
        free = np.flatnonzero(~held)
        first = free[held[free - 1]]
        last = free[held[(free + 1) % len(held)]]
        # The stretch that begins last may end before the first one begins.
        last = np.roll(last, -1) if last[0] < first[0] else last
        ways.append(ring[(last + 1) % len(ring)] - ring[first])
    found = np.concatenate(ways) if ways else np.empty((0, 2))
    way = found[np.argsort(-np.linalg.norm(found, axis=1), kind="stable")[:most]]
    return [round(float(a) % 180.0, 4) for a in np.degrees(np.arctan2(way[:, 1], way[:, 0]))]


def fan(patch: RawPatch, line_mm: float, tried: list[float] | None = None) -> list[Strands]:
    """Strands of a patch in all of `tried` directions, those of `directions` if not given."""
    held = _anchors(patch, line_mm)
    tried = directions(patch) if tried is None else tried
    return [strands(patch, d, line_mm, held=held) for d in tried]


def best_bridge(patch: RawPatch, line_mm: float, found: list[Strands]) -> Strands | None:
    """Of `found`, strands of the patch in the direction whose longest is shortest among those
    where all hold, with its exact span; None if none do, as in a patch with a ring of edges in
    the air, which cuts every strand that meets it."""
    if patch.loose:
        return None
    best: Strands | None = None
    for candidate in found:
        if candidate.held_share >= ALL_HELD and (
            best is None or candidate.span_mm < best.span_mm - 1e-6
        ):
            best = candidate
    return best and strands(patch, best.direction_deg, line_mm, exact=True)


def best_partial(found: list[Strands], limit_mm: float, nearly: float) -> Strands:
    """Of `found`, strands of one patch in each direction, those of which the ones no longer than
    `limit_mm` hold most; of those that hold at least a share `nearly` of that, the shortest."""
    covered = [s.area_within(limit_mm) for s in found]
    longest = [float(s.length[s.held & (s.length <= limit_mm)].max(initial=0.0)) for s in found]
    enough = nearly * max(covered)
    return found[min((k for k, c in enumerate(covered) if c >= enough), key=longest.__getitem__)]
