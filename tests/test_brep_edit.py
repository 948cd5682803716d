"""Changes applied to the B-rep: true faces come back, descent is kept, wrong edits are refused."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from OCP.BRep import BRep_Builder
from OCP.BRepAlgoAPI import BRepAlgoAPI_Fuse
from OCP.TopoDS import TopoDS_Compound, TopoDS_Shape

from examples._cad import box as block
from examples._cad import cut as carve
from examples._cad import cylinder as rod
from examples._cad import fuse as join
from examples._cad import move
from soffit.errors import GeometryError
from soffit.part.deviation import face_deviation
from soffit.part.edit import apply
from soffit.part.measure import mass_properties
from soffit.part.model import Change, Face, Part, Surface
from soffit.part.place import place
from soffit.part.quality import quality_change
from soffit.part.solid import Cone, Difference, Drop, Hull, Intersection, Prism, Solid, Union, box
from soffit.part.step import read_shape

# A wall 6 thick with a shelf 10 deep, 20 wide and 4 thick, its underside at z = 14.
SHELF = join(block((-6, 0, 0), (0, 20, 18)), block((-6, 0, 14), (10, 20, 18)))
WEDGE = Hull(np.array([[0, y, z] for y in (0, 20) for z in (4, 14)] +
                      [[10, y, 14] for y in (0, 20)], dtype=np.float64))


def add(solid: Solid, edit: str = "E1", name: str = "wedge") -> Change:
    return Change("add", solid, edit, name)


def cut(solid: Solid, edit: str = "E1", name: str = "hole") -> Change:
    return Change("cut", solid, edit, name)


def shelf() -> Part:
    return read_shape(SHELF)


def compound(*shapes: TopoDS_Shape) -> TopoDS_Shape:
    made, builder = TopoDS_Compound(), BRep_Builder()
    builder.MakeCompound(made)
    for shape in shapes:
        builder.Add(made, shape)
    return made


def gain(before: Part, after: Part) -> float:
    return mass_properties(after)[0] - mass_properties(before)[0]


def facing(part: Part, *normal: float) -> list[Face]:
    return [f for f in part.faces if np.allclose(f.normal, normal, atol=1e-6)]


# What comes back ---------------------------------------------------------------------------


def test_full_wedge_under_a_ledge() -> None:
    """½·d²·b = 1000 mm³ (oracle 6); the shelf's underside is gone, one 45° plane is new, and
    its ends are flush with the part's sides, so no face is left of them."""
    before = shelf()
    after = apply(before, [add(WEDGE)])
    assert gain(before, after) == pytest.approx(1000, rel=1e-9)
    assert after.closed
    assert after.bodies == 1
    assert len(before.faces) == 8
    assert len(after.faces) == 8
    (new,) = [f for f in after.faces if f.edit]
    assert (new.edit, new.name, new.origin) == ("E1", "wedge", None)
    assert new.color == pytest.approx((0, 0x79 / 255, 0x7A / 255))
    assert new.surface is Surface.PLANE
    assert new.normal == pytest.approx((math.sqrt(0.5), 0, -math.sqrt(0.5)))
    assert new.area_mm2 == pytest.approx(20 * math.sqrt(200))
    # Two sides grew by the triangle; they are the customer's faces still.
    for side in (1.0, -1.0):
        (was,) = facing(before, 0, side, 0)
        (now,) = facing(after, 0, side, 0)
        assert now.origin == was.id
        assert now.area_mm2 == pytest.approx(was.area_mm2 + 50)
    (underside,) = [f.id for f in facing(before, 0, 0, -1) if f.area_mm2 > 150]
    assert sorted(f.origin for f in after.faces if f.origin) == [
        f.id for f in before.faces if f.id != underside
    ]


def test_fused_cone_is_a_true_cone() -> None:
    plate = read_shape(block((-10, -10, 0), (10, 10, 5)))
    after = apply(plate, [add(Cone((0, 0, 5), (0, 0, 1), 3, 6, 3))])
    (cone,) = [f for f in after.faces if f.surface is Surface.CONE]
    assert cone.edit == "E1"
    assert not cone.inward
    # Lateral area of a frustum, π(r0 + r1)·slant.
    assert cone.area_mm2 == pytest.approx(math.pi * 9 * math.sqrt(18), rel=1e-9)
    assert gain(plate, after) == pytest.approx(math.pi * (36 + 18 + 9), rel=1e-9)
    rows = after.mesh.face_of == cone.id
    assert after.mesh.normals[rows, 2] == pytest.approx(math.sqrt(0.5))
    assert len(after.faces) == 8


def test_cut_hole_is_a_true_cylinder_in_grey() -> None:
    plate = read_shape(block((-10, -10, 0), (10, 10, 5)))
    after = apply(plate, [cut(Cone((2, 0, -1), (0, 0, 1), 7, 2, 2))])
    (hole,) = [f for f in after.faces if f.surface is Surface.CYLINDER]
    assert (hole.edit, hole.name, hole.inward) == ("E1", "hole", True)
    assert hole.color == pytest.approx((0x8A / 255,) * 3)
    assert gain(plate, after) == pytest.approx(-math.pi * 4 * 5, rel=1e-9)
    assert len(after.faces) == 7


def test_quarter_of_a_cone_fills_a_corner() -> None:
    """Cone sector on a convex corner between two wedges: one quarter of r²·π·h/3 and two
    half squares (derived)."""
    plate = read_shape(join(block((-5, -5, 0), (0, 0, 20)), block((-5, -5, 16), (6, 6, 20))))
    at = (0.0, 0.0, 10.0)
    sector = Intersection((Cone(at, (0, 0, 1), 6, 0, 6), box((0, 0, 10), (6, 6, 16))))
    along_x = Hull(np.array([[0, y, z] for y in (-5, 0) for z in (10, 16)] +
                            [[6, y, 16] for y in (-5, 0)], dtype=np.float64))
    along_y = Hull(np.array([[x, 0, z] for x in (-5, 0) for z in (10, 16)] +
                            [[x, 6, 16] for x in (-5, 0)], dtype=np.float64))
    after = apply(plate, [add(Union((along_x, along_y, sector)), name="corner")])
    due = math.pi * 36 * 6 / 3 / 4 + 2 * 18 * 5
    assert gain(plate, after) == pytest.approx(due, rel=1e-6)
    made = [f for f in after.faces if f.edit]
    assert {f.surface for f in made} >= {Surface.CONE, Surface.PLANE}
    assert after.closed


def test_flush_block_leaves_six_planes() -> None:
    plate = read_shape(block((0, 0, 0), (10, 10, 5)))
    after = apply(plate, [add(box((10, 0, 0), (14, 10, 5)))])
    assert len(after.faces) == 6
    assert after.size_mm == pytest.approx((14, 10, 5))
    (end,) = [f for f in after.faces if f.edit]
    assert end.normal == pytest.approx((1, 0, 0))
    assert len({f.origin for f in after.faces if f.origin}) == 5


def test_surfaces_that_the_customer_divided_stay_divided() -> None:
    """A plate built of two pieces keeps its seam where no edit meets it."""
    two = BRepAlgoAPI_Fuse(block((0, 0, 0), (10, 10, 5)), block((10, 0, 0), (20, 10, 5))).Shape()
    plate = read_shape(two)
    assert len(plate.faces) == 10
    after = apply(plate, [add(box((2, 2, 5), (6, 6, 9)))])
    assert len(after.faces) == 10 + 5
    assert {f.origin for f in after.faces if f.origin} == set(range(1, 11))


def test_changes_in_turn_keep_their_own_faces() -> None:
    before = shelf()
    after = apply(
        before,
        [add(WEDGE), cut(Cone((5, 10, 0), (0, 0, 1), 30, 2, 2), "E2", "bore"),
         add(box((-6, 5, 18), (-2, 9, 22)), "E3", "lug")],
    )
    edits = {f.edit: f.name for f in after.faces if f.edit}
    assert edits == {"E1": "wedge", "E2": "bore", "E3": "lug"}
    # The bore leaves through the plane of the wedge: x from 3 to 7, mean height 14 - (10 - 5).
    assert gain(before, after) == pytest.approx(1000 - math.pi * 4 * 9 + 64, rel=1e-9)
    step = before
    for change in [add(WEDGE), cut(Cone((5, 10, 0), (0, 0, 1), 30, 2, 2), "E2", "bore")]:
        step = apply(step, [change])
    assert {f.edit for f in step.faces} == {None, "E1", "E2"}


def test_names_and_colours_of_the_part_survive() -> None:
    before = shelf()
    painted = replace(
        before,
        faces=tuple(replace(f, name=f"face {f.id}", color=(f.id / 10, 0.5, 0.25))
                    for f in before.faces),
    )
    after = apply(painted, [add(WEDGE), cut(box((-4, 8, 17), (-2, 12, 19)), "E2", "notch")])
    for face in after.faces:
        if face.origin:
            assert face.name == f"face {face.origin}"
            assert face.color == pytest.approx((face.origin / 10, 0.5, 0.25))
    assert len([f for f in after.faces if f.origin]) >= 7


# Frames ------------------------------------------------------------------------------------


@pytest.mark.parametrize("up", [(0, 0, 1), (0, 0, -1), (1, 0, 0), (1, 2, 3), (-0.3, 0.4, 0.2)])
def test_edit_of_a_placed_part_is_right_in_the_file_frame(up: tuple[float, float, float]) -> None:
    """The same lug, given in the build frame of any placement, lands on the same spot of the
    file: a solid is carried there by points, so its planes stay planes of the part."""
    loose = read_shape(move(SHELF, (30, -12, 5)))
    part = place(loose, up)
    turn, shift = part.placement[:3, :3], part.placement[:3, 3]
    lug = np.array([[x, y, z] for x in (26, 30) for y in (-12, -4) for z in (23, 26)], dtype=float)
    after = apply(part, [add(Hull(lug @ turn.T + shift))])
    assert np.array_equal(after.placement, part.placement)
    assert gain(part, after) == pytest.approx(4 * 8 * 3, rel=1e-9)
    assert after.brep is not None
    back = np.linalg.inv(after.placement)
    in_file = after.mesh.vertices @ back[:3, :3].T + back[:3, 3]
    assert in_file.min(axis=0) == pytest.approx([24, -12, 5])
    assert in_file.max(axis=0) == pytest.approx([40, 8, 26])
    # Flush with the side y = −12: it grew, and there is no sliver beside it.
    assert len(after.faces) == len(part.faces) + 4
    assert len([f for f in after.faces if f.edit]) == 4
    for face in after.faces:
        rows = after.mesh.face_of == face.id
        assert after.mesh.normals[rows] == pytest.approx(np.tile(face.normal, (rows.sum(), 1)))


def test_drop_of_a_curved_face_fills_down_to_the_plate() -> None:
    """A log's lower quarter faces swept down 3 mm: plan area × 3 less nothing, for the sweep
    starts on the surface (a rod cut in half, flat side up)."""
    half = carve(rod((0, 0, 0), (1, 0, 0), 10, 50), block((-1, -11, 0), (51, 11, 11)))
    part = place(read_shape(half))
    (round_face,) = [f for f in part.faces if f.surface is Surface.CYLINDER]
    drop = Drop((round_face.id,), part.triangles_of([round_face.id]), 3.0)
    after = apply(part, [add(drop)])
    assert gain(part, after) == pytest.approx(20 * 50 * 3, rel=1e-6)
    assert after.size_mm == pytest.approx((50, 20, 13), abs=1e-6)


# Bodies ------------------------------------------------------------------------------------


def test_tool_that_touches_two_bodies_joins_them() -> None:
    part = read_shape(compound(block((0, 0, 0), (5, 5, 5)), block((8, 0, 0), (13, 5, 5)),
                               block((40, 0, 0), (45, 5, 5))))
    after = apply(part, [add(box((5, 0, 0), (8, 5, 5)), name="bridge")])
    assert (part.bodies, after.bodies) == (3, 2)
    assert len(after.faces) == 12
    assert gain(part, after) == pytest.approx(75)
    assert {f.origin for f in after.faces if f.body == 1} == {13, 14, 15, 16, 17, 18}


def test_bodies_that_overlap_are_joined_by_what_touches_both() -> None:
    part = read_shape(compound(block((0, 0, 0), (6, 5, 5)), block((4, 0, 0), (10, 5, 5))))
    after = apply(part, [add(box((3, 1, 5), (7, 4, 8)))])
    assert after.bodies == 1
    assert mass_properties(after)[0] == pytest.approx(250 + 36)


def test_cut_that_parts_a_body_leaves_two() -> None:
    part = read_shape(block((0, 0, 0), (20, 5, 5)))
    after = apply(part, [cut(box((8, -1, -1), (12, 6, 6)))])
    assert after.bodies == 2
    assert after.closed
    assert gain(part, after) == pytest.approx(-100)


# Refused -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (add(box((20, 0, 0), (22, 2, 2))), r"edit E1 \(add 'wedge'\): it does not touch the part"),
        (add(Union((box((-5, 5, 18), (0, 9, 20)), box((-5, 5, 25), (0, 9, 26))))),
         "does not touch"),
        (add(box((2, 2, 2), (4, 4, 6))), "does not touch"),
        (add(Intersection((box((0, 0, 0), (1, 1, 1)), box((3, 3, 3), (4, 4, 4))))), "empty"),
        (cut(box((20, 0, 0), (22, 2, 2))), "nothing of the part to cut"),
        (cut(box((2, 2, 2), (4, 4, 6))), "nothing of the part to cut"),
        (cut(box((-9, -9, -9), (30, 30, 30))), "nothing of the part would be left"),
    ],
)
def test_wrong_edit_is_refused_in_one_line(change: Change, says: str) -> None:
    with pytest.raises(GeometryError, match=says) as caught:
        apply(shelf(), [change])
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith(f"edit E1 ({change.op} ")


def test_part_is_never_modified() -> None:
    before = shelf()
    bytes_before, faces_before = before.brep, before.faces
    apply(before, [add(WEDGE)])
    assert before.brep == bytes_before
    assert before.faces == faces_before
    assert apply(before, []) is before


def test_same_changes_give_the_same_part() -> None:
    changes = [add(WEDGE), cut(Cone((5, 10, 0), (0, 0, 1), 30, 2, 2), "E2", "bore")]
    a, b = apply(shelf(), changes), apply(shelf(), changes)
    assert a.faces == b.faces
    assert a.brep == b.brep
    assert a.mesh.vertices.tobytes() == b.mesh.vertices.tobytes()


# Against the mesh kernel -------------------------------------------------------------------


def test_both_kernels_agree_on_an_edit() -> None:
    outline = np.array([[-3, 4], [6, 2], [8, 11], [1, 16]], dtype=np.float64)
    solid = Difference(Prism((outline,), 6, 14), Cone((2, 8, 6), (0.1, 0, 1), 6, 2.5, 1))
    part = shelf()
    exact = apply(part, [add(solid)])
    faceted = apply(replace(part, brep=None), [add(solid)])
    assert exact.mesh.volume_mm3 == pytest.approx(faceted.mesh.volume_mm3, rel=1e-4)
    assert exact.mesh.bounds == pytest.approx(faceted.mesh.bounds, abs=1e-6)


# How far faces moved -----------------------------------------------------------------------


def test_deviation_of_a_covered_and_of_untouched_faces() -> None:
    before = place(shelf(), (1, 2, 3))
    turn, shift = before.placement[:3, :3], before.placement[:3, 3]
    lug = np.array([[x, y, z] for x in (2, 6) for y in (8, 12) for z in (18, 21)], dtype=float)
    after = apply(before, [add(Hull(lug @ turn.T + shift))])
    ids = [f.id for f in before.faces]
    (top,) = [f.id for f in shelf().faces if f.normal[2] > 0.9]
    exact = face_deviation(before, after, ids)
    # The middle of the 4 × 4 foot is 2 mm from where the surface now is.
    assert exact[top] == pytest.approx(2, abs=0.15)
    assert all(exact[i] < 1e-6 for i in ids if i != top)
    meshed = face_deviation(replace(before, brep=None), after, ids)
    assert meshed[top] == pytest.approx(exact[top], abs=1e-6)
    assert all(meshed[i] < 1e-9 for i in ids if i != top)


def test_deviation_of_a_moved_face_is_how_far_it_moved() -> None:
    before = read_shape(block((0, 0, 0), (10, 10, 10)))
    after = read_shape(block((0, 0, 0), (10, 10, 10.25)))
    (top,) = [f.id for f in before.faces if f.normal[2] > 0.9]
    for first in (before, replace(before, brep=None)):
        assert face_deviation(first, after, [top])[top] == pytest.approx(0.25, abs=1e-9)


def test_deviation_sees_a_dent_in_a_round_face() -> None:
    shaft = read_shape(rod((0, 0, 0), (0, 0, 1), 8, 40))
    dented = apply(shaft, [cut(Cone((12, 0, 20), (-1, 0, 0), 9, 1.5, 1.5))])
    (side,) = [f.id for f in shaft.faces if f.radius_mm]
    found = face_deviation(shaft, dented, [side])[side]
    # In the middle of the hole, whose floor is deep, the wall is its radius away.
    assert 1.3 < found <= 1.5 + 1e-6
    same = face_deviation(shaft, read_shape(rod((0, 0, 0), (0, 0, 1), 8, 40)), [side])
    assert same[side] < 1e-9


def test_a_face_too_small_to_pick_is_taken_out_and_the_customers_own_stays() -> None:
    """A slope that ends 4 µm off the wall leaves a ledge of 0.004 × 10 mm at its foot. Without it
    the slope runs on to the wall. A pin of 0.05 mm square that the customer drew stays."""
    wall = join(block((0, 0, 0), (5, 10, 20)), block((2, 2, 20), (2.05, 2.05, 21)))
    part = read_shape(wall)
    slope = Hull(np.array([[x, y, z] for y in (0.0, 10.0)
                           for x, z in [(5, 10), (5.004, 10), (9.004, 14), (5, 14)]]))
    after = apply(part, [Change("add", slope, "E1", "E1 slope")])
    change = quality_change(part, after, 1)
    assert (change.before.slivers, change.after.slivers, change.faults) == (1, 1, ())
    # A slope and a top; the sides go on as those of the wall.
    made = [f for f in after.faces if f.edit]
    assert sorted(f.area_mm2 for f in made) == pytest.approx([40.04, 40.04 * math.sqrt(2)])
    gained = mass_properties(after)[0] - mass_properties(part)[0]
    # By hand: the slope runs down to the wall 4 µm below the ledge.
    assert gained == pytest.approx(10 * 4.004**2 / 2, abs=1e-6)


def test_a_step_that_cannot_be_taken_out_stays() -> None:
    """Two levels 4 µm apart never meet, so the face between them is needed."""
    part = read_shape(block((0, 0, 0), (10, 10, 5)))
    after = apply(part, [Change("add", box((0, 0, 4), (5, 10, 5.004)), "E1", "E1 step")])
    assert quality_change(part, after, 1).after.slivers > 0
    assert mass_properties(after)[0] == pytest.approx(500 + 5 * 10 * 0.004, abs=1e-6)


@pytest.mark.parametrize(("count", "taken"), [(5, True), (15, True), (16, False)])
def test_a_change_that_leaves_many_slivers_is_refused(count: int, taken: bool) -> None:
    """Each pad of 4 µm has three sides on the part too low to pick; the fourth is on its border.
    Fifteen of them leave as many as may be."""
    part = read_shape(block((0, 0, 0), (60, 10, 5)))
    pads = Union(tuple(box((3.0 * k + 1, 0, 4), (3.0 * k + 2, 8, 5.004)) for k in range(count)))
    if taken:
        after = apply(part, [Change("add", pads, "E1", "E1 pads")])
        assert quality_change(part, after, 1).after.slivers == 3 * count
        return
    with pytest.raises(GeometryError, match=f"leave {3 * count} faces too small to pick"):
        apply(part, [Change("add", pads, "E1", "E1 pads")])
