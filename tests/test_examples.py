"""Every example through the whole job: regenerated, resolved, and held to what its page says."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from examples import make
from soffit.findings.review import review
from soffit.part.deviation import face_deviation
from soffit.part.scene import with_bodies
from soffit.process.load import load_process
from tests.shapes import EXAMPLES, PROTECTED, example, resolved

# The customer's bearing seat is the crown itself: only the customer can decide.
HONESTLY_OPEN = {"pillow_block"}


@pytest.mark.parametrize("name", make.NAMES)
def test_script_writes_the_file_in_the_repository(name: str, tmp_path: Path) -> None:
    made = make.make(name, tmp_path)
    assert made.read_bytes() == (EXAMPLES / made.name).read_bytes()


@pytest.mark.parametrize("name", make.NAMES)
def test_resolves_clean_but_for_the_honest_one(name: str) -> None:
    result = resolved(name)
    assert result.before.over_air_mm2 > 50
    if name in HONESTLY_OPEN:
        assert not result.clean
        assert result.open and all(o.reason for o in result.open)
    else:
        assert [(o.finding.kind, o.finding.at_mm, o.reason) for o in result.open] == []
        assert result.clean
        assert result.edits


@pytest.mark.parametrize("name", make.NAMES)
def test_what_was_made_is_clean_on_its_own_account(name: str) -> None:
    """The verdict again from the geometry alone, and material in the balance of the edits."""
    result = resolved(name)
    found = review(with_bodies(result.produced, result.props), load_process("pla-04"))
    assert found.clean == (name not in HONESTLY_OPEN)
    assert result.produced.closed
    gained = sum(e.volume_mm3 * {"add": 1, "cut": -1, "prop": 0}[e.op] for e in result.edits)
    before, after = result.received.mesh.volume_mm3, result.produced.mesh.volume_mm3
    # Only faces that an edit made or touched can be cut into other triangles, and that moves a
    # volume by at most the deflection times their area (derived).
    touched = {face for edit in result.edits for face in edit.faces}
    area = sum(f.area_mm2 for f in result.received.faces if f.id in touched)
    area += sum(f.area_mm2 for f in result.produced.faces if f.edit)
    slack = 1e-6 + 0.01 * area
    assert math.isclose(after - before, gained, abs_tol=slack)


@pytest.mark.parametrize("name", sorted(PROTECTED))
def test_protected_faces_are_where_they_were(name: str) -> None:
    result = resolved(name)
    faces = [p.face for p in result.protected]
    assert faces
    moved = face_deviation(result.received, result.produced, faces)
    for p in result.protected:
        assert p.untouched
        assert moved[p.face] <= 2 * max(example(name).deflection_mm, 1e-3)


def test_each_remedy_answers_for_some_example() -> None:
    """The examples are chosen so that no remedy goes without one."""
    results = [resolved(name) for name in make.NAMES]
    used = {e.remedy.split()[0] for result in results for e in result.edits}
    assert {"chamfer", "roof", "teardrop", "stepped", "prop"} <= used
    # A membrane is work by hand, and no example needs one.
    assert any(o.remedy == "membrane" for result in results for o in result.options)
