"""What it takes to make the part: as received, with supports under every patch, resolved.

A first estimate from volumes; mass is that of the solid part.
"""

from __future__ import annotations

import manifold3d as m3
import numpy as np

from soffit.findings.model import Finding
from soffit.layers.stack import LayerStack, cut_layers
from soffit.plan.model import Resolution

# Share of its envelope that a support is filled with (from memory: 15 to 20 % is usual).
SUPPORT_FILL = 0.2


def mass_g(volume_mm3: float, density_g_cm3: float) -> float:
    """Mass of a solid volume, g."""
    return volume_mm3 * density_g_cm3 / 1000.0


def support_envelope_mm3(stack: LayerStack, findings: tuple[Finding, ...]) -> float:
    """Volume between each patch of `findings` and the first material or platform below it.

    Summed over layers from the top: what a patch shadows, less the part itself (derived).
    """
    starts: dict[int, list[m3.CrossSection]] = {}
    for finding in findings:
        if finding.patch.rings:
            region = m3.CrossSection(
                [np.asarray(r) for r in finding.patch.rings], m3.FillRule.Positive
            )
            starts.setdefault(finding.patch.layers[1], []).append(region)
    if not starts:
        return 0.0
    total = 0.0
    shadow = m3.CrossSection()
    for layer in range(max(starts) - 1, -1, -1):
        new = starts.get(layer + 1)
        if new:
            shadow = m3.CrossSection.batch_boolean([shadow, *new], m3.OpType.Add)
        if not shadow.is_empty():
            shadow = shadow - stack.regions[layer]
            total += shadow.area() * (float(stack.top_mm[layer]) - stack.bottom_mm(layer))
    return total


def estimate(result: Resolution) -> dict[str, dict[str, float]]:
    """Figures for "as_received", "slicer_supported" and "resolved"."""
    before = result.before
    density = before.process.material.density_g_cm3.value
    received = before.part.mesh.volume_mm3
    stack = cut_layers(before.part, before.process)
    envelope = support_envelope_mm3(stack, before.air)
    produced = result.produced.mesh.volume_mm3
    props = float(sum(body.mesh.volume_mm3 for body in result.props))
    return {
        "as_received": {
            "part_mm3": received,
            "solid_mass_g": mass_g(received, density),
            "over_air_mm2": before.over_air_mm2,
        },
        "slicer_supported": {
            "part_mm3": received,
            "support_envelope_mm3": envelope,
            "solid_mass_g": mass_g(received, density),
            "support_mass_g": mass_g(envelope * SUPPORT_FILL, density),
        },
        "resolved": {
            "part_mm3": produced,
            "props_mm3": props,
            "solid_mass_g": mass_g(produced, density),
            "props_mass_g": mass_g(props, density),
        },
    }
