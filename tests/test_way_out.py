"""What it would take to close a place that a protected face keeps open."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path

import pytest

import soffit
from soffit.part.model import Part
from tests.shapes import box, cross_hole, fuse, ledge, read

# The crown of a hole along y, 10 across.
CROWN = "face near 0,10,16"


@pytest.fixture(name="bored")
def block_with_a_hole_across(tmp_path: Path) -> Part:
    return replace(read(cross_hole(5, 16), tmp_path), brep=None)


def reasons(result: soffit.Resolution) -> set[str]:
    """Why places are open, without where the part could be cut in two."""
    return {o.reason.partition("; Cut through")[0] for o in result.open}


def test_the_cheapest_way_out_is_told_and_is_one(bored: Part) -> None:
    """A bore of 10 whose wall must stay round: the level teardrop would do, of 21.5 mm³ by its
    closed form (see test_teardrop); without the protection it is what is taken, and cures it."""
    kept = soffit.resolve(bored, protect=[CROWN])
    assert kept.edits == ()
    (face,) = [p.face for p in kept.protected]
    (reason,) = reasons(kept)
    found = re.fullmatch(
        rf"it stays open because of protected face {face}; the cheapest way out is a teardrop of "
        r"([\d.]+) mm³ cut from it, 0\.0\d g less, or a prop that touches it", reason)
    assert found
    tip = 5 * (math.sqrt(2) - 1)
    level = 20 * (25 * (1 - math.pi / 4) - tip**2)
    # Chords of the mesh hang below the crown, and the cut ends a hair above it.
    more = (bored.deflection_mm + 0.01) * 2 * 5 * math.sin(math.pi / 4) * 20
    assert level <= float(found[1]) <= level + more
    free = soffit.resolve(bored)
    assert free.clean
    (edit,) = free.edits
    assert (edit.remedy, f"{edit.volume_mm3:.1f}") == ("teardrop", found[1])


def test_a_prop_that_is_forbidden_is_told_as_such(bored: Part) -> None:
    (reason,) = reasons(soffit.resolve(bored, protect=[CROWN], forbid=["prop"]))
    assert reason.endswith(", or a prop that touches it, which is forbidden")


def test_what_is_added_and_the_faces_that_it_meets_are_told(tmp_path: Path) -> None:
    """Both the wall and the underside of a shelf stay: 45° over 10 × 20 is 1000 mm³."""
    shelf = replace(read(ledge(), tmp_path), brep=None)
    result = soffit.resolve(shelf, protect=["face near 5,10,14 facing -z",
                                            "face near 0,10,7 facing +x"])
    a, b = sorted(p.face for p in result.protected)
    (reason,) = reasons(result)
    assert reason.startswith(f"it stays open because of protected faces {a} and {b}; the cheapest "
                             "way out is a chamfer")
    assert "on them" in reason


def test_a_face_that_is_not_in_the_way_is_not_blamed(tmp_path: Path) -> None:
    """Nothing is allowed on a shelf, and the top of its wall is protected: not for that."""
    shelf = replace(read(fuse(ledge(), box((-6, 0, 18), (-3, 20, 30))), tmp_path), brep=None)
    every = ["fill", "chamfer", "roof", "arch", "prop"]
    result = soffit.resolve(shelf, protect=["face near -4,10,30 facing +z"], forbid=every)
    (reason,) = reasons(result)
    assert "forbidden" in reason
    assert "way out" not in reason
