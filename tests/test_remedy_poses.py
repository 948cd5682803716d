"""Every remedy in eight poses and sizes, at exact limits, and where it meets other features.

The closed forms are derived, at 45°; k is a size. Ledge: `test_chamfer_roof`. A frustum round a
shaft: π·5/3·(9 + 24 + 64)k³ less the shaft. A roof over a slot of span s: s²/4 a mm; leaving a
bridge B: ((s − B)/2)². Discs and steps stand from the ceiling to the tops of their layers. A level
teardrop lacks its tip, (r/cos δ − r)²/tan δ, of r²(tan δ − δ). A rounded bottom edge all round a
foot w × h, mitred: 2(w + h)·A + 8·M, with A the section and M = r³/6 − (L³/3 + fL²/2) its moment
about the foot's edge, f = r·tan 22.5°, L = r − f. An arch: `test_arch`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from OCP.TopoDS import TopoDS_Edge, TopoDS_Shape

import soffit
from examples._cad import box, cut, cylinder, direction, fillet, fuse, middle, sweep, turn
from soffit.part.brep.shapes import compound_of
from soffit.part.manifold import to_manifold
from soffit.part.model import Part
from soffit.process.model import Process
from soffit.remedies import (
    all_options,
    arch,
    bottom_edge,
    chamfer,
    crown,
    drilled,
    fill,
    membrane,
    roof,
    steeper,
    stepped,
    teardrop,
)
from soffit.remedies.model import Option
from tests.poses import (
    Pose,
    beside_another,
    far_off,
    in_inches,
    mirrored,
    on_its_side,
    turned,
    upside_down,
)
from tests.shapes import (
    blind_box,
    blind_round,
    counterbore,
    cross_hole,
    flange,
    ledge,
    nut_seat,
    process_with,
    ramp,
    rooted_ledge,
    rounded_bottom,
    slot,
)
from tests.test_arch import ledge_section
from tests.trying import asked, done, gained, looked_at, no_sliver, over_air

PLA = process_with()
UP = (0.0, 0.0, 1.0)
D = math.pi / 4
# Pose, size, layer height.
STANCES: list[tuple[Pose, float, float]] = [
    (turned, 1.0, 0.2), (far_off, 1.3, 0.2), (mirrored, 0.83, 0.2), (upside_down, 1.1, 0.2),
    (on_its_side, 0.9, 0.2), (in_inches, 1.22, 0.2), (turned, 1.16, 0.12),
    (beside_another, 1.06, 0.2),
]


@dataclass(frozen=True)
class Case:
    """A shape of size k, who is asked about which kind, which option is meant (by its name or a
    word of its reason), and the volume that the part gains, of size k and layer height h."""

    shape: Callable[[float], TopoDS_Shape]
    ask: ModuleType
    kind: str
    expected: dict[str, Callable[[float, float], float]]
    fine: float = 0.02
    capability: dict[str, float] = field(default_factory=dict)
    clean: bool = True


def bottom(edge: TopoDS_Edge) -> bool:
    return middle(edge)[2] < 0.1


def top_of(z: float, h: float, layers: int = 1) -> float:
    """Top of the layers from the first whose middle lies above z."""
    return (math.floor(z / h - 0.5) + 1 + layers) * h


def stepped_mm3(k: float, h: float) -> float:
    """Strip within the seat, square, and an octagon where corners reach past the lip of 0.8 mm;
    each 0.06 mm wider than the last."""
    wide, half, z = 5.5 * k, 2.75 * k, 6 * k
    a, b, c = half + 0.06, half + 0.12, half + 0.18
    cuts = [2 * (a * math.sqrt(wide**2 - a**2) + wide**2 * math.asin(a / wide)), 4 * a * b]
    if b * (math.sqrt(2) - 1) > 0.8:
        cuts.append(8 * math.tan(math.pi / 8) * c**2)
    first = top_of(z, h) - z
    return -sum((area - math.pi * half**2) * (first if i == 0 else h)
                for i, area in enumerate(cuts))


def steeper_mm3(run: float, wide: float, under: float, h: float) -> float:
    """From where the slope is held, in the last layer that steps out by no more than it may, and
    further on by 0.3 of the lip of 0.8 mm: ½(t − s)²(1 − tan 40°)."""
    rise = math.tan(math.radians(40))
    cut_mm = (math.ceil(under / h - 0.5 - 1e-9) + 0.5) * h - under
    held = cut_mm / rise if cut_mm / rise <= h else 0.0
    return 0.5 * (run - held - 0.24) ** 2 * (1 - rise) * wide


def crown_mm3(half: float, long: float, foot: float, h: float, *, level: bool) -> float:
    """Two flanks at 30°, each from where it is held and 0.3 of the lip further on; level just above
    the corner: ∫ min((t − s)(1 − tan 30°), H − t tan 30°) dt."""
    rise = math.tan(math.radians(30))
    cut_mm = (math.ceil(foot / h - 0.5 - 1e-9) + 0.5) * h - foot
    s = 0.24 + (cut_mm / rise if cut_mm / rise <= h else 0.0)
    pointed = (half - s) ** 2 * (1 - rise) * long
    crest = half * rise + crown.LIFT_MM
    top = half - crest - s * (1 - rise)  # of the point that is left, half as wide as high
    return pointed - (top**2 * long if level else 0.0)


def mitred_mm3(r: float, w: float, h: float) -> float:
    f = r * math.tan(math.pi / 8)
    moment = r**3 / 6 - ((r - f) ** 3 / 3 + f * (r - f) ** 2 / 2)
    return 2 * (w + h) * bottom_edge.added_mm2(r, D) + 8 * moment


CASES = {
    "chamfer": Case(lambda k: ledge(10 * k, 20 * k, 14 * k), chamfer, "air/ledge", {
        "chamfer": lambda k, _: 1000 * k**3,
        "chamfer leaving a lip": lambda k, _: 0.5 * (10 * k - 0.6) ** 2 * 20 * k}),
    "chamfer on a low wall": Case(
        lambda k: ledge(10 * k, 20 * k, 4 * k), chamfer, "air/ledge",
        {"chamfer as deep as the wall": lambda k, _: 160 * k**3}, clean=False),
    "chamfer round a shaft": Case(flange, chamfer, "air/ledge", {
        "chamfer": lambda k, _: (math.pi * 5 / 3 * 97 - math.pi * 45) * k**3}),
    "roof": Case(lambda k: slot(20 * k, 15 * k, 14 * k), roof, "air/bridge", {
        "roof": lambda k, _: 1500 * k**3,
        "roof leaving a bridge": lambda k, _: (10 * k - 6) ** 2 * 15 * k}),
    "roof of a pocket": Case(lambda k: blind_box(20 * k, 30 * k, 14 * k), roof, "air/ceiling", {
        "roof": lambda k, _: (6000 - 400 * 70 / 12) * k**3}),
    "round roof": Case(
        lambda k: cut(box((-15, -15, 0), (15, 15, 20)), cylinder((0, 0, -1), UP, 9.5 * k,
                                                                  13 * k + 1)),
        roof, "air/ceiling", {"roof": lambda k, _: 2 * math.pi * (9.5 * k) ** 3 / 3}),
    "fill": Case(
        lambda k: cut(box((-20 * k, -20 * k, 0), (20 * k, 20 * k, 20 * k)),
                      box((-3 * k, -4 * k, -1), (3 * k, 4 * k, 5 * k))),
        fill, "", {"fill": lambda k, _: 240 * k**3}, capability={"bridge_mm": 4}),
    "membrane": Case(lambda k: counterbore(5.5 * k, 2.75 * k, 6 * k), membrane, "air/ceiling", {
        "membrane": lambda k, h: math.pi * (2.75 * k) ** 2 * (
            top_of(6 * k, h, 2 if h < 0.15 else 1) - 6 * k)}, fine=3e-3),
    "stepped ceiling": Case(
        lambda k: counterbore(5.5 * k, 2.75 * k, 6 * k), stepped, "air/ceiling",
        {"stepped ceiling": stepped_mm3}, fine=3e-3),
    "teardrop": Case(lambda k: cross_hole(5 * k, 16 * k, 15 * k), teardrop, "air/slope", {
        "level over the last": lambda k, _: -(25 * (1 - D) - 25 * (math.sqrt(2) - 1) ** 2)
        * 15 * k**3,
        "to a point": lambda k, _: -25 * (1 - D) * 15 * k**3}, fine=1e-3),
    "bottom edge": Case(lambda k: rounded_bottom(5 * k, 30 * k), bottom_edge, "air/slope", {
        "bottom edge": lambda k, _: 30 * k * bottom_edge.added_mm2(5 * k, D)},
        fine=2e-3, clean=False),
    "bottom edge all round": Case(
        lambda k: fillet(box((-9 * k, -7 * k, 0), (9 * k, 7 * k, 9 * k)), 3 * k, bottom),
        bottom_edge, "air/slope",
        {"bottom edge": lambda k, _: mitred_mm3(3 * k, 12 * k, 8 * k)}, fine=2e-3),
    "steeper cut": Case(lambda k: ramp(40, 6 * k, 20 * k), steeper, "air/slope", {
        "steeper cut": lambda k, h: -steeper_mm3(6 * k, 20 * k, 4, h)}, fine=2e-3),
    "crown cut": Case(lambda k: nut_seat(7 * k, 12 * k), crown, "air/slope", {
        "level at its top": lambda k, h: -crown_mm3(
            3.5 * k, 12 * k, 4 + 3.5 * k * math.sqrt(3), h, level=True),
        "to a point": lambda k, h: -crown_mm3(
            3.5 * k, 12 * k, 4 + 3.5 * k * math.sqrt(3), h, level=False)}, fine=2e-3),
    "drilled hole": Case(lambda k: cross_hole(4.5 * k, 14 * k, 15 * k), drilled, "air/slope", {
        "left out": lambda k, _: math.pi * (4.5 * k) ** 2 * 15 * k - 2 * math.pi / 3}, fine=1e-3),
    "arch": Case(lambda k: ledge(3 * k, 8 * k, 9 * k), arch, "air/ledge", {
        "arch": lambda k, _: ledge_section(3 * k) * 8 * k}, fine=1e-3),
}


def meant(options: list[Option], words: str) -> Option:
    """The first option of this name, else with these words in its reason."""
    named = [o for o in options if o.remedy == words] or [o for o in options if words in o.why]
    assert named, (words, [(o.remedy, o.why) for o in options])
    return named[0]


def check(part: Part, option: Option, process: Process, expected: float,
          clean: bool) -> list[Part]:
    """Volume within 0.5 % in B-rep and 1 % in mesh; closed, as many bodies, on the platform. The
    part as either kernel made it, B-rep first."""
    made = []
    for kernel in [part, replace(part, brep=None)] if part.brep is not None else [part]:
        after = done(kernel, option)
        share = 0.01 if kernel.brep is None else 0.005
        assert gained(kernel, after) == pytest.approx(expected, rel=share)
        assert after.closed and after.bodies == part.bodies
        assert after.mesh.vertices[:, 2].min() == pytest.approx(0.0, abs=1e-6)
        if clean:
            assert over_air(after, process) == []
        if kernel.brep is not None:
            assert no_sliver(after)
        made.append(after)
    return made


@pytest.mark.parametrize(("pose", "k", "h"), STANCES)
@pytest.mark.parametrize("name", CASES)
def test_volumes(name: str, pose: Pose, k: float, h: float, tmp_path: Path) -> None:
    case = CASES[name]
    process = process_with(h, **case.capability)
    part = pose(case.shape(k), tmp_path, case.fine)
    options, reasons = asked(case.ask.options, part, process, case.kind)
    assert options, reasons
    for words, volume in case.expected.items():
        check(part, meant(options, words), process, volume(k, h), case.clean)


def crown_wall(above: float) -> TopoDS_Shape:
    """A hole of radius 5 with so much wall above the point of its teardrop."""
    return cut(box((-12, 0, 0), (12, 20, 14 + 5 * math.sqrt(2) + above)),
               cylinder((0, -1, 14), (0, 1, 0), 5, 30))


def pocketed(height: float) -> TopoDS_Shape:
    """A pocket 20 x 16 in a block of 32 cm3: at a height of 100/21 it is a 20th of the part."""
    return cut(box((-20, -20, 0), (20, 20, 20)), box((-10, -8, -1), (10, 8, height)))


def arm(thick: float) -> TopoDS_Shape:
    """A bracket that rises at 40°, so thick upright."""
    rise, far = math.tan(math.radians(40)), 7.0
    low, high = 4 + thick, 4 + thick + far * rise
    return cut(ramp(40, 6, 20), sweep([(0, -1, low), (far, -1, high), (far, -1, 30), (0, -1, 30)],
                                      (0, 22, 0)))


# Hole of a stepped ceiling whose square's corners reach exactly the lip past it.
SQUARE = 0.8 / (math.sqrt(2) - 1) - 0.12
WHOLE, SHORT = ["chamfer", "chamfer leaving a lip"], ["chamfer as deep as the wall"]

# Shape, remedy, and the options that it has; None where there is nothing over air at all.
LIMITS: dict[str, tuple[TopoDS_Shape, ModuleType, list[str] | None]] = {
    "ledge of the lip": (ledge(0.8, 20, 14), chamfer, None),
    "ledge over the lip": (ledge(0.81, 20, 14), chamfer, WHOLE),
    "round ceiling of the bridge": (blind_round(7.5, 14), roof, None),
    "round ceiling over the bridge": (blind_round(7.52, 14), roof,
                                      ["roof", "roof leaving a bridge"]),
    "wall as high as the chamfer": (ledge(10, 20, 10), chamfer, WHOLE),
    "wall too low for all of it": (ledge(10, 20, 9.9), chamfer, WHOLE[1:]),
    "wall as high as without the lip": (ledge(10, 20, 9.4), chamfer, WHOLE[1:]),
    "wall too low for that": (ledge(10, 20, 9.3), chamfer, SHORT),
    "wall as high as the roof": (slot(18, 20, 9), roof, ["roof", "roof leaving a bridge"]),
    "wall too low for the roof": (slot(18, 20, 8.9), roof, ["roof leaving a bridge"]),
    "wall as high as beside a bridge": (slot(18, 20, 3), roof, ["roof leaving a bridge"]),
    "wall too low for that too": (slot(18, 20, 2.9), roof, []),
    "room of a twentieth": (pocketed(4.7619), fill, ["fill"]),
    "room of more": (pocketed(4.78), fill, []),
    "seat of the bridge": (counterbore(7.5, 2.75, 6), membrane, ["membrane"]),
    "seat over the bridge": (counterbore(7.53, 2.75, 6), membrane, []),
    "two lines beside the strip": (counterbore(5.5, 5.5 - 0.86, 6), stepped, ["stepped ceiling"]),
    "less beside the strip": (counterbore(5.5, 5.5 - 0.81, 6), stepped, []),
    "two lines over the point": (crown_wall(0.8), teardrop, ["teardrop", "teardrop"]),
    "less over the point": (crown_wall(0.79), teardrop, ["teardrop"]),
    "cut of not quite 2 mm": (ramp(30, 5.0, 20), steeper, ["steeper cut"]),
    "deeper cut": (ramp(30, 5.3, 20), steeper, []),
    # The cut is 0.91 mm deep where it is deepest.
    "two lines over the cut": (arm(1.72), steeper, ["steeper cut"]),
    "less over the cut": (arm(1.4), steeper, []),
    # To a point 1.96 and 2.01 mm deep.
    "crown cut to a point": (nut_seat(9.8), crown, ["crown cut", "crown cut"]),
    "crown too deep for that": (nut_seat(10.2), crown, ["crown cut"]),
    "two lines over the crown": (nut_seat(7, above=0.82), crown, ["crown cut"]),
    "less over the crown": (nut_seat(7, above=0.4), crown, []),
    "hole of the widest drill": (cross_hole(6.5, 15), drilled, ["drilled hole"]),
    "wider hole": (cross_hole(6.52, 15), drilled, []),
    "hole of eight diameters": (cross_hole(4, 12, 64), drilled, ["drilled hole"]),
    "deeper hole": (cross_hole(4, 12, 64.2), drilled, []),
    # Flatter than 45 degrees from the middle of the first layer on: r sin 45 - sqrt(0.2 r - 0.01),
    # 0.79 and 1.21 mm.
    "rounding within the lip": (rounded_bottom(2.0), bottom_edge, None),
    "rounding over the lip": (rounded_bottom(2.75), bottom_edge, ["bottom edge"]),
}


@pytest.mark.parametrize("name", LIMITS)
def test_asked_up_to_the_limit_and_not_past_it(name: str, tmp_path: Path) -> None:
    shape, module, names = LIMITS[name]
    part = turned(shape, tmp_path)
    if names is None:
        assert over_air(part, PLA) == []
        return
    options, _ = asked(module.options, part, PLA)
    assert [o.remedy for o in options] == names


@pytest.mark.parametrize(("more", "layers"), [(0.0, 2), (0.01, 3)])
def test_a_third_step_where_the_square_reaches_past_the_lip(
    more: float, layers: int, tmp_path: Path
) -> None:
    part = turned(counterbore(5.5, SQUARE + more, 6), tmp_path, 2e-3)
    (option,), _ = asked(stepped.options, part, PLA)
    assert f"over {layers} layers" in option.why


def seat(*holes: TopoDS_Shape, deep: float = 6) -> TopoDS_Shape:
    return cut(box((-15, -15, 0), (15, 15, 12)), cylinder((0, 0, -1), UP, 5.5, deep + 1), *holes)


def bore(x: float, radius: float) -> TopoDS_Shape:
    return cylinder((x, 0, -1), UP, radius, 20)


def column_mm3() -> float:
    """What a hole of radius 2 about the foot of a rounding of 5 leaves out of its chamfer."""
    d = np.linspace(0.0, 2.0, 2001)
    return float(np.trapezoid(2 * np.sqrt(4 - d**2) * (5 - np.sqrt(25 - d**2)), d))


BLOCK = box((-20, -20, 0), (20, 20, 20))
LEVEL = 1 - D - (math.sqrt(2) - 1) ** 2
LENS = 2 * 2.25 * math.acos(1 / 1.5) - 2 * math.sqrt(1.25)

# Shape, remedy, which option, what it adds, how many places are left.
TOUCHING: dict[str, tuple[TopoDS_Shape, ModuleType, str, float, int]] = {
    "hole over the edge of a ledge": (
        cut(ledge(), cylinder((10, 10, -1), UP, 2, 40)), chamfer, "chamfer", 1000 - 16 / 3, 0),
    "rim within the lip below a ledge": (
        fuse(ledge(), box((0, 0, 10), (0.7, 20, 14))), chamfer, "chamfer", 1000 - 56, 0),
    "fillets of which nothing is found": (
        rooted_ledge(1), chamfer, "chamfer", 1000 - 20 * (1 - D), 0),
    "fillet nearly found": (rooted_ledge(2), chamfer, "chamfer", 1000 - 80 * (1 - D), 0),
    "fillet that is found": (rooted_ledge(3), chamfer, "chamfer", 1000 - 180 * (1 - D), 0),
    "ledge at half the height of a layer": (
        ledge(10, 20, 14.1), chamfer, "chamfer", 1000, 0),
    "shelf as thin as a layer": (
        fuse(box((-6, 0, 0), (0, 20, 18)), box((-6, 0, 14), (10, 20, 14.2))), chamfer,
        "chamfer", 1000, 0),
    "wall of one line": (
        fuse(box((-0.4, 0, 0), (0, 20, 18)), box((-0.4, 0, 14), (10, 20, 18))), chamfer,
        "chamfer", 1000, 0),
    "rib across a slot": (
        fuse(slot(18, 40, 16), box((-1, 19, 0), (19, 21, 17))), roof, "roof",
        81 * 19 + 18**3 / 24, 1),
    "fillets in a slot": (
        fillet(slot(18, 20, 16), 2, lambda e: abs(middle(e)[2] - 16) < 1e-6
               and abs(direction(e)[1]) > 0.99), roof, "roof", 1620 - 160 * (1 - D), 0),
    "body in a slot": (
        compound_of([slot(18, 20, 16), box((6, 4, 0), (12, 16, 13))]), roof,
        "roof leaving a bridge", 180, 0),
    "hole in a pocket's side": (
        cut(BLOCK, box((-3, -4, -1), (3, 4, 5)), cylinder((0, 0, 2.5), (1, 0, 0), 1, 30)),
        fill, "fill", 240, 0),
    "pockets side by side": (
        cut(BLOCK, box((-6.4, -4, -1), (-0.4, 4, 5)), box((0.4, -4, -1), (6.4, 4, 5))),
        fill, "fill", 240, 1),
    "hole out of the middle of a seat": (
        seat(bore(1.5, 2.75)), membrane, "membrane", math.pi * 2.75**2 * 0.2, 0),
    "holes that overlap": (
        seat(bore(-1, 1.5), bore(1, 1.5)), membrane, "membrane",
        (2 * math.pi * 2.25 - LENS) * 0.2, 0),
    "square hole": (seat(box((-2, -2, -1), (2, 2, 20))), membrane, "membrane", 3.2, 0),
    "seat at half the height of a layer": (
        seat(bore(0, 2.75), deep=6.1), membrane, "membrane", math.pi * 2.75**2 * 0.1, 0),
    "hole that starts wider": (
        cut(box((-12, 0, 0), (12, 20, 30)), cylinder((0, -1, 14), (0, 1, 0), 3.5, 30),
            cylinder((0, -1, 14), (0, 1, 0), 6, 5)), teardrop, "to a point",
        -(1 - D) * 3.5**2 * 16, 2),
    "upright hole that touches it": (
        cut(box((-16, 0, 0), (16, 20, 30)), cylinder((0, -1, 14), (0, 1, 0), 5, 30),
            cylinder((7, 10, -1), UP, 2, 50)), teardrop, "level over the last",
        -LEVEL * 25 * 20, 0),
    "hole about the foot of a rounding": (
        cut(turn(rounded_bottom(5, 16), 180), cylinder((-15, -8, -1), UP, 2, 30)), bottom_edge,
        "bottom edge", 16 * bottom_edge.added_mm2(5, D) - column_mm3(), 1),
}


@pytest.mark.parametrize("name", TOUCHING)
def test_beside_other_features(name: str, tmp_path: Path) -> None:
    shape, module, words, expected, left = TOUCHING[name]
    process = process_with(bridge_mm=4) if module is fill else PLA
    part = turned(shape, tmp_path, 2e-3)
    options, reasons = asked(module.options, part, process)
    assert options, reasons
    option = meant(options, words)
    for after in check(part, option, process, expected, False):
        assert len(over_air(after, process)) == left
        if "hole about the foot" in name:
            solid = to_manifold(after.mesh)
            assert solid is not None
            assert solid.genus() == 1


def test_lower_ledge_beside_it(tmp_path: Path) -> None:
    """A ledge 7 deep that ends the upper one below its ceiling carries nothing of it."""
    shape = fuse(ledge(), box((-6, 20, 0), (0, 40, 18)), box((-6, 20, 10), (7, 40, 18)))
    part = turned(shape, tmp_path)
    context = looked_at(part, PLA)
    for finding, expected in zip(context.review.air, (490.0, 1000.0), strict=True):
        options, _ = chamfer.options(context, finding)
        check(part, meant(options, "chamfer"), PLA, expected, False)
    resolved = soffit.resolve(part, forbid=["prop"])
    assert resolved.clean
    assert [e.remedy for e in resolved.edits] == ["chamfer", "chamfer leaving a lip"]


def test_bodies_that_stand_apart_stay_so(tmp_path: Path) -> None:
    """A block 2 mm below a ledge: a chamfer would weld it to the wall."""
    part = turned(compound_of([ledge(), box((4, 5, 0), (9, 15, 12))]), tmp_path)
    context = looked_at(part, PLA)
    (finding,) = context.review.air
    options, reasons = all_options(context, finding, ["chamfer"])
    assert options == []
    assert reasons == [f"{o}: it would join bodies that stand apart" for o in WHOLE]
    resolved = soffit.resolve(part)
    assert resolved.clean
    assert resolved.produced.bodies == 2
    # Where nothing is in the way, two bodies are no hindrance.
    free = turned(compound_of([ledge(), box((11, 5, 0), (15, 15, 12))]), tmp_path)
    options, _ = all_options(looked_at(free, PLA), finding, ["chamfer"])
    assert [o.remedy for o in options] == WHOLE[::-1]
