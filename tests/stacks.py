"""Stacks of simple bodies whose findings are known in closed form (all derived here).

A stack is a column of stages on one rectangle. Each stage is a block with one feature, two
layers or more above and below it, so that no two features meet in a layer and what is due adds
up. The features are undersides: a row of segments, each with its run in plan and its angle from
the platform, that step out from a wall, all round a wall, or into an opening from its walls.

Of such an underside only the edge e(z) counts: how far it has come out below height z. Layer k
is cut at its middle c_k, so it steps out by s = e(c_k) − e(c_{k−1}) and is over air where
s > Δ, the step that a layer may make. Angles are far from the limit δ (34° at most, or 65° and
more, where δ is 45° to 56°), so that no tolerance of angles is in play.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import manifold3d as m3
import numpy as np
from hypothesis import assume

from soffit.layers.stack import ABOVE_MIDDLE_MM, GRID_MM, MESH_DEFLECTION_MM
from soffit.process.model import Process
from tests.solids import block

Bounds = tuple[float, float, float, float]
Segment = tuple[float, float]
"""Run in plan, mm, and angle from the platform, degrees; 0 for a level one, which is the last."""

# Steps between Δ and this much more may be missed or not: an eleventh grid (see
# test_oracles_review), or tessellation (twice the deflection of a mesh file, and a grid).
UNSURE_MM = 2.0 * MESH_DEFLECTION_MM + 12 * GRID_MM

# Heights are multiples of 0.05 and this: never on a cut of layers of 0.2, 0.25 or 0.3 mm.
OFF_MM = 0.0137


# How far bodies that are drawn one on the other overlap.
INTO_MM = 0.02


@dataclass(frozen=True)
class Due:
    """One finding that is due. `bounds`: of its outline in plan. `anchor_mm`: length of the edges
    that hold it. `angle_deg`: least and greatest that it may have. `pieces`: strands may cover it
    piece by piece, so it may be several findings that are it together."""

    kind: str
    severity: str
    bounds: Bounds
    z_mm: tuple[float, float]
    area_mm2: float
    anchor_mm: float
    reach_mm: float | None = None
    span_mm: tuple[float, float] | None = None
    angle_deg: tuple[float, float] | None = None
    pieces: bool = False


@dataclass(frozen=True)
class Stage:
    """A feature on a block from `low` to `high`: what it adds and cuts, and what is due."""

    high: float
    add: tuple[m3.Manifold, ...] = ()
    cut: tuple[m3.Manifold, ...] = ()
    due: tuple[Due, ...] = ()


@dataclass(frozen=True)
class Column:
    """The rectangle that a stack stands on, and how layers are cut."""

    x: float
    y: float
    a: float
    b: float
    process: Process

    @property
    def middle(self) -> tuple[float, float]:
        return (self.x + 0.5 * self.a, self.y + 0.5 * self.b)

    @property
    def h(self) -> float:
        return self.process.layer_mm

    @property
    def skin(self) -> float:
        """Least thickness of what lies between features: three layers, on the raster of heights."""
        return 0.05 * math.ceil(60 * self.h)


@dataclass(frozen=True)
class Step:
    """One layer of an underside that is over air: from edge `low` to `high`, its heights, and
    the angles of what in it is too flat, with their runs."""

    layer: int
    low: float
    high: float
    z_mm: tuple[float, float]
    flat: tuple[Segment, ...]

    @property
    def level_share(self) -> float:
        """Share of what in it is too flat that is level, by run."""
        return sum(r for r, a in self.flat if a < 2.0) / sum(r for r, _ in self.flat)


def cut_at(layer: int, h: float) -> float:
    """Height at which a layer is cut."""
    return (layer + 0.5) * h + ABOVE_MIDDLE_MM


def layer_above(z: float, h: float) -> int:
    """First layer that is cut above `z`."""
    return math.floor((z - ABOVE_MIDDLE_MM) / h + 0.5)


def corners_of(segments: Sequence[Segment], z: float) -> list[tuple[float, float]]:
    """(edge, height) at the ends of all segments of an underside that starts at `z`."""
    points = [(0.0, z)]
    for run, angle in segments:
        e, at = points[-1]
        points.append((e + run, at + run * math.tan(math.radians(angle))))
    return points


def steps_of(segments: Sequence[Segment], z: float, process: Process) -> Iterator[Step]:
    """Layers of an underside that are over air, lowest first."""
    h, allowed = process.layer_mm, process.step_mm
    points = corners_of(segments, z)
    first, last = layer_above(z, h), layer_above(points[-1][1], h)
    for k in range(first, last + 1):
        below, cut = cut_at(k - 1, h), cut_at(k, h)
        low, high = edge_at(points, below), edge_at(points, cut)
        assume(not allowed < high - low <= allowed + UNSURE_MM)
        if high - low <= allowed:
            continue
        flat, heights = [], []
        for (e0, z0), (e1, z1), (_, angle) in zip(points, points[1:], segments, strict=False):
            if angle < process.angle_deg and z1 > below and z0 <= cut:
                share = (min(z1, cut) - max(z0, below)) / (z1 - z0) if angle else 1.0
                flat.append((share * (e1 - e0), angle))
                heights += [max(z0, below), min(z1, cut)]
        yield Step(k, low, high, (min(heights), max(heights)), tuple(flat))


def edge_at(points: Sequence[tuple[float, float]], z: float) -> float:
    """How far an underside has come out below height `z`."""
    edge = 0.0
    for (e0, z0), (e1, z1) in itertools.pairwise(points):
        if z1 < z:
            edge = e1
        elif z0 < z:
            return e0 + (e1 - e0) * (z - z0) / (z1 - z0)
    return edge


def closing(segments: Sequence[Segment], z: float, process: Process
            ) -> tuple[list[Step], float, float]:
    """An underside from opposite walls that a level roof closes right above its end: the steps
    before the layer that closes it, its edge below that layer, and the lowest height of what
    that layer closes."""
    points = corners_of(segments, z)
    roof = points[-1][1]
    last = layer_above(roof, process.layer_mm)
    below = cut_at(last - 1, process.layer_mm)
    steps = [s for s in steps_of(segments, z, process) if s.layer < last]
    flat = [max(below, z0) for (_, z0), (_, z1), (_, angle)
            in zip(points, points[1:], segments, strict=False)
            if angle < process.angle_deg and z1 > below]
    return steps, edge_at(points, below), min([roof, *flat])


def level_of(segments: Sequence[Segment], closed: float, opening: float, process: Process) -> float:
    """Share that is level, the roof included, of what is too flat in the layer that closes an
    opening from two walls, from edge `closed` on."""
    edges = [e for e, _ in corners_of(segments, 0.0)]
    flat = [max(0.0, e1 - max(e0, closed)) for e0, e1, (_, angle)
            in zip(edges, edges[1:], segments, strict=False) if 2.0 <= angle < process.angle_deg]
    roof = opening - 2.0 * edges[-1]
    return roof / (roof + 2.0 * sum(flat))


@dataclass(frozen=True)
class Group:
    """Steps of an underside that are one finding. `reach`: the run of a slope, the reach of a
    ledge with the run of the slope it follows on, if each step goes `stretch` times as far."""

    shape: Literal["slope", "ledge"]
    steps: tuple[Step, ...]
    reach: float


def groups_of(steps: Sequence[Step], process: Process, stretch: float) -> list[Group]:
    """Steps sorted into slopes and ledges.

    A slope's run starts where the layer below could still hold, Δ past its edge. A level step
    is a ledge by itself; its distance is added to the run of the slope right below it.
    """
    groups: list[Group] = []
    for step in steps:
        far = stretch * (step.high - step.low)
        before = groups[-1] if groups and groups[-1].steps[-1].layer == step.layer - 1 else None
        # By area it is more all round a block, and less all round an opening.
        assume(not 0.15 < step.level_share < 0.85)
        if step.level_share > 0.5:
            groups.append(Group("ledge", (step,), far + (before.reach if before else 0.0)))
        elif before is not None and before.shape == "slope":
            groups[-1] = Group("slope", (*before.steps, step), before.reach + far)
        else:
            groups.append(Group("slope", (step,), far - process.step_mm))
    return groups


def severity(measure: float, limit: float) -> str:
    """Within the limit and a micrometre it is a note (see `soffit.findings.words.within`)."""
    assume(abs(measure - limit - 1e-3) > 1e-5)
    return "note" if measure <= limit + 1e-3 else "blocker"


def due_of(group: Group, bounds: Bounds, area: float, anchor: float, process: Process) -> Due:
    """The finding of a group of steps."""
    angles = [a for s in group.steps for _, a in s.flat]
    heights = [z for s in group.steps for z in s.z_mm]
    return Due(f"air/{group.shape}", severity(group.reach, process.lip_mm), bounds,
               (min(heights), max(heights)), area, anchor, reach_mm=group.reach,
               angle_deg=(min(angles), max(angles)))


def prism(points: Sequence[tuple[float, float]], y: float, length: float) -> m3.Manifold:
    """Outline in (x, z), either way round, drawn along y."""
    outline = m3.CrossSection([np.array(points)], m3.FillRule.NonZero)
    return outline.extrude(length).rotate((90.0, 0.0, 0.0)).translate((0.0, y + length, 0.0))


def frusta(rectangle: Bounds, points: Sequence[tuple[float, float]], sign: float
           ) -> list[m3.Manifold]:
    """Bodies between the corners of an underside that goes all round `rectangle`, outwards for
    `sign` 1, inwards for −1. Each goes a little way into the wider one beside it, so that no
    skin is left between them."""
    made = []
    for (e0, z0), (e1, z1) in itertools.pairwise(points):
        if z1 > z0:
            low, high = grown(rectangle, sign * e0), grown(rectangle, sign * e1)
            more = (high, z1 + INTO_MM) if sign > 0 else (low, z0 - INTO_MM)
            corners = [(x, y, z) for r, z in ((low, z0), (high, z1), more)
                       for x in (r[0], r[2]) for y in (r[1], r[3])]
            made.append(m3.Manifold.hull_points(np.array(corners)))
    return made


def grown(r: Bounds, by: float) -> Bounds:
    return (r[0] - by, r[1] - by, r[2] + by, r[3] + by)


def area_of(r: Bounds) -> float:
    return (r[2] - r[0]) * (r[3] - r[1])


def round_of(r: Bounds) -> float:
    return 2.0 * (r[2] - r[0] + r[3] - r[1])


def polygon_bounds(middle: tuple[float, float], radius: float, sides: int) -> Bounds:
    """Of a regular polygon with a corner straight to the right and an even number of them."""
    high = radius * max(math.sin(2.0 * math.pi * k / sides) for k in range(sides))
    return (middle[0] - radius, middle[1] - high, middle[0] + radius, middle[1] + high)


def polygon_area(radius: float, sides: int) -> float:
    return 0.5 * sides * radius**2 * math.sin(2.0 * math.pi / sides)


def polygon_round(radius: float, sides: int) -> float:
    return 2.0 * sides * radius * math.sin(math.pi / sides)


def plate(r: Bounds, low: float, high: float) -> m3.Manifold:
    return block(r[0], r[1], low, r[2], r[3], high)


# --- stages: each gets its column, the height where it starts, and its sizes -------------------


def arm(col: Column, z: float, segments: Sequence[Segment], width: float, thick: float,
        sides: int) -> Stage:
    """An underside that comes out of the wall on one side or on both (a T), `width` wide."""
    at = z + col.skin
    points = corners_of(segments, at)
    end, top = points[-1][0], points[-1][1] + thick
    y = col.y + 0.5 * (col.b - width)
    groups = groups_of(list(steps_of(segments, at, col.process)), col.process, 1.0)
    add, due = [], []
    for side in range(sides):
        wall, sign = ((col.x + col.a, 1.0), (col.x, -1.0))[side]
        outline = [(-1.0, at), *points, (end, top), (-1.0, top)]
        add.append(prism([(wall + sign * e, u) for e, u in outline], y, width))
        for group in groups:
            ends = sorted((wall + sign * group.steps[0].low, wall + sign * group.steps[-1].high))
            area = width * sum(s.high - s.low for s in group.steps)
            due.append(due_of(group, (ends[0], y, ends[1], y + width), area, width, col.process))
    return Stage(top + col.skin, tuple(add), (), tuple(due))


def head(col: Column, z: float, segments: Sequence[Segment], thick: float) -> Stage:
    """An underside that goes all round the block: a mushroom, a funnel. Its corners come out
    √2 times as far as its sides."""
    at = z + col.skin
    wall = (col.x, col.y, col.x + col.a, col.y + col.b)
    points = corners_of(segments, at)
    end, top = points[-1][0], points[-1][1] + thick
    add = [*frusta(wall, points, 1.0), plate(grown(wall, end), points[-1][1], top)]
    due = []
    for group in groups_of(list(steps_of(segments, at, col.process)), col.process, math.sqrt(2)):
        inner, outer = grown(wall, group.steps[0].low), grown(wall, group.steps[-1].high)
        area = area_of(outer) - area_of(inner)
        due.append(due_of(group, outer, area, round_of(inner), col.process))
    return Stage(top + col.skin, tuple(add), (), tuple(due))


def arch(col: Column, z: float, segments: Sequence[Segment], opening: float, tall: float,
         open_ends: int) -> Stage:
    """A tunnel along y with an underside from both its walls, which a bridge closes; with one
    open end it is a blind slot. Without segments its roof is level."""
    at = z + tall
    points = corners_of(segments, at)
    roof = points[-1][1]
    middle = col.x + 0.5 * col.a
    y0 = col.y - 1.0
    y1 = col.y + col.b + 1.0 if open_ends == 2 else col.y + col.b - 2.0
    half = 0.5 * opening
    low = z - 1.0 if z == 0.0 else z + col.skin
    right = [(middle + half - e, u) for e, u in points]
    left = [(middle - half + e, u) for e, u in reversed(points)]
    cut = prism([(middle - half, low), (middle + half, low), *right, *left], y0, y1 - y0)
    length = min(y1, col.y + col.b) - col.y
    due = []
    steps, closed, lowest = closing(segments, at, col.process)
    for group in groups_of(steps, col.process, 1.0):
        a, b = group.steps[0].low, group.steps[-1].high
        area = length * (b - a)
        # The end wall of a blind one holds the first strip too.
        anchor = length + (group.steps[0].high - a if open_ends == 1 else 0.0)
        for u, v in ((middle - half + a, middle - half + b),
                     (middle + half - b, middle + half - a)):
            due.append(due_of(group, (u, col.y, v, col.y + length), area, anchor, col.process))
    span = opening - 2.0 * closed
    # Too wide to be spanned, and less than half of it level, it would be a slope.
    assume(span <= col.process.bridge_mm
           or level_of(segments, closed, opening, col.process) > 0.51)
    due.append(Due("air/bridge", severity(span, col.process.bridge_mm),
                   (middle - 0.5 * span, col.y, middle + 0.5 * span, col.y + length),
                   (lowest, roof), span * length,
                   2.0 * length + (span if open_ends == 1 else 0.0), span_mm=(span, span)))
    return Stage(roof + col.skin, (), (cut,), tuple(due))


def pocket(col: Column, z: float, segments: Sequence[Segment], inset: float, tall: float) -> Stage:
    """An opening with walls all round and an underside from all of them, which a ceiling closes.
    On the platform it opens downwards, further up it is a sealed void."""
    at = z + tall
    wall = grown((col.x, col.y, col.x + col.a, col.y + col.b), -inset)
    points = corners_of(segments, at)
    roof = points[-1][1]
    low = z - 1.0 if z == 0.0 else z + col.skin
    cut = [plate(wall, low, at), *frusta(wall, points, -1.0)]
    due = []
    steps, closed, lowest = closing(segments, at, col.process)
    for group in groups_of(steps, col.process, 1.0):
        outer, inner = grown(wall, -group.steps[0].low), grown(wall, -group.steps[-1].high)
        due.append(due_of(group, outer, area_of(outer) - area_of(inner), round_of(outer),
                          col.process))
    rest = grown(wall, -closed)
    span = min(rest[2] - rest[0], rest[3] - rest[1])
    due.append(Due("air/ceiling", severity(span, col.process.bridge_mm), rest, (lowest, roof),
                   area_of(rest), round_of(rest), span_mm=(span, span)))
    return Stage(roof + col.skin, (), tuple(cut), tuple(due))


def bore(col: Column, z: float, sides: int, radius: float, gap: float, through: bool) -> Stage:
    """An upright bore of a regular polygon, wider by `gap` below where that is not 0: then its
    ceiling is pierced, and the wall of the bore starts in the air. A bore that does not go
    through ends in a ceiling. Only on the platform."""
    assert z == 0.0
    step, roof, high = col.skin + OFF_MM, 2.0 * col.skin + OFF_MM, 3.0 * col.skin

    def drill(r: float, top: float) -> m3.Manifold:
        return m3.Manifold.cylinder(top + 1.0, r, r, sides).translate((*col.middle, -1.0))

    cut = [drill(radius, high + 1.0 if through else roof)]
    due = []
    if gap:
        cut.append(drill(radius + gap, step))
        # From a corner or a side of the bore straight to the side beyond it.
        reach = gap * math.cos(math.pi / sides)
        due.append(Due("air/ceiling", severity(reach, col.process.lip_mm),
                       polygon_bounds(col.middle, radius + gap, sides), (step, step),
                       polygon_area(radius + gap, sides) - polygon_area(radius, sides),
                       polygon_round(radius + gap, sides), reach_mm=reach, pieces=True))
    if not through:
        # The longest of the strands, which lie a line or an eighth of the width apart, passes the
        # middle within half of that; the inscribed circle bounds it from below.
        inner, off = radius * math.cos(math.pi / sides), max(0.5 * col.process.line_mm, radius / 8)
        span = (2.0 * math.sqrt(max(inner**2 - off**2, 0.0)), 2.0 * radius)
        due.append(Due("air/ceiling", severity(span[1], col.process.bridge_mm),
                       polygon_bounds(col.middle, radius, sides), (roof, roof),
                       polygon_area(radius, sides), polygon_round(radius, sides), span_mm=span))
    return Stage(high, (), tuple(cut), tuple(due))


def umbrella(col: Column, z: float, sides: int, radius: float, gap: float) -> Stage:
    """A column of a regular polygon under a wider one, a ledge all round; on top of a stack."""
    foot, top = z + 2.0 * col.skin, z + 3.0 * col.skin

    def pole(r: float, low: float, high: float) -> m3.Manifold:
        return m3.Manifold.cylinder(high - low, r, r, sides).translate((*col.middle, low))

    due = Due("air/ledge", severity(gap, col.process.lip_mm),
              polygon_bounds(col.middle, radius + gap, sides), (foot, foot),
              polygon_area(radius + gap, sides) - polygon_area(radius, sides),
              polygon_round(radius, sides), reach_mm=gap, angle_deg=(0.0, 0.0))
    return Stage(z, (pole(radius, z - 1.0, foot), pole(radius + gap, foot, top)), (), (due,))


def tongue(col: Column, z: float, gap: float, long: float, drop: float, beyond: float) -> Stage:
    """An arm on top of a stack with a tongue that hangs from it: an island below, a bridge from
    the block to it, and what is beyond it is a ledge."""
    lower = z + col.skin
    arm_low = lower + drop
    top = arm_low + col.skin
    wall = col.x + col.a
    tip = wall + gap + long
    y0, y1 = col.y, col.y + col.b
    add = [block(col.x, y0, z - 1.0, wall, y1, top),
           block(wall - 1.0, y0, arm_low, tip + beyond, y1, top),
           block(wall + gap, y0, lower, tip, y1, top)]
    width = y1 - y0
    due = [
        Due("air/island", "blocker", (wall + gap, y0, tip, y1), (lower, lower), long * width, 0.0),
        Due("air/bridge", severity(gap, col.process.bridge_mm), (wall, y0, wall + gap, y1),
            (arm_low, arm_low), gap * width, 2.0 * width, span_mm=(gap, gap)),
    ]
    if beyond > col.process.step_mm:
        due.append(Due("air/ledge", severity(beyond, col.process.lip_mm),
                       (tip, y0, tip + beyond, y1), (arm_low, arm_low), beyond * width, width,
                       reach_mm=beyond, angle_deg=(0.0, 0.0)))
    return Stage(z, tuple(add), (), tuple(due))


def floating(col: Column, z: float, up: float, bounds: Bounds) -> Stage:
    """A block above a stack that nothing holds."""
    low = z + up
    return Stage(z, (plate(bounds, low, low + col.skin),), (),
                 (Due("air/island", "blocker", bounds, (low, low), area_of(bounds), 0.0),))


def built(column: Column, stages: Sequence[Stage]) -> tuple[m3.Manifold, tuple[Due, ...]]:
    """The solid of one stack and all that is due of it."""
    top = max(s.high for s in stages)
    solid = block(column.x, column.y, 0.0, column.x + column.a, column.y + column.b, top)
    solid = m3.Manifold.batch_boolean([solid, *(a for s in stages for a in s.add)], m3.OpType.Add)
    for stage in stages:
        for cut in stage.cut:
            solid -= cut
    return solid, tuple(d for s in stages for d in s.due)
