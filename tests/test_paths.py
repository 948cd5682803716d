"""Lengths of what the nozzle draws against closed forms, and its time against an integrator."""

from __future__ import annotations

import math

import manifold3d as m3
import numpy as np
import pytest

from soffit.layers.paths import INFILL, KINDS, OUTER, SKIN, TRAVEL, TURN, Paths, paths_of
from soffit.layers.plastic import layers_mm3
from soffit.layers.stack import cut_layers
from soffit.process.load import load_process
from soffit.process.pace import times_s
from soffit.production.making import making, moving_s
from tests.shapes import process_with
from tests.solids import block, part_of

PLA = load_process("pla-04")
A, J = 3000.0, 9.0


def lengths(solid: m3.Manifold, layer: int) -> dict[str, float]:
    found = paths_of(cut_layers(part_of(solid), PLA), PLA).lengths_mm()
    return {name: float(found[name][layer]) for name in KINDS}


@pytest.mark.parametrize(("a", "b"), [(40, 30), (100, 3), (8, 8)])
def test_box(a: float, b: float) -> None:
    """Two walls of 0.4 mm: outlines 0.2 and 0.6 mm inside; what is left is filled with lines 0.4 mm
    apart in a skin, and with 15 % of that between them (derived)."""
    for layer, fill in ((1, "skin"), (25, "infill")):
        found = lengths(block(0, 0, 0, a, b, 10), layer)
        assert found["outer wall"] == pytest.approx(2 * (a + b) - 8 * 0.2)
        assert found["inner wall"] == pytest.approx(2 * (a + b) - 8 * 0.6)
        share = 1.0 if fill == "skin" else 0.15
        # Lines 2.7 mm apart in a room of 1.4 or 6.4 mm are one or three: what they are on the mean.
        room = min(a, b) - 1.6
        assert found[fill] == pytest.approx(
            share * (a - 1.6) * (b - 1.6) / 0.4, rel=0.01 if share == 1.0 or room > 20 else 0.35)
        assert found["skin" if fill == "infill" else "infill"] == 0.0


def test_cylinder_and_tube() -> None:
    """Rings of 2π(r − 0.2) and 2π(r − 0.6), on the inside of a tube larger by as much."""
    ball = m3.Manifold.cylinder(10, 20, circular_segments=360)
    found = lengths(ball, 1)
    assert found["outer wall"] == pytest.approx(2 * math.pi * 19.8, rel=1e-3)
    assert found["inner wall"] == pytest.approx(2 * math.pi * 19.4, rel=1e-3)
    assert found["skin"] == pytest.approx(math.pi * 19.2**2 / 0.4, rel=0.01)
    assert lengths(ball, 25)["infill"] == pytest.approx(0.15 * math.pi * 19.2**2 / 0.4, rel=0.01)
    tube = ball - m3.Manifold.cylinder(10, 12, circular_segments=360)
    found = lengths(tube, 1)
    assert found["outer wall"] == pytest.approx(2 * math.pi * (19.8 + 12.2), rel=1e-3)
    assert found["inner wall"] == pytest.approx(2 * math.pi * (19.4 + 12.6), rel=1e-3)
    assert found["skin"] == pytest.approx(math.pi * (19.2**2 - 12.8**2) / 0.4, rel=0.01)


def test_narrow_walls_have_fewer_lines() -> None:
    """A wall of 1.0 mm has one ring, one of 0.3 mm none; neither has anything inside."""
    found = lengths(block(0, 0, 0, 50, 1, 10), 25)
    assert found["outer wall"] == pytest.approx(2 * 51 - 8 * 0.2)
    assert found["inner wall"] == found["skin"] == found["infill"] == 0.0
    assert set(lengths(block(0, 0, 0, 50, 0.3, 10), 25).values()) == {0.0}


def test_a_solid_part_is_as_heavy_as_its_volume() -> None:
    solid = block(0, 0, 0, 30, 20, 10) - block(10, 5, -1, 20, 15, 11)
    dense = process_with(infill=1.0)
    assert layers_mm3(cut_layers(part_of(solid), dense), dense).sum() == pytest.approx(5000.0)


def test_lines_go_to_and_fro_and_cross_in_the_next_layer() -> None:
    paths = paths_of(cut_layers(part_of(block(0, 0, 0, 30, 20, 10)), PLA), PLA)
    assert np.allclose(paths.end[:-1], paths.start[1:])  # nothing is left out between moves
    for layer, along in ((0, (1, 1)), (1, (1, -1))):
        mine = (paths.layer == layer) & (paths.kind == SKIN)
        way = (paths.end - paths.start)[mine]
        unit = way / np.linalg.norm(way, axis=1)[:, None]
        ahead = unit @ np.array(along) / math.sqrt(2)
        assert np.abs(ahead) == pytest.approx(1.0)
        assert (ahead[1:] * ahead[:-1] < 0).mean() > 0.95
    inside = paths.kind != TRAVEL
    points = np.concatenate([paths.start[inside], paths.end[inside]])
    assert points.min() > 0 and (points < (30, 20)).all()
    # One travel to the inner wall, to the skin and to the next layer; turns do the rest.
    assert ((paths.kind == TRAVEL) & (paths.layer == 2)).sum() <= 3


@pytest.mark.parametrize("turn", [30.0, 137.0])
def test_lengths_do_not_depend_on_how_the_part_lies(turn: float) -> None:
    solid = block(0, 0, 0, 30, 20, 10) - block(8, 8, -1, 12, 12, 11)
    plain, other = (paths_of(cut_layers(part_of(s), PLA), PLA).lengths_mm()
                    for s in (solid, solid.rotate((0, 0, turn))))
    for name, most in (("outer wall", 1e-4), ("inner wall", 1e-4), ("skin", 0.01)):
        assert other[name].sum() == pytest.approx(plain[name].sum(), rel=most)


def test_nothing_takes_nothing() -> None:
    stack = cut_layers(part_of(block(0, 0, 0, 0.1, 0.1, 0.05)), PLA)
    made = making(stack, PLA)
    assert made.time_s.sum() == 0.0 and len(made.time_s) == len(stack)


def integrated_s(
    points: np.ndarray, speeds: np.ndarray, stops: set[int], step_s: float = 2e-5
) -> float:
    """Time along a line of points, by small steps, each as fast as can be stopped from in time for
    every corner ahead: an engine of its own."""
    way = np.diff(points, axis=0)
    length = np.linalg.norm(way, axis=1)
    unit = way / length[:, None]
    limits = [0.0]
    for k in range(1, len(way)):
        change = float(np.linalg.norm(unit[k] - unit[k - 1]))
        limits.append(0.0 if k in stops else min(
            speeds[k], speeds[k - 1], J / change if change > 1e-12 else np.inf))
    ends = np.cumsum(length)
    limits.append(0.0)
    at, speed, time, move = 0.0, 0.0, 0.0, 0
    while at < ends[-1] - 1e-4:
        while at >= ends[move]:
            move += 1
            speed = min(speed, limits[move])
        ahead = [math.sqrt(limits[k + 1]**2 + 2 * A * max(0.0, ends[k] - at))
                 for k in range(move, min(len(way), move + 40))]
        speed = min(speed + A * step_s, speeds[move], *ahead)
        speed = max(speed, A * step_s)
        at += speed * step_s
        time += step_s
    return time


def zigzag(count: int, length: float, aside: float) -> np.ndarray:
    return np.array([(length * ((k + 1) // 2 % 2), aside * (k // 2)) for k in range(count)])


def ring(radius: float, count: int) -> np.ndarray:
    turn = np.linspace(0, 2 * np.pi, count + 1)
    return radius * np.column_stack([np.cos(turn), np.sin(turn)])


@pytest.mark.parametrize(("points", "stops"), [
    (np.array([(0, 0), (100, 0)]), set()),
    (np.array([(0, 0), (1, 0)]), set()),
    (np.array([(0, 0), (5, 0), (5.5, 0), (5.5, 0.2), (9, 4)]), {2}),
    (zigzag(24, 8.0, 0.4), set()),
    (zigzag(9, 60.0, 3.0), {3, 5}),
    (ring(6.0, 64), set()),
    (ring(0.5, 24), set()),
])
@pytest.mark.parametrize("speed", [60.0, 150.0])
def test_time_is_that_of_an_integrator(points: np.ndarray, stops: set[int], speed: float) -> None:
    """Within 2 %, of lines, corners, turns, rings and moves that never reach their speed."""
    points = points.astype(float)
    speeds = np.full(len(points) - 1, speed)
    speeds[::3] *= 0.6
    mask = np.array([k in stops for k in range(len(speeds))])
    found = times_s(points[:-1], points[1:], speeds, mask, acceleration_mm_s2=A, corner_mm_s=J)
    assert (found > 0).all()
    assert found.sum() == pytest.approx(integrated_s(points, speeds, stops), rel=0.02)


def test_time_in_closed_form() -> None:
    """From rest over ℓ to rest: 2√(ℓ / a) below the speed, else ℓ / V + V / a."""
    def one(length: float) -> float:
        return float(times_s(np.zeros((1, 2)), np.array([[length, 0.0]]), np.array([150.0]),
                             np.zeros(1, dtype=bool), acceleration_mm_s2=A, corner_mm_s=J)[0])

    assert one(2.0) == pytest.approx(2 * math.sqrt(2.0 / A))
    assert one(100.0) == pytest.approx(100 / 150 + 150 / A) == pytest.approx(0.71667, abs=5e-6)
    assert one(5.0) == pytest.approx(0.08165, abs=5e-6)


def test_a_layer_takes_its_least_time_and_the_flow_its_own() -> None:
    """A small layer takes 8 s; with half the flow a large one takes longer, as fast as it may."""
    small = making(cut_layers(part_of(block(0, 0, 0, 8, 8, 4)), PLA), PLA)
    assert (small.time_s[1:] == 8.0).all()
    # Three side by side fill the waiting time of one; thirty take as long as they move.
    assert small.time_of(3) == pytest.approx(np.maximum(8.0, 3 * small.moving_s))
    assert small.time_of(30)[1:] == pytest.approx(30 * small.moving_s[1:])
    stack = cut_layers(part_of(block(0, 0, 0, 120, 100, 2)), PLA)
    paths = paths_of(stack, PLA)
    plain = moving_s(paths, PLA)
    tight = moving_s(paths, process_with(flow_limit_mm3_s=3.0))
    assert (tight[1:] > 2.0 * plain[1:]).all()  # the first is slow anyway
    # Skins of 120 × 100: all but corners at 3 mm³/s.
    assert tight[3] == pytest.approx(120 * 100 * 0.2 / 3.0, rel=0.05)


def test_kinds_are_told_apart() -> None:
    paths = Paths(np.array([0, 0, 1]), np.array([OUTER, TURN, INFILL]),
                  np.zeros((3, 2)), np.array([(3.0, 4.0), (1.0, 0.0), (0.0, 2.0)]), 3)
    found = paths.lengths_mm()
    assert found["outer wall"].tolist() == [5.0, 0.0, 0.0]
    assert found["infill"].tolist() == [0.0, 2.0, 0.0]
