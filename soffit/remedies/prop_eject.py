"""How a prop leaves the platform when the part is pushed off it, so that nothing stays behind.

The cooled platform holds a sole of area A with no more than S = τ A against a push. A prop whose
tips bear S over its height, S H c / I of all of what touches the part, leaves with it. One whose
tips break is pushed off by itself: by the edge, if it is so tall that the edge, at a height e,
meets it, or at half its own height by the part that comes along, if that lies behind it whichever
of the four ways is pushed. Its walls above the sole must bear S e c / I. What can do neither would
stay where the next job is printed (derived; the profile says what τ and e are worth).

One that stands on the part leaves with it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import manifold3d as m3
import numpy as np

from soffit.layers.stack import components
from soffit.process import physics
from soffit.process.model import Process
from soffit.remedies.context import Context
from soffit.remedies.prop_shape import SOLE_LAYERS
from soffit.remedies.prop_way import MEETS_MM2, sweep, unit

Way = Literal["on the part", "with the part", "pushed"]

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
    how much of the strength of its tips, or of its walls, that takes."""

    way: Way
    holds_n: float
    share: float


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
    heights = [edge] if high > edge else []
    if _surrounded(context, body, 0.5 * high):
        heights.append(0.5 * high)
    for height in heights:
        share = _weakest_share(body.slice(above), holds, max(0.0, height - above), process)
        if share <= SURE:
            return Leaving("pushed", holds, share)
    return None


def _surrounded(context: Context, body: m3.Manifold, height: float) -> bool:
    """Whether the part lies behind a body, at a height, whichever way it is pushed."""
    assert context.solid is not None
    mine, theirs = body.slice(height).hull(), context.solid.slice(height)
    low, high = np.array(context.solid.bounding_box()).reshape(2, 3)
    far = float(np.linalg.norm(high - low))
    return not mine.is_empty() and all(
        (sweep(mine, far * unit(angle)) ^ theirs).area() > MEETS_MM2
        for angle in (0, 90, 180, 270))


def left_by(found: Leaving) -> str:
    """How a body leaves the platform, in words."""
    if found.way == "on the part":
        return "stands on the part"
    if found.way == "with the part":
        return "its tips take it off the platform with the part"
    return "is pushed off the platform by itself"


def least_sure(found: Sequence[Leaving]) -> Leaving:
    """The one that is least sure to leave."""
    return max(found, key=lambda one: (WAYS.index(one.way), one.share))


def _share(section: m3.CrossSection, force: float, arm: float, process: Process) -> float:
    """How much of its strength a section bears by a force at an arm."""
    return physics.peel_of(section.to_polygons(), force, arm) / process.bond_mpa


def _weakest_share(section: m3.CrossSection, force: float, arm: float, process: Process) -> float:
    """As `_share`, of the weakest of separate posts, each of which bears as much of the force as it
    has of the area."""
    area = float(section.area())
    return max((_share(post, force * float(post.area()) / area, arm, process)
                for post in components(section)), default=math.inf)
