"""Holes left out to be drilled: only where a drill could come in, and where nothing else fits."""

from __future__ import annotations

from pathlib import Path

import pytest
from OCP.TopoDS import TopoDS_Shape

from examples._cad import box, cut, cylinder
from soffit.plan.resolve import resolve
from soffit.remedies import drilled
from tests.shapes import cross_hole, process_with, read
from tests.trying import asked

PLA = process_with()
ALONG = (0.0, 1.0, 0.0)


def recess() -> TopoDS_Shape:
    """A blind hole of 8 mm, 6 deep, that one of 3 mm goes on from."""
    return cut(box((-9, 0, 0), (9, 20, 20)), cylinder((0, -1, 10), ALONG, 4, 7),
               cylinder((0, 0, 10), ALONG, 1.5, 21))


def closed_in() -> TopoDS_Shape:
    """A blind hole that opens towards another wall, 3 mm off."""
    return cut(box((-9, 0, 0), (9, 20, 20)), box((-10, 6, 2), (10, 9, 30)),
               cylinder((0, 8, 10), ALONG, 4, 8))


def slit() -> TopoDS_Shape:
    """A hole that a slit opens at the top."""
    return cut(cross_hole(5, 15), box((-1, -1, 12), (1, 21, 30)))


@pytest.mark.parametrize(("shape", "said"), [
    (recess(), "the hole of 8 mm diameter (6.0 mm deep)"),
    (cross_hole(4, 14, 12), "the hole of 8 mm diameter (through)"),
])
def test_says_what_to_drill(shape: TopoDS_Shape, said: str, tmp_path: Path) -> None:
    (option,), _ = asked(drilled.options, read(shape, tmp_path), PLA, "air/slope")
    assert option.after == f"drill {said}"
    assert option.safety == "needs an operation after printing"


@pytest.mark.parametrize(("shape", "why"), [
    (closed_in(), "drilled hole: no drill would reach the hole of 8 mm diameter"),
    (slit(), "drilled hole: the hole of 10 mm diameter is open along its side"),
])
def test_says_why_not(shape: TopoDS_Shape, why: str, tmp_path: Path) -> None:
    options, reasons = asked(drilled.options, read(shape, tmp_path), PLA, "air/slope")
    assert options == []
    assert reasons == [why]


def test_work_by_hand_is_the_last_but_the_prop(tmp_path: Path) -> None:
    """A roof is taken where there is wall for it, and a drill where there is none."""
    roomy = resolve(read(cross_hole(4, 14, 12), tmp_path, "roomy"), PLA)
    thin = cut(cross_hole(4, 14, 12), box((-20, -1, 14.3), (20, 13, 30)))
    tight = resolve(read(thin, tmp_path, "tight"), PLA)
    assert [e.remedy for e in roomy.edits] == ["teardrop"]
    assert [e.remedy for e in tight.edits] == ["drilled hole"]
    assert roomy.clean and tight.clean
