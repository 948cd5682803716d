"""What hangs together by a neck far thinner than a bead hangs apart, each on its own."""

from __future__ import annotations

import pytest

from soffit.findings.model import Finding
from soffit.findings.review import review
from soffit.part.model import Part
from soffit.process.load import load_process
from tests.solids import block, part_of

PROCESS = load_process("pla-04")


def tongues(neck_mm: float) -> Part:
    """Two blocks 20 mm apart, and from each a tongue of 6 × 4 mm towards the other; a bar of
    `neck_mm` goes on from one tongue to the other, all of it 2 mm up in the air."""
    solid = block(0, 0, 0, 10, 10, 4) + block(30, 0, 0, 40, 10, 4)
    solid += block(10, 3, 2, 16, 7, 4) + block(24, 3, 2, 30, 7, 4)
    return part_of(solid + block(15, 5, 2, 25, 5 + neck_mm, 4))


def hanging(part: Part) -> list[Finding]:
    return [f for f in review(part, PROCESS).findings if f.kind.startswith("air/")]


def test_two_tongues_joined_by_a_neck_are_two_ledges() -> None:
    """No bead of 0.005 mm is laid, so neither tongue holds the other: 24 mm² each, 6 mm out."""
    found = hanging(tongues(0.005))
    assert [f.kind for f in found] == ["air/ledge", "air/ledge"]
    for ledge in found:
        assert ledge.area_mm2 == pytest.approx(24.0, abs=0.05)
        assert ledge.reach_mm == pytest.approx(6.0, abs=0.01)


def test_joined_by_a_bead_they_are_one_place() -> None:
    """A bar of one line's width is printed, and held at both ends by what hangs itself."""
    found = hanging(tongues(0.4))
    assert sum(f.area_mm2 for f in found) == pytest.approx(2 * 24.0 + 8 * 0.4, abs=0.05)
    assert not any(f.kind == "air/ledge" and f.area_mm2 == pytest.approx(24.0, abs=0.05)
                   for f in found)
