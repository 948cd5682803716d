"""The coarse answer beside the full one, and that nobody can take it for a verdict."""

from __future__ import annotations

import json
import math
from pathlib import Path

import manifold3d as m3
import numpy as np
import pytest
import trimesh

import soffit
from soffit.cli.render_sarif import review_sarif
from soffit.cli.render_text import review_lines
from soffit.cli.run import run
from soffit.errors import InputError
from soffit.findings.model import Review
from soffit.part.model import Part
from soffit.plan.report import review_json
from soffit.plan.report_parts import dumps
from soffit.process.load import load_process
from soffit.process.model import Grade
from tests import shapes
from tests.shapes import process_with, read
from tests.solids import block, part_of
from tests.test_cli import validator

FIRST_LAYER = {"bed/edge", "bed/footprint", "warp/corner"}


def shelf(under: float, height: float) -> Part:
    """A wall 10 thick and 40 deep, with a shelf that stands 15 out from z = `under` on."""
    return part_of(block(0, 0, 0, 10, 40, height) + block(10, 0, under, 25, 40, height))


def air(found: Review, kind: str) -> list[tuple[float, float]]:
    return [(f.area_mm2, f.z_mm[0]) for f in found.air if f.kind == kind]


@pytest.mark.parametrize(("under", "height"), [(20.0, 70.0), (61.3, 99.0), (100.1, 333.0)])
def test_a_level_ledge_keeps_its_area_and_height(under: float, height: float) -> None:
    part = shelf(under, height)
    full, fast = soffit.review(part), soffit.review(part, fast=True)
    assert full.coarse is None
    assert air(full, "air/ledge") == [(pytest.approx(600.0, abs=0.1), pytest.approx(under))]
    assert air(fast, "air/ledge") == [(pytest.approx(600.0, abs=0.1), pytest.approx(under))]
    (a,), (b,) = full.air, fast.air
    assert b.reach_mm == pytest.approx(a.reach_mm, abs=0.01) == pytest.approx(15.0, abs=0.01)
    assert (a.faces, a.severity, a.limit) == (b.faces, b.severity, b.limit)


# Layers of the tallest part that is not coarsened: 0.2 + 99 · 0.2 = 20 mm, and a last one of at
# least half a layer more. One more than that is taken two at once.
@pytest.mark.parametrize(("height", "at_once"),
                         [(20.0, None), (20.099, None), (20.101, 2), (39.0, 2), (40.1, 3)])
def test_few_layers_get_the_full_answer(height: float, at_once: int | None) -> None:
    part = shelf(10.0, height)
    fast = soffit.review(part, fast=True)
    if at_once is None:
        full = soffit.review(part)
        assert fast.coarse is None
        assert dumps(review_json(fast)) == dumps(review_json(full))
    else:
        assert fast.coarse is not None
        assert fast.coarse.layers_at_once == at_once
        assert fast.coarse.layer_mm == pytest.approx(0.2 * at_once)


def test_the_angle_that_holds_stays() -> None:
    base = load_process("pla-04")
    for factor in (2, 3, 17):
        thick = base.thicker(factor)
        assert thick.angle_deg == pytest.approx(base.angle_deg)
        assert thick.step_mm == pytest.approx(factor * base.step_mm)
        assert (thick.first_layer_mm, thick.lip_mm) == (base.first_layer_mm, base.lip_mm)
        assert thick.bead.layer_mm.grade is Grade.DERIVED
    by_overlap = process_with(0.2, 30.0, overlap=0.4)
    assert by_overlap.thicker(5).angle_deg == pytest.approx(by_overlap.angle_deg)


# The belly of a ball: each answer ends its slope within one of its strips of the circle of
# radius R sin δ at which 45° is reached, and begins where its first two layers are cut
# (z = 0.1, then half a layer above 0.2 mm). A strip is at most one step wide, and half a degree of
# tolerance moves the circle by R cos δ · 0.5° (derived).
def test_a_slope_keeps_its_area_to_a_strip(tmp_path: Path) -> None:
    radius, limit = 20.0, math.radians(45)
    part = read(shapes.ball(radius), tmp_path)
    full, fast = soffit.review(part), soffit.review(part, fast=True)
    assert fast.coarse is not None
    assert {f.kind for f in full.air} == {f.kind for f in fast.air} == {"air/slope"}
    rim = radius * math.sin(limit)
    off = 2 * math.pi * rim * (
        fast.coarse.step_mm + full.process.step_mm + radius * math.cos(limit) * math.radians(0.5))
    assert 0.0 < off < 0.4 * math.pi * rim**2
    assert fast.over_air_mm2 == pytest.approx(full.over_air_mm2, abs=off)
    assert fast.over_air_mm2 > 0.6 * math.pi * rim**2


def test_steep_edges_are_no_coarse_finding() -> None:
    """A pillar of three sides at 60° that grows upwards. The edge of 40° in plan is flatter than
    the sides it lies between and steps out by 0.34 mm a layer, within the lip; four layers at
    once step out by 1.35 mm."""
    half, grows = math.radians(20), 60.0 / math.tan(math.radians(60))
    corners = [
        (*plan, z)
        for inner, z in ((4.0, 0.0), (4.0 + grows, 60.0))
        for wide in [inner / math.tan(0.25 * math.pi - 0.5 * half)]
        for plan in ((inner / math.sin(half), 0.0), (-inner, wide), (-inner, -wide))
    ]
    part = part_of(m3.Manifold.hull_points(np.array(corners)))
    full, fast = soffit.review(part), soffit.review(part, fast=True)
    assert fast.coarse is not None and fast.coarse.layers_at_once == 4
    assert full.air == fast.air == ()


def test_an_island_needs_no_flat_facet() -> None:
    """A ridge with steep sides that hangs from an arm starts in mid-air."""
    ridge = m3.Manifold.hull_points(np.array(
        [(40, -8, 30), (40, 8, 30), *((x, y, 50) for x in (34, 46) for y in (-8, 8))], float))
    part = part_of(block(-8, -8, 0, 8, 8, 60) + block(-8, -8, 49, 48, 8, 60) + ridge)
    for fast in (False, True):
        found = soffit.review(part, fast=fast)
        (island,) = [f for f in found.air if f.kind == "air/island"]
        assert island.at_mm[0] == pytest.approx(40.0, abs=0.5)


def test_nothing_found_is_no_verdict() -> None:
    part = part_of(block(0, 0, 0, 60, 40, 80))
    full, fast = soffit.review(part), soffit.review(part, fast=True)
    assert full.clean and not full.findings
    assert not fast.clean and not fast.findings
    said = "\n".join(line.text for line in review_lines(fast))
    assert "lean" not in said
    assert "Nothing found in the coarse answer; run without --fast for the verdict." in said
    assert "Coarse answer, no verdict: 5 layers looked at as one of 1.00 mm." in said
    assert all(len(line.text) <= 80 for line in review_lines(fast))
    found = "\n".join(line.text for line in review_lines(soffit.review(shelf(20, 70), fast=True)))
    assert "Coarse answer, no verdict" in found
    assert "Found in the coarse answer; run without --fast for the verdict." in found


def test_it_says_what_it_left_out_and_keeps_the_first_layer() -> None:
    tower = part_of(block(0, 0, 0, 4, 4, 60))
    full, fast = soffit.review(tower), soffit.review(tower, fast=True)
    assert fast.coarse is not None
    assert not FIRST_LAYER & set(fast.coarse.left_out)
    kinds = {f.kind for f in full.findings}
    assert {"bed/footprint", "bed/topple"} <= kinds
    assert {f.kind for f in fast.findings} == kinds - set(fast.coarse.left_out)
    (a,) = [f for f in full.findings if f.kind == "bed/footprint"]
    (b,) = [f for f in fast.findings if f.kind == "bed/footprint"]
    assert (a.message, a.area_mm2) == (b.message, b.area_mm2)


def test_json_and_sarif_say_it() -> None:
    part = shelf(20, 70)
    fast, full = soffit.review(part, fast=True), soffit.review(part)
    assert fast.coarse is not None
    report = json.loads(dumps(review_json(fast)))
    check = validator("review-1.json")
    check.validate(report)
    assert report["coarse"]["message"] == fast.coarse.message
    assert report["coarse"]["layers_at_once"] == 4
    assert report["process"] == review_json(full)["process"]
    assert not check.is_valid({**report, "coarse": {"layers_at_once": 4}})
    assert "coarse" not in review_json(full)
    check.validate(review_json(full))
    (one,) = json.loads(review_sarif(fast))["runs"]
    assert one["properties"] == {"coarse": report["coarse"]}
    assert "properties" not in json.loads(review_sarif(full))["runs"][0]


def test_a_part_in_the_wrong_unit_is_refused_like_ever() -> None:
    part = part_of(block(0, 0, 0, 10, 10, 5000))
    with pytest.raises(InputError, match="check the unit"):
        soffit.review(part, fast=True)


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def written(name: str, height: float) -> str:
        trimesh.creation.box((30, 30, height)).export(tmp_path / name)
        return str(tmp_path / name)

    tall, low = written("tall.stl", 80.0), written("low.stl", 12.0)
    # Nothing found, but no proof: a gate that goes by the exit code must not pass on it.
    assert run(["review", tall, "--unit", "mm", "--fast"]) == 1
    assert "Nothing found in the coarse answer" in capsys.readouterr().out
    assert run(["review", tall, "--unit", "mm"]) == 0
    capsys.readouterr()
    assert run(["review", low, "--unit", "mm", "--fast"]) == 0
    assert "Clean" in capsys.readouterr().out
    assert run(["review", tall, "--unit", "mm", "--fast", "--format", "json"]) == 1
    assert json.loads(capsys.readouterr().out)["coarse"]["layers_at_once"] == 5
