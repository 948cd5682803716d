"""How many parts stand on a platform, where, and in which order they are pushed off.

**Rows.** Boxes x by y, g apart, on a platform W by D:
⌊(W + g) / (x + g)⌋ · ⌊(D + g) / (y + g)⌋, the boxes turned or not, or some rows of one and the rest
of the other, whichever is more (derived).

**Nested.** By their true outlines: one after the other, each where it lies farthest to the front,
then to the left, that is free in cells of `CELL_MM`, turned by any quarter. Cells count as taken as
soon as an outline, wider by the gap, touches them, so that gaps are never smaller than asked for.
This is no optimum; where it finds room for no more than rows do, rows are taken.

Pushed along a way the parts leave one by one, foremost first. Nested parts may hold each other:
then one that is not the last has others in its way, which is told.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import manifold3d as m3
import numpy as np
from numpy.typing import NDArray

from soffit.layers.stack import offset_of
from soffit.part.model import Floats

# Side of the cells that outlines are compared in, mm (own choice: a fifth of a usual gap).
CELL_MM = 1.0

# Outlines are taken this coarsely, mm (derived: a tenth of a cell over the unions of ten thousand
# layers, two at a time).
COARSE_MM = 0.007

# Most parts on a platform that are looked for (derived: so that it always ends).
MOST = 2000

Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class Spot:
    """Where a part stands: the lowest corner of its box, mm from that of the platform, and by how
    many quarters it is turned."""

    x_mm: float
    y_mm: float
    quarters: int


@dataclass(frozen=True)
class Layout:
    """Parts on a platform, in the order in which they are pushed off along +y; `how`: "rows" or
    "nested"; `held`: those by their place in that order that others, which are still there, hold
    back."""

    how: str
    spots: tuple[Spot, ...]
    held: tuple[int, ...] = ()


def shadow_of(regions: Sequence[m3.CrossSection]) -> m3.CrossSection:
    """What all layers of a part cover together, seen from above. Two by two, each made coarser: the
    edges of hundreds of layers, nearly one over the other, take minutes to be united at once."""
    shapes = [region.simplify(COARSE_MM) for region in regions]
    while len(shapes) > 1:
        shapes = [m3.CrossSection.batch_boolean(shapes[k:k + 2], m3.OpType.Add).simplify(COARSE_MM)
                  for k in range(0, len(shapes), 2)]
    return shapes[0] if shapes else m3.CrossSection()


def layout(
    outline: m3.CrossSection, width_mm: float, depth_mm: float, gap_mm: float
) -> Layout:
    """As many parts with this outline, seen from above, as are found room for; none of nothing."""
    if outline.is_empty():
        return Layout("rows", ())
    x0, y0, x1, y1 = outline.bounds()
    in_rows = rows(x1 - x0, y1 - y0, width_mm, depth_mm, gap_mm)
    placed = nested(outline, width_mm, depth_mm, gap_mm)
    if len(placed) <= len(in_rows):
        # Rows leave row by row.
        return Layout("rows", tuple(sorted(in_rows, key=lambda s: (-s.y_mm, s.x_mm))))
    return _leaving(outline, placed, width_mm, depth_mm)


def rows(
    x_mm: float, y_mm: float, width_mm: float, depth_mm: float, gap_mm: float
) -> list[Spot]:
    """Boxes in rows, the most that there are of one sort or of two blocks."""
    def block(x: float, y: float, quarters: int, depth: float, start: float) -> list[Spot]:
        across, along = _fits(x, width_mm, gap_mm), _fits(y, depth, gap_mm)
        return [Spot(i * (x + gap_mm), start + j * (y + gap_mm), quarters)
                for j in range(along) for i in range(across)]

    best: list[Spot] = []
    for x, y, quarters in ((x_mm, y_mm, 0), (y_mm, x_mm, 1)):
        for count in range(_fits(y, depth_mm, gap_mm) + 1):
            used = count * (y + gap_mm)
            first = block(x, y, quarters, max(0.0, used - gap_mm), 0.0)
            found = [*first, *block(y, x, 1 - quarters, depth_mm - used, used)]
            if len(found) > len(best):
                best = found
    return best[:MOST]


def nested(
    outline: m3.CrossSection, width_mm: float, depth_mm: float, gap_mm: float
) -> list[Spot]:
    """Parts by their outlines, each where there is room next."""
    turned = [_turned(outline, quarters) for quarters in range(4)]
    margin = math.ceil(gap_mm / CELL_MM - 1e-9)
    bare = [_cells(region) for region in turned]
    wide = [_cells(offset_of(region, gap_mm, m3.JoinType.Round) if gap_mm else region, margin)
            for region in turned]
    taken = np.zeros((math.floor(depth_mm / CELL_MM), math.floor(width_mm / CELL_MM)), dtype=bool)
    spots: list[Spot] = []
    while len(spots) < MOST:
        best: tuple[int, int, int] | None = None
        for quarters, mask in enumerate(bare):
            at = _first_free(taken, mask)
            if at is not None and (best is None or at < best[:2]):
                best = (*at, quarters)
        if best is None:
            return spots
        row, column, quarters = best
        spots.append(Spot(column * CELL_MM, row * CELL_MM, quarters))
        _take(taken, wide[quarters], row - margin, column - margin)
    return spots


def _fits(size: float, room: float, gap: float) -> int:
    # Rounding must not lose the last of a row that just fits.
    return max(0, math.floor((room + gap) / (size + gap) + 1e-9))


def _turned(outline: m3.CrossSection, quarters: int) -> m3.CrossSection:
    """An outline turned, with the lowest corner of its box at 0, 0."""
    region = outline.rotate(90.0 * quarters)
    x0, y0, _, _ = region.bounds()
    return region.translate((-x0, -y0))


def _cells(region: m3.CrossSection, margin: int = 0) -> Mask:
    """The cells that a region touches, rows from the front; 0, 0 is so many before the first."""
    away = margin * CELL_MM
    region = region.translate((away, away))
    _, _, x1, y1 = region.bounds()
    columns, lines = (math.ceil(size / CELL_MM - 1e-9) for size in (x1, y1))
    mask = np.zeros((lines, columns), dtype=bool)
    for line in range(lines):
        strip = region ^ m3.CrossSection.square((columns * CELL_MM, CELL_MM)).translate(
            (0.0, line * CELL_MM))
        for piece in [] if strip.is_empty() else strip.decompose():
            low, _, high, _ = piece.bounds()
            mask[line, math.floor(low / CELL_MM + 1e-9):math.ceil(high / CELL_MM - 1e-9)] = True
    return mask


def _first_free(taken: Mask, mask: Mask) -> tuple[int, int] | None:
    """Row and column of the first place for a mask, None where there is none."""
    if mask.shape[0] > taken.shape[0] or mask.shape[1] > taken.shape[1]:
        return None
    # How many cells of the mask meet taken ones, for each place (the correlation theorem; within
    # these rows and columns nothing is wrapped round).
    size = taken.shape
    met = np.fft.irfft2(np.fft.rfft2(taken) * np.conj(np.fft.rfft2(mask, size)), size)
    free = np.argwhere(met[:size[0] - mask.shape[0] + 1, :size[1] - mask.shape[1] + 1] < 0.5)
    return (int(free[0, 0]), int(free[0, 1])) if len(free) else None


def _take(taken: Mask, mask: Mask, row: int, column: int) -> None:
    """Mark the cells of a mask as taken, as far as they are on the platform."""
    top, left = max(0, -row), max(0, -column)
    bottom = min(mask.shape[0], taken.shape[0] - row)
    right = min(mask.shape[1], taken.shape[1] - column)
    taken[row + top:row + bottom, column + left:column + right] |= mask[top:bottom, left:right]


def _leaving(
    outline: m3.CrossSection, spots: list[Spot], width_mm: float, depth_mm: float
) -> Layout:
    """Nested parts, foremost along +y first, and which of them others hold back."""
    masks = [_cells(_turned(outline, quarters)) for quarters in range(4)]
    order = sorted(spots, key=lambda s: (-(s.y_mm + len(masks[s.quarters]) * CELL_MM), s.x_mm))
    shape = (math.floor(depth_mm / CELL_MM), math.floor(width_mm / CELL_MM))
    there = np.zeros(shape, dtype=int)
    for spot in order:
        there += _on(shape, masks[spot.quarters], spot)
    held = []
    for k, spot in enumerate(order):
        mine = _on(shape, masks[spot.quarters], spot)
        there -= mine
        # All cells from its own on to the edge that it is pushed over.
        way: Floats = np.maximum.accumulate(mine, axis=0)
        if (way * there > 0).any():
            held.append(k)
    return Layout("nested", tuple(order), tuple(held))


def _on(shape: tuple[int, ...], mask: Mask, spot: Spot) -> NDArray[np.int64]:
    cells = np.zeros(shape, dtype=bool)
    _take(cells, mask, round(spot.y_mm / CELL_MM), round(spot.x_mm / CELL_MM))
    return cells.astype(np.int64)
