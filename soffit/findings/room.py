"""The room under what prints over air: what a block support would fill."""

from __future__ import annotations

import manifold3d as m3
import numpy as np

from soffit.findings.model import Finding
from soffit.layers.stack import LayerStack
from soffit.part.model import Floats


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
