"""Changes applied together are what they are one by one, each with its own faces and name."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from OCP.ShapeFix import ShapeFix_ShapeTolerance
from OCP.TopoDS import TopoDS_Shape

from examples._cad import box
from soffit.errors import GeometryError
from soffit.part.brep import edit, together
from soffit.part.brep.balance import Commons
from soffit.part.brep.edit import Applied, State, Tools, attempt
from soffit.part.brep.shapes import to_bytes
from soffit.part.edit import apply, apply_what_can
from soffit.part.measure import mass_properties
from soffit.part.model import Change, Part
from soffit.part.solid import Cone, Prism, Union
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


def test_one_that_leaves_a_sliver_is_applied_alone(tmp_path: Path) -> None:
    """The slot leaves a wall of 0.005 mm beside it: no attempt closes that, and the others do not
    wait for it."""
    slot = Change("cut", Prism((rect(54.0, -1.0, 59.995, 21.0),), 4.0, 11.0), "E2", "E2 slot")
    changes = [hole(1, 8.0), slot, hole(3, 20.0), hole(4, 40.0)]
    state = State.of(bar(tmp_path))
    tools = Tools(state.frame(np.eye(4)))
    groups: list[int] = []

    def watched(*args: Any, **options: Any) -> Applied:
        groups.append(len(args[1]))
        return attempt(*args, **options)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(together, "attempt", watched)
        made = together.changed(state, changes, tools)
    assert groups == [4, 3] and not made.refused
    at_once, _ = apply_what_can(bar(tmp_path), changes)
    one_by_one = bar(tmp_path)
    for change in changes:
        one_by_one = apply(one_by_one, [change])
    assert made_by(at_once) == made_by(one_by_one)


def test_what_a_failed_attempt_does_to_shapes_stays_in_it(tmp_path: Path) -> None:
    """Merging faces may change shapes in place (seen on a real part, whose solid was no longer
    valid after an attempt that failed)."""
    state = State.of(bar(tmp_path))
    tool = Tools(state.frame(np.eye(4))).of(hole(1, 8.0).solid, None)
    before = [to_bytes(shape) for shape in (*state.solids, tool)]

    def spoil(shape: TopoDS_Shape, _keep: object) -> None:
        ShapeFix_ShapeTolerance().SetTolerance(shape, 0.5)
        raise GeometryError("spoilt")

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(edit, "merged_faces", spoil)
        with pytest.raises(GeometryError, match="spoilt"):
            attempt(state, [hole(1, 8.0)], [tool], 0.0, Commons())
    assert [to_bytes(shape) for shape in (*state.solids, tool)] == before
    made = attempt(state, [hole(1, 8.0)], [tool], 0.0, Commons())
    assert made.steps[0].gained_mm3 == pytest.approx(-math.pi * 9 * 10, rel=1e-6)


def test_what_the_kernel_makes_is_what_is_due(tmp_path: Path) -> None:
    """Booleans of the kernel may lose or add a part of a tool and call it valid (seen on two real
    parts): what a change comes to is known of the mesh."""
    part, due = bar(tmp_path), math.pi * 9 * 10
    right = replace(hole(1, 8.0), due_mm3=due)
    assert apply_what_can(part, [right, replace(hole(2, 20.0), due_mm3=1.1 * due)])[1] == {}
    for wrong in (0.5 * due, 3.0 * due):
        _, refused = apply_what_can(part, [right, replace(hole(2, 20.0), due_mm3=wrong)])
        assert list(refused) == [1] and f"of what is {wrong:.2f} mm³" in refused[1]
    # Less than is due is no fault where another change was there before.
    first, second = (
        Change("cut", Prism((rect(5.0, 5.0, x, 15.0),), 4.0, 11.0), f"E{k}", f"E{k} slot",
               (x - 5.0) * 10 * 6)
        for k, x in ((3, 21.0), (4, 25.0)))
    made, refused = apply_what_can(part, [first, second])
    assert refused == {}
    assert mass_properties(made)[0] == pytest.approx(60 * 20 * 10 - 1200.0, rel=1e-6)


def test_common_volumes_are_found_again_alone(tmp_path: Path) -> None:
    """Where a boolean with several tools finds nothing of one of them."""
    state = State.of(bar(tmp_path))
    tools = Tools(state.frame(np.eye(4)))
    first, second = tools.of(hole(1, 8.0).solid, None), tools.of(hole(2, 20.0).solid, None)
    commons = Commons()
    due = math.pi * 9 * 10
    assert commons.mm3(state.solids, [first, second]) == pytest.approx([due, due], rel=1e-6)
    commons._found[id(second)] = second, 0.0, False
    made = attempt(state, [hole(2, 20.0)], [second], 0.0, commons)
    assert made.steps[0].gained_mm3 == pytest.approx(-due, rel=1e-6)
    assert not commons.find_alone(state.solids, second)


def test_what_a_union_in_steps_makes_is_what_is_due(tmp_path: Path) -> None:
    """Its parts are measured together, not each against the whole."""
    state = State.of(bar(tmp_path))
    tools = Tools(state.frame(np.eye(4)))
    parts = Union((hole(1, 8.0).solid, hole(2, 20.0).solid))
    due = 2 * math.pi * 9 * 10
    change = Change("cut", parts, "E1", "E1 holes", due)
    made = edit._in_steps(state, change, parts, tools)
    assert sum(s.gained_mm3 for s in made.steps) == pytest.approx(-due, rel=1e-6)
    for wrong in (0.5 * due, 3.0 * due):
        with pytest.raises(GeometryError, match="the B-rep kernel makes"):
            edit._in_steps(state, replace(change, due_mm3=wrong), parts, tools)
