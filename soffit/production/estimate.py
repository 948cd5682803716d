"""What it takes to make the part: as received, with supports under every patch, resolved.

A plain first estimate, the same for all three so that they compare. Plastic is what is laid down:
walls, skins and infill, layer by layer (`layers.plastic`), and time is how long the nozzle needs
for it:

    time of a layer = max(plastic of the layer / flow, least time of a layer)
    flow = min(flow limit, bead area · speed),  bead area = (w − h)·h + π·h²/4

(derived; the first layer at its own speed). Left out: travel, acceleration, heating, and hand
work. A support fills `SUPPORT_FILL` of the room between a place over air and
the first material or platform below it.
"""

from __future__ import annotations

import manifold3d as m3
import numpy as np

from soffit.findings.model import Finding
from soffit.layers.plastic import laid_mm2
from soffit.layers.stack import LayerStack, cut_layers
from soffit.part.model import Floats
from soffit.part.scene import with_bodies
from soffit.plan.model import Resolution
from soffit.process.deposit import flow_mm3_s
from soffit.process.model import Process

# Share of its envelope that a support is filled with (from memory: 15 to 20 % is usual).
SUPPORT_FILL = 0.2


def mass_g(volume_mm3: float, density_g_cm3: float) -> float:
    """Mass of a solid volume, g."""
    return volume_mm3 * density_g_cm3 / 1000.0


def support_layers_mm3(stack: LayerStack, findings: tuple[Finding, ...]) -> Floats:
    """Room between each patch of `findings` and the first material or platform below it, for
    each layer, (n,) mm³.

    Summed over layers from the top: what a patch shadows, less the part itself (derived).
    """
    found = np.zeros(len(stack.regions))
    starts: dict[int, list[m3.CrossSection]] = {}
    for finding in findings:
        if finding.patch.rings:
            region = m3.CrossSection(
                [np.asarray(r) for r in finding.patch.rings], m3.FillRule.Positive
            )
            first, last = finding.patch.layers
            # A slope hangs layer by layer: each one's own strip shadows what is below it.
            for layer in range(max(first, 1), last + 1):
                strip = (stack.regions[layer] - stack.regions[layer - 1]) ^ region
                starts.setdefault(layer, []).append(strip)
    shadow = m3.CrossSection()
    for layer in range(max(starts, default=0) - 1, -1, -1):
        new = starts.get(layer + 1)
        if new:
            shadow = m3.CrossSection.batch_boolean([shadow, *new], m3.OpType.Add)
        if not shadow.is_empty():
            shadow = shadow - stack.regions[layer]
            found[layer] = shadow.area() * (float(stack.top_mm[layer]) - stack.bottom_mm(layer))
    return found


def layers_mm3(stack: LayerStack, process: Process) -> Floats:
    """Plastic laid down in each layer, (n,) mm³."""
    return laid_mm2(stack.regions, process) * np.diff(stack.top_mm, prepend=0.0)


def print_time_s(plastic_mm3: Floats, process: Process) -> float:
    """Time to lay down layers of so much plastic (n,) mm³ each, by the formula above, s."""
    if not len(plastic_mm3):
        return 0.0
    flow = np.full(len(plastic_mm3), flow_mm3_s(process, process.motion.speed_mm_s.value))
    flow[0] = flow_mm3_s(process, process.motion.first_layer_speed_mm_s.value)
    least = process.motion.min_layer_time_s.value
    return float(np.maximum(plastic_mm3 / flow, least).sum())


def estimate(result: Resolution) -> dict[str, dict[str, float]]:
    """Figures for "as_received", "slicer_supported" and "resolved".

    `plastic_*` includes supports or props, `thrown_away_g` is their share; `run_*` is for the
    quantity of `result`. "as_received" is the bare part, which prints over air.
    """
    process = result.before.process
    bare = cut_layers(result.received, process)
    layers = layers_mm3(bare, process)
    supports = SUPPORT_FILL * support_layers_mm3(bare, result.before.air)
    props = float(sum(body.mesh.volume_mm3 for body in result.props))
    resolved = layers_mm3(cut_layers(with_bodies(result.produced, result.props), process), process)
    return {
        "as_received": _figures(result, layers, 0.0),
        "slicer_supported": _figures(result, layers + supports, float(supports.sum())),
        "resolved": _figures(result, resolved, props),
    }


def _figures(result: Resolution, layers: Floats, extra_mm3: float) -> dict[str, float]:
    """Figures of one case; `layers`: plastic of each layer, `extra_mm3` of it supports or props."""
    process = result.before.process
    density = process.material.density_g_cm3.value
    plastic_mm3 = float(layers.sum())
    time_s = print_time_s(layers, process)
    return {
        "plastic_mm3": plastic_mm3,
        "plastic_g": mass_g(plastic_mm3, density),
        "thrown_away_g": mass_g(extra_mm3, density),
        "time_s": time_s,
        "run_plastic_kg": mass_g(plastic_mm3, density) * result.quantity / 1000.0,
        "run_time_h": time_s * result.quantity / 3600.0,
    }
