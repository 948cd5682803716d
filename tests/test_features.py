"""Recognised features: closed-form parts first, then what must not be taken for one."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import manifold3d as m3
import numpy as np
import pytest
import trimesh
from jsonschema import Draft202012Validator
from OCP.BRepAdaptor import BRepAdaptor_Curve
from OCP.GeomAbs import GeomAbs_CurveType
from OCP.TopoDS import TopoDS_Edge, TopoDS_Shape
from referencing import Registry, Resource

import soffit
from examples._cad import lathe, sphere, sweep, upright
from soffit.cli.render_features import features_lines
from soffit.cli.render_text import WIDTH
from soffit.cli.run import run
from soffit.errors import SelectorError
from soffit.part.features.model import Features, RoundHole, Use
from soffit.part.features.recognise import recognise
from soffit.part.features.sizes import tables
from soffit.part.model import Part, Vec3
from soffit.part.place import place
from soffit.plan.protect import select_faces
from soffit.plan.report import features_json
from soffit.plan.report_parts import dumps
from soffit.plan.select_features import selector_of
from tests.shapes import EXAMPLES, box, cross_hole, cut, cylinder, example, fillet, fuse, move, read
from tests.winding import winding

SCHEMAS = Path(__file__).parents[1] / "docs" / "schema"
UP = (0, 0, 1)
THICK = 10.0  # of the plate; its top is at z = 10 and its corner off the origin
CORNER = (100.0, -50.0, 30.0)


@dataclass(frozen=True)
class Drawn:
    """A hole as drawn: its place in the plate, (enter, end, depth) of its sections from the
    opening inwards, whether it goes through, and what it may be."""

    at: tuple[float, float]
    sections: tuple[tuple[float, float, float], ...]
    through: bool
    uses: frozenset[Use]
    what: str = ""


THREAD, CLEARANCE, PIN, BEARING, INSERT = (
    Use.THREAD, Use.CLEARANCE, Use.PIN, Use.BEARING, Use.INSERT)  # fmt: skip
HOLES = (
    # ISO 2306: M3 is drilled 2.5; a pin of 2.5 fits too.
    Drawn((10, 10), ((2.5, 2.5, 8),), False, frozenset({THREAD, PIN}), "M3 × 0.5 thread"),
    # 6.6 for M6 in the medium series, 0.15 wide.
    Drawn((25, 10), ((6.75, 6.75, 10),), True, frozenset({THREAD, CLEARANCE}), "M8 × 1.25 thread"),
    Drawn((40, 10), ((4.5, 4.5, 10),), True, frozenset({CLEARANCE}), "M4 screw, medium"),
    Drawn((55, 10), ((6, 6, 10),), True, frozenset({PIN}), "6 mm dowel pin"),
    # The seat of a 608, with a shoulder; 16 is a bearing's size too, but nothing rests there.
    Drawn((80, 20), ((22, 22, 7), (16, 16, 3)), True, frozenset({BEARING}), "bearing 608"),
    Drawn((10, 30), ((5.6, 5.6, 6),), False, frozenset({INSERT}), "M4 heat-set"),
    # A countersink at 90° and a counterbore, each over a hole for M4.
    Drawn((30, 30), ((9, 4.5, 2.25), (4.5, 4.5, 7.75)), True, frozenset({CLEARANCE}), "M4 screw"),
    Drawn((50, 30), ((9.4, 9.4, 4), (4.5, 4.5, 6)), True, frozenset({CLEARANCE}), "M4 screw"),
    # Ended by the tip of a drill.
    Drawn((10, 50), ((3.3, 3.3, 6), (3.3, 0, 1.65)), False, frozenset({THREAD, INSERT}),
          "M4 × 0.7 thread"),
    # Nothing that is listed.
    Drawn((70, 52), ((35.5, 35.5, 10),), True, frozenset()),
)  # fmt: skip


def tool(hole: Drawn) -> TopoDS_Shape:
    """What to cut for a hole, a little proud of the plate where it is open."""
    x, y = hole.at
    z, pieces = THICK, []
    for enter, end, depth in hole.sections:
        pieces.append(lathe([(0, z), (enter / 2, z), (end / 2, z - depth), (0, z - depth)]
                            if end else [(0, z), (enter / 2, z), (0, z - depth)], (x, y)))
        z -= depth
    last = hole.sections[-1][1] / 2
    if hole.through:
        pieces.append(cylinder((x, y, -1), UP, last, z + 1))
    first = hole.sections[0][0] / 2
    return fuse(*pieces, cylinder((x, y, THICK), UP, first, 1))


def plate() -> TopoDS_Shape:
    return move(cut(box((0, 0, 0), (100, 72, THICK)), *(tool(hole) for hole in HOLES)), CORNER)


@pytest.fixture(name="drawn", scope="module")
def plate_as_read(tmp_path_factory: pytest.TempPathFactory) -> Part:
    return read(plate(), tmp_path_factory.mktemp("plate"))


def as_stl(part: Part, folder: Path, unit: str = "mm") -> Part:
    """The part's mesh by way of an STL file in a unit, in the file's frame."""
    back = np.linalg.inv(part.placement)
    points = part.mesh.vertices @ back[:3, :3].T + back[:3, 3]
    scale = {"mm": 1.0, "in": 1 / 25.4}[unit]
    path = folder / "part.stl"
    trimesh.Trimesh(points * scale, part.mesh.triangles, process=False).export(path)
    return place(soffit.read(path, unit=unit), "keep")


CASES: dict[str, Callable[[Part, Path], Part]] = {
    "as drawn": lambda part, _: part,
    "upside down": lambda part, _: place(part, (0, 0, -1)),
    "on its side": lambda part, _: place(part, (0, 1, 0)),
    "turned": lambda part, _: place(part, (0.3, -0.5, 0.7)),
    "from STL": as_stl,
    "from STL, turned": lambda part, folder: place(as_stl(part, folder), (0.3, -0.5, 0.7)),
    "from STL in inches": lambda part, folder: as_stl(part, folder, "in"),
}


@pytest.mark.parametrize("case", CASES)
def test_each_hole_is_found_as_drawn(case: str, drawn: Part, tmp_path: Path) -> None:
    part = CASES[case](drawn, tmp_path)
    found = recognise(part)
    # Corners of a tessellated circle lie on it; 32-bit numbers step by 8e-6 mm at 100 mm.
    near = 1e-6 if part.brep is not None else 2e-3
    assert len(found.holes) == len(HOLES)
    for hole in HOLES:
        middle = THICK - sum(s[2] for s in hole.sections) / 2
        at = np.add(CORNER, (*hole.at, middle))
        selector = "hole near " + ",".join(str(v) for v in at)
        chosen = set(select_faces(part, selector))
        (match,) = [h for h in found.holes if set(h.faces) == chosen]
        turned = part.placement[:3, :3] @ at + part.placement[:3, 3]
        assert np.abs(np.array(match.at_mm) - turned).max() <= near
        assert match.through is hole.through
        drawn_to = [list(s) for s in hole.sections]
        got = [[s.enter_mm, s.end_mm, s.depth_mm] for s in match.sections]
        if hole.through and len(got) == 1:
            assert abs(abs(np.dot(match.axis, part.placement[:3, 2])) - 1) < 1e-4
        else:
            assert np.dot(match.axis, part.placement[:3, 2]) < -1 + 1e-4
        assert np.abs(np.array(got) - np.array(drawn_to)).max() <= near
        assert {r.use for r in match.may_be} == hole.uses
        assert not hole.what or any(r.what.startswith(hole.what) for r in match.may_be)


def test_shoulders_and_floors_belong_to_a_hole(drawn: Part) -> None:
    """Area by hand: walls 22π·7 + 16π·3, shoulder π(11² − 8²); blind: 2.5π·8 + π·1.25²."""
    seat, blind = ((hole_of(recognise(drawn), d)) for d in (22, 2.5))
    area = {h.id: sum(drawn.face(f).area_mm2 for f in h.faces) for h in (seat, blind)}
    assert area[seat.id] == pytest.approx(math.pi * (22 * 7 + 16 * 3 + 121 - 64), rel=1e-6)
    assert area[blind.id] == pytest.approx(math.pi * (2.5 * 8 + 1.25**2), rel=1e-6)


def hole_of(found: Features, diameter: float) -> RoundHole:
    (hole,) = [h for h in found.holes if abs(h.sections[0].enter_mm - diameter) < 1e-6]
    return hole


def test_only_the_seat_with_a_shoulder_is_likely(drawn: Part) -> None:
    found = recognise(drawn)
    likely = {r.what for h in found.holes for r in h.may_be if r.confidence == "likely"}
    assert likely == {"bearing 608 (8 × 22 × 7)"}


def test_ids_do_not_depend_on_what_points_up(drawn: Part) -> None:
    for up in ((0, 0, -1), (0.3, -0.5, 0.7)):
        turned = recognise(place(drawn, up))
        assert [(h.id, h.faces) for h in turned.holes] == [
            (h.id, h.faces) for h in recognise(drawn).holes]  # fmt: skip


# --- what is no hole ------------------------------------------------------------------------


def slotted() -> TopoDS_Shape:
    """A slot with round ends: two half cylinders 10 apart, and the room between."""
    return cut(box((0, 0, 0), (40, 20, 6)), cylinder((15, 10, -1), UP, 3, 8),
               cylinder((25, 10, -1), UP, 3, 8), box((15, 7, -1), (25, 13, 7)))


def pocket() -> TopoDS_Shape:
    """A pocket whose upright corners are rounded by 3 mm: four inward quarters."""
    room = fillet(box((5, 5, 2), (35, 25, 11)), 3, upright)
    return cut(box((0, 0, 0), (40, 30, 10)), room)


NOT_HOLES: dict[str, Callable[[], TopoDS_Shape]] = {
    "boss": lambda: fuse(box((0, 0, 0), (30, 30, 4)), cylinder((15, 15, 3), UP, 2.5, 10)),
    "half cylinder": lambda: cut(box((0, 0, 0), (30, 30, 10)), cylinder((15, -1, 10), (0, 1, 0),
                                                                       4, 32)),
    "slot": slotted,
    "rounded pocket": pocket,
    "groove round a boss": lambda: cut(
        box((0, 0, 0), (40, 40, 10)),
        cut(cylinder((20, 20, 4), UP, 11, 7), cylinder((20, 20, 3), UP, 4, 9))),
    "groove round a square tube": lambda: cut(
        box((0, 0, 0), (40, 40, 10)),
        cut(cylinder((20, 20, 4), UP, 11, 7), box((16, 16, 3), (24, 24, 11))),
    ),
    "closed void": lambda: cut(box((0, 0, 0), (30, 30, 20)), cylinder((15, 15, 5), UP, 4, 10)),
    "square hole": lambda: cut(box((0, 0, 0), (30, 30, 10)), box((12, 12, -1), (18, 18, 11))),
    "funnel": lambda: cut(box((0, 0, 0), (30, 30, 10)),
                          lathe([(0, 0), (3, 0), (9, 10), (0, 10)], (15, 15))),
    "two halves at different heights": lambda: cut(
        box((0, 0, 0), (30, 30, 20)),
        cut(cylinder((15, 15, -1), UP, 4, 11), box((15, 0, -2), (30, 30, 11))),
        cut(cylinder((15, 15, 10), UP, 4, 11), box((0, 0, 9), (15, 30, 22))),
    ),
}  # fmt: skip


@pytest.mark.parametrize("mesh", [False, True], ids=["B-rep", "STL"])
@pytest.mark.parametrize("name", NOT_HOLES)
def test_near_misses_are_not_holes(name: str, mesh: bool, tmp_path: Path) -> None:
    part = read(NOT_HOLES[name](), tmp_path)
    part = as_stl(part, tmp_path) if mesh else part
    assert recognise(part).all == ()


@pytest.mark.parametrize(("inset", "counts"), [(2.55, True), (2.5, True), (2.45, False)])
def test_a_hole_that_the_edge_cuts_counts_from_two_thirds_on(
    inset: float, counts: bool, tmp_path: Path
) -> None:
    """At radius 5 the wall is round over 360° − 2 acos(inset / 5): exactly 240° at 2.5."""
    part = read(cut(box((0, 0, 0), (30, 30, 8)), cylinder((15, inset, -1), UP, 5, 10)), tmp_path)
    assert len(recognise(part).holes) == counts


def test_a_hole_with_a_roof_is_a_hole(tmp_path: Path) -> None:
    """A teardrop: round over 270°, then two planes at 45° that meet over it."""
    r, c = 4.0, 12.0
    s = r / math.sqrt(2)
    roof = sweep([(15 - s, -1, c + s), (15 + s, -1, c + s), (15, -1, c + 2 * s)], (0, 32, 0))
    solid = cut(box((0, 0, 0), (30, 30, 30)), cylinder((15, -1, c), (0, 1, 0), r, 32), roof)
    (hole,) = recognise(read(solid, tmp_path)).holes
    assert hole.through
    assert hole.diameter_mm == pytest.approx(2 * r, abs=1e-6)
    assert hole.depth_mm == pytest.approx(30, abs=1e-6)


@pytest.mark.parametrize("across", [3.0, 6.0])
def test_a_bore_that_a_hole_crosses_is_one_hole(across: float, tmp_path: Path) -> None:
    """The smaller one ends at it on both sides. Where it crosses, the bore of 8 is round over
    360° − 4 asin(across / 8): 272° and 166°."""
    solid = cut(box((0, 0, 0), (40, 20, 20)), cylinder((-1, 10, 10), (1, 0, 0), 4, 42),
                cylinder((20, 10, -1), UP, across / 2, 22))
    found = recognise(read(solid, tmp_path))
    main = [h for h in found.holes if abs(h.diameter_mm - 8) < 1e-6]
    crossing = [h for h in found.holes if abs(h.diameter_mm - across) < 1e-6]
    assert len(main) == 1 and len(crossing) == 2 and len(found.holes) == 3
    assert main[0].depth_mm == pytest.approx(40, abs=1e-6)
    assert main[0].through and all(h.through for h in crossing)


def ball_ended() -> TopoDS_Shape:
    return cut(box((0, 0, 0), (30, 30, 20)), cylinder((15, 15, 10), UP, 4, 11),
               sphere((15, 15, 10), 4))


def rounded_rim() -> TopoDS_Shape:
    """A hole of 8 through 10, its upper rim rounded by 1.5: 8.5 of it are left."""
    plain = cut(box((0, 0, 0), (30, 30, 10)), cylinder((15, 15, -1), UP, 4, 12))
    return fillet(plain, 1.5, lambda e: on_circle(e, 10, 4))


def rounded_shoulder() -> TopoDS_Shape:
    """A seat of 22 × 7 over a hole of 8, the corner at its shoulder rounded by 1."""
    plain = cut(box((0, 0, 0), (40, 40, 12)), cylinder((20, 20, 5), UP, 11, 8),
                cylinder((20, 20, -1), UP, 4, 14))
    return fillet(plain, 1, lambda e: on_circle(e, 5, 11))


def on_circle(edge: TopoDS_Edge, z: float, radius: float) -> bool:
    """Whether an edge runs round an upright circle of this radius at this height."""
    curve = BRepAdaptor_Curve(edge)
    if curve.GetType() != GeomAbs_CurveType.GeomAbs_Circle:
        return False
    circle = curve.Circle()
    return abs(circle.Radius() - radius) < 1e-6 and abs(circle.Location().Z() - z) < 1e-6


def flat_sided() -> TopoDS_Shape:
    """A bore of 8 with a flat 3.2 from its axis: round over 360° − 2 acos 0.8 = 286°."""
    bore = cut(cylinder((15, 15, -1), UP, 4, 12), box((18.2, 0, -2), (30, 30, 12)))
    return cut(box((0, 0, 0), (30, 30, 10)), bore)


def slit() -> TopoDS_Shape:
    """A clamp of 8 with a slit of 2."""
    return cut(box((0, 0, 0), (30, 30, 10)), cylinder((15, 15, -1), UP, 4, 12),
               box((15, 14, -1), (31, 16, 11)))


@pytest.mark.parametrize("mesh", [False, True], ids=["B-rep", "STL"])
@pytest.mark.parametrize(
    ("shape", "sections", "through", "mouths"),
    [
        (ball_ended, [(8, 10)], False, 1),
        (rounded_rim, [(8, 8.5)], True, 2),
        (rounded_shoulder, [(22, 7), (8, 5)], True, 2),
        (flat_sided, [(8, 10)], True, 2),
        (slit, [(8, 10)], True, 2),
    ],
)
def test_holes_with_rounded_and_broken_walls(
    shape: Callable[[], TopoDS_Shape], sections: list[tuple[float, float]], through: bool,
    mouths: int, mesh: bool, tmp_path: Path,
) -> None:
    part = read(shape(), tmp_path)
    part = as_stl(part, tmp_path) if mesh else part
    (hole,) = recognise(part).holes
    assert hole.through is through
    got = [(s.enter_mm, s.depth_mm) for s in hole.sections]
    assert np.abs(np.array(got) - np.array(sections)).max() <= 2e-3
    assert len(hole.mouths) == mouths


def test_two_lugs_are_two_holes(tmp_path: Path) -> None:
    solid = cut(fuse(box((0, 0, 0), (30, 20, 4)), box((0, 0, 0), (5, 20, 20)),
                     box((25, 0, 0), (30, 20, 20))),
                cylinder((-1, 10, 12), (1, 0, 0), 3, 32))
    holes = recognise(read(solid, tmp_path)).holes
    assert [round(h.depth_mm, 6) for h in holes] == [5, 5]


def test_each_of_two_plates_that_lie_on_each_other_has_its_hole() -> None:
    """Two bodies that meet at z = 5, where their holes coincide but for their facets."""
    plates = [(m3.Manifold.cube((size, size, 5), True)
               - m3.Manifold.cylinder(5, 2.25, 2.25, 64, True).rotate((0, 0, turn_deg))
               ).translate((0, 0, z)) for size, z, turn_deg in ((30, 2.5, 0), (40, 7.5, 1))]
    meshes = [solid.to_mesh64() for solid in plates]
    part = place(soffit.read(trimesh.util.concatenate(
        [trimesh.Trimesh(m.vert_properties[:, :3], m.tri_verts) for m in meshes]), unit="mm"))
    assert part.bodies == 2
    holes = recognise(part).holes
    assert [(round(h.depth_mm, 6), h.through) for h in holes] == [(5, True), (5, True)]
    assert [h.diameter_mm for h in holes] == pytest.approx([4.5, 4.5], abs=1e-6)


def test_a_groove_round_a_tube_is_no_part_of_its_hole(tmp_path: Path) -> None:
    solid = cut(box((0, 0, 0), (40, 40, 10)),
                cut(cylinder((20, 20, 4), UP, 11, 7), cylinder((20, 20, 3), UP, 6, 9)),
                cylinder((20, 20, -1), UP, 4, 12))
    (hole,) = recognise(read(solid, tmp_path)).holes
    assert [(s.enter_mm, s.depth_mm) for s in hole.sections] == [pytest.approx((8, 10))]


def test_blind_holes_back_to_back_are_two(tmp_path: Path) -> None:
    """A web of 0.4 mm between a wide and a narrow one, less than their radii differ by."""
    solid = cut(box((0, 0, 0), (40, 40, 12)), cylinder((20, 20, 6.2), UP, 11, 7),
                cylinder((20, 20, -1), UP, 4, 6.8))
    holes = recognise(read(solid, tmp_path)).holes
    assert sorted((round(h.diameter_mm, 6), h.through) for h in holes) == [(8, False), (22, False)]


def test_a_part_that_is_not_closed_has_no_features(drawn: Part, tmp_path: Path) -> None:
    path = tmp_path / "open.stl"
    trimesh.Trimesh(drawn.mesh.vertices, drawn.mesh.triangles[1:], process=False).export(path)
    part = soffit.read(path, unit="mm")
    assert not part.closed
    found = soffit.features(part)
    assert found.all == ()
    assert "not closed" in "\n".join(line.text for line in features_lines(found))
    with pytest.raises(SelectorError, match="not closed"):
        select_faces(part, "features")


# --- sizes ----------------------------------------------------------------------------------


def test_every_table_says_where_it_comes_from() -> None:
    for name, table in tables().items():
        assert len(table["source"]) > 10, name
        assert table["grade"] in ("published", "common practice", "from memory", "derived"), name
        assert table["rows"] and table["under_mm"] > 0 and table["over_mm"] > 0


@pytest.mark.parametrize(
    ("diameter", "listed"),
    [
        (2.459, "M3 × 0.5 thread, minor diameter"),  # ISO 724, from memory: 2.459
        (6.647, "M8 × 1.25 thread, minor diameter"),  # ISO 724, from memory: 6.647
        (4.2, "M5 × 0.8 thread, tap drill"),
        (5.0 + 0.10, "M6 × 1 thread, tap drill"),  # exactly at the table's limit
        (5.0 + 0.11, ""),
        (6.60 + 0.15, "M6 screw, medium series"),
        (9.0 - 0.05, "M8 screw, medium series"),
        (9.0 - 0.06, ""),
    ],
)
def test_sizes_at_and_beyond_their_limits(diameter: float, listed: str, tmp_path: Path) -> None:
    solid = cut(box((0, 0, 0), (30, 30, 8)), cylinder((15, 15, -1), UP, diameter / 2, 10))
    (hole,) = recognise(read(solid, tmp_path)).holes
    whats = [r.what for r in hole.may_be]
    if listed:
        assert listed in whats
        (match,) = [r for r in hole.may_be if r.what == listed]
        assert match.measured_mm == pytest.approx(diameter, abs=1e-6)
    else:
        wrong = {"M6 × 1 thread, tap drill", "M8 screw, medium series"}
        assert not wrong & set(whats)


# --- patterns and mating faces --------------------------------------------------------------


def drilled(points: list[tuple[float, float]], diameter: float, turn_deg: float = 0.0,
            *more: TopoDS_Shape) -> TopoDS_Shape:
    """A round plate 4 thick with through holes at these points round its middle."""
    a = math.radians(turn_deg)
    at = [(x * math.cos(a) - y * math.sin(a), x * math.sin(a) + y * math.cos(a))
          for x, y in points]
    return cut(cylinder((0, 0, 0), UP, 60, 4),
               *(cylinder((x, y, -1), UP, diameter / 2, 6) for x, y in at), *more)


SQUARE = [(15.5, 15.5), (-15.5, 15.5), (-15.5, -15.5), (15.5, -15.5)]
HEXAGON = [(30 * math.cos(k * math.pi / 3), 30 * math.sin(k * math.pi / 3)) for k in range(6)]


@pytest.mark.parametrize(
    ("points", "shape", "size"),
    [
        (SQUARE, "rectangle", (31.0, 31.0)),
        (HEXAGON, "circle", (60.0,)),
        (HEXAGON[::2], "circle", (60.0,)),
        ([(0, 0), (12, 0), (24, 0), (36, 0)], "line", (12.0,)),
        ([(x, y) for x in (0, 10, 20) for y in (0, 15)], "grid", (15.0, 10.0)),
        ([(0, 0), (20, 5)], "pair", (math.hypot(20, 5),)),
        ([(0, 0), (20, 0), (35, 0)], "", ()),  # in a row, but at two pitches
        ([(0, 0), (20, 0), (5, 12)], "", ()),  # three at no even steps
    ],
)
@pytest.mark.parametrize("turn_deg", [0.0, 27.0])
def test_patterns(points: list[tuple[float, float]], shape: str, size: tuple[float, ...],
                  turn_deg: float, tmp_path: Path) -> None:
    found = recognise(read(drilled(points, 3.4, turn_deg), tmp_path))
    assert len(found.holes) == len(points)
    if not shape:
        assert found.patterns == found.mating == ()
        return
    (pattern,) = found.patterns
    assert pattern.shape == shape
    assert pattern.size_mm == pytest.approx(size, abs=1e-6)
    assert len(pattern.holes) == len(points)
    # Both sides of the plate may mate: π 60² less the holes.
    area = math.pi * (60**2 - len(points) * 1.7**2)
    assert [m.area_mm2 for m in found.mating] == pytest.approx([area, area], rel=1e-6)


def test_a_motor_flange_is_likely_where_its_screw_fits(tmp_path: Path) -> None:
    for diameter, sure in ((3.4, "likely"), (3.8, "near")):
        (pattern,) = recognise(read(drilled(SQUARE, diameter), tmp_path)).patterns
        assert [(r.what, r.confidence) for r in pattern.may_be] == [("NEMA 17 motor flange", sure)]
    (pattern,) = recognise(read(drilled(SQUARE, 8.4), tmp_path)).patterns
    assert pattern.may_be == ()


def test_holes_that_differ_make_no_pattern(tmp_path: Path) -> None:
    one = cylinder((*SQUARE[3], -1), UP, 2.25, 6)
    found = recognise(read(drilled(SQUARE[:3], 3.4, 0.0, one), tmp_path))
    assert len(found.holes) == 4
    assert found.patterns == ()


def test_no_mating_face_where_heads_are_let_in(tmp_path: Path) -> None:
    heads = [cylinder((x, y, 2), UP, 3.25, 3) for x, y in SQUARE]
    (mating,) = recognise(read(drilled(SQUARE, 3.4, 0.0, *heads), tmp_path)).mating
    assert mating.normal == pytest.approx((0, 0, -1), abs=1e-9)
    assert mating.area_mm2 == pytest.approx(math.pi * (60**2 - 4 * 1.7**2), rel=1e-6)


def test_faces_of_four_feet_are_one_mating_face(tmp_path: Path) -> None:
    feet = [cylinder((x, y, -8), UP, 5, 9) for x, y in SQUARE]
    solid = cut(fuse(cylinder((0, 0, 0), UP, 60, 4), *feet),
                *(cylinder((x, y, -9), UP, 1.7, 15) for x, y in SQUARE))
    below = min(recognise(read(solid, tmp_path)).mating, key=lambda m: m.at_mm[2])
    assert len(below.faces) == 4
    assert below.area_mm2 == pytest.approx(4 * math.pi * (25 - 1.7**2), rel=1e-6)


# --- protecting -----------------------------------------------------------------------------


@pytest.mark.parametrize("up", [(0, 0, 1), (0.3, -0.5, 0.7)])
def test_each_selector_names_its_own_feature(up: Vec3, drawn: Part, tmp_path: Path) -> None:
    for part in (place(drawn, up), place(read(drilled(HEXAGON, 3.4), tmp_path), up)):
        found = recognise(part)
        for feature in found.all:
            assert select_faces(part, selector_of(part, feature)) == feature.faces
        assert select_faces(part, "features") == found.protected_faces


def test_class_selectors_take_all_that_may_be_one(drawn: Part) -> None:
    found = recognise(drawn)
    for use in (THREAD, CLEARANCE, PIN, BEARING, INSERT):
        faces = {f for h in found.holes for f in h.faces
                 if any(r.use is use for r in h.may_be)}  # fmt: skip
        assert set(select_faces(drawn, use.value.upper())) == faces
    unknown = set(hole_of(found, 35.5).faces)
    assert unknown <= set(select_faces(drawn, "round holes"))
    assert not unknown & set(select_faces(drawn, "features"))


@pytest.mark.parametrize("selector", ["mating faces", "flanges", "pattern near 0,0,0"])
def test_a_selector_that_names_nothing_lists_what_is_there(selector: str, tmp_path: Path) -> None:
    part = read(cross_hole(4, 20), tmp_path)
    with pytest.raises(SelectorError, match=r"none was recognised; on the part: .*round holes"):
        select_faces(part, selector)


def test_a_selector_on_a_part_without_holes(tmp_path: Path) -> None:
    part = read(box((0, 0, 0), (10, 10, 10)), tmp_path)
    with pytest.raises(SelectorError, match="the part has no round hole"):
        select_faces(part, "features")
    with pytest.raises(SelectorError, match="not understood"):
        select_faces(part, "all features")


def test_a_protected_hole_gets_no_roof(tmp_path: Path) -> None:
    """A hole of 8 mm lying down: a roof is cut over it unless it is protected."""
    part = read(cross_hole(4, 20), tmp_path)
    free = soffit.resolve(part)
    assert [e.remedy for e in free.edits] == ["teardrop"]
    kept = soffit.resolve(part, protect=["pins"])
    (face,) = recognise(part).protected_faces
    assert kept.edits == ()
    assert [p.face for p in kept.protected] == [face] and kept.protected[0].untouched
    assert kept.open
    for entry in kept.open:
        assert entry.reason.startswith(
            f"it stays open because of protected face {face}; the cheapest way out is a teardrop ")


# --- what is written ------------------------------------------------------------------------


def test_json_fits_its_schema_and_holds_the_figures(drawn: Part, tmp_path: Path) -> None:
    schemas = {p.name: json.loads(p.read_text(encoding="utf-8")) for p in SCHEMAS.glob("*.json")}
    Draft202012Validator.check_schema(schemas["features-1.json"])
    registry: Registry[object] = Registry().with_resources(
        (name, Resource.from_contents(value)) for name, value in schemas.items())
    check = Draft202012Validator(schemas["features-1.json"], registry=registry)
    motor = recognise(read(drilled(SQUARE, 3.4), tmp_path))
    for found in (recognise(drawn), motor):
        report = json.loads(dumps(features_json(found)))
        check.validate(report)
        assert dumps(features_json(recognise(found.part))) == dumps(report)
        assert not check.is_valid({**report, "schema": "soffit.features/2"})
        assert not check.is_valid({**report, "extra": 1})
    entries = {e["kind"]: e for e in features_json(motor)["features"]}
    assert entries["hole pattern"]["size_mm"] == [31.0, 31.0]
    assert entries["round hole"]["diameter_mm"] == 3.4
    assert set(entries) == {"round hole", "hole pattern", "mating face"}


def test_text_gives_each_selector_and_keeps_to_its_width(drawn: Part) -> None:
    found = recognise(drawn)
    lines = [line.text for line in features_lines(found)]
    assert max(map(len, lines)) <= WIDTH
    text = "\n".join(lines)
    for feature in found.all:
        assert f'--protect "{selector_of(drawn, feature)}"' in text
    assert "bearing 608 (8 × 22 × 7) (likely, 22.00; from memory)" in text


def test_the_command(capfd: pytest.CaptureFixture[str]) -> None:
    path = str(EXAMPLES / "bearing_carrier.step")
    assert run(["features", path]) == 0
    assert 'bearing seats"' in capfd.readouterr().out
    assert run(["features", path, "--format", "json", "--up", "0,0,-1"]) == 0
    report = json.loads(capfd.readouterr().out)
    assert report["schema"] == "soffit.features/1"
    seat = next(e for e in report["features"] if "bearing seats" in e["classes"])
    assert seat["sections"][0]["enter_mm"] == 22.0
    # The protected face that examples/README.md names lies in that seat.
    (face,) = select_faces(example("bearing_carrier"), "face near 33,22,50")
    assert face in seat["faces"]


# --- real parts -----------------------------------------------------------------------------


def test_one_part_in_two_formats(parts_dir: Path) -> None:
    """The same part as STEP in inches and as STL without a unit, read as inches."""
    folder = parts_dir / "good" / "trimesh_models"
    step = recognise(place(soffit.read(folder / "featuretype.step")))
    mesh = recognise(place(soffit.read(folder / "featuretype.stl", unit="in")))
    assert len(step.holes) == 9 and len(step.mating) == 1
    assert [p.shape for p in step.patterns] == ["grid"]
    for a, b in zip(step.holes, mesh.holes, strict=True):
        assert a.diameter_mm == pytest.approx(b.diameter_mm, abs=0.02)
        assert a.depth_mm == pytest.approx(b.depth_mm, abs=0.02)
        assert a.at_mm == pytest.approx(b.at_mm, abs=0.05)
        assert [r.what for r in a.may_be] == [r.what for r in b.may_be]
    assert [p.shape for p in step.patterns] == [p.shape for p in mesh.patterns]


REAL = ("openbot/MotorEnclosure_Top.step", "poseidon/Pump_Carriage.step",
        "so_arm100/Motor_holder_SO101_Wrist.step", "gello/lite6_baseRoll.stl",
        "odri/hip_aa_support.step")  # fmt: skip


@pytest.mark.parametrize("name", REAL)
def test_holes_of_real_parts_are_air_with_material_round_them(name: str, parts_dir: Path) -> None:
    """By the winding of the surface round points, which the recogniser does not use."""
    path = parts_dir / "good" / name
    part = place(soffit.read(path, unit="mm" if path.suffix == ".stl" else None))
    found = recognise(part)
    assert len(found.holes) >= 3
    for hole in found.holes:
        axis = np.array(hole.axis)
        start = np.array(hole.at_mm) - 0.5 * hole.depth_mm * axis
        u = np.cross(axis, np.eye(3)[int(np.abs(axis).argmin())])
        u /= np.linalg.norm(u)
        turns = np.arange(36) * math.pi / 18 + 0.01
        spokes = np.cos(turns)[:, None] * u + np.sin(turns)[:, None] * np.cross(axis, u)
        for section in hole.sections:
            middle = start + 0.5 * section.depth_mm * axis
            start = start + section.depth_mm * axis
            if section.tapered:
                continue
            r = 0.5 * section.enter_mm
            within = winding(middle + 0.95 * r * spokes, part.mesh.corners)
            beyond = winding(middle + (1.02 * r + 0.05) * spokes, part.mesh.corners)
            assert (within < 0.5).all(), hole
            assert (beyond > 0.5).mean() >= 0.6, hole
