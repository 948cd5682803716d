"""Whether a tool gets at a prop: to push or to grip it, on a straight way from outside.

What stands on the platform shows its foot once the part is off it: a pick or a blade gets at that.
To what stands on the part a rod or the nose of pliers, `props.tool_mm` across, comes level from
some side, or from above, beside the prop. Its way must be free of the part over its own width and
height, and no longer than `props.nose_mm`. Fingers are wider.

In a corner, where that is not free, a round rod as wide is looked for, by rays along its sides:
level, catching the prop by a line at either end of its face, or rising to it at 45 degrees.
"""

from __future__ import annotations

import itertools
import math

import manifold3d as m3
import numpy as np

from soffit.layers.stack import union_of
from soffit.part.model import Floats
from soffit.remedies.context import Context
from soffit.remedies.prop_way import MEETS_MM2, SKIN_MM, TURN_DEG, Around, unit

# Heights at which a level way is looked for (own choice: each costs a dozen looks).
MOST_HEIGHTS = 8

# Rays along the sides of a rod, and ways from a prop to the middle of one that catches it (own
# choice).
SIDES = 8


def reach(context: Context, body: Around) -> str | None:
    """In words, from where a tool gets at a body; None where it gets nowhere at it."""
    assert context.solid is not None
    props = context.process.props
    wide, nose = props.tool_mm.value, props.nose_mm.value
    if body.low <= 0.5 * context.process.layer_mm:
        return "from below, at its foot"
    corners = np.array(context.solid.bounding_box()).reshape(2, 3)
    box = np.array([[x, y] for x in corners[:, 0] for y in corners[:, 1]])
    starts = np.unique(np.linspace(0, len(body.heights) - 1, MOST_HEIGHTS).round().astype(int))
    for start in starts[::-1].tolist():
        end = _within(body, start, wide)
        if body.heights[end - 1] - body.heights[start] < 0.5 * wide and body.high - body.low > wide:
            continue  # no room for all of its height
        slab = union_of(list(body.theirs[start:end]))
        for angle in range(0, 360, TURN_DEG):
            way = unit(angle)
            at = _face(body.mine[start], way)
            if at is None:
                continue
            far = float((box @ way).max()) - float(at @ way)
            if far <= nose and _free(_strip(at, way, max(far, 0.0) + wide, wide), slab):
                return f"from the side, {angle}° from x"
    for start in starts[::-1].tolist():
        for angle in range(0, 360, TURN_DEG):
            how = _by_rod(body, start, angle, wide, nose, context.process.line_mm)
            if how is not None:
                return how
    if float(corners[1, 2]) - body.high <= nose:
        last = len(body.heights) - 1
        first = next(k for k in range(last + 1) if body.heights[k] >= body.high - wide or k == last)
        slab = union_of([*body.theirs[first:], *body.above])
        for angle in range(0, 360, TURN_DEG):
            at = _face(body.mine[first], unit(angle))
            if at is not None and _free(_strip(at, unit(angle), wide, wide), slab):
                return "from above"
    return None


def _by_rod(
    body: Around, start: int, angle: int, wide: float, nose: float, line: float
) -> str | None:
    """In words, how a round rod gets on a way in plan at the prop at one of its sections."""
    way, front = unit(angle), _front(body.mine[start], unit(angle))
    if front is None:
        return None
    across, up = np.array([-way[1], way[0], 0.0]), np.array([0.0, 0.0, 1.0])
    ends = [np.array([*end, body.heights[start]]) for end in front]
    if _is_free(body.part, 0.5 * (ends[0] + ends[1]), np.array([*way, -1.0]) / math.sqrt(2.0),
                wide, nose):
        return f"from below, aslant, {angle}° from x"
    for end, k in itertools.product(ends, range(SIDES)):
        turn = 2.0 * math.pi * k / SIDES
        at = end + (0.5 * wide - line) * (math.cos(turn) * across + math.sin(turn) * up)
        if _is_free(body.part, at, np.array([*way, 0.0]), wide, nose):
            return f"from the side, {angle}° from x"
    return None


def _is_free(part: m3.Manifold, at: Floats, way: Floats, wide: float, nose: float) -> bool:
    """Whether a round rod, whose middle ends at a point (3,), comes on a way (3,) free of the
    part, and is long enough to be held outside of it."""
    low, high = np.array(part.bounding_box()).reshape(2, 3)
    moves = np.abs(way) > 1e-9
    ahead = np.where(way > 0.0, high - at, low - at)
    far = max(0.0, float((ahead[moves] / way[moves]).min()))
    if far > nose:
        return False
    across = np.array([-way[1], way[0], 0.0]) / math.hypot(way[0], way[1])
    up = np.cross(way, across)
    for k in range(SIDES + 1):
        turn, out = 2.0 * math.pi * k / SIDES, 0.0 if k == SIDES else 0.5 * wide
        begin = at + SKIN_MM * way + out * (math.cos(turn) * across + math.sin(turn) * up)
        if part.ray_cast(tuple(begin.tolist()), tuple((begin + (far + wide) * way).tolist())):
            return False
    return True


def _within(body: Around, start: int, high: float) -> int:
    """One past the last section that is no more than so much above another."""
    return int(np.searchsorted(body.heights, body.heights[start] + high + 1e-9))


def _face(section: m3.CrossSection, way: Floats) -> Floats | None:
    """The middle of what of a section lies farthest on a way."""
    front = _front(section, way)
    return None if front is None else 0.5 * (front[0] + front[1])


def _front(section: m3.CrossSection, way: Floats) -> tuple[Floats, Floats] | None:
    """Both ends (2,) of what of a section lies farthest on a way."""
    rings = section.to_polygons()
    if not rings:
        return None
    points = np.concatenate(rings)
    depth = points @ way
    across = np.array([-way[1], way[0]])
    front = points[depth >= depth.max() - 1e-3] @ across
    low, high = (np.asarray(depth.max() * way + end * across) for end in (front.min(), front.max()))
    return low, high


def _strip(at: Floats, way: Floats, long: float, wide: float) -> m3.CrossSection:
    half = 0.5 * wide * np.array([-way[1], way[0]])
    end = at + long * way
    return m3.CrossSection([np.array([at - half, end - half, end + half, at + half])],
                           m3.FillRule.NonZero)


def _free(strip: m3.CrossSection, slab: m3.CrossSection) -> bool:
    return bool((strip ^ slab).area() <= MEETS_MM2)
