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

from soffit.findings.room import support_layers_mm3
from soffit.layers.plastic import layers_mm3
from soffit.layers.stack import cut_layers
from soffit.part.model import Floats
from soffit.part.scene import with_bodies
from soffit.plan.model import Resolution
from soffit.process.deposit import print_time_s

# Share of its envelope that a support is filled with (from memory: 15 to 20 % is usual).
SUPPORT_FILL = 0.2


def mass_g(volume_mm3: float, density_g_cm3: float) -> float:
    """Mass of a solid volume, g."""
    return volume_mm3 * density_g_cm3 / 1000.0


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
