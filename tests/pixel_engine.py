"""A brute-force referee: the part as columns of pixels, judged layer by layer.

It shares nothing with the layer engine of the product: no cutting of triangles by planes, no
polygons, no offsets. A vertical ray runs through every pixel centre; its crossings with the
triangles say between which heights the column is solid; a layer is what is solid at its
middle height; what prints over air is found by distances between pixels.

Resolution, for a pixel of side p (derived):

* the edge of a region is known to p/2 in each of the two axes, so an area is wrong by at most
  about p/2 times the length of its outline; grid phase makes it much less on oblique edges;
* a distance to the layer below is wrong by at most p: half a pixel for the edge of that layer,
  half for the last pixel centre within the layer above; half a pixel is added to it for the
  part of that pixel beyond its centre. A step of exactly the allowed width is never called
  over air: a pixel is added to what is allowed. So a step that exceeds the allowed one by
  less than two pixels can be missed, a larger one cannot.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import (
    binary_dilation,
    binary_fill_holes,
    find_objects,
    label,
    rotate,
)
from scipy.spatial import cKDTree

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

EIGHT = np.ones((3, 3), dtype=bool)

# Pixel centres are shifted by an odd fraction of a pixel so that none lies on an edge of a
# part drawn in round numbers (any such fraction does).
PHASE = (0.3819660, 0.2360679)


@dataclass(frozen=True)
class PixelPatch:
    """One connected region that a layer adds and that is too far from the layer below.

    `layer` counts from 0, `z_mm` is its lower side. `reach_mm`: greatest distance from the
    patch to the layer below, inf where there is none. `touches`: the layer's
    component that holds the patch rests on the layer below. `held_all_round`: its outer
    outline lies on the layer below everywhere. `run_mm`: reach added up over the patches of
    consecutive layers that this one is printed upon. `centre_mm`: a plan point (mean).
    `span_mm`: the longest strand over what lies past the allowed step, in the best of twelve
    directions in which all of these strands end on what is held, plus that step at both ends;
    inf where there is none, and not looked for (nan) where neither reach nor run exceed
    `span_from_mm`. `past_mm2`: area of what lies past the allowed step, but for single
    strands (see `_strands`).
    """

    layer: int
    z_mm: float
    area_mm2: float
    reach_mm: float
    touches: bool
    held_all_round: bool
    run_mm: float
    centre_mm: tuple[float, float]
    span_mm: float
    past_mm2: float


@dataclass(frozen=True)
class Grid:
    """Pixel centres: x = x0 + column·p, y = y0 + row·p."""

    x0: float
    y0: float
    rows: int
    columns: int
    pixel_mm: float


def grid_over(vertices: Floats, pixel_mm: float) -> Grid:
    """Grid over the part with two empty pixels all round."""
    low, high = vertices[:, :2].min(axis=0), vertices[:, :2].max(axis=0)
    columns, rows = (np.ceil((high - low) / pixel_mm) + 5).astype(int).tolist()
    start = low + (np.array(PHASE) - 2.5) * pixel_mm
    return Grid(float(start[0]), float(start[1]), rows, columns, pixel_mm)


def crossings(vertices: Floats, triangles: Ints, grid: Grid) -> tuple[Ints, Floats, Ints]:
    """Where vertical rays through the pixel centres meet the triangles.

    Returns flat pixel index, height and sign of each crossing: +1 going into the material
    upwards, -1 out of it. A ray through an edge is given to one of its two triangles only:
    both see the same edge function, evaluated from the same end.
    """
    pixels: list[Ints] = []
    heights: list[Floats] = []
    signs: list[Ints] = []
    p = grid.pixel_mm
    for a, b, c in triangles.tolist():
        corner = vertices[[a, b, c]]
        (ax, ay, _), (bx, by, _), (cx, cy, _) = corner.tolist()
        twice = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
        if twice == 0.0:
            continue
        low, high = corner[:, :2].min(axis=0), corner[:, :2].max(axis=0)
        c0, r0 = np.ceil((low - (grid.x0, grid.y0)) / p).astype(int).tolist()
        c1, r1 = np.floor((high - (grid.x0, grid.y0)) / p).astype(int).tolist()
        if c1 < c0 or r1 < r0:
            continue
        x = grid.x0 + p * np.arange(c0, c1 + 1)[None, :]
        y = grid.y0 + p * np.arange(r0, r1 + 1)[:, None]
        turn = 1.0 if twice > 0 else -1.0
        weights = []
        inside = np.ones((r1 - r0 + 1, c1 - c0 + 1), dtype=bool)
        for u, v in ((b, c), (c, a), (a, b)):
            flip = 1.0 if u < v else -1.0
            (ux, uy, _), (vx, vy, _) = vertices[min(u, v)].tolist(), vertices[max(u, v)].tolist()
            side = flip * ((vx - ux) * (y - uy) - (vy - uy) * (x - ux))
            inside &= side * turn > 0
            weights.append(side / twice)
        rows, columns = np.nonzero(inside)
        if len(rows) == 0:
            continue
        z = sum(w[rows, columns] * corner[k, 2] for k, w in enumerate(weights))
        pixels.append((rows + r0) * grid.columns + columns + c0)
        heights.append(np.asarray(z))
        signs.append(np.full(len(rows), -1 if twice > 0 else 1))
    if not pixels:
        return np.empty(0, np.int64), np.empty(0), np.empty(0, np.int64)
    return np.concatenate(pixels), np.concatenate(heights), np.concatenate(signs)


def _outline(region: Bools, grid: Grid) -> Floats:
    """Middles of the pixel sides between a region and what is outside it, (n, 2) mm."""
    points = []
    rows, columns = np.nonzero(region[:, 1:] != region[:, :-1])
    points.append(np.stack([columns + 0.5, rows], axis=1))
    rows, columns = np.nonzero(region[1:] != region[:-1])
    points.append(np.stack([columns, rows + 0.5], axis=1))
    return np.concatenate(points) * grid.pixel_mm


def over_air(
    vertices: Floats,
    triangles: Ints,
    *,
    layer_mm: float,
    first_layer_mm: float,
    step_mm: float,
    pixel_mm: float,
    span_from_mm: float = np.inf,
    line_mm: float = 0.0,
) -> list[PixelPatch]:
    """All patches of a closed mesh that print over air, lowest first.

    `vertices` (n, 3) mm with the platform at z = 0, `triangles` (m, 3) counter-clockwise from
    outside, `step_mm` how far a layer may step out past the one below, slack included.
    Layers as the trade counts them: the first from 0 to `first_layer_mm`, then one every
    `layer_mm`, each judged at its middle.
    """
    top = float(vertices[:, 2].max())
    count = 1 + max(0, int(np.floor((top - first_layer_mm) / layer_mm + 0.5 - 1e-9)))
    bottoms = np.concatenate([[0.0], first_layer_mm + layer_mm * np.arange(count - 1)])
    middles = bottoms + 0.5 * np.concatenate([[first_layer_mm], np.full(count - 1, layer_mm)])
    grid = grid_over(vertices, pixel_mm)
    pixel, height, sign = crossings(vertices, triangles, grid)
    starts = np.searchsorted(middles, height)
    order = np.argsort(starts, kind="stable")
    pixel, sign, starts = pixel[order], sign[order], starts[order]
    ends = np.searchsorted(starts, np.arange(count + 1))

    winding = np.zeros(grid.rows * grid.columns, dtype=np.int16)
    below = np.zeros((grid.rows, grid.columns), dtype=bool)
    runs = np.zeros((grid.rows, grid.columns))
    patches: list[PixelPatch] = []
    for i in range(count):
        chosen = slice(ends[i], ends[i + 1])
        np.add.at(winding, pixel[chosen], sign[chosen])
        region = (winding > 0).reshape(grid.rows, grid.columns)
        if i > 0:
            fresh = region & ~below
            runs_here = np.zeros_like(runs)
            if fresh.any():
                found = _judge(fresh, region, below, runs, runs_here, step_mm, span_from_mm,
                               line_mm, grid)
                patches += [PixelPatch(i, float(bottoms[i]), *rest) for rest in found]
            runs = runs_here
        below = region
    return patches


def _judge(
    fresh: Bools, region: Bools, below: Bools, runs: Floats, runs_here: Floats,
    step_mm: float, span_from_mm: float, line_mm: float, grid: Grid,
) -> list[tuple[float, float, bool, bool, float, tuple[float, float], float, float]]:
    p = grid.pixel_mm
    rows, columns = np.nonzero(fresh)
    here = np.stack([columns, rows], axis=1) * p
    if below.any():
        distance = cKDTree(_outline(below, grid)).query(here)[0]
    else:
        distance = np.full(len(rows), np.inf)
    far = np.zeros(fresh.shape)
    far[rows, columns] = distance
    bodies, _ = label(region, structure=EIGHT)
    resting = np.zeros(int(bodies.max()) + 1, dtype=bool)
    resting[np.unique(bodies[below & region])] = True
    parts, _ = label(fresh, structure=EIGHT)
    found = []
    for index, window in enumerate(find_objects(parts), start=1):
        patch = parts[window] == index
        reach = float(far[window][patch].max()) + 0.5 * p
        if reach <= step_mm + p:
            continue
        y, x = (slice(max(0, s.start - 2), s.stop + 2) for s in window)
        wide = parts[y, x] == index
        filled = binary_fill_holes(wide)
        rim = binary_dilation(filled) & ~filled
        carried = binary_dilation(wide, structure=EIGHT) & (runs[y, x] > 0)
        run = reach + (float(runs[y, x][carried].max()) if carried.any() else 0.0)
        runs_here[y, x][wide] = run
        row, column = (float(v.mean()) for v in np.nonzero(wide))
        centre = (grid.x0 + (x.start + column) * p, grid.y0 + (y.start + row) * p)
        touches = bool(resting[bodies[window][patch]].any())
        span = float("nan")
        past, strand = _strands(wide & (far[y, x] > step_mm), far[y, x], below[y, x],
                                step_mm, line_mm, p)
        if past.any() and max(reach, run - step_mm) > span_from_mm:
            span = _span(past, below[y, x] | (wide & ~past), p) + 2 * step_mm
        elif strand > 0:
            span = strand
        found.append((float(wide.sum()) * p * p, reach, touches,
                      bool(below[y, x][rim].all()), run, centre, span,
                      float(past.sum()) * p * p))
    return found


# Share of the length of all strands that must hold, and pixels by which the end of one may
# miss the layer below once the picture is turned (derived: rounding to the turned grid).
HELD_SHARE = 0.97
MISS = 2

# Pixels ahead of a strand's tip that are looked at: past the allowed step of two (derived).
AHEAD = 5


def _strands(past: Bools, far: Floats, below: Bools, step_mm: float, line_mm: float,
             pixel_mm: float) -> tuple[Bools, float]:
    """What lies past the step without its single strands, and the longest of these, mm.

    A strand is a piece no wider than a line whose two ends rest on the layer below. A tip
    narrower than half a line and no longer than three is left out: no bead is laid on it.
    Both reach further than a strip of a slope does, here two steps.
    """
    left = past.copy()
    longest = 0.0
    pieces, count = label(past, structure=EIGHT)
    near = np.pad(binary_dilation(below, structure=EIGHT, iterations=MISS), AHEAD)
    for k in range(1, count + 1):
        points = np.argwhere(pieces == k)
        if far[pieces == k].max() <= 2 * step_mm or len(points) < 2:
            continue
        away = points - points.mean(axis=0)
        main = np.linalg.svd(away, full_matrices=False)[2][0]
        along = away @ main
        length = (np.ptp(along) + 1) * pixel_mm
        width = (np.ptp(away @ [-main[1], main[0]]) + 1) * pixel_mm
        rests = True
        for tip, way in ((points[np.argmin(along)], -main), (points[np.argmax(along)], main)):
            ahead = np.round(tip + np.arange(1, AHEAD)[:, None] * way).astype(int) + AHEAD
            rests = rests and bool(near[ahead[:, 0], ahead[:, 1]].any())
        if width <= line_mm + pixel_mm and rests:
            longest = max(longest, float(length))
            left[pieces == k] = False
        elif width <= 0.5 * line_mm + pixel_mm and length <= 3 * line_mm:
            left[pieces == k] = False
    return left, longest


def _span(patch: Bools, below: Bools, pixel_mm: float) -> float:
    best = np.inf
    for degrees in range(0, 180, 15):
        strand = _turned(patch, degrees)
        support = _turned(below, degrees)
        near = binary_dilation(support, structure=np.ones((1, 3), dtype=bool), iterations=MISS)
        wide = np.pad(strand, ((0, 0), (1, 1))).astype(np.int8)
        rows, starts = np.nonzero(np.diff(wide, axis=1) == 1)
        _, ends = np.nonzero(np.diff(wide, axis=1) == -1)
        length = ends - starts
        held = near[rows, starts] & near[rows, ends - 1]
        if held.any() and length[held].sum() >= HELD_SHARE * length.sum():
            best = min(best, float(length[held].max()) * pixel_mm)
    return best


def _turned(picture: Bools, degrees: float) -> Bools:
    if degrees == 0:
        return picture
    return np.asarray(rotate(picture.astype(np.uint8), degrees, order=0) > 0)
