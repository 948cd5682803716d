"""A brute-force referee: the part as columns of pixels, judged layer by layer.

It shares nothing with the layer engine of the product: no cutting of solids by planes, no
polygons, no offsets. It follows the same rule (docs/decisions/0010-cut-and-run.md) by pixels and
by distances between points. Only pixels that change from one layer to the next are looked at, so
that the cost is that of the surface and not of layers times area.

Resolution, for a pixel of side p (derived): areas are sums of p²; the part is turned by an odd
angle, so the error of an area is that of a random count along its outline, about p times the
square root of p times its length. Distances are taken between points of the outlines, half a
pixel apart, and their segments: they are good to p²/32 over the distance. Where a patch ends
within a layer it is good to half a pixel.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from scipy.spatial import cKDTree

from tests.pixel_columns import (
    ABOVE_MM,
    Bools,
    Floats,
    Grid,
    Ints,
    Outline,
    Sections,
    around,
    components,
    crossings,
    grid_over,
    turned,
)
from tests.pixel_held import LEDGE, NOTHING, Layer
from tests.pixel_kinds import Piece, judge

# A step longer than the one allowed by no more than this is rounding, mm (derived: a micrometre,
# far below what a nozzle does).
ROUNDING_MM = 1e-3

# How far from what tells that it is no tessellation a core reaches, steps (as the product).
NEAR_STEPS = 2.0


@dataclass(frozen=True)
class Rules:
    """What a process can print over air, and what of a step may be tessellation."""

    layer_mm: float
    first_layer_mm: float
    step_mm: float
    slack_mm: float
    line_mm: float
    lip_mm: float = math.inf
    bridge_mm: float = math.inf

    @property
    def smallest_mm2(self) -> float:
        """A patch smaller than this is not printed: a quarter of a line's width squared."""
        return 0.25 * self.line_mm**2


@dataclass
class PixelPatch:
    """What one layer adds, in one piece, too far from the layer below.

    `layer` counts from 0, `z_mm` is its lower side, `pixels` are sorted flat indices. `step_mm`:
    how far it steps out at most. `flat_deg`: least downskin angle of the facets over what steps
    too far, inf if none is too flat. `angle_deg`: mean of the flat facets over it, nan if none.
    `reach_mm`: greatest distance from what holds it, inf where nothing does; `run_mm`: that with
    the run gathered below it. `pieces`: how it is held and judged. `slope`: number of the slope
    that it belongs to, -1 if none. `held_share`: of its strands in the best direction.
    """

    layer: int
    z_mm: float
    area_mm2: float
    pixels: Ints
    centre_mm: tuple[float, float]
    step_mm: float
    flat_deg: float
    angle_deg: float
    reach_mm: float
    run_mm: float
    pieces: list[Piece] = field(default_factory=list)
    slope: int = -1
    held_share: float = 0.0


@dataclass(frozen=True)
class Near:
    """What stepped out about as far as is allowed and is no patch: why."""

    layer: int
    pixels: Ints
    step_mm: float
    flat_deg: float


@dataclass(frozen=True)
class Judged:
    """All patches, lowest first, and near misses, on `grid`. `runs_mm`: of each slope."""

    grid: Grid
    patches: list[PixelPatch]
    near: list[Near]
    runs_mm: dict[int, float]
    lip_mm: float

    @property
    def too_far_mm2(self) -> float:
        """Area of everything that steps too far."""
        return math.fsum(p.area_mm2 for p in self.patches)

    @property
    def over_air_mm2(self) -> float:
        """Area of what the process cannot hold."""
        return math.fsum(self.bad_mm2(p) for p in self.patches)

    def bad_mm2(self, patch: PixelPatch) -> float:
        """Area of the pieces of one patch that the process cannot hold."""
        if patch.slope >= 0:
            return patch.area_mm2 if self.runs_too_far(patch.slope) else 0.0
        return math.fsum(q.area_mm2 for q in patch.pieces if not q.held)

    def runs_too_far(self, slope: int) -> bool:
        """Whether the run of a slope is more than the lip: by more than is known of where its
        strips end, half a pixel."""
        return self.runs_mm[slope] > self.lip_mm + max(0.5 * self.grid.pixel_mm, ROUNDING_MM)


def heights_of(top_mm: float, rules: Rules) -> tuple[Floats, Floats]:
    """Lower side and middle of each layer: the first, then one every `layer_mm`; a last one of
    less than half a layer is not printed."""
    h, first = rules.layer_mm, rules.first_layer_mm
    count = 1 + max(0, math.floor((top_mm - first) / h + 0.5 - 1e-9))
    bottoms = np.concatenate([[0.0], first + h * np.arange(count - 1)])
    thick = np.concatenate([[first], np.full(count - 1, h)])
    return bottoms, bottoms + 0.5 * thick


def over_air(
    vertices: Floats,
    triangles: Ints,
    rules: Rules,
    pixel_mm: float,
    downskin_deg: Floats | None = None,
    flat: Bools | None = None,
) -> Judged:
    """All patches of a closed mesh that print over air.

    `vertices` (n, 3) mm with the platform at z = 0, `triangles` (m, 3) counter-clockwise from
    outside. `downskin_deg` (m,): angle of each facet from the platform, `flat` (m,): whether it
    is too flat whatever the steps say; without them only steps count.
    """
    return _Engine(vertices, triangles, rules, pixel_mm, downskin_deg, flat).run()


class _Engine:
    def __init__(self, vertices: Floats, triangles: Ints, rules: Rules, pixel_mm: float,
                 downskin_deg: Floats | None, flat: Bools | None) -> None:
        self.rules = rules
        self.bottoms, middles = heights_of(float(vertices[triangles.ravel(), 2].max()), rules)
        at = np.concatenate([turned(vertices[:, :2]), vertices[:, 2:]], axis=1)
        self.grid = grid_over(at[np.unique(triangles), :2], pixel_mm, 2 * rules.step_mm)
        self.spans = crossings(at, triangles, self.grid, middles + ABOVE_MM)
        self.sections = Sections(at, triangles, middles + ABOVE_MM)
        # A level facet that the steps alone would judge has no angle that counts.
        self.angle = np.full(len(triangles), np.inf)
        if downskin_deg is not None and flat is not None:
            self.angle = np.where(flat, downskin_deg, np.inf)
        self.downskin = self.angle if downskin_deg is None else downskin_deg
        size = self.grid.rows * self.grid.columns
        self.winding = np.zeros(size, dtype=np.int16)
        self.below = np.zeros(size, dtype=bool)
        self.region = np.zeros(size, dtype=bool)
        self.slot = np.full(size, -1, dtype=np.int32)
        self.tag = np.zeros(size, dtype=np.int32)
        self.outlines: dict[int, Outline] = {}
        self.patches: list[PixelPatch] = []
        self.near: list[Near] = []
        self.group: list[int] = []
        self.runs: list[float] = []
        # A point of the outline lies up to two pixels farther out than the pixel it belongs to.
        radius = (rules.step_mm - 2 * pixel_mm) / pixel_mm
        turns = np.arange(16) * 5 % 16 * (math.pi / 8)
        wheel = np.stack([np.cos(turns), np.sin(turns)], axis=1)
        wheel = np.concatenate([wheel * max(radius, 0.0) * f for f in (1.0, 0.6)])
        steps = np.trunc(wheel).astype(np.int64)
        self.wheel = steps[:, 1] * self.grid.columns + steps[:, 0] if radius >= 1 else []

    def run(self) -> Judged:
        for i in range(len(self.bottoms)):
            pixel, sign, triangle = self.spans.of_layer(i)
            if not len(pixel):
                self.outlines = {}
                continue
            was = self.below[pixel]
            np.add.at(self.winding, pixel, sign)
            now = self.winding[pixel] > 0
            self.region[pixel] = now
            if i > 0:
                changed = now & ~was
                if changed.any():
                    entering = changed & (sign > 0)
                    self._layer(i, pixel[changed], pixel[entering], triangle[entering])
            self.below[pixel] = now
            self.outlines = {k: v for k, v in self.outlines.items() if k == i}
        roots = {k: self._root(k) for k in range(len(self.group))}
        runs: dict[int, float] = {}
        for k, root in roots.items():
            runs[root] = max(runs.get(root, 0.0), self.runs[k])
        for patch in self.patches:
            if patch.slope >= 0:
                patch.slope = roots[patch.slope]
        return Judged(self.grid, self.patches, self.near, runs, self.rules.lip_mm)

    def _outline(self, k: int, solid: Bools) -> Outline:
        if k not in self.outlines:
            made = Outline(*self.sections.of_layer(k), self.grid, solid)
            made.run = np.zeros(len(made.points))
            made.strip = np.full(len(made.points), NOTHING, dtype=np.int64)
            self.outlines[k] = made
        return self.outlines[k]

    def _layer(self, i: int, changed: Ints, entered: Ints, triangle: Ints) -> None:
        """Judge what layer i adds."""
        fresh = np.sort(changed)
        fresh = fresh[np.diff(fresh, prepend=-1) > 0]
        doubtful = np.arange(len(fresh))
        for offset in self.wheel:
            doubtful = doubtful[~self.below[fresh[doubtful] + offset]]
            if not len(doubtful):
                return
        rules, grid = self.rules, self.grid
        allowed = rules.step_mm + ROUNDING_MM
        under, own = self._outline(i - 1, self.below), self._outline(i, self.region)
        far = max(rules.step_mm + 3 * grid.pixel_mm, 2 * rules.step_mm)
        self.slot[fresh] = np.arange(len(fresh))
        step = np.zeros(len(fresh))
        step[doubtful], foot = under.steps(grid.centres(fresh[doubtful]), far)
        # The edge of the layer itself lies farther out than the last pixel centre.
        member = self._member(own.pixel)
        some = np.zeros(len(fresh), dtype=bool)
        some[doubtful] = True
        edge = np.flatnonzero((member >= 0) & some[member])
        edge_step, edge_foot = under.steps(own.points[edge], far)
        beyond = step > allowed
        edge_beyond = edge_step > allowed
        out = edge[edge_beyond]
        core = beyond.copy()
        core[member[out]] = True
        worst = step.copy()
        np.maximum.at(worst, member[edge], edge_step)
        if core.any():
            steep = np.full(len(fresh), np.inf)
            np.minimum.at(steep, self.slot[entered], self.angle[triangle])
            lean = np.full(len(fresh), np.inf)
            np.minimum.at(lean, self.slot[entered], self.downskin[triangle])
            # Pixels along an outline need not touch each other; those around its points do.
            linked = core.copy()
            for at in around(own.pixel[out], grid.columns):
                slot = self.slot[at]
                linked[slot[slot >= 0]] = True
            chosen = self._cores(i, fresh, core, linked, worst, steep, lean)
            if chosen.any():
                in_core = np.zeros(len(fresh), dtype=bool)
                in_core[doubtful] = beyond[doubtful]
                rim = _limit(grid.centres(fresh[doubtful]), foot, step[doubtful], rules.step_mm)
                rim = rim[chosen[doubtful] & np.isfinite(step[doubtful]) & beyond[doubtful]]
                edge_rim = _limit(own.points[out], edge_foot[edge_beyond],
                                  edge_step[edge_beyond], rules.step_mm)
                edge_rim = edge_rim[chosen[member[out]] & np.isfinite(edge_step[edge_beyond])]
                seeds = np.concatenate([rim, edge_rim, grid.centres(fresh[chosen])])
                self._grow(i, fresh, chosen, seeds, worst, steep, under, own)
        self.slot[fresh] = -1

    def _member(self, pixel: Ints) -> Ints:
        """The fresh pixel at or beside each point of an outline, -1 if none."""
        member = np.full(len(pixel), -1, dtype=np.int64)
        for at in around(pixel, self.grid.columns):
            left = member < 0
            member[left] = self.slot[at[left]]
        return member

    def _cores(self, i: int, fresh: Ints, core: Bools, linked: Bools, worst: Floats,
               steep: Floats, lean: Floats) -> Bools:
        """Which fresh pixels belong to a core that counts; `linked` join pixels of one core."""
        at = np.flatnonzero(core)
        count, label = components(fresh[linked], self.grid.columns)
        label = label[core[linked]]
        most = np.full(count, -np.inf)
        np.maximum.at(most, label, worst[at])
        # The facet may lie under what of the strip is held, within a step of the core.
        counts = most > self.rules.step_mm + self.rules.slack_mm
        flat = np.flatnonzero(np.isfinite(steep))
        asked = np.flatnonzero(~counts[label])
        centres = self.grid.centres
        if len(flat) and len(asked):
            near, _ = cKDTree(centres(fresh[flat])).query(
                centres(fresh[at[asked]]), distance_upper_bound=self.rules.step_mm)
            counts[label[asked[np.isfinite(near)]]] = True
        least = np.full(count, np.inf)
        np.minimum.at(least, label, lean[at])
        for k in np.flatnonzero(~counts):
            self.near.append(Near(i, fresh[at[label == k]], float(most[k]), float(least[k])))
        chosen = np.zeros(len(fresh), dtype=bool)
        chosen[at[counts[label]]] = True
        # What tessellation explains counts only near what it does not.
        plain = np.isfinite(steep)
        plain[at] |= worst[at] > self.rules.step_mm + self.rules.slack_mm
        asked, evidence = np.flatnonzero(chosen & ~plain), np.flatnonzero(plain)
        if len(asked):
            near, _ = cKDTree(centres(fresh[evidence])).query(
                centres(fresh[asked]), distance_upper_bound=NEAR_STEPS * self.rules.step_mm)
            chosen[asked[~np.isfinite(near)]] = False
        return chosen

    def _grow(self, i: int, fresh: Ints, chosen: Bools, seeds: Floats, worst: Floats,
              steep: Floats, under: Outline, own: Outline) -> None:
        """Patches: what of each fresh component lies within one step of its cores."""
        rules, grid = self.rules, self.grid
        p2 = grid.pixel_mm**2
        count, label = components(fresh, grid.columns)
        with_core = np.zeros(count, dtype=bool)
        with_core[label[chosen]] = True
        mine = chosen.copy()
        asked = np.flatnonzero(with_core[label] & ~chosen)
        if len(asked):
            # What starts at a wall lies exactly one step from its core: a third of a pixel more.
            at = grid.centres(fresh[asked])
            near, _ = cKDTree(seeds).query(
                at, distance_upper_bound=rules.step_mm + 0.35 * grid.pixel_mm)
            wall, _ = under.tree.query(at, distance_upper_bound=grid.pixel_mm)
            near[~np.isfinite(wall) & (near > rules.step_mm + 0.05 * grid.pixel_mm)] = np.inf
            mine[asked[np.isfinite(near)]] = True
        rest = np.flatnonzero(with_core[label] & ~mine)
        number, part = components(fresh[rest], grid.columns)
        small = np.bincount(part, minlength=number) * p2 < rules.smallest_mm2
        mine[rest[small[part]]] = True
        self.tag[fresh] = -2
        self.tag[fresh[with_core[label] & ~mine]] = -1
        at = np.flatnonzero(mine)
        number, part = components(fresh[at], grid.columns)
        order = np.argsort(part, kind="stable")
        ends = np.cumsum(np.bincount(part, minlength=number))
        found = []
        for k, members in enumerate(np.split(at[order], ends[:-1])):
            if len(members) * p2 >= rules.smallest_mm2:
                self.tag[fresh[members]] = k + 1
                found.append((k + 1, members))
        layer = Layer(grid, self.tag, self.below, self.region, under, own, rules)
        for tag, members in found:
            self._patch(i, layer, tag, fresh[members], worst[members], steep[members])
        self.tag[fresh] = 0

    def _patch(self, i: int, layer: Layer, tag: int, pixels: Ints, worst: Floats,
               steep: Floats) -> None:
        flat = steep[np.isfinite(steep)]
        angle = float(flat.mean()) if len(flat) else math.nan
        centre = turned(layer.grid.centres(pixels).mean(axis=0)[None, :], back=True)[0]
        view = judge(layer, tag, pixels, worst, float(np.median(flat)) if len(flat) else math.nan)
        patch = PixelPatch(
            i, float(self.bottoms[i]), len(pixels) * layer.grid.pixel_mm**2, pixels,
            (float(centre[0]), float(centre[1])), float(worst.max()),
            float(flat.min()) if len(flat) else math.inf, angle, view.reach_mm, view.run_mm,
            view.pieces, held_share=view.held_share,
        )
        if view.slope:
            patch.slope = len(self.group)
            self.group.append(patch.slope)
            self.runs.append(view.run_mm)
            for k in view.strips_below.tolist():
                a, b = self._root(patch.slope), self._root(k)
                self.group[max(a, b)] = min(a, b)
        layer.own.run[view.edge] = view.edge_run
        layer.own.strip[view.edge] = patch.slope if view.slope else LEDGE
        self.patches.append(patch)

    def _root(self, k: int) -> int:
        while self.group[k] != k:
            self.group[k] = self.group[self.group[k]]
            k = self.group[k]
        return k


def _limit(points: Floats, foot: Floats, step: Floats, allowed: float) -> Floats:
    """Where the way out from the layer below to each point leaves what is allowed."""
    share = allowed / np.maximum(step, 1e-12)
    return np.asarray(foot + (points - foot) * share[:, None])
