"""Break-away props: closed forms of their physics, and parts that only props can cure."""

from __future__ import annotations

import math
from dataclasses import replace

import manifold3d as m3
import numpy as np
import pytest
import shapely

from soffit.findings.review import review
from soffit.layers.stack import cut_layers
from soffit.part.manifold import to_manifold
from soffit.part.mesh_solid import evaluate
from soffit.part.scene import with_bodies
from soffit.plan.resolve import resolve
from soffit.plan.wishes import Wishes
from soffit.process import physics
from soffit.process.load import load_process
from soffit.remedies import LAST_RESORT, prop
from soffit.remedies.context import context_of
from soffit.remedies.prop_place import between, chords
from soffit.remedies.prop_shape import House, Room, shell
from soffit.remedies.prop_solid import WELD_MM, as_solid, lumps
from soffit.remedies.prop_way import around, sweep, way_out
from tests.solids import block, part_of

PLA = load_process("pla-04")
EVERYWHERE = Room.of(m3.CrossSection.square((400.0, 400.0), True))


@pytest.fixture(autouse=True)
def props_only(monkeypatch: pytest.MonkeyPatch) -> None:
    """Parts that other remedies would cure as well: here the props alone must do."""
    monkeypatch.setattr("soffit.plan.wishes.CHANGES", LAST_RESORT)


def shelf() -> m3.Manifold:
    """A wall 10 thick with a shelf 10 deep and 20 wide, 20 above the platform."""
    return block(0, 0, 0, 10, 20, 30) + block(0, 0, 20, 20, 20, 24)


def mushroom() -> m3.Manifold:
    """A plate 50 x 50 on a stem 10 x 10 x 20: too low for a chamfer."""
    return block(20, 20, 0, 30, 30, 30) + block(0, 0, 20, 50, 50, 24)


def over_itself() -> m3.Manifold:
    """A shelf 32 deep over the foot of the same part, 25 above it."""
    return block(0, 0, 0, 40, 20, 5) + block(0, 0, 0, 8, 20, 40) + block(0, 0, 30, 40, 20, 34)


def hook() -> m3.Manifold:
    """An arm from which a lump hangs in mid-air over the part's own foot."""
    return (block(0, 0, 0, 40, 20, 6) + block(0, 0, 0, 10, 20, 40)
            + block(0, 0, 36, 40, 20, 40) + block(30, 6, 20, 38, 14, 40))


def gate(span: float) -> m3.Manifold:
    """Two walls with a beam over a gap of `span`."""
    return (block(0, 0, 0, 5, 10, 30) + block(5 + span, 0, 0, 10 + span, 10, 30)
            + block(0, 0, 26, 10 + span, 10, 30))


def ball_on_stem() -> m3.Manifold:
    return (m3.Manifold.sphere(10, 96).translate((0, 0, 20)) + block(-2, -2, 0, 2, 2, 20))


def lying() -> m3.Manifold:
    return m3.Manifold.cylinder(50, 10, 10, 96).rotate((0, 90, 0)).translate((0, 0, 10))


CURED = {"shelf": shelf(), "mushroom": mushroom(), "over itself": over_itself(),
         "hook": hook(), "gate": gate(50), "ball on stem": ball_on_stem(), "lying": lying()}


@pytest.mark.parametrize("name", CURED)
def test_cures_and_leaves_the_part_alone(name: str) -> None:
    part = part_of(CURED[name])
    result = resolve(part, PLA)
    assert not review(part, PLA).clean
    assert result.clean, [o.finding.message for o in result.open]
    assert result.produced.mesh.volume_mm3 == pytest.approx(part.mesh.volume_mm3, rel=1e-9)
    assert {e.op for e in result.edits} == {"prop"}
    solid = to_manifold(part.mesh)
    assert solid is not None
    for body in result.props:
        made = evaluate(body.solid)
        # It shares no volume with the part but what points that are made one may take in: on the
        # mean a tenth of as deep as they move (own choice; each moves as much at most, few do).
        touches = sum(e.prop.contact_mm2 for e in result.edits if e.prop is not None)
        assert float((made ^ solid).volume()) < 0.1 * WELD_MM * touches
        assert body.mesh.volume_mm3 == pytest.approx(made.volume(), rel=1e-6)


@pytest.mark.usefixtures("from_below")
@pytest.mark.parametrize("name", ["shelf", "mushroom", "over itself", "gate"])
def test_each_prop_prints_and_stays_clear(name: str) -> None:
    """On every layer: held by the layer below, and one clearance from walls except where the
    tip touches and the foot stands."""
    part = part_of(CURED[name])
    result = resolve(part, PLA)
    stack = cut_layers(part, PLA)
    h = PLA.layer_mm
    for body in result.props:
        for lump in lumps(evaluate(body.solid)):
            bottom, top = lump.bounding_box()[2], lump.bounding_box()[5]
            below = None
            for k, z in enumerate(stack.cut_mm.tolist()):
                section = lump.slice(z)
                if below is not None and not section.is_empty():
                    held = below + stack.regions[k - 1]
                    over = section - held.offset(stack.step_mm + 0.02)
                    assert over.area() < 0.04, f"over air at {z:.1f}"
                if bottom + 2 * h < z < top - 2 * h:
                    near = section.offset(0.38, m3.JoinType.Round, 2.0, 16) ^ stack.regions[k]
                    assert near.area() < 1e-6, f"too near at {z:.1f}"
                below = section if not section.is_empty() else None


@pytest.mark.usefixtures("from_below")
def test_shelf_is_one_slim_hollow_prop() -> None:
    """One ridge inside the free edge; the walls in mid-height are one line thick: their area
    is the outline's less the outline's inset by a line."""
    part = part_of(shelf())
    result = resolve(part, PLA)
    (body,) = result.props
    (edit,) = result.edits
    solid = evaluate(body.solid)
    tip = solid.slice(20.0 - 0.5 * PLA.layer_mm).bounds()
    assert 20.0 - PLA.lip_mm <= tip[2] <= 20.0 + PLA.layer_mm
    section = solid.slice(10.0)
    rings = sorted((shapely.Polygon(r) for r in section.to_polygons()), key=lambda p: p.area)
    assert len(rings) == 2
    hollow, outline = rings
    w = PLA.line_mm
    assert hollow.area == pytest.approx(
        outline.buffer(-w, join_style="mitre").area, rel=1e-3)
    # Less than a tenth of the column under the shelf: 10 x 20 x 20.
    assert body.mesh.volume_mm3 < 0.1 * 4000
    assert "snap off 1 prop" in edit.after and "straight down" in edit.after
    assert edit.volume_mm3 == pytest.approx(body.mesh.volume_mm3, rel=1e-6)


@pytest.mark.parametrize(("span", "ridges"), [(20, 1), (24, 1), (30, 2), (50, 4)])
def test_gate_takes_as_many_ridges_as_the_strip_needs(span: float, ridges: int) -> None:
    """⌈S/B⌉ − 1 ridges between (derived), with B = 0.8 of the bridging limit of 15 mm = 12."""
    assert ridges == math.ceil(span / (0.8 * PLA.bridge_mm)) - 1
    result = resolve(part_of(gate(span)), PLA, wishes=Wishes(prefer="plastic"))
    assert result.clean
    assert sum(e.prop.ridges for e in result.edits if e.prop is not None) == ridges


def test_between() -> None:
    """Strip of span S with bridge limit B needs ⌈S/B⌉ − 1 posts between (derived)."""
    assert [between(s, 15.0) for s in (10.0, 15.0, 15.1, 30.0, 30.1, 100.0)] == [0, 0, 1, 1, 2, 6]


@pytest.mark.usefixtures("from_below")
def test_foot_on_the_part_is_a_small_round_contact() -> None:
    """Each post stands on a strip with round ends or a disc: no wider than breaks off by hand, its
    outline that of its own hull, with less area than the rectangle about it by (4 − π) r²."""
    result = resolve(part_of(over_itself()), PLA, wishes=Wishes(prefer="plastic"))
    feet = 0
    for body in result.props:
        for lump in lumps(evaluate(body.solid)):
            assert lump.bounding_box()[2] == pytest.approx(5.0, abs=1e-6)
            for foot in lump.slice(5.05).decompose():
                (ring,) = foot.to_polygons()
                outline = shapely.Polygon(ring)
                long, wide = sorted(_sides(shapely.minimum_rotated_rectangle(outline)))[::-1]
                assert wide <= 3.0
                assert foot.area() == pytest.approx(
                    long * wide - (4 - math.pi) * (0.5 * wide) ** 2, rel=0.03)
                above = lump.slice(9.0) ^ foot.offset(4.0)
                assert above.bounds()[2] - above.bounds()[0] > wide
                feet += 1
    assert feet >= len(result.props)
    assert all("sideways" in e.after for e in result.edits)


def _sides(box: shapely.Polygon) -> list[float]:
    corners = np.asarray(box.exterior.coords)[:3]
    return np.linalg.norm(np.diff(corners, axis=0), axis=1).tolist()


def test_trapped_in_a_closed_cavity_is_refused() -> None:
    room = block(0, 0, 0, 40, 40, 30) - block(5, 5, 4, 35, 35, 25)
    result = resolve(part_of(room), PLA)
    assert not result.clean and not result.props
    assert any("trapped" in o.reason for o in result.open)


def test_way_out_of_a_pocket_open_to_one_side() -> None:
    """A block in a U that opens to +x only, roofed: it leaves along +x and no other way."""
    cup = block(0, 0, 0, 30, 30, 20) - block(5, 5, 4, 31, 25, 16)
    part = part_of(cup)
    stack = cut_layers(part, PLA)
    context = context_of(review(part, PLA, stack=stack), stack)
    inside = block(10, 10, 5, 20, 20, 15)
    assert way_out(context, around(context, inside)) == "sideways, 0° from x"
    closed = block(0, 0, 0, 30, 30, 20) - block(5, 5, 4, 25, 25, 16)
    part = part_of(closed)
    stack = cut_layers(part, PLA)
    context = context_of(review(part, PLA, stack=stack), stack)
    assert way_out(context, around(context, inside)) is None


def test_sweep_of_a_square() -> None:
    """A square of side a moved by L at an angle covers a² + a L (|cos| + |sin|) (derived)."""
    square = m3.CrossSection.square((2.0, 2.0))
    for angle in (0.0, 30.0, 45.0, 90.0, 210.0):
        turn = math.radians(angle)
        along = 10.0 * np.array([math.cos(turn), math.sin(turn)])
        expected = 4.0 + 2.0 * 10.0 * (abs(math.cos(turn)) + abs(math.sin(turn)))
        assert sweep(square, along).area() == pytest.approx(expected, rel=1e-6)


def test_house_is_one_line_thick_everywhere() -> None:
    """At each height the section is the outline less the outline inset by one line; the
    roof rises at the limit angle, its ridge is one line wide (derived)."""
    w = PLA.line_mm
    line = np.array([[0.0, 0.0], [20.0, 0.0]])
    house = House(line, 6.0, 20.0, 30.0, 0.0)
    made = shell(house, EVERYWHERE, PLA)
    assert made.slice(30.0 - 1e-6).area() == pytest.approx(20.0 * w, rel=1e-3)
    for depth in (0.5, 1.0, 2.0, 10.0):
        wide = min(6.0, w + 2.0 * depth)
        inner = (20.0 - 2 * w) * (wide - 2 * w)
        assert made.slice(30.0 - depth).area() == pytest.approx(
            20.0 * wide - max(inner, 0.0), rel=5e-3)


def test_lumps_and_solid_keep_cavities() -> None:
    two = (block(0, 0, 0, 10, 10, 10) - block(2, 2, 2, 8, 8, 8)) + block(20, 0, 0, 21, 1, 1)
    assert [round(b.volume(), 6) for b in lumps(two)] == [784.0, 1.0]
    assert evaluate(as_solid(two)).volume() == pytest.approx(785.0)


def test_chords_keep_within_tolerance() -> None:
    """A circle of radius R in chords of sagitta s: each spans 2 arccos(1 − s/R) at most."""
    turn = np.linspace(0, 2 * np.pi, 97)
    ring = 30.0 * np.column_stack([np.cos(turn), np.sin(turn)])
    pieces = chords(ring, 0.4)
    assert len(pieces) >= math.ceil(2 * math.pi / (2 * math.acos(1 - 0.4 / 30.0)))
    for a, b in pieces:
        assert 30.0 - np.linalg.norm(0.5 * (a + b)) <= 0.4 + 0.05
    assert pieces[0][0] == pytest.approx(pieces[-1][1])


def test_hollow_square_post() -> None:
    """8 × 8, wall 0.45, 60 tall, E = 2000: I = 129.569 mm⁴, Euler 177.6 N, deflection under
    0.5 N 0.1389 mm (Timoshenko & Gere; Roark)."""
    moment = physics.second_moment_box(8.0, 8.0, 0.45)
    assert moment == pytest.approx(129.569, abs=5e-4)
    assert physics.buckling_n(60.0, 2000.0, moment) == pytest.approx(177.6, abs=0.05)
    assert physics.tip_deflection_mm(0.5, 60.0, 2000.0, moment) == pytest.approx(0.1389, abs=5e-5)
    outer = np.array([[0, 0], [8, 0], [8, 8], [0, 8]], dtype=float)
    inner = np.array([[0.45, 0.45], [0.45, 7.55], [7.55, 7.55], [7.55, 0.45]])
    assert physics.least_second_moment([outer, inner]) == pytest.approx(129.569, abs=5e-4)


def test_tip_tears_and_snaps() -> None:
    """0.45 × 8 mm at 20 MPa: 72 N to pull, 5.4 N·mm to snap, 0.27 N at 20 mm (derived)."""
    assert physics.pull_off_n(20.0, 0.45, 8.0) == pytest.approx(72.0)
    assert physics.snap_moment_nmm(20.0, 0.45, 8.0) == pytest.approx(5.4)
    assert physics.snap_moment_nmm(20.0, 0.45, 8.0) / 20.0 == pytest.approx(0.27)


def test_second_moments_of_a_turned_rectangle() -> None:
    """a × b turned by any angle about any point: a b³/12 and a³ b/12 (Roark)."""
    for turn in (0.0, 0.3, 1.1):
        c, s = math.cos(turn), math.sin(turn)
        ring = np.array([[0, 0], [9, 0], [9, 2], [0, 2]]) @ np.array([[c, s], [-s, c]]) + [70, -3]
        area, least, most, centre = physics.second_moments([ring])
        assert (area, least, most) == pytest.approx((18.0, 6.0, 121.5))
        assert centre == pytest.approx(ring.mean(axis=0))
        # Pull at the edge of the foot: F H (b/2) / I.
        pull = pytest.approx(0.5 * 30.0 * 1.0 / 6.0)
        assert physics.peel_of([ring], 0.5, 30.0) == pull
        # However many corners divide one of its sides.
        dense = np.concatenate([np.linspace(ring[0], ring[1], 50), ring[2:]])
        assert physics.peel_of([dense], 0.5, 30.0) == pull


@pytest.mark.usefixtures("from_below")
def test_tall_and_slim_is_refused_or_stands_wide() -> None:
    """The tip of every prop gives by half a line at most under the drag of the nozzle, by the
    section that it really has in mid-height."""
    part = part_of(block(0, 0, 0, 10, 6, 90) + block(0, 0, 80, 20, 6, 84))
    result = resolve(part, PLA)
    for body in result.props:
        for lump in lumps(evaluate(body.solid)):
            moment = physics.least_second_moment(lump.slice(40.0).to_polygons())
            give = physics.tip_deflection_mm(PLA.drag_n, 80.0, 3500.0, moment)
            assert give <= 0.5 * PLA.line_mm * 1.01
    assert result.clean


def test_options_are_the_same_twice_and_name_the_finding() -> None:
    part = part_of(mushroom())
    stack = cut_layers(part, PLA)
    seen = review(part, PLA, stack=stack)
    context = context_of(seen, stack)
    (finding,) = seen.air
    first, _ = prop.options(context, finding)
    again, _ = prop.options(context, finding)
    assert [o.why for o in first] == [o.why for o in again]
    assert [o.rank for o in first] == [5 + k for k in range(len(first))]
    assert all(o.finding == finding.id and o.op == "prop" for o in first)


def test_the_scene_is_clean_and_the_part_alone_is_not() -> None:
    result = resolve(part_of(shelf()), PLA)
    alone = review(replace(result.produced, brep=None), PLA)
    assert alone.over_air_mm2 == pytest.approx(200.0, rel=1e-6)
    assert review(with_bodies(result.produced, result.props), PLA).clean


def test_a_bevel_narrower_than_a_ridge_is_held_at_its_foot() -> None:
    """The free edge of a shelf rises for 0.5 mm at 29°: its strip is narrower than a line, but
    the ledge that it goes on from has room for a ridge."""
    x0, x1 = 20.0, 20.5
    bevel = m3.Manifold.hull_points(np.array([
        [x, y, z] for y in (0.0, 20.0) for x, z in [(x0, 20), (x1, 20.28), (x1, 24), (x0, 24)]]))
    solid = shelf() + bevel
    part = part_of(solid)
    stack = cut_layers(part, PLA)
    seen = review(part, PLA, stack=stack)
    slope = next(f for f in seen.air if f.kind == "air/slope")
    options, why_not = prop.options(context_of(seen, stack), slope)
    assert options, why_not
    assert resolve(part, PLA).clean
