"""Fill against closed forms in both kernels, and what it must leave alone."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from OCP.TopoDS import TopoDS_Shape

from examples._cad import box, cut, cylinder, fillet, fuse, move, sphere, sweep, turn, upright
from soffit.remedies import fill
from tests.shapes import blind_box, counterbore, process_with, read, slot
from tests.trying import asked, done, gained, looked_at, over_air

# Spans of a few millimetres already need a cure, so that the shapes stay small.
PROCESS = process_with(bridge_mm=4)


def block() -> TopoDS_Shape:
    return box((-20, -20, 0), (20, 20, 20))


def pocket() -> TopoDS_Shape:
    return cut(block(), box((-3, -4, -1), (3, 4, 5)))


def rounded_pocket() -> TopoDS_Shape:
    tool = fillet(box((-5, -4, -1), (5, 4, 5)), 1.5, upright)
    return cut(block(), tool)


def drafted_pocket() -> TopoDS_Shape:
    """Two walls lean out by 0.5 over the depth of 5, as a mould wants it."""
    return cut(block(), sweep([(-4, -3, 0), (4, -3, 0), (3.5, -3, 5), (-3.5, -3, 5)], (0, 8, 0)))


def hollow() -> TopoDS_Shape:
    return cut(block(), box((-6, -5, 4), (6, 5, 12)))


def round_hollow() -> TopoDS_Shape:
    return cut(block(), sphere((0, 0, 10), 7))


def undercut() -> TopoDS_Shape:
    """A slot in a wall's foot, closed at both ends, 12 deep and 3 high."""
    return cut(box((-30, -20, 0), (30, 20, 20)), box((-3, 8, 6), (3, 21, 9)))


def step() -> TopoDS_Shape:
    """A foot that stops 10 mm short of the rim, 1 mm above the platform."""
    return fuse(box((-20, -20, 1), (20, 20, 20)), box((-20, -20, 0), (10, 20, 1)))


CASES = {
    "pocket": (pocket(), 6 * 8 * 5, 6),
    "pocket with rounded corners": (rounded_pocket(), (80 - (4 - math.pi) * 2.25) * 5, 6),
    "pocket with draft": (drafted_pocket(), 7.5 * 5 * 8, 6),
    "sealed hollow": (hollow(), 12 * 10 * 8, 6),
    "round sealed hollow": (round_hollow(), 4 / 3 * math.pi * 343, 6),
    "gap in a wall": (undercut(), 6 * 12 * 3, 6),
    "step on the platform": (step(), 10 * 40 * 1, 6),
}


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize(("turned", "at"), [(0.0, (0, 0)), (33.0, (90.0, -60.0))])
def test_room_is_filled_exactly_and_leaves_no_trace(
    name: str, turned: float, at: tuple[float, float], tmp_path: Path
) -> None:
    shape, volume, faces = CASES[name]
    part = read(move(turn(shape, turned), (*at, 0)), tmp_path)
    found, reasons = asked(fill.options, part, PROCESS)
    assert reasons == []
    (option,) = found
    assert option.op == "add"
    exact = done(part, option)
    round_ = "round" in name
    assert gained(part, exact) == pytest.approx(volume, rel=1e-5 if round_ else 1e-6)
    assert len(exact.faces) == faces
    assert over_air(exact, PROCESS) == []
    faceted = replace(part, brep=None)
    in_mesh = done(faceted, option)
    assert gained(faceted, in_mesh) == pytest.approx(volume, rel=0.02 if round_ else 1e-6)
    assert over_air(in_mesh, PROCESS) == []
    assert in_mesh.size_mm == pytest.approx(part.size_mm, abs=1e-6)


def test_volume_is_what_the_search_is_told(tmp_path: Path) -> None:
    from soffit.remedies import measured

    part = read(pocket(), tmp_path)
    (option,), _ = asked(fill.options, part, PROCESS)
    assert measured(looked_at(part, PROCESS), option).volume_mm3 == pytest.approx(240, rel=1e-6)


REFUSED = {
    "too large": (blind_box(10, 20, 12), "more than 5% of the part"),
    "a round hole": (cut(block(), cylinder((0, 0, -1), (0, 0, 1), 3, 6)), "something round"),
    "a nut's pocket": (cut(block(), sweep(
        [(4 * math.cos(a), 4 * math.sin(a), -1) for a in np.arange(6) * math.pi / 3],
        (0, 0, 6))), "something round or hexagonal"),
    "a passage along the platform": (
        cut(box((-20, -40, 0), (20, 40, 20)), box((-3, -41, -1), (3, 41, 3))), "close a passage"),
    "a tall open room": (slot(12, 20, 16), "open on"),
    "a slit that may be meant": (
        cut(block(), box((0, -21, 8), (21, 21, 9))), "it may be meant"),
    "a pierced ceiling": (counterbore(), "hole goes on above"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_rooms_that_are_left_alone(name: str, tmp_path: Path) -> None:
    shape, words = REFUSED[name]
    options, reasons = asked(fill.options, read(shape, tmp_path), PROCESS)
    assert options == []
    assert len(reasons) == 1 and words in reasons[0], reasons


def test_passage_through_the_part_counts_as_a_handle(tmp_path: Path) -> None:
    from soffit.part.manifold import to_manifold

    def count(shape: TopoDS_Shape, name: str) -> int:
        solid = to_manifold(read(shape, tmp_path, name).mesh)
        assert solid is not None
        return fill.handles(solid)

    assert count(block(), "block") == 0
    assert count(cut(block(), cylinder((0, 0, -1), (0, 0, 1), 3, 30)), "one") == 1
    assert count(hollow(), "hollow") == 0
