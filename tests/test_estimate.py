"""The estimate against closed forms: plastic, supports, time, and where it is shown."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import soffit
from soffit.cli.render_text import resolution_lines
from soffit.findings.room import support_layers_mm3
from soffit.layers.plastic import layers_mm3
from soffit.layers.stack import cut_layers
from soffit.plan.report import resolve_json
from soffit.process.deposit import bead_area_mm2, flow_mm3_s, print_time_s
from soffit.process.load import load_process
from soffit.production.estimate import estimate
from soffit.production.figures import figure_rows
from tests.shapes import ball, box, ledge, log, process_with, read, resolved

PLA = load_process("pla-04")


def test_bead_and_flow() -> None:
    """A bead 0.45 × 0.2 is 0.081416 mm² (derived: (w − h)h + πh²/4)."""
    assert bead_area_mm2(0.45, 0.2) == pytest.approx(0.081416, abs=1e-6)
    bead = 0.2 * 0.2 + math.pi * 0.2**2 / 4
    assert flow_mm3_s(PLA, 150.0) == pytest.approx(bead * 150)  # 10.71, below the limit of 11
    assert flow_mm3_s(PLA, 500.0) == PLA.motion.flow_limit_mm3_s.value


def laid(a: float, b: float) -> float:
    """Plastic of a layer of a × b in the middle of a block, mm³: two walls of 0.4 mm round 15 % of
    the rest (derived)."""
    return 0.2 * (a * b - 0.85 * (a - 1.6) * (b - 1.6))


def test_time_of_a_block_is_its_plastic_over_flow(tmp_path: Path) -> None:
    """60 × 60 × 10: of 50 layers four below and four above are solid, 720 mm³, the first at
    50 mm/s; a block of 20 × 20 takes the least time of a layer, 8 s, but for its first."""
    bead = 0.2 * 0.2 + math.pi * 0.2**2 / 4
    stack = cut_layers(read(box((0, 0, 0), (60, 60, 10)), tmp_path, "large"), PLA)
    each = layers_mm3(stack, PLA)
    assert each == pytest.approx(np.array([720.0] * 4 + [laid(60, 60)] * 42 + [720.0] * 4))
    wide = print_time_s(each, PLA)
    assert wide == pytest.approx(
        720 / (bead * 50) + (7 * 720 + 42 * laid(60, 60)) / (bead * 150), rel=1e-6)
    stack = cut_layers(read(box((0, 0, 0), (20, 20, 10)), tmp_path, "small"), PLA)
    small = print_time_s(layers_mm3(stack, PLA), PLA)
    assert small == pytest.approx(80 / (bead * 50) + 49 * 8.0, rel=1e-6)


def test_support_of_a_ledge_is_the_room_below_it(tmp_path: Path) -> None:
    """A shelf 10 deep, 20 wide at z = 14 shadows 2800 mm³ of empty room."""
    found = soffit.review(read(ledge(10, 20, 14), tmp_path), "pla-04")
    room = support_layers_mm3(cut_layers(found.part, PLA), found.air)
    assert room.sum() == pytest.approx(2800.0, rel=2e-3)
    assert room[:70] == pytest.approx(np.full(70, 40.0), rel=2e-3)
    assert not room[70:].any()


def test_part_with_nothing_over_air_costs_the_same_three_times(tmp_path: Path) -> None:
    result = soffit.resolve(read(box((0, 0, 0), (30, 20, 10)), tmp_path), "pla-04", quantity=1000)
    cases = list(result.estimate.values())
    assert cases[0] == cases[1] == cases[2]
    due = 8 * 120.0 + 42 * laid(30, 20)
    assert cases[0]["plastic_mm3"] == pytest.approx(due)
    assert cases[0]["plastic_g"] == pytest.approx(due / 800)  # 1.25 g/cm³
    assert cases[0]["run_plastic_kg"] == pytest.approx(due / 800)
    assert cases[0]["thrown_away_g"] == 0.0


def test_resolution_carries_its_estimate_into_report_and_terminal() -> None:
    result = resolved("ledge_bracket")
    figures = result.estimate
    assert list(figures) == ["as_received", "slicer_supported", "resolved"]
    bare, supported, done = figures.values()
    assert bare["plastic_mm3"] < result.received.mesh.volume_mm3
    # What an edit was priced at is what the part takes more of with it.
    (edit,) = result.edits
    assert edit.cost is not None
    assert done["plastic_mm3"] == pytest.approx(
        bare["plastic_mm3"] + edit.cost.plastic_mm3, rel=2e-3)
    # The shelf's 1033 mm² stand 36 mm above the base plate of 5 mm, and its holes apart.
    thrown = supported["thrown_away_g"] / 1.25 * 1000
    over = result.before.over_air_mm2
    assert supported["plastic_mm3"] - bare["plastic_mm3"] == pytest.approx(thrown)
    assert 0.15 * over * 36 < thrown < 0.15 * over * 41
    # Its layers are so small that supports fit into the least time of a layer.
    assert supported["time_s"] >= bare["time_s"]
    report = json.loads(json.dumps(resolve_json(result)))
    assert report["estimate"]["resolved"]["plastic_g"] == pytest.approx(
        done["plastic_g"], abs=1e-6)
    text = "\n".join(line.text for line in resolution_lines(result))
    assert f"{done['plastic_g']:.2f}" in text
    assert "with slicer supports" in text


def test_run_scales_with_the_quantity_and_nothing_else_does() -> None:
    result = resolved("ledge_bracket")
    many = estimate(replace(result, quantity=10_000))
    for case, figures in estimate(replace(result, quantity=1)).items():
        each = figures.pop("price_each", None), many[case].pop("price_each", None)
        if case == "as_received":
            assert each == (None, None)  # it prints over air
        else:
            # Set-up by a worker and, where anything is changed, the engineer's hours are shared.
            once = 20.0 + (210.0 if case == "resolved" else 0.0)
            assert each[0] - each[1] == pytest.approx(once * (1 - 1 / 10_000))
        for name, value in figures.items():
            factor = 10_000 if name.startswith("run_") else 1
            assert many[case][name] == pytest.approx(factor * value), (case, name)


def test_figures_are_shown_in_units_that_read_well() -> None:
    rows = figure_rows({"as_received": {"time_s": 90.0, "plastic_g": 12.3},
                        "resolved": {"time_s": 5400.0}})
    assert [(r.words, r.unit, r.values) for r in rows] == [
        ("Plastic, as laid", "g", (12.3, None, None)),
        ("Time to print", "min", (1.5, None, 90.0)),
    ]


# Oracles 1 and 2: between what is flatter than 45° of a ball of R = 10 and the platform that it
# touches lie 216.882 mm³, of a lying bar of L = 50, 644.077 mm³ (derived; re-computed below).
BALL_MM3 = math.pi * 10**3 * (0.5 - 2 / 3 * (1 - math.cos(math.pi / 4) ** 3))
BAR_MM3 = 2 * 50 * (10 * 10 * math.sin(math.pi / 4)
                    - 10**2 * 0.5 * (math.pi / 4 + 0.5))


@pytest.mark.parametrize(
    ("shape", "due", "stated"),
    [(ball, BALL_MM3, 216.882), (log, BAR_MM3, 644.077)],
)
def test_support_of_round_undersides(
    shape: Callable[[], object], due: float, stated: float, tmp_path: Path
) -> None:
    """In thin layers the room tends to the closed form; the first layer stands by itself."""
    assert due == pytest.approx(stated, abs=1e-3)
    fine = process_with(layer_mm=0.05)
    found = soffit.review(read(shape(), tmp_path), fine)
    room = support_layers_mm3(cut_layers(found.part, fine), found.air)
    assert room.sum() == pytest.approx(due, rel=0.02)
