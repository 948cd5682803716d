"""How a prop leaves the platform when the part is pushed off it, so that nothing stays behind.

The cooled platform holds a sole of area A with no more than S = τ A against a push. A prop whose
tips bear S over its height, S H c / I of all of what touches the part, leaves with it. One whose
tips break is pushed off by itself: by the edge, if it is so tall that the edge, at a height e,
meets it, or at half its own height by the part that comes along, on those of the four ways on which
that lies behind it. Its walls above the sole must bear S e c / I. What can do neither would stay
where the next job is printed (derived; the profile says what τ and e are worth). All props of a
part must leave on one way at least.

One that stands on the part leaves with it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import manifold3d as m3
import numpy as np

from soffit.layers.stack import components
from soffit.process import physics
from soffit.process.model import Process
from soffit.remedies.context import Context
from soffit.remedies.prop_shape import SOLE_LAYERS
from soffit.remedies.prop_way import MEETS_MM2, sweep

Way = Literal["on the part", "with the part", "pushed"]

# The ways on which a part may be pushed, in plan.
PUSHES: dict[str, tuple[float, float]] = {
    "+x": (1.0, 0.0), "-x": (-1.0, 0.0), "+y": (0.0, 1.0), "-y": (0.0, -1.0)}

# From the surest way to the least.
WAYS: tuple[Way, ...] = ("on the part", "with the part", "pushed")

# Share of its strength that may be taken (own choice: half, as what it is held by is from memory).
SURE = 0.5

# How far a body is moved to see where it touches the part, mm (derived: a tenth of a layer of
# 0.2 mm; far more than rounding, and less than what is free beside it by a factor of twenty).
TOUCH_MM = 0.02


@dataclass(frozen=True)
class Leaving:
    """How a body leaves the platform. `holds_n`: what the platform still holds it with; `share`:
    how much of the strength of its tips, or of its walls, that takes; `pushes`: the ways to push
    the part on which it leaves."""

    way: Way
    holds_n: float
    share: float
    pushes: tuple[str, ...] = tuple(PUSHES)


def leaving(context: Context, body: m3.Manifold) -> Leaving | None:
    """How a body leaves; None if it would stay on the platform."""
    assert context.solid is not None
    process = context.process
    if body.slice(0.5 * process.first_layer_mm).is_empty():
        return Leaving("on the part", 0.0, 0.0)
    # The first layer is drawn smaller than it is once it is pressed out.
    sole = body.slice(process.first_layer_mm + 0.5 * process.layer_mm)
    holds = process.ejection.released_mpa.value * float(sole.area())
    tips = body.translate((0.0, 0.0, TOUCH_MM)) ^ context.solid
    if not tips.is_empty():
        height = float(tips.bounding_box()[5]) - TOUCH_MM
        share = _share(tips.project(), holds, height, process)
        if share <= SURE:
            return Leaving("with the part", holds, share)
    edge, high = process.ejection.edge_mm.value, float(body.bounding_box()[5])
    above = SOLE_LAYERS * process.layer_mm + 0.5 * process.layer_mm
    pushed = [(edge, tuple(PUSHES))] if high > edge else []
    for height, pushes in [*pushed, (0.5 * high, _backed(context, body, 0.5 * high))]:
        share = _weakest_share(body.slice(above), holds, max(0.0, height - above), process)
        if pushes and share <= SURE:
            return Leaving("pushed", holds, share, pushes)
    return None


def _backed(context: Context, body: m3.Manifold, height: float) -> tuple[str, ...]:
    """The ways to push the part on which it lies behind a body, at a height."""
    assert context.solid is not None
    mine, theirs = body.slice(height).hull(), context.solid.slice(height)
    low, high = np.array(context.solid.bounding_box()).reshape(2, 3)
    far = float(np.linalg.norm(high - low))
    return tuple(name for name, way in PUSHES.items()
                 if (sweep(mine, -far * np.array(way)) ^ theirs).area() > MEETS_MM2)


def on_one_way(found: Sequence[Leaving], weights: Sequence[float]) -> list[int]:
    """Those, by index, that leave on the one way that takes most of them along, by weight."""
    taken = {way: [k for k, one in enumerate(found) if way in one.pushes] for way in PUSHES}
    return max(taken.values(), key=lambda mine: sum(weights[k] for k in mine))


def left_by(found: Leaving) -> str:
    """How a body leaves the platform, in words."""
    if found.way == "on the part":
        return "stands on the part"
    if found.way == "with the part":
        return "its tips take it off the platform with the part"
    ways = "" if len(found.pushes) == len(PUSHES) else f", pushed along {' or '.join(found.pushes)}"
    return f"is pushed off the platform by itself{ways}"


def least_sure(found: Sequence[Leaving]) -> Leaving:
    """The one that is least sure to leave, with the ways to push on which all do."""
    least = max(found, key=lambda one: (WAYS.index(one.way), one.share))
    return replace(least, pushes=tuple(
        way for way in PUSHES if all(way in one.pushes for one in found)))


def _share(section: m3.CrossSection, force: float, arm: float, process: Process) -> float:
    """How much of its strength a section bears by a force at an arm."""
    return physics.peel_of(section.to_polygons(), force, arm) / process.bond_mpa


def _weakest_share(section: m3.CrossSection, force: float, arm: float, process: Process) -> float:
    """As `_share`, of the weakest of separate posts, each of which bears as much of the force as it
    has of the area."""
    area = float(section.area())
    return max((_share(post, force * float(post.area()) / area, arm, process)
                for post in components(section)), default=math.inf)
