"""Patches covered by strands where rounding made their outline cross itself."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from soffit.findings.bridging import fan
from soffit.findings.covering import cover
from soffit.findings.patches import RawPatch
from soffit.process.load import load_process

PLA = load_process("pla-04")


@pytest.mark.parametrize("ring", [
    [(0, 0), (20, 0), (20, 10), (10, 10), (9.99, 10.001), (10.01, 10.001), (0, 10)],
    [(0, 0), (20, 0), (20, 10), (16.02, 10), (16.0456, 9.7), (16.0404, 9.69), (16.05, 9.95),
     (0, 10)],
    [(0, 0), (20, 0), (20, 10), (10, 10), (10, 5), (10.0001, 5.0), (9.9999, 10), (0, 10)],
], ids=["a bow", "a hook", "a slit"])
def test_a_patch_whose_outline_crosses_itself_is_covered_as_a_whole_one(
    ring: list[tuple[float, float]]
) -> None:
    """Held all round, 10 mm across where 15 mm are spanned."""
    points = np.array(ring, dtype=np.float64)
    assert not shapely.is_valid(shapely.Polygon(points))
    patch = RawPatch(1, (points,), (np.ones(len(points), dtype=bool),), 200.0,
                     np.empty(0, dtype=np.int64))
    found = cover(patch, PLA, fan(patch, PLA.line_mm))
    assert not found.too_wide and not found.left
    assert sum(p.area_mm2 for p, _, _ in found.spanned) == pytest.approx(200.0, abs=0.5)
    assert max(span for _, span, _ in found.spanned) == pytest.approx(10.0, abs=0.05)
