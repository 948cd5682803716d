"""Changes applied together are what they are one by one, each with its own faces and name."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from examples._cad import box
from soffit.part.edit import apply, apply_what_can
from soffit.part.measure import mass_properties
from soffit.part.model import Change, Part
from soffit.part.solid import Cone, Prism
from tests import shapes


def rect(x0: float, y0: float, x1: float, y1: float) -> np.ndarray:
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])


def bar(folder: Path) -> Part:
    return shapes.read(box((0, 0, 0), (60, 20, 10)), folder)


def hole(k: int, x: float, radius: float = 3.0) -> Change:
    solid = Cone((x, 10.0, -1.0), (0.0, 0.0, 1.0), 12.0, radius, radius)
    return Change("cut", solid, f"E{k}", f"E{k} hole")


def rib(k: int, x: float) -> Change:
    return Change("add", Prism((rect(x, 5.0, x + 2.0, 15.0),), 9.0, 14.0), f"E{k}", f"E{k} rib")


def made_by(part: Part) -> dict[str, list[tuple[str | None, float]]]:
    found: dict[str, list[tuple[str | None, float]]] = {}
    for face in part.faces:
        if face.edit:
            found.setdefault(face.edit, []).append((face.name, round(face.area_mm2, 4)))
    return {edit: sorted(faces, key=str) for edit, faces in found.items()}


def test_as_one_by_one(tmp_path: Path) -> None:
    part = bar(tmp_path)
    changes = [hole(1, 8.0), hole(2, 20.0), rib(3, 30.0), rib(4, 40.0), hole(5, 50.0)]
    at_once, refused = apply_what_can(part, changes)
    assert refused == {}
    one_by_one = part
    for change in changes:
        one_by_one = apply(one_by_one, [change])
    assert made_by(at_once) == made_by(one_by_one)
    assert set(made_by(at_once)) == {"E1", "E2", "E3", "E4", "E5"}
    due = 60 * 20 * 10 - 3 * math.pi * 9 * 10 + 2 * 2 * 10 * 4
    assert mass_properties(at_once)[0] == pytest.approx(due, rel=1e-6)


def test_what_meets_and_what_cannot_be_is_sorted_out(tmp_path: Path) -> None:
    """The second hole overlaps the first, the third lies beside the part: it is left out, and those
    after it take the names in order."""
    part = bar(tmp_path)
    changes = [hole(1, 8.0), hole(2, 11.0), hole(3, 90.0), hole(4, 30.0), hole(5, 50.0)]
    made, refused = apply_what_can(part, changes)
    assert set(refused) == {2} and "nothing of the part to cut" in refused[2]
    assert set(made_by(made)) == {"E1", "E2", "E3", "E4"}
    assert {name for faces in made_by(made).values() for name, _ in faces} == {
        "E1 hole", "E2 hole", "E3 hole", "E4 hole"}
    d, r = 3.0, 3.0
    lens = 2 * r**2 * math.acos(d / (2 * r)) - 0.5 * d * math.sqrt(4 * r**2 - d**2)
    due = 12000 - (4 * math.pi * 9 - lens) * 10
    assert mass_properties(made)[0] == pytest.approx(due, rel=1e-6)


def test_a_cut_that_parts_the_body_is_applied_alone(tmp_path: Path) -> None:
    part = bar(tmp_path)
    slit = Change("cut", Prism((rect(29.0, -1.0, 31.0, 21.0),), -1.0, 11.0), "E2", "E2 slit")
    made, refused = apply_what_can(part, [hole(1, 8.0), slit, hole(3, 50.0)])
    assert refused == {} and made.bodies == 2
    assert set(made_by(made)) == {"E1", "E2", "E3"}
