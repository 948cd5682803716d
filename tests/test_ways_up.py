"""The search for a way up against closed forms: plain bodies, turned, with a load, with a face."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import manifold3d as m3
import numpy as np
import pytest
from jsonschema import Draft202012Validator
from referencing import Registry, Resource
from scipy.spatial.transform import Rotation

import soffit
from soffit.errors import InputError, SelectorError
from soffit.findings.review import review
from soffit.findings.room import support_layers_mm3
from soffit.layers.stack import cut_layers
from soffit.orient.choose import FINALISTS, search
from soffit.orient.depth import Depth
from soffit.orient.directions import Direction, directions, flat_sides, hole_axes, sphere
from soffit.orient.finalists import in_order
from soffit.orient.front import front, named, why
from soffit.orient.measure import Aims, Task, measured, strength
from soffit.part.model import Floats, Part
from soffit.part.place import place, transform
from soffit.plan.report_parts import dumps
from soffit.plan.report_ways_up import ways_up_json
from soffit.process.load import load_process
from soffit.sheet.figure import to_svg
from soffit.sheet.ways_up import at_disc, from_disc, ways_up_figure
from tests.solids import block, part_of

PLA = load_process("pla-04")
AROUND = 400
SCHEMAS = Path(__file__).parents[1] / "docs" / "schema"

CUBE = block(-10, -10, 0, 10, 10, 20)
# A bar across the top of a stem.
TEE = block(-5, -5, 0, 5, 5, 30) + block(-20, -5, 30, 20, 5, 40)
ELL = block(0, 0, 0, 40, 10, 8) + block(0, 0, 0, 8, 10, 40)
CONE = m3.Manifold.cylinder(20, 12, 4, 64)  # its sides lean by 68°, on either end
DOME = m3.Manifold.sphere(15, 96).trim_by_plane((0.0, 0.0, 1.0), 0.0)
CORNERS = np.array([[1, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]], dtype=np.float64)
TETRAHEDRON = m3.Manifold.hull_points(15.0 * CORNERS)


def turned(part: Part, turn: Floats) -> Part:
    step = np.eye(4)
    step[:3, :3] = turn
    return transform(part, step)


def best(part: Part) -> Floats:
    return np.array(search(part, PLA, around=AROUND).finalists[0].up)


def test_a_cube_stays_as_it_is_with_nothing_over_air() -> None:
    found = search(part_of(CUBE), PLA, around=AROUND)
    first = found.finalists[0]
    assert first.as_drawn and first.clean and first.over_air_mm2 == 0.0
    assert first.footprint_mm2 == pytest.approx(400.0)
    # Six sides look alike, and one of them is looked at.
    assert [o.height_mm for o in found.finalists].count(pytest.approx(20.0)) == 1


@pytest.mark.parametrize(("solid", "ups"), [
    (TEE, [(0, 0, -1)]),  # on its bar: the stem stands on it; on its side it is as clean
    (ELL, [(-1, 0, 0), (0, 0, 1)]),  # on either leg
    (CONE, [(0, 0, 1), (0, 0, -1)]),
    (DOME, [(0, 0, 1)]),
    (TETRAHEDRON, [tuple(c / 3**0.5) for c in CORNERS]),
])
@pytest.mark.parametrize("seed", range(3))
def test_plain_bodies_stand_as_they_should_however_they_are_turned(
    solid: m3.Manifold, ups: list[tuple[float, float, float]], seed: int
) -> None:
    turn = Rotation.random(rng=np.random.default_rng(seed)).as_matrix() if seed else np.eye(3)
    part = part_of(solid)
    up = best(turned(part, turn))
    sideways = abs(float((turn.T @ up)[1])) > 1 - 1e-6  # of bars as deep as they are: lying
    near = [float(np.dot(turn.T @ up, u)) for u in ups]
    assert max(near) > 1 - 1e-6 or (sideways and solid in (TEE, ELL))
    placed = place(turned(part, turn), tuple(up))
    assert review(placed, PLA).clean


def test_what_is_screened_is_near_what_layers_say() -> None:
    """Below the bar of the T: 2 × 15 × 10 mm, 30 mm high; over a plate of 6 mm, 24."""
    up = np.array([[0.0, 0.0, 1.0]])
    for solid, over_part, room in ((TEE, 0.0, 300.0 * 30.0),
                                   (TEE + block(-20, -5, 0, 20, 5, 6), 300.0, 300.0 * 24.0)):
        part = part_of(solid)
        depth = Depth(part.mesh, PLA)
        (over,), (height,), (rests,), (pull,) = depth.facing(up)
        assert (over, height) == pytest.approx((300.0, 40.0), rel=1e-9)
        # A foot of b × 10: F H c / I = 40 · 5 / (b · 10³ / 12).
        assert rests == pytest.approx(100.0 if over_part == 0.0 else 400.0)
        assert pull == pytest.approx(40.0 * 5.0 / (rests / 10.0 * 10.0**3 / 12.0), rel=1e-6)
        (found,), (below,) = depth.below(up)
        assert below == pytest.approx(room, rel=0.05)
        assert found == pytest.approx(over_part, rel=0.05)
        stack = cut_layers(part, PLA)
        layers = support_layers_mm3(stack, review(part, PLA, stack=stack).air)
        assert below == pytest.approx(layers.sum(), rel=0.05)


@pytest.mark.parametrize("seed", range(4))
def test_faces_at_exactly_the_limit_are_not_over_air(seed: int) -> None:
    """A bar whose underside ends at 45° on both sides, turned anyhow in the file."""
    points = np.array([(x, y, z) for y in (0, 30) for x, z in (
        (-5, 0), (5, 0), (15, 10), (15, 14), (-15, 14), (-15, 10))], dtype=np.float64)
    turn = Rotation.random(rng=np.random.default_rng(seed)).as_matrix()
    part = turned(part_of(m3.Manifold.hull_points(points)), turn)
    (over,), _, (rests,), _ = Depth(part.mesh, PLA).facing(turn[:, 2][None])
    assert over == 0.0 and rests == pytest.approx(300.0)


def test_a_screen_does_not_depend_on_what_else_is_looked_at() -> None:
    depth, ups = Depth(part_of(TEE).mesh, PLA), sphere(200)
    for ask in (depth.facing, depth.below):
        for whole, some in zip(ask(ups), ask(ups[37:91]), strict=True):
            assert np.array_equal(whole[37:91], some)


def test_a_finer_mesh_is_screened_alike() -> None:
    """Above 20,000 facets points stand for them."""
    coarse, fine = part_of(TEE), part_of(TEE.refine(32))
    assert len(fine.mesh.triangles) > 20_000
    one, two = (Depth(p.mesh, PLA).facing(sphere(50))[0] for p in (coarse, fine))
    assert np.abs(one - two).max() < 0.03 * one.max()


def test_rooms_of_all_change_no_choice() -> None:
    few, all_ = (search(part_of(ELL), PLA, around=AROUND, every_room=every)
                 for every in (False, True))
    assert few.finalists == all_.finalists
    assert np.isnan(few.screen.room_mm3).any() and not np.isnan(all_.screen.room_mm3).any()
    known = ~np.isnan(few.screen.room_mm3)
    assert np.array_equal(few.screen.room_mm3[known], all_.screen.room_mm3[known])


def test_directions_are_spread_evenly() -> None:
    """Of n on the sphere each has 4π/n: as many in a cap as its share of the sphere."""
    ups = sphere(5000)
    assert np.allclose(np.linalg.norm(ups, axis=1), 1.0)
    for axis in (*np.eye(3), np.ones(3) / 3**0.5):
        inside = (ups @ axis > math.cos(math.radians(20.0))).mean()
        assert inside == pytest.approx(0.5 * (1 - math.cos(math.radians(20.0))), rel=0.03)


def test_directions_come_once_and_holes_are_among_them() -> None:
    bored = CUBE - m3.Manifold.cylinder(60, 3, 3, 48, center=True).rotate((90, 30, 0)).translate(
        (0, 0, 10))
    part = part_of(bored)
    axes = np.array(hole_axes(part))
    true = Rotation.from_euler("xyz", [90, 30, 0], degrees=True).apply([0, 0, 1])
    assert len(axes) == 2 and np.abs(axes @ true).min() > 1 - 1e-6
    found = np.array([d.up for d in directions(part, 300)])
    gaps = np.linalg.norm(found[:, None] - found[None], axis=2) + 9.0 * np.eye(len(found))
    assert gaps.min() >= 1e-4
    assert [share for _, share in flat_sides(part.mesh)] == pytest.approx([1.0] * 6)


def test_strength_along_a_load() -> None:
    """Layers part at bond / cos², never weaker than the bond nor stronger than the plastic."""
    bond = PLA.material.layer_bond.value
    assert strength((0, 0, 1), None, PLA) is None
    assert strength((0, 0, 1), (0, 0, -5), PLA) == pytest.approx(bond)
    assert strength((0, 0, 1), (3, 0, 0), PLA) == 1.0
    assert strength((0, 0, 1), (1, 0, 1), PLA) == pytest.approx(min(1.0, 2 * bond))


def test_names_and_front() -> None:
    """A rod loaded along is strongest lying, and the front keeps what nothing beats; where its foot
    holds it only lying there is nothing to choose."""
    slim = search(part_of(block(-3, -3, 0, 3, 3, 40)), PLA, Aims(load=(0.0, 0.0, 1.0)),
                  around=AROUND)
    assert abs(slim.finalists[0].up[2]) < 1e-6
    assert not any("strongest along the load" in one.names for one in named(slim.finalists))
    rod = part_of(block(-6, -6, 0, 6, 6, 40))
    found = search(rod, PLA, Aims(load=(0.0, 0.0, 1.0)), around=AROUND)
    names = {name: one.orientation for one in named(found.finalists) for name in one.names}
    lying = names["strongest along the load"]
    assert abs(lying.up[2]) < 1e-6 and lying.strength == 1.0
    kept = front(found.finalists)
    assert lying in kept
    for o in found.finalists:
        beaten = [k for k in kept if k.cost <= o.cost and k.time_s <= o.time_s
                  and k.plastic_mm3 <= o.plastic_mm3 and k.stands >= o.stands
                  and (k.strength or 0) >= (o.strength or 0)]
        assert beaten, o.up
    assert len(found.finalists) <= FINALISTS


def test_a_face_that_must_point_up_does() -> None:
    part = part_of(ELL)
    found = soffit.ways_up(part, face_up="face near 40,5,4 facing +x")
    assert found.best.up == (1.0, 0.0, 0.0) and found.best.origin == "asked for"
    assert found.named[0].names[0] == "asked for"
    round_part = part_of(CONE)
    with pytest.raises(SelectorError, match=r"--face-up .* is not flat"):
        soffit.ways_up(round_part, face_up="face near 8,0,10")
    with pytest.raises(SelectorError, match=r"--cosmetic 'face 999'"):
        soffit.ways_up(part, cosmetic=["face 999"])


def test_what_is_worth_resolving_starts_with_least_over_air() -> None:
    """A plate that lies on a rim of pins: as drawn it hangs, upside down it lies, and on its side
    it is slim; a shelf near its edge hangs least there."""
    plate = block(0, 0, 10, 60, 60, 16) + block(0, 0, 0, 60, 4, 10) + block(0, 56, 0, 60, 60, 10)
    found = soffit.ways_up(part_of(plate + block(20, 26, 16, 40, 34, 20)))
    ups = found.worth_resolving
    assert found.best.up in ups[:3] and len(set(ups)) == len(ups) == len(found.finalists)
    standing = [o for o in found.finalists if o.stands]
    least = min(o.over_air_mm2 for o in standing)
    area = {o.up: o.over_air_mm2 for o in found.finalists}
    assert (0.0, 0.0, 1.0) in ups[:4]
    assert area[ups[0]] == least or ups[0] == (0.0, 0.0, 1.0)


def test_what_is_told_best_was_measured_in_full() -> None:
    """A block with slots and a shelf askew, of which many ways up are looked at; the best of them
    costs no more than any that is measured in full."""
    part = place(part_of(ELL + block(0, 0, 0, 20, 20, 3) - block(12, -1, 3, 30, 11, 5)),
                 (0.3, 0.2, 0.9))
    found = soffit.ways_up(part)
    assert any(o.roughly for o in found.finalists)
    assert not found.best.roughly and not any(o.roughly for o in found.front)
    by_layers = {"best", "least plastic", "fastest", "least over air"}
    assert not any(one.orientation.roughly for one in found.named if by_layers & set(one.names))
    assert not any(o.roughly for o in found.finalists if o.up in found.worth_resolving[:2])
    full = [measured(Task(part, PLA), (Direction(o.up, o.origin), False))
            for o in found.finalists]
    assert in_order(full, None)[0] == found.best
    for rough, one in zip(found.finalists, full, strict=True):
        assert rough.roughly or rough == one
        # What the foot and the surface say is the same; the rest is near.
        assert (rough.height_mm, rough.footprint_mm2, rough.stands, rough.upright) == (
            one.height_mm, one.footprint_mm2, one.stands, one.upright)
    assert "measured roughly" in why(next(o for o in found.finalists if o.roughly), found.best)


@pytest.mark.parametrize(("solid", "over"), [
    (TEE, 300.0), (ELL, 0.0),
    (DOME.rotate((180.0, 0.0, 0.0)), math.pi * (15.0**2 / 2 - 15.0 * PLA.first_layer_mm))])
def test_a_rough_measure_of_plain_bodies(solid: m3.Manifold, over: float) -> None:
    """Level undersides keep their area; of a dome on its head what is flatter than 45° is half of
    its plan less its first layer (derived: r² sin² 45° − 2 r h at half that layer's height h). A
    price is right to a few per cent where nothing is spanned."""
    task, up = Task(part_of(solid), PLA), Direction((0.0, 0.0, 1.0), "as drawn")
    rough, full = (measured(task, (up, roughly)) for roughly in (True, False))
    assert rough.roughly and not full.roughly
    assert rough.over_air_mm2 == pytest.approx(over, rel=0.1)
    assert full.over_air_mm2 == pytest.approx(over, rel=0.02)
    assert rough.clean == full.clean
    assert rough.price - rough.cure_cost == pytest.approx(full.price - full.cure_cost, rel=0.1)
    assert rough.cost == pytest.approx(full.cost, rel=0.15)


def test_a_load_has_a_direction() -> None:
    with pytest.raises(InputError, match=r"load is .* no direction"):
        soffit.ways_up(part_of(CUBE), load=(0.0, 0.0, 0.0))


def test_cores_change_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    part = place(part_of(ELL), (0.3, 0.2, 0.9))
    found = []
    for cores in (1, 3):
        monkeypatch.setattr("os.cpu_count", lambda cores=cores: cores)
        found.append(search(part, PLA, around=AROUND).finalists)
    assert found[0] == found[1] and len(found[0]) > 4


@pytest.mark.parametrize("more, second", [(1.01, 1), (1.05, 0)])
def test_a_mirror_image_is_not_resolved_second(more: float, second: int) -> None:
    """The two of a tee that lie on its web measure the same. With one of them first by area, and
    another that hangs a little more, what comes next is the other only where that is not alike."""
    found = soffit.ways_up(part_of(TEE))
    first, *others = [o for o in found.finalists if o.over_air_mm2 > 0.0 and o.stands]
    twin = replace(others[0], over_air_mm2=more * first.over_air_mm2)
    last = replace(first, up=(0.0, -1.0, 0.0), over_air_mm2=2.0 * first.over_air_mm2, height_mm=9.0)
    known = replace(found, search=replace(found.search, finalists=(last, first, twin)))
    assert known.worth_resolving[:2] == (first.up, (twin.up, last.up)[second])


def test_cosmetic_faces_that_face_down_are_told() -> None:
    """The top of a cube is rough where the cube stands on it: 400 mm²."""
    part = part_of(CUBE)
    top = next(f.id for f in part.faces if f.normal[2] > 0.9)
    found = search(part, PLA, Aims(cosmetic=(top,)), around=AROUND)
    rough = {o.up: o.rough_mm2 for o in found.finalists}
    assert rough[(0.0, 0.0, 1.0)] == 0.0
    assert max(rough.values()) <= 400.0 + 1e-6


def test_maps_keep_areas_and_come_back() -> None:
    """Lambert's projection: a cap of angle θ is a disc of radius √(1 − cos θ)."""
    for up in sphere(60).tolist():
        side = 1.0 if up[2] >= 0 else -1.0
        spot = at_disc(tuple(up), side)
        assert spot is not None and at_disc(tuple(up), -side) is None
        assert np.hypot(*spot) == pytest.approx(math.sqrt(1 - abs(up[2])))
        assert np.allclose(from_disc(spot[None], side)[0], up)


def test_the_drawing_and_the_report_say_the_same_twice() -> None:
    part = part_of(TEE)
    made = []
    for _ in range(2):
        found = soffit.ways_up(part, load=(0, 0, 1))
        made.append((to_svg(ways_up_figure(found)), dumps(ways_up_json(found))))
    assert made[0] == made[1]
    svg, text = made[0]
    report = json.loads(text)
    schemas = {p.name: json.loads(p.read_text(encoding="utf-8")) for p in SCHEMAS.glob("*.json")}
    Draft202012Validator.check_schema(schemas["orient-1.json"])
    registry: Registry[Any] = Registry().with_resources(
        (name, Resource.from_contents(value)) for name, value in schemas.items())
    Draft202012Validator(schemas["orient-1.json"], registry=registry).validate(report)
    assert report["ways_up"][0]["up"] == list(found.best.up)
    for one in report["named"]:
        for name in one["best_at"]:
            assert name in svg
