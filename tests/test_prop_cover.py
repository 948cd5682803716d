"""Which ridges are needed: areas left in the air against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from soffit.findings.model import NO_PATCH, Patch
from soffit.process.load import load_process
from soffit.remedies.prop_cover import Cover

PLA = load_process("pla-04")


def ledge(long: float, deep: float) -> Patch:
    """A ledge on a wall along y = 0."""
    ring = np.array([[0, 0], [long, 0], [long, deep], [0, deep]], dtype=float)
    return Patch((ring,), (ring[:2],), NO_PATCH.triangles, (10.0, 10.0), (50, 50))


def ridges(deep: float, *at: float) -> list[shapely.Geometry]:
    return [shapely.box(x - 0.2, 0.0, x + 0.2, deep) for x in at]


def test_what_no_ridge_holds_is_left() -> None:
    cover = Cover(ledge(40.0, 5.0), PLA)
    assert cover.left_mm2([]) == pytest.approx(200.0)
    # From one at each end all strands would be 39.6 mm long, of 15 that hold.
    assert cover.left_mm2(ridges(5.0, 0.2, 39.8)) == pytest.approx(39.2 * 5.0)
    # One in the middle parts them into two that are too long still.
    assert cover.left_mm2(ridges(5.0, 0.2, 20.0, 39.8)) == pytest.approx(38.8 * 5.0)
    assert cover.left_mm2(ridges(5.0, 0.2, 13.4, 26.6, 39.8)) == 0.0
    # Past the last one the ledge reaches 9.8 mm; strands askew from it to the wall hold a corner of
    # 5 by 9.8 mm at most by half.
    assert 0.5 * 49.0 < cover.left_mm2(ridges(5.0, 0.2, 15.0, 30.0)) < 49.0


def test_as_many_are_kept_as_the_longest_strand_demands() -> None:
    """S = 39.6 mm from end to end, B = 15: two between (derived); the rest are left away."""
    at = np.linspace(0.2, 39.8, 13)
    cover = Cover(ledge(40.0, 5.0), PLA)
    kept = cover.needed(ridges(5.0, *at.tolist()), [1.0] * len(at))
    assert len(kept) == 4 and {0, 12} <= set(kept)
    assert float(np.diff(at[list(kept)]).max()) - 0.4 <= PLA.bridge_mm


def test_the_dearest_goes_first() -> None:
    at = [0.2, 9.0, 11.0, 19.8]
    cover = Cover(ledge(20.0, 5.0), PLA)
    for costs, kept in (([1, 2, 1, 1], (0, 2, 3)), ([1, 1, 2, 1], (0, 1, 3))):
        assert cover.needed(ridges(5.0, *at), [float(c) for c in costs]) == kept


def test_what_is_held_on_both_sides_needs_none() -> None:
    ring = np.array([[0, 0], [40, 0], [40, 12], [0, 12]], dtype=float)
    both = Patch((ring,), (ring[:2], ring[2:]), NO_PATCH.triangles, (10.0, 10.0), (50, 50))
    assert Cover(both, PLA).left_mm2([]) == 0.0
    assert Cover(both, PLA).needed(ridges(12.0, 10.0, 30.0), [1.0, 1.0]) == ()
