"""How each patch is held: its kind, its reach and run, and the pieces that are judged."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from scipy.ndimage import distance_transform_edt
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components, dijkstra
from scipy.spatial import cKDTree

from tests.pixel_columns import Bools, Floats, Grid, Ints, components
from tests.pixel_held import AIR, Layer, distances
from tests.pixel_strands import HELD_SHARE, LEFT_SHARE, NEARLY, Ceiling, Walks, shortest_span

# A surface of which most is flatter than this is one level ceiling (the product's own definition).
LEVEL_DEG = 2.0

# Share of a strip that is held at both ends from which the rest is judged alone, and of what is
# past its limits that other strands must hold to be preferred (as the product).
MOSTLY = 0.5

# Pixels along which two strips that meet in a corner may seem to lie on each other (derived: what
# borders on either is known to two pixels).
IN_CORNER = 4.5

# A pixel and those that touch it: rows and columns from it.
BESIDE_ONE = [(down, right) for down in (-1, 0, 1) for right in (-1, 0, 1)]

# Stretches of the outline that nothing holds, the longest, from end to end of which strands are
# tried.
ENDS = 4

# Pixels of a patch from which its reach is measured, besides all points of its outline.
INSIDE = 2000


@dataclass(frozen=True)
class Piece:
    """A part of a patch that is held in one way. `measure_mm`: span of a bridge or ceiling,
    reach of all else, compared with `limit_mm`."""

    kind: str
    area_mm2: float
    measure_mm: float
    limit_mm: float

    @property
    def held(self) -> bool:
        """Whether the process holds it; a micrometre over is rounding."""
        return self.measure_mm <= self.limit_mm + 1e-3


@dataclass
class View:
    """What `judge` says: `edge` (k,) indices into the layer's own outline with the run there;
    `held_share`: of the strands in the best direction, 0 where none was asked."""

    reach_mm: float
    run_mm: float
    slope: bool = False
    pieces: list[Piece] = field(default_factory=list)
    edge: Ints = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    edge_run: Floats = field(default_factory=lambda: np.empty(0))
    strips_below: Ints = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    held_share: float = 0.0


def judge(layer: Layer, tag: int, pixels: Ints, step: Floats, angle_deg: float) -> View:
    """Kind, reach, run and pieces of one patch. `step` (n,): how far each pixel steps out;
    `angle_deg`: half of the surface over it is flatter than this, nan where none is too flat."""
    rules, grid = layer.rules, layer.grid
    area = len(pixels) * grid.pixel_mm**2
    anchors, rim = layer.anchors(tag), layer.rim(tag)
    sides = [pixels + move for move in (1, -1, grid.columns, -grid.columns)]
    if not any(layer.holds(at).any() for at in sides):
        return View(math.inf, math.inf, pieces=[Piece("island", area, math.inf, 0.0)])
    if math.isnan(angle_deg):
        strands = _single_strands(layer, tag, pixels, step)
        if strands is not None:
            return View(float(step.max()), 0.0, pieces=strands)
    beside = np.concatenate([0.5 * (grid.centres(pixels[m]) + grid.centres(at[m]))
                             for at in sides for m in [layer.tag[at] == -1]])
    points = np.concatenate([layer.own.points[rim], _inside(layer, pixels)])
    sloped = not math.isnan(angle_deg) and angle_deg >= LEVEL_DEG
    distance, run = distances(layer, anchors, beside, points, rules.step_mm if sloped else 0.0)
    reach, most = float(distance.max()), max(float(run.max()), 0.0)
    tried = directions(layer, anchors, rim, sloped)
    edge_run = run[: len(rim)]
    wide = _width(pixels, grid) >= rules.line_mm
    if sloped:
        row, column = np.divmod(pixels, grid.columns)
        best, share = shortest_span(layer.look(tag), row, column, grid.pixel_mm, rules.line_mm,
                                    tried, wide)
        held_round = math.isfinite(best) and len(rim) <= 0.01 * len(anchors)
        if held_round or best <= rules.bridge_mm + 1e-3:
            pieces = [Piece("bridge", area, best, rules.bridge_mm)]
            return View(reach, most, pieces=pieces, held_share=share)
        walks = [Walks(layer.look(tag), row, column, turn, grid.pixel_mm, rules.line_mm,
                       wide) for turn in tried]
        most_held = max(w.length_held(rules.bridge_mm) for w in walks) * grid.pixel_mm**2
        if most_held >= MOSTLY * area:
            over = _crown(layer, Ceiling(layer, tag, pixels, wide), tried, anchors, beside, area)
            if over:
                return View(reach, most, pieces=over, held_share=share)
        return View(reach, most, True, [], rim, edge_run, _strips_under(layer, anchors), share)
    view = _level(layer, Ceiling(layer, tag, pixels, wide), tried,
                  Around(anchors, beside, rim, tried), reach, most, area)
    view.edge_run = edge_run[np.isin(rim, view.edge)]
    return view


def _strips_under(layer: Layer, anchors: Ints) -> Ints:
    """The strips of slopes that a strip lies on, by the points that hold it; what meets it in a
    corner only is none of them."""
    below = layer.under.strip[anchors]
    near = IN_CORNER * layer.grid.pixel_mm
    found = []
    for strip in np.unique(below[below >= 0]).tolist():
        tree = cKDTree(layer.under.points[anchors[below == strip]])
        close, beyond = tree.count_neighbors(tree, [near, 2.0 * near])
        if beyond > close:
            found.append(strip)
    return np.array(found, dtype=np.int64)


def _crown(layer: Layer, ceiling: Ceiling, tried: list[float], anchors: Ints, beside: Floats,
           area: float) -> list[Piece]:
    """Pieces of a strip of a slope most of which is held at both ends; none if it is not."""
    rules = layer.rules
    spanned, left = ([], []) if ceiling.loose else ceiling.cover(tried)
    if not spanned or sum(size for size, *_ in spanned) < MOSTLY * area:
        return []
    pieces = [Piece("bridge", size, span, rules.bridge_mm) for size, span, _ in spanned]
    beads = ceiling.points(np.any([m for *_, m in spanned], axis=0))
    for part in left:
        far, gathered = ceiling.reach(part, layer, anchors, beside, beads)
        free = rules.step_mm if far > rules.lip_mm + 1e-3 else 0.0
        pieces.append(Piece("slope", ceiling.area(part), gathered - free, rules.lip_mm))
    return pieces


@dataclass(frozen=True)
class Around:
    """What lies round a patch: points of the outline below that hold it, points (n, 2) beside
    which its own layer does, points of the layer's own outline, and the directions tried."""

    anchors: Ints
    beside: Floats
    rim: Ints
    tried: list[float]


def _level(layer: Layer, ceiling: Ceiling, tried: list[float], about: Around, reach: float,
           most: float, area: float) -> View:
    """A level patch: spanned as a whole, or piece by piece, or a ledge."""
    rules = layer.rules
    ledge = Piece("ledge", area, most, rules.lip_mm)
    best, held_share = ceiling.span(tried)
    spans = math.isfinite(best)
    if best <= rules.bridge_mm + 1e-3:
        return View(reach, most, pieces=[Piece("bridge", area, best, rules.bridge_mm)],
                    held_share=held_share)
    if spans and reach <= rules.lip_mm + 1e-3:
        return View(reach, most, pieces=[ledge], edge=about.rim, held_share=held_share)
    if spans or reach > rules.lip_mm + 1e-3:
        # The shortest strands first, and where they do not hold it those that cover most.
        share = 1.0 - HELD_SHARE if spans else LEFT_SHARE if ceiling.pierced else 1.0
        tries = []
        for nearly in (NEARLY, 1.0):
            tries.append(_by_piece(layer, ceiling, ceiling.cover(tried, nearly), about, spans))
            if tries[-1].past_mm2 == 0.0:
                break
        found = tries[-1] if tries[-1].past_mm2 <= MOSTLY * tries[0].past_mm2 else tries[0]
        if found.over and found.open_mm2 <= share * area:
            return View(reach, most, pieces=found.over, edge=about.rim[found.edge],
                        held_share=held_share)
    if spans:
        return View(reach, most, pieces=[Piece("bridge", area, best, rules.bridge_mm)],
                    held_share=held_share)
    if ceiling.pierced:
        return View(reach, most, pieces=[Piece("pierced", area, reach, rules.lip_mm)],
                    held_share=held_share)
    return View(reach, most, pieces=[ledge], edge=about.rim, held_share=held_share)


@dataclass(frozen=True)
class Pieces:
    """A level patch piece by piece: `over` as judged, none where nothing is spanned; `open_mm2`
    counts against what may be left, `past_mm2` is past its limit; `edge`: of the rim, beside what
    is a ledge."""

    over: list[Piece]
    open_mm2: float
    past_mm2: float
    edge: Bools


def _by_piece(layer: Layer, ceiling: Ceiling, cover: tuple[list[tuple[float, float, Bools]],
              list[Bools]], about: Around, spans: bool) -> Pieces:
    """What strands cover and what is left beside."""
    rules, (spanned, left) = layer.rules, cover
    over = [Piece("bridge", size, span, rules.bridge_mm) for size, span, _ in spanned]
    edge, open_mm2, past_mm2 = np.zeros(len(about.rim), dtype=bool), 0.0, 0.0
    beads = ceiling.points(np.any([m for *_, m in spanned], axis=0)) if spanned else None
    for part in left if spanned else []:
        alone, _ = ceiling.span(about.tried, part)
        size = ceiling.area(part)
        if math.isfinite(alone):
            over.append(Piece("bridge", size, alone, rules.bridge_mm))
            past = size if alone > rules.bridge_mm + 1e-3 else 0.0
            open_mm2, past_mm2 = open_mm2 + past, past_mm2 + past
            continue
        far, gathered = ceiling.reach(part, layer, about.anchors, about.beside, beads)
        past_mm2 += size if far > rules.lip_mm + 1e-3 else 0.0
        open_mm2 += size if spans or far > rules.lip_mm + 1e-3 else 0.0
        if ceiling.pierced and ceiling.at_hole(part):
            over.append(Piece("pierced", size, far, rules.lip_mm))
        else:
            over.append(Piece("ledge", size, gathered, rules.lip_mm))
            edge |= ceiling.near(part, layer.own.points[about.rim])
    return Pieces(over if spanned else [], open_mm2, past_mm2, edge)


def _single_strands(layer: Layer, tag: int, pixels: Ints, step: Floats) -> list[Piece] | None:
    """Pieces of a patch under no flat facet, as where steep faces meet in a flatter edge. None
    where a part of it must be judged as a ledge.

    A part past the step that is no wider than a line is one strand if its ends are held; a
    part narrower than half a line is none; another must not reach past the lip.
    """
    rules, grid = layer.rules, layer.grid
    beyond = np.flatnonzero(step > rules.step_mm)
    count, which = components(pixels[beyond], grid.columns)
    pieces = []
    for k in range(count):
        part = pixels[beyond[which == k]]
        far = float(step[beyond[which == k]].max())
        width = _width(part, grid)
        span = _strand(layer, tag, part) if width <= rules.line_mm + grid.pixel_mm else math.inf
        if span <= rules.bridge_mm + 1e-3 or (math.isfinite(span) and far > rules.lip_mm):
            pieces.append(Piece("bridge", len(part) * grid.pixel_mm**2, span, rules.bridge_mm))
        elif width >= 0.5 * rules.line_mm and far > rules.lip_mm:
            return None
    return pieces


def _strand(layer: Layer, tag: int, part: Ints) -> float:
    """Length of a narrow piece whose two tips meet what the layer below holds; inf if not."""
    grid = layer.grid
    row, column = np.divmod(part, grid.columns)
    points = np.stack([row, column], axis=1).astype(float)
    if len(points) < 3:
        return math.inf
    away = points - points.mean(axis=0)
    main = np.linalg.svd(away, full_matrices=False)[2][0]
    along, across = away @ main, away @ np.array([-main[1], main[0]])
    length = float(np.ptp(along)) * grid.pixel_mm
    if float(np.ptp(across)) * grid.pixel_mm > layer.rules.line_mm or length == 0.0:
        return math.inf
    look = layer.look(tag)
    ends = 0
    for sign in (1, -1):
        tip = points[np.argmax(sign * along)]
        # What lies between it and the layer below is held: a step, and a pixel for the tip.
        steps = np.arange(layer.rules.step_mm / grid.pixel_mm + 2)
        ahead = np.rint(tip + sign * steps[:, None] * main).astype(np.int64)
        # The tip lies on the outline, and the way ahead may run along it.
        clear = np.ones(len(ahead), dtype=bool)
        for down, right in BESIDE_ONE:
            clear &= look(ahead[:, 0] + down, ahead[:, 1] + right) == AIR
        ends += not clear.any()
    return length if ends == 2 else math.inf


def _width(pixels: Ints, grid: Grid) -> float:
    """Width of some pixels where they are widest, mm."""
    picture, _ = _window(pixels, grid)
    return 2 * float(distance_transform_edt(picture).max()) * grid.pixel_mm


def _window(pixels: Ints, grid: Grid) -> tuple[Bools, tuple[int, int]]:
    """A picture of some pixels with an empty one all round, and its first row and column."""
    row, column = np.divmod(pixels, grid.columns)
    r0, c0 = int(row.min()) - 1, int(column.min()) - 1
    picture = np.zeros((int(row.max()) - r0 + 2, int(column.max()) - c0 + 2), dtype=bool)
    picture[row - r0, column - c0] = True
    return picture, (r0, c0)


def _inside(layer: Layer, pixels: Ints) -> Floats:
    """Centres of an even choice of pixels, (n, 2) mm."""
    return layer.grid.centres(pixels[:: max(1, len(pixels) // INSIDE)])


def directions(layer: Layer, anchors: Ints, rim: Ints, sloped: bool) -> list[float]:
    """Directions to try, radians: along and across the straight edges of a patch, and all round.
    A strip of a slope is long and narrow: only its own edges count."""
    ways = []
    for outline, points in ((layer.under, anchors), (layer.own, rim)):
        segment = outline.segments[outline.segment[points]]
        along = segment[:, 1] - segment[:, 0]
        ways.append(np.degrees(np.arctan2(along[:, 1], along[:, 0])) % 180.0)
    way = np.concatenate(ways)
    if not len(way):
        return [math.pi / 24 * k for k in range(24)]
    histogram = np.bincount(way.astype(np.int64) % 180, minlength=180)
    tried: list[float] = []
    for peak in np.argsort(-histogram, kind="stable")[: 2 if sloped else 4].tolist():
        if histogram[peak]:
            mean = float(np.median(way[way.astype(np.int64) == peak]))
            tried += [mean, mean + 90.0]
    if not sloped:
        tried += [tried[0] + 7.5 * k for k in range(1, 24)]
        tried += _end_to_end(layer, rim)
    return [math.radians(t) for t in tried]


def _end_to_end(layer: Layer, rim: Ints) -> list[float]:
    """Directions from end to end of the longest stretches of the outline that nothing holds,
    degrees."""
    points, near = layer.own.points[rim], 2.0 * layer.grid.pixel_mm
    pairs = cKDTree(points).query_pairs(near, output_type="ndarray")
    size = np.linalg.norm(points[pairs[:, 0]] - points[pairs[:, 1]], axis=1) + 1e-9
    graph = coo_matrix((size, (pairs[:, 0], pairs[:, 1])), (len(points),) * 2).tocsr()
    _, which = connected_components(graph, directed=False)
    ways = []
    for stretch in np.unique(which):
        mine = np.flatnonzero(which == stretch)
        # The farthest from any point along a line is one end of it, the farthest from there the
        # other.
        end = mine[:1]
        for _ in range(2):
            far = dijkstra(graph, directed=False, indices=end[0])[mine]
            start, end = end, mine[[int(far.argmax())]]
        ways.append(points[end[0]] - points[start[0]])
    ways.sort(key=lambda way: -float(np.linalg.norm(way)))
    return [math.degrees(math.atan2(way[1], way[0])) for way in ways[:ENDS]]
