"""What parts, layers, findings, reviews and resolutions show of themselves in a notebook."""

from __future__ import annotations

import re
import subprocess
import sys
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
import shapely

from soffit.findings.model import NO_PATCH
from soffit.layers.stack import cut_layers
from soffit.process.load import load_process
from tests.solids import block, part_of
from tests.test_sheet import bracket_result, pillow_result

SVG = "{http://www.w3.org/2000/svg}"


def paths_of(svg: ElementTree.Element, kind: str) -> list[np.ndarray]:
    """Outlines filled with the ground of a colour, as polygons."""
    found = []
    for path in svg.iter(f"{SVG}path"):
        if path.get("fill") == kind:
            for ring in (path.get("d") or "").split("M")[1:]:
                numbers = [float(v) for v in re.findall(r"-?[\d.]+", ring)]
                found.append(np.array(numbers).reshape(-1, 2))
    return found


def test_a_part_is_drawn_with_its_file_and_size() -> None:
    part = part_of(block(0, 0, 0, 30, 20, 10))
    svg = ElementTree.fromstring(part._repr_svg_())
    assert svg.tag == f"{SVG}svg"
    assert "30.00 × 20.00 × 10.00 mm" in "".join(svg.itertext())
    # Nine edges of a box are seen from a corner: drawn as one path of nine lines at most.
    (drawn,) = [p for p in svg.iter(f"{SVG}path") if p.get("stroke-width") == "0.35"]
    assert 3 <= (drawn.get("d") or "").count("M") <= 9


def test_names_of_files_are_no_markup() -> None:
    result = bracket_result()
    odd = replace(result.received, source=replace(result.received.source, file="<b>&x.step"))
    for text in (odd._repr_svg_(), replace(result, received=odd)._repr_html_(),
                 replace(result.before, part=odd)._repr_html_()):
        assert "<b>" not in text
        assert "&lt;b&gt;&amp;x.step" in text


def test_a_layer_shows_what_steps_out_over_the_one_below() -> None:
    """A T: the first layer of its bar, 30 × 10, over a stem of 10 × 10. What is farther out than a
    step of 0.2 mm, and twice the fineness of the mesh, is over air: (30 − 10 − 2·step) · 10."""
    part = part_of(block(10, 0, 0, 20, 10, 10) + block(0, 0, 10, 30, 10, 14))
    stack = cut_layers(part, load_process("pla-04"))
    first = stack.layer_at(10.1)
    layer = stack[first]
    assert layer.z_mm == pytest.approx((10.0, 10.2))
    assert layer.area_mm2 == pytest.approx(300.0, abs=0.01)
    svg = ElementTree.fromstring(layer._repr_svg_())
    over = sum(shapely.Polygon(p).area for p in paths_of(svg, "#7a3b9a"))
    wide = max(float(np.ptp(p[:, 0])) for p in paths_of(svg, "none") if len(p) > 3)
    scale = wide / 30.0
    step = stack.step_mm + stack.slack_mm
    assert over / scale**2 == pytest.approx((20.0 - 2.0 * step) * 10.0, rel=0.01)
    below = ElementTree.fromstring(stack[first - 1]._repr_svg_())
    assert not paths_of(below, "#7a3b9a")
    assert stack[-1].index == len(stack) - 1
    with pytest.raises(IndexError):
        stack[len(stack)]


def test_a_finding_is_told_and_drawn_from_above() -> None:
    (finding, *_) = bracket_result().before.air
    page = ElementTree.fromstring(finding._repr_html_())
    words = " ".join("".join(page.itertext()).split())
    assert finding.message in words
    assert f"{finding.reach_mm:.1f}" in words
    assert paths_of(next(page.iter(f"{SVG}svg")), "#7a3b9a")
    bare = ElementTree.fromstring(replace(finding, patch=NO_PATCH)._repr_html_())
    assert not list(bare.iter(f"{SVG}svg"))


def test_a_review_and_a_resolution_show_their_places_numbered() -> None:
    result = pillow_result()
    for text, due in ((result.before._repr_html_(), len(result.before.air)),
                      (result._repr_html_(), 4)):
        page = ElementTree.fromstring(text)
        balloons = [g for g in page.iter(f"{SVG}g") if g.get("class") == "balloon"]
        assert len(balloons) == due
    assert "2 places open" in result._repr_html_()
    assert f"{result.before.over_air_mm2:.1f} mm² over air" in result.before._repr_html_()


def test_nothing_that_draws_is_loaded_before_it_is_asked_for() -> None:
    code = ("import sys, soffit, soffit.plan.model, soffit.layers.stack; "
            "print(any(m.startswith('soffit.sheet') for m in sys.modules))")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
