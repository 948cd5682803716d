"""What else stops an unattended run: each check against a closed form (derived here unless said),
and a plain block that has none of it."""

from __future__ import annotations

import math
from pathlib import Path

import manifold3d as m3
import pytest

from soffit.findings.built import Built
from soffit.findings.explain import explain
from soffit.findings.model import Finding
from soffit.findings.review import CHECKS, review
from soffit.layers.stack import cut_layers
from soffit.part.model import Part
from soffit.process.load import load_process
from soffit.process.model import Process
from tests import shapes
from tests.solids import block, part_of

PLA, ABS = load_process("pla-04"), load_process("abs-04")


def found(kind: str, part: Part, process: Process = PLA) -> list[Finding]:
    return [f for f in review(part, process, unattended=True).findings if f.kind == kind]


def built(solid: m3.Manifold, process: Process = PLA) -> Built:
    part = part_of(solid)
    return Built(part, process, cut_layers(part, process))


def test_a_plain_block_has_none() -> None:
    part = part_of(block(0, 0, 0, 60, 40, 20))
    assert review(part, PLA, unattended=True).findings == ()


def test_each_has_its_manual() -> None:
    for check in CHECKS:
        text = explain(check.KIND)
        for word in ("What happens", "How it is measured", "Inputs", "Cures", "Limits"):
            assert word in text, check.KIND


# F H c / I of a square foot of side a: c = a/2, I = a⁴/12, so 6 F H / a³.
# At 0.2 MPa a foot of 9 x 9 holds up to 48.6 mm.
@pytest.mark.parametrize(("side", "height", "fails"), [(4, 60, True), (10, 60, False),
                                                       (9, 48, False), (9, 49, True)])
def test_footprint(side: float, height: float, fails: bool) -> None:
    marginal = found("bed/footprint", part_of(block(0, 0, 0, side, side, height)))
    assert bool(marginal) == fails
    if marginal:
        assert f"{6 * 0.5 * height / side**3:.1f} MPa" in marginal[0].message


def test_a_tower_stands_alone_until_it_is_tied() -> None:
    """Two posts of 4 x 4 under a beam at 58: peel of one is 6 · 0.5 · 58 / 64 = 2.7 MPa; the
    two together, 40 apart, hold."""
    gate = block(0, 0, 0, 4, 4, 58) + block(40, 0, 0, 44, 4, 58) + block(0, 0, 58, 44, 4, 62)
    here = [f for f in found("bed/topple", part_of(gate)) if "before it is tied" in f.message]
    assert len(here) == 2
    assert all("2.7 MPa" in f.message for f in here)
    pieces = built(gate).pieces
    assert sum(p.joins for p in pieces) == 2
    whole = next(p for p in pieces if not p.joins)
    assert whole.volume_mm3 == pytest.approx(2 * 16 * 58 + 44 * 4 * 4, rel=2e-3)
    assert whole.centre[:2] == pytest.approx([22, 2], abs=1e-6)


def test_give_of_a_post_is_that_of_the_beam() -> None:
    """F H³ / 3 E I (Roark), times E / F; and of a stepped post by its two sections."""
    post = built(block(0, 0, 0, 4, 4, 60))
    moment = 4**4 / 12
    assert post.layers[-1][0].give == pytest.approx(60**3 / (3 * moment), rel=2e-3)
    stepped = built(block(-3, -3, 0, 7, 7, 30) + block(0, 0, 30, 4, 4, 60))
    below = (60**3 - 30**3) / (3 * 10**4 / 12)
    assert stepped.layers[-1][0].give == pytest.approx(below + 30**3 / (3 * moment), rel=5e-3)


def test_slim_pin_gives() -> None:
    """3 mm pin, 60 high: I = π 3⁴/64, δ = 0.5 · 60³ / (3 · 3500 · I) = 2.59 mm."""
    pin = block(-20, -20, 0, 20, 20, 4) + m3.Manifold.cylinder(60, 1.5, circular_segments=96)\
        .translate((0, 0, 4))
    (tip,) = [f for f in found("bed/topple", part_of(pin)) if "slim tower" in f.message]
    moment = math.pi * 3**4 / 64
    due = 0.5 * 60**3 / (3 * 3500 * moment)
    assert f"{due:.2f} mm under" in tip.message
    # Slim from where F z³ / 3 E I is half a line.
    first = (0.2 * 3 * 3500 * moment / 0.5) ** (1 / 3)
    assert tip.z_mm[0] == pytest.approx(4 + first, abs=1.0) and tip.z_mm[1] == pytest.approx(64)


def test_weight_past_the_foot() -> None:
    """Γ: a stem 10 wide with an arm of 60 at its top: the centre of mass lies past the foot."""
    gamma = block(0, 0, 0, 10, 10, 30) + block(0, 0, 30, 70, 10, 40)
    (tips,) = [f for f in found("bed/topple", part_of(gamma)) if "centre of mass" in f.message]
    assert f"{(3000 * 5 + 7000 * 35) / 10000 - 10:.1f} mm past its foot" in tips.message


@pytest.mark.parametrize(("side", "fails"), [(8.0, False), (6.0, True)])
def test_tipping_angle(side: float, fails: bool) -> None:
    """Oracle 13, atan((b/2) / h_cg), at 70 mm: 3.27° for a block 8 wide, 2.45° for one of 6."""
    tips = [f for f in found("bed/topple", part_of(block(0, 0, 0, side, 30, 140)))
            if "tipping" in f.message]
    assert bool(tips) == fails
    if fails:
        assert f"{math.degrees(math.atan2(side / 2, 70)):.1f}° from tipping" in tips[0].message


# √(r h − h²/4) past the flat; half a line is allowed.
@pytest.mark.parametrize("radius", [1.0, 5.0])
def test_rounded_edge_of_the_first_layer(tmp_path: Path, radius: float) -> None:
    part = shapes.read(shapes.rounded_bottom(radius), tmp_path)
    edges = found("bed/edge", part)
    assert len(edges) == 2
    # A chord lies up to its deflection of 0.02 above the arc, which rises there by x / r.
    due = math.sqrt(radius * 0.2 - 0.01)
    for edge in edges:
        reach = float(edge.message.split("reaches ")[1].split(" mm")[0])
        assert due - 0.02 * radius / due - 0.05 < reach < due + 0.05


def test_chamfered_edge_passes_and_a_ball_does_not_lie() -> None:
    wedge = m3.Manifold.hull_points([(x, y, z) for z, o in ((0, 2), (2, 0), (10, 0))
                                     for x in (o, 30 - o) for y in (o, 20 - o)])
    assert found("bed/edge", part_of(wedge)) == []
    (knife,) = found("bed/edge", part_of(m3.Manifold.sphere(10, 48)))
    assert "edge or a point" in knife.message


def test_small_layers() -> None:
    """10 x 10: 20 mm³ over min(11, (0.2·0.2 + π·0.01) · 150) mm³/s."""
    (small,) = found("cool/small-layer", part_of(block(0, 0, 0, 10, 10, 30)))
    seconds = 20 / min(11.0, (0.04 + math.pi * 0.01) * 150)
    assert f"{seconds:.1f} s or more" in small.message and small.severity == "note"
    assert small.z_mm == (0.0, 30.0)
    (tiny,) = found("cool/small-layer", part_of(block(0, 0, 0, 3, 3, 10)))
    assert tiny.severity == "marginal"


def test_captive() -> None:
    ring = m3.Manifold.cylinder(10, 20) - m3.Manifold.cylinder(10, 15)
    inside = part_of(ring + m3.Manifold.cylinder(8, 5))
    (caught,) = found("eject/captive", inside)
    assert caught.severity == "marginal" and "nothing pushes it" in caught.message
    beside = part_of(ring + m3.Manifold.cylinder(8, 5).translate((40, 0, 0)))
    (loose,) = found("eject/captive", beside)
    assert loose.severity == "note"
    tied = part_of(ring + m3.Manifold.cylinder(8, 5) + block(-16, -2, 6, 16, 2, 8))
    assert found("eject/captive", tied) == []


@pytest.mark.parametrize(("thick", "severity"), [(0.3, "marginal"), (0.6, "note"), (0.8, None)])
def test_thin_wall(thick: float, severity: str | None) -> None:
    rib = block(0, 0, 0, 40, 30, 4) + block(10, 5, 4, 10 + thick, 25, 20)
    walls = found("wall/thin", part_of(rib))
    if severity is None:
        assert walls == []
        return
    (wall,) = walls
    # Twice the area over the outline of a strip 20 long.
    assert wall.severity == severity
    assert f"{20 * thick / (20 + thick):.2f} mm" in wall.message
    assert wall.z_mm == pytest.approx((4.0, 20.0), abs=0.21)


def test_gap() -> None:
    slot = block(0, 0, 0, 40, 30, 10) - block(10, -1, 4, 10.15, 31, 11)
    (gap,) = found("wall/gap", part_of(slot))
    assert "0.15 mm" in gap.message and gap.z_mm == pytest.approx((4.0, 10.0), abs=0.21)
    wide = block(0, 0, 0, 40, 30, 10) - block(10, -1, 4, 10.4, 31, 11)
    assert found("wall/gap", part_of(wide)) == []


def test_small_hole() -> None:
    plate = block(0, 0, 0, 40, 30, 10)
    drilled = plate - m3.Manifold.cylinder(12, 0.75, circular_segments=64).translate((8, 8, -1))
    drilled -= m3.Manifold.cylinder(12, 1.5, circular_segments=64).translate((20, 8, -1))
    drilled -= block(30, 10, -1, 31, 20, 11)
    (hole,) = found("wall/hole-size", part_of(drilled))
    assert "hole of 1.5 mm" in hole.message and hole.at_mm[:2] == pytest.approx((8, 8), abs=0.01)
    assert hole.z_mm == (0.0, 10.0)


def test_warp() -> None:
    """A plate of 200 x 100 in ABS: L = √(100² + 50²), u = 90e-6 · 84 · L; in PLA 68e-6 · 37 · L."""
    plate = part_of(block(0, 0, 0, 200, 100, 5))
    corners = found("warp/corner", plate, ABS)
    assert len(corners) == 4
    assert f"{90e-6 * 84 * math.hypot(100, 50):.2f} mm" in corners[0].message
    assert len(found("warp/corner", plate, PLA)) == 4
    assert found("warp/corner", part_of(block(0, 0, 0, 100, 80, 5)), PLA) == []
    round_ = part_of(m3.Manifold.cylinder(5, 110, circular_segments=200))
    assert found("warp/corner", round_, ABS) == []


def test_turning_about_the_vertical_changes_nothing() -> None:
    rib = block(0, 0, 0, 40, 30, 4) + block(10, 5, 4, 10.6, 25, 20) + block(30, 5, 4, 33, 8, 60)
    plain = review(part_of(rib), PLA, unattended=True).findings
    turned = review(part_of(rib.rotate((0, 0, 30)).translate((300, -200, 0))), PLA,
                    unattended=True).findings
    assert [(f.kind, f.message) for f in plain] == [(f.kind, f.message) for f in turned]
    assert len(plain) >= 3
