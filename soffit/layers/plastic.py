"""How much plastic a layer takes: lines along its outlines, solid skins, sparse infill inside.

With R a layer's region, W the width of its wall lines together and n the number of solid layers
above and below whatever is free,

    laid = area(R) − (1 − infill)·area(offset(R, −W) ∩ R[k−n] ∩ … ∩ R[k+n])

(derived; below the platform and above the part nothing is solid). Lines are taken to fill a wall
that is narrower than they are together.
"""

from __future__ import annotations

from collections.abc import Sequence

import manifold3d as m3
import numpy as np

from soffit.layers.stack import LayerStack, offset_of
from soffit.part.model import Floats
from soffit.process.model import Process


def laid_mm2(regions: Sequence[m3.CrossSection], process: Process) -> Floats:
    """Area of plastic of each of these layers, one upon the other, (n,) mm²."""
    walls = process.filling.walls.value * process.line_mm
    sparse = 1.0 - process.filling.infill.value
    found = np.array([region.area() for region in regions])
    for layer, inside in enumerate(hidden_of(regions, process)):
        if found[layer] and not inside.is_empty():
            core = offset_of(regions[layer], -walls) ^ inside
            found[layer] -= sparse * max(0.0, core.area())
    return found


def hidden_of(regions: Sequence[m3.CrossSection], process: Process) -> list[m3.CrossSection]:
    """What of each layer lies behind the skins: inside every layer that is near enough."""
    skins = round(process.filling.skins.value)
    ends = [m3.CrossSection()] * min(skins, len(regions))
    return [*ends, *_common(regions, 2 * skins + 1), *ends][:len(regions)]


def layers_mm3(stack: LayerStack, process: Process) -> Floats:
    """Plastic laid down in each layer, (n,) mm³."""
    return laid_mm2(stack.regions, process) * np.diff(stack.top_mm, prepend=0.0)


def laid_about_mm3(volume_mm3: float, face_mm2: float, process: Process) -> float:
    """About what a body takes as laid that is this large and has so much free surface: walls along
    that, infill behind them (derived; skins count as walls)."""
    filling = process.filling
    walls = min(volume_mm3, face_mm2 * filling.walls.value * process.line_mm)
    return walls + filling.infill.value * (volume_mm3 - walls)


def _common(regions: Sequence[m3.CrossSection], count: int) -> list[m3.CrossSection]:
    """What each region has in common with the `count` − 1 after it, as far as there are so many.

    By doubling: what 4 have in common is what 2 and the next 2 have (derived)."""
    have, common = 1, list(regions)
    while have < count:
        step = min(have, count - have)
        common = [a ^ b for a, b in zip(common, common[step:], strict=False)]
        have += step
    return common if len(regions) >= count else []
