"""Coupons: every level is there, and is what it says, by the product's own measure."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

import soffit
from soffit.cli.run import run
from soffit.findings.bed_topple import towers
from soffit.findings.built import Built
from soffit.findings.model import Review
from soffit.findings.review import review
from soffit.layers.stack import cut_layers
from soffit.part.mesh_solid import evaluate
from soffit.part.place import place
from soffit.part.step import draw
from soffit.process.load import load_process
from soffit.production.capability import COLUMNS, LADDERS
from soffit.production.coupon import (
    Coupon,
    bridges,
    clearances,
    coupons,
    engraved,
    feet,
    holes,
    lips,
    overhangs,
    tips,
    walls,
)
from soffit.sheet.coupons import coupons_figure
from tests.solids import block, part_of

PLA = load_process("pla-04")


def found(coupon: Coupon) -> Review:
    part = place(draw(coupon.solid, coupon.name), "keep")
    assert part.closed and part.mesh.bounds[0, 2] == pytest.approx(0.0)
    return review(part, PLA)


def test_overhangs_flatter_than_the_limit_hang() -> None:
    """Five of nine, each 12 by 8 mm in plan; 45° itself holds."""
    result = found(overhangs())
    assert sorted(f.angle_deg or 0.0 for f in result.air) == pytest.approx(
        [20, 25, 30, 35, 40], abs=0.1)
    assert len(result.air) == 5
    assert [f.area_mm2 for f in result.air] == pytest.approx([96.0] * 5, rel=0.03)


def test_bridges_and_lips_are_as_long_as_they_say() -> None:
    """Each is found with its own length, nothing else is: also not the digits."""
    for coupon, measure in ((bridges(), "span_mm"), (lips(), "reach_mm")):
        findings = sorted(found(coupon).findings, key=lambda f: getattr(f, measure))
        assert [getattr(f, measure) for f in findings] == pytest.approx(coupon.levels, abs=1e-3)
        limit = getattr(PLA, coupon.limit)
        assert [f.severity == "blocker" for f in findings] == [v > limit for v in coupon.levels]


@pytest.mark.parametrize("name", ["pla-04", "tpu-04"])
def test_tips_give_as_much_as_they_say(name: str) -> None:
    """By the review's own measure of what stands alone: so many lines each, and those past half a
    line are too slim; nothing is over air."""
    process = load_process(name)
    coupon = tips(process)
    part = place(draw(coupon.solid, coupon.name), "keep")
    assert part.closed
    alone = Built(part, process, cut_layers(part, process))
    gives = sorted(t.gives_mm / process.line_mm for t in towers(alone, 0.05 * process.line_mm))
    assert gives == pytest.approx(coupon.levels, rel=0.02)
    seen = review(part, process, unattended=True)
    assert not seen.air
    slim = [f for f in seen.findings if f.kind == "bed/topple" and "slim tower" in f.message]
    assert len(slim) == sum(level > process.props.give_lines.value for level in coupon.levels) == 5


def test_feet_are_as_wide_as_they_say() -> None:
    """Just above the plate; 8 mm long each. They widen at the limit, so that nothing is over
    air."""
    coupon = feet()
    result = found(coupon)
    assert not result.findings
    section = evaluate(coupon.solid, part_of(block(0, 0, 0, 1, 1, 1))).slice(1.6 + 1e-3).decompose()
    sizes = [np.ptp(s.to_polygons()[0], axis=0).tolist() for s in section]
    assert sorted(size[0] for size in sizes) == pytest.approx(coupon.levels, abs=3e-3)
    assert [size[1] for size in sizes] == pytest.approx([8.0] * 10)
    # What the product would still make, and what it would not, is among them.
    allowed = PLA.props.contact_mm.value
    assert coupon.levels[0] < allowed < coupon.levels[-1] and allowed in coupon.levels


def test_holes_walls_and_gaps_have_the_sizes_that_they_say() -> None:
    part = draw(holes().solid, "holes")
    assert sorted({round(2 * f.radius_mm, 6) for f in part.faces if f.radius_mm}) == list(
        holes().levels)
    thin = evaluate(walls().solid, part_of(block(0, 0, 0, 1, 1, 1)))
    section = thin.slice(6.0).decompose()
    wide = sorted(float(np.ptp(s.to_polygons()[0][:, 1])) for s in section)
    assert wide == pytest.approx(walls().levels)
    gaps = clearances()
    assert draw(gaps.solid, "gaps").bodies == 1 + len(gaps.levels)
    at = evaluate(gaps.solid, part_of(block(0, 0, 0, 1, 1, 1))).slice(3.0)
    room = sum((8 + 2 * g) ** 2 - 64 for g in gaps.levels)
    assert at.area() == pytest.approx(29 * 105 - room)


def test_digits_are_told_apart_and_stay_within_their_height() -> None:
    seen = set()
    for digit in "0123456789":
        solids = [evaluate(s, part_of(block(0, 0, 0, 1, 1, 1))) for s in engraved(digit, 0, 0, 5)]
        whole = solids[0]
        for one in solids[1:]:
            whole = whole + one
        assert whole.bounding_box()[2] == pytest.approx(4.4)
        assert whole.bounding_box()[4] == pytest.approx(4.4)
        seen.add(tuple(np.round(np.concatenate(whole.slice(4.8).to_polygons()), 3).ravel()))
    assert len(seen) == 10


def test_the_drawing_has_each_in_its_place() -> None:
    some = (lips(), walls())
    figure = coupons_figure(some)
    assert [label.text for label in figure.labels] == ["Lips", "Thin walls"]
    points = np.concatenate([stroke.points for stroke in figure.strokes])
    assert points.min() > 0 and (points.max(axis=0) < (figure.width_mm, figure.height_mm)).all()
    left = points[points[:, 0] < 90.0]
    assert len(left) and len(left) < len(points)


def test_limits_are_those_of_a_profile() -> None:
    assert {c.limit for c in coupons(PLA) if c.limit} == set(LADDERS)
    for coupon in coupons(PLA):
        assert coupon.how and len(set(coupon.levels)) == len(coupon.levels)


def test_the_command_writes_what_can_be_printed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "coupons"
    assert run(["coupon", "lips", "walls", "--out", str(out)]) == 0
    assert "lips (lip_mm): 0.4, 0.6" in capsys.readouterr().out
    assert sorted(p.name for p in out.iterdir()) == [
        "lips.3mf", "lips.step", "lips.stl", "results.csv", "walls.3mf", "walls.step", "walls.stl"]
    volumes = [soffit.read(out / f"lips.{kind}", unit="mm" if kind == "stl" else None
                           ).mesh.volume_mm3 for kind in ("step", "3mf", "stl")]
    assert volumes == pytest.approx([volumes[0]] * 3, rel=1e-6)
    with (out / "results.csv").open() as file:
        assert set(COLUMNS) <= set(next(csv.reader(file)))
    filled = "limit,held,failed\nlip_mm,1.0,1.2\n"
    (out / "results.csv").write_text(filled)
    assert run(["coupon", "lips", "--out", str(out)]) == 0
    assert (out / "results.csv").read_text() == filled  # what was filled in stays
    assert run(["coupon", "lip", "--out", str(out)]) == 2
    assert "there is no coupon 'lip'" in capsys.readouterr().err
