"""Crowns of holes that are not round, or do not lie level: cut to a roof, and clean."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from OCP.TopoDS import TopoDS_Shape

from examples._cad import box, cut, cylinder, sweep
from soffit.plan.resolve import resolve
from tests.shapes import nut_seat, process_with, read

PLA = process_with()


def nut_trap() -> TopoDS_Shape:
    """A nut's seat, corner up, that a screw's hole goes on from to the other side."""
    corner = 8 / math.sqrt(3)
    hole = [(0.0, corner), (-4.0, corner / 2), (-4.0, -corner / 2), (0.0, -corner),
            (4.0, -corner / 2), (4.0, corner / 2)]
    seat = sweep([(x, -1, 10 + y) for x, y in hole], (0, 5, 0))
    return cut(box((-9, 0, 0), (9, 14, 20)), seat, cylinder((0, 0, 10), (0, 1, 0), 2.2, 15))


def rising_hole(degrees: float) -> TopoDS_Shape:
    """A round hole of 8 mm whose axis rises, and too little over it for the point of a teardrop."""
    rise = math.radians(degrees)
    along = (0.0, math.cos(rise), math.sin(rise))
    return cut(box((-9, 0, 0), (9, 12, 16.2)), cylinder((0, -5, 10 - 5 * math.tan(rise)), along,
                                                       4.0, 30))


def diamond(degrees: float) -> TopoDS_Shape:
    """A square hole on its corner, flanks at this angle, as long as a nut is thick."""
    high = 4 * math.tan(math.radians(degrees))
    return cut(box((-9, 0, 0), (9, 4, 20)),
               sweep([(x, -1, 9 + z) for x, z in ((0, high), (-4, 0), (0, -5), (4, 0))],
                     (0, 6, 0)))


def oval(half: float, high: float) -> TopoDS_Shape:
    """An oval hole, drawn with 96 chords."""
    ring = [(half * math.cos(a), high * math.sin(a))
            for a in (2 * math.pi * k / 96 for k in range(96))]
    return cut(box((-half - 5, 0, 0), (half + 5, 10, 30)),
               sweep([(x, -1, 10 + z) for x, z in ring], (0, 12, 0)))


@pytest.mark.parametrize(("shape", "edits"), [
    (oval(6, 5), ["crown cut"]),
    (nut_seat(8, 4), ["crown cut"]),
    (nut_trap(), ["crown cut"]),
    (rising_hole(4.0), ["crown cut"]),
    (diamond(44.3), ["crown cut"]),
    (diamond(25.0), ["crown cut"]),
])
def test_comes_clean_by_crown_cuts(
    shape: TopoDS_Shape, edits: list[str], tmp_path: Path
) -> None:
    result = resolve(read(shape, tmp_path, deflection_mm=0.02), PLA)
    assert result.clean
    assert [edit.remedy for edit in result.edits] == edits
