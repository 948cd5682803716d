"""The layer engine against the pixel-column referee, on every example and its resolved part."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest

from examples.make import NAMES
from soffit.findings.model import Finding, Review
from soffit.findings.review import review
from soffit.layers.stack import slack_of
from soffit.part.model import Mesh
from soffit.part.scene import with_bodies
from soffit.process.load import load_process
from tests.pixel_engine import PixelPatch, over_air
from tests.shapes import example, resolved

PROCESS = load_process("pla-04")

# Examples with slopes need the finer pixel; level undersides do not.
SLOPED = {"bearing_carrier", "clamp_block", "latch_hook", "pillow_block", "rack_tray",
          "rain_funnel", "skid_foot"}


def pixels(mesh: Mesh, step_mm: float, pixel_mm: float,
           span_from_mm: float = math.inf) -> list[PixelPatch]:
    return over_air(mesh.vertices, mesh.triangles, layer_mm=PROCESS.layer_mm,
                    first_layer_mm=PROCESS.first_layer_mm, step_mm=step_mm, pixel_mm=pixel_mm,
                    span_from_mm=span_from_mm, line_mm=PROCESS.line_mm)


def air(found: Review) -> list[Finding]:
    """All air findings, also those that the process can span."""
    return [f for f in found.findings if f.kind.startswith("air/")]


def outline_mm(findings: list[Finding]) -> float:
    """Length of the outlines of these findings."""
    return float(sum(
        np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1).sum()
        for f in findings for ring in f.patch.rings))


@pytest.mark.parametrize("name", NAMES)
def test_area_over_air_as_received(name: str) -> None:
    """All patches: between what the referee is sure of and what it cannot exclude, give or
    take half a pixel along the outlines."""
    part = example(name)
    found = air(review(part, PROCESS))
    total = sum(f.area_mm2 for f in found)
    p = 0.06 if name in SLOPED else 0.1
    sure = sum(q.area_mm2 for q in pixels(part.mesh, PROCESS.step_mm + slack_of(part), p))
    edge = 0.5 * p * outline_mm(found)
    assert total > 50, "every example has something over air"
    if name in SLOPED:
        # What steps out by more than the allowed step less two pixels: no strip is missed.
        possible = sum(q.area_mm2 for q in pixels(part.mesh, PROCESS.step_mm - 2 * p, p))
        assert sure - edge <= total <= possible + edge
    else:
        assert total == pytest.approx(sure, abs=edge)
        assert edge < 0.05 * total, "the referee is too coarse to judge this part"


@pytest.mark.parametrize("name", NAMES)
def test_level_patches_lie_in_the_same_layers(name: str) -> None:
    """Patches too wide for a strip of a slope: same layer, same area, in both engines."""
    part = example(name)
    p = 0.1
    by_layer: dict[int, float] = {}
    for q in pixels(part.mesh, PROCESS.step_mm + slack_of(part), p):
        if q.reach_mm > 1.4 and q.area_mm2 > 5:
            by_layer[q.layer] = by_layer.get(q.layer, 0.0) + q.area_mm2
    level = [f for f in air(review(part, PROCESS)) if f.kind != "air/slope"]
    for layer, area in by_layer.items():
        here = [f for f in level if f.patch.layers == (layer, layer)]
        assert sum(f.area_mm2 for f in here) == pytest.approx(
            area, abs=0.5 * p * outline_mm(here)), f"layer {layer}"


def test_most_examples_have_a_level_patch() -> None:
    """The comparison above must not run over empty lists."""
    having = [name for name in NAMES if any(
        f.kind != "air/slope" and f.severity == "blocker"
        for f in air(review(example(name), PROCESS)))]
    assert len(having) >= 10


@dataclass(frozen=True)
class Verdict:
    """Patches that no lip and no bridge excuses, by the referee alone."""

    islands: list[PixelPatch]
    too_far: list[PixelPatch]


def judge(mesh: Mesh, slack_mm: float, pixel_mm: float) -> Verdict:
    """Islands, and patches that reach or have run further than the lip and are not spanned
    within the bridge limit; each with the resolution of the referee in the product's favour.
    What a bead cannot be laid on (half a line square, derived) is not printed."""
    lip, bridge = PROCESS.lip_mm, PROCESS.bridge_mm
    patches = [q for q in pixels(mesh, PROCESS.step_mm + slack_mm, pixel_mm, lip)
               if q.past_mm2 > 0.5 * PROCESS.line_mm**2]
    islands = [q for q in patches if not q.touches]
    far = [q for q in patches
           if q.touches and max(q.reach_mm, q.run_mm - PROCESS.step_mm) > lip + 2 * pixel_mm
           and not q.span_mm <= bridge + 3 * pixel_mm]
    return Verdict(islands, far)


@pytest.mark.parametrize("name", NAMES)
def test_resolved_part_by_the_referee(name: str) -> None:
    """Where the product says clean, the referee finds no island and nothing that reaches
    further than the lip without being spanned; where it says open, the referee sees it too.
    Props count as part of the scene, as they do in the product."""
    result = resolved(name)
    scene = with_bodies(result.produced, result.props)
    verdict = judge(scene.mesh, slack_of(result.produced), 0.1)
    if result.clean:
        assert verdict == Verdict([], [])
    else:
        assert verdict.islands or verdict.too_far


def test_the_referee_condemns_every_example_as_received() -> None:
    condemned = []
    for name in NAMES:
        verdict = judge(example(name).mesh, slack_of(example(name)), 0.1)
        if verdict.islands or verdict.too_far:
            condemned.append(name)
    assert condemned == list(NAMES)
