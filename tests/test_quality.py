"""The CAD measured: each blemish made on purpose is counted, and what was there is not new."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from OCP.BRep import BRep_Builder
from OCP.BRepAlgoAPI import BRepAlgoAPI_Common, BRepAlgoAPI_Fuse
from OCP.BRepPrimAPI import BRepPrimAPI_MakeCone, BRepPrimAPI_MakeCylinder
from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt
from OCP.ShapeFix import ShapeFix_ShapeTolerance
from OCP.TopAbs import TopAbs_EDGE, TopAbs_VERTEX
from OCP.TopoDS import TopoDS_Shape, TopoDS_Shell, TopoDS_Solid

from examples._cad import box as block
from examples._cad import cut as carve
from examples._cad import cylinder as rod
from examples._cad import fuse as join
from examples._cad import turn
from soffit.errors import GeometryError
from soffit.part.brep.boolean import unified
from soffit.part.brep.quality import quality
from soffit.part.brep.shapes import compound_of, edges_of, faces_of, to_bytes
from soffit.part.edit import apply
from soffit.part.measure import mass_properties
from soffit.part.model import Change, Part, Surface
from soffit.part.place import place
from soffit.part.quality import (
    BrepQuality,
    Defect,
    QualityChange,
    brep_quality,
    quality_change,
)
from soffit.part.solid import Cone, Drop, Hull, box
from soffit.part.step import read_shape


def raw(*shapes: TopoDS_Shape) -> TopoDS_Shape:
    """Shapes united by the kernel alone: faces stay divided."""
    made = shapes[0]
    for other in shapes[1:]:
        made = BRepAlgoAPI_Fuse(made, other).Shape()
    return made


def measured(shape: TopoDS_Shape) -> BrepQuality:
    return brep_quality(read_shape(shape))


# Each figure by itself ---------------------------------------------------------------------


def test_a_block_is_without_blemish() -> None:
    found = measured(block((1, 2, 3), (11, 22, 33)))
    # The kernel's own least tolerance, 1e-7 mm (its documentation).
    assert found == BrepQuality(True, True, 6, 0, 0, 0, 0, 1e-7, 1e-7, 1e-7)


def test_faces_on_one_surface_are_counted_in_pairs() -> None:
    plate = raw(block((0, 0, 0), (10, 10, 5)), block((10, 0, 0), (20, 10, 5)))
    assert (measured(plate).faces, measured(plate).mergeable) == (10, 4)
    assert measured(raw(rod((0, 0, 0), (0, 0, 1), 5, 4), rod((0, 0, 4), (0, 0, 1), 5, 3))
                    ).mergeable == 1
    # Turned about itself and upside down, it is the same cylinder.
    assert measured(raw(rod((0, 0, 0), (0, 0, 1), 5, 4), rod((0, 0, 7), (0, 0, -1), 5, 3))
                    ).mergeable == 1
    upper = BRepPrimAPI_MakeCone(gp_Ax2(gp_Pnt(0, 0, 4), gp_Dir(0, 0, 1)), 4, 2, 4).Shape()
    lower = BRepPrimAPI_MakeCone(gp_Ax2(gp_Pnt(0, 0, 0), gp_Dir(0, 0, 1)), 6, 4, 4).Shape()
    assert measured(raw(lower, upper)).mergeable == 1


def test_other_surfaces_are_not_one() -> None:
    # Radii 2e-5 mm apart, twice what counts as one; a cylinder that goes on as a cone.
    assert measured(raw(rod((0, 0, 0), (0, 0, 1), 5, 4), rod((0, 0, 4), (0, 0, 1), 5.00002, 3))
                    ).mergeable == 0
    cone = BRepPrimAPI_MakeCone(gp_Ax2(gp_Pnt(0, 0, 4), gp_Dir(0, 0, 1)), 5, 2, 4).Shape()
    assert measured(raw(rod((0, 0, 0), (0, 0, 1), 5, 4), cone)).mergeable == 0
    # Two cylinders that meet in a mitre share their size and an edge, and are two.
    half = carve(rod((-9, 0, 0), (1, 0, 0), 3, 18), block((0, -9, -9), (20, 9, 9)))
    assert measured(raw(half, rod((0, 0, 0), (0, 0, 1), 3, 9))).mergeable == 0


@pytest.mark.parametrize(("step_mm", "slivers"), [(0.004, 1), (0.006, 0)])
def test_a_sliver_is_narrower_than_five_micrometres(step_mm: float, slivers: int) -> None:
    """A step 10 mm long has the mean width 2·10·h/(2·(10 + h)), just under h."""
    found = measured(join(block((0, 0, 0), (10, 10, 5)), block((0, 0, 0), (5, 10, 5 + step_mm))))
    assert found.slivers == slivers


@pytest.mark.parametrize(("side_mm", "slivers"), [(0.099, 1), (0.101, 0)])
def test_a_sliver_is_smaller_than_a_hundredth_of_a_square(side_mm: float, slivers: int) -> None:
    pin = block((4, 4, 5), (4 + side_mm, 4 + side_mm, 6))
    assert measured(raw(block((0, 0, 0), (10, 10, 5)), pin)).slivers == slivers


@pytest.mark.parametrize(("step_mm", "short"), [(0.0009, 2), (0.0011, 0)])
def test_short_edges_are_counted(step_mm: float, short: int) -> None:
    found = measured(join(block((0, 0, 0), (10, 10, 5)), block((0, 0, 0), (5, 10, 5 + step_mm))))
    assert found.short_edges == short


def test_tolerances_are_those_of_the_shape() -> None:
    shape = block((0, 0, 0), (10, 10, 5))
    ShapeFix_ShapeTolerance().SetTolerance(edges_of(shape)[0], 3e-4, TopAbs_EDGE)
    ShapeFix_ShapeTolerance().SetTolerance(edges_of(shape)[0], 5e-4, TopAbs_VERTEX)
    found = quality(to_bytes(shape))
    assert found.edge_tolerance_mm == pytest.approx(3e-4)
    assert found.vertex_tolerance_mm == pytest.approx(5e-4)
    assert found.face_tolerance_mm == 1e-7
    assert found.loose == 3  # the edge and its two ends


def test_a_missing_face_is_seen() -> None:
    solid, shell, builder = TopoDS_Solid(), TopoDS_Shell(), BRep_Builder()
    builder.MakeSolid(solid)
    builder.MakeShell(shell)
    for face in faces_of(block((0, 0, 0), (1, 1, 1)))[:5]:
        builder.Add(shell, face)
    builder.Add(solid, shell)
    assert not quality(to_bytes(solid)).closed


def test_a_mesh_has_no_such_quality() -> None:
    part = replace(read_shape(block((0, 0, 0), (1, 1, 1))), brep=None)
    with pytest.raises(GeometryError, match="no B-rep"):
        brep_quality(part)
    with pytest.raises(GeometryError, match="no B-rep"):
        quality_change(part, part, 1)


# What is new -------------------------------------------------------------------------------


def test_only_what_was_not_there_is_new() -> None:
    old = raw(block((0, 0, 0), (10, 10, 5)), block((10, 0, 0), (20, 10, 5)))
    before = read_shape(old)
    same = quality_change(before, before, 1)
    assert same.before == same.after
    assert (same.new, same.faults, same.props) == ((), (), None)
    # A thin step far from the seam that the customer drew.
    after = read_shape(raw(old, block((2, 2, 5), (4, 4, 5.004))))
    change = quality_change(before, after, 1)
    assert [d.kind for d in change.new] == ["sliver"] * 4
    assert change.new[0].size == pytest.approx(0.008)
    assert change.before.mergeable == change.after.mergeable == 4
    (fault,) = change.faults
    assert fault.startswith("4 new sliver faces (first at ")


def test_the_seam_of_the_customer_cut_in_two_is_still_theirs() -> None:
    before = read_shape(raw(block((0, 0, 0), (10, 10, 5)), block((10, 0, 0), (20, 10, 5))))
    after = apply(before, [Change("cut", box((9, 4, -1), (11, 6, 6)), "E1", "slot")])
    change = quality_change(before, after, 1)
    assert change.after.mergeable >= 4
    assert change.new == ()


def test_props_are_measured_apart() -> None:
    part = read_shape(block((0, 0, 0), (10, 10, 5)))
    thin = join(block((20, 0, 0), (22, 2, 5)), block((20, 0, 0), (21, 2, 5.004)))
    both = read_shape(compound_of([block((0, 0, 0), (10, 10, 5)), thin]))
    change = quality_change(part, both, 1)
    assert change.after == change.before
    assert change.props is not None
    assert change.props.slivers == 1
    assert change.faults == ()


def test_faults_say_what_became_worse() -> None:
    good = BrepQuality(True, True, 6, 0, 0, 0, 0, 1e-7, 1e-7, 1e-7)
    bad = replace(good, valid=False, closed=False)
    loose = (Defect("loose", (1, 2, 3), 3e-3), Defect("loose", (4, 5, 6), 2e-4))
    assert QualityChange(good, bad, loose, bad).faults == (
        "the geometry checker rejects a solid",
        "a solid does not close",
        "the geometry checker rejects a prop",
        "a prop does not close",
        "2 new edges or vertices with a tolerance above 0.0001 mm (first at 1.000, 2.000, 3.000 "
        "in the frame of the file: 0.003 mm)",
    )
    assert QualityChange(bad, bad, (), None).faults == ()


# What an edit leaves -----------------------------------------------------------------------


TURN = {"as drawn": (0, 0, 1), "upside down": (0, 0, -1), "turned": (1, 2, 3)}
UP = pytest.mark.parametrize("up", TURN.values(), ids=list(TURN))
SEAM = pytest.mark.parametrize("seam_deg", [0, 37, 90, 135, 180, 200, 270, 345])


def dee(seam_deg: float) -> Part:
    """A post whose side is half round, 10 mm high, the seam of its cylinder `seam_deg` from +x:
    a round and a flat face and two ends."""
    seam = math.radians(seam_deg)
    axes = gp_Ax2(gp_Pnt(30, -20, 5), gp_Dir(0, 0, 1), gp_Dir(math.cos(seam), math.sin(seam), 0))
    post = BRepPrimAPI_MakeCylinder(axes, 6, 10).Shape()
    half = BRepAlgoAPI_Common(post, block((30, -40, 0), (60, 0, 40))).Shape()
    return read_shape(unified(half, ())[0])


@SEAM
def test_a_sweep_of_an_end_goes_on_wherever_the_seam_is(seam_deg: float) -> None:
    """Half a post made 3 mm longer by its own outline keeps its four faces. The round face of a
    sweep has its seam elsewhere, and the kernel by itself does not merge across that."""
    before = dee(seam_deg)
    assert len(before.faces) == 4
    (bottom,) = [f for f in before.faces if f.normal[2] < -0.999]
    drop = Drop((bottom.id,), before.triangles_of([bottom.id]), 3.0)
    after = apply(before, [Change("add", drop, "E1", "longer")])
    assert len(after.faces) == 4
    (round_face,) = [f for f in after.faces if f.surface is Surface.CYLINDER]
    assert round_face.area_mm2 == pytest.approx(math.pi * 6 * 13)
    assert (round_face.edit, round_face.origin is None) == (None, False)
    assert mass_properties(after)[0] == pytest.approx(math.pi * 18 * 13)
    assert quality_change(before, after, 1).faults == ()


@UP
@SEAM
def test_a_disc_on_half_a_post_has_one_round_face(
    seam_deg: float, up: tuple[float, float, float]
) -> None:
    """A whole disc 3 mm thick on the half post: one round face, its own end, the foot that
    stands out and the two faces of the post that are left."""
    before = place(dee(seam_deg), up)
    rotation, shift = before.placement[:3, :3], before.placement[:3, 3]
    x, y, z = (rotation @ [30, -20, 15] + shift).tolist()
    ax, ay, az = (rotation @ [0, 0, 1]).tolist()
    disc = Cone((x, y, z), (ax, ay, az), 3, 6, 6)
    after = apply(before, [Change("add", disc, "E1", "disc")])
    assert sorted(f.surface.value for f in after.faces) == ["cylinder"] + ["plane"] * 4
    (round_face,) = [f for f in after.faces if f.surface is Surface.CYLINDER]
    assert round_face.area_mm2 == pytest.approx(math.pi * 6 * 10 + 2 * math.pi * 6 * 3)
    assert mass_properties(after)[0] == pytest.approx(math.pi * 18 * 10 + math.pi * 36 * 3)
    assert quality_change(before, after, 1).faults == ()


def test_a_bore_made_longer_is_one_bore() -> None:
    """A plate with a bore grows downwards round a bore of the same size: one cylinder, seven
    faces, and the bore is the customer's still."""
    plate = read_shape(carve(block((0, 0, 10), (20, 20, 14)), rod((8, 9, 9), (0, 0, 1), 3, 6)))
    ring = box((0, 0, 6), (20, 20, 10)) - Cone((8, 9, 5), (0, 0, 1), 6, 3, 3)
    after = apply(plate, [Change("add", ring, "E1", "thicker")])
    assert len(after.faces) == 7
    (bore,) = [f for f in after.faces if f.radius_mm]
    assert bore.area_mm2 == pytest.approx(2 * math.pi * 3 * 8)
    assert bore.origin is not None
    assert quality_change(plate, after, 1).faults == ()


@pytest.mark.parametrize("way", [1, -1])
def test_a_pin_goes_on_whichever_way_the_tool_is_drawn(way: int) -> None:
    """A cylinder made longer by tools whose axes point up and down: three faces."""
    pin = read_shape(rod((0, 0, 0), (0, 0, 1), 5, 4))
    on = Cone((0, 0, 4 if way > 0 else 7), (0, 0, way), 3, 5, 5)
    after = apply(pin, [Change("add", on, "E1", "on")])
    assert len(after.faces) == 3
    assert mass_properties(after)[0] == pytest.approx(math.pi * 25 * 7)


@pytest.mark.parametrize("level", [True, False], ids=["level", "pointed"])
@pytest.mark.parametrize("turn_deg", range(0, 360, 45))
def test_a_bore_with_its_crown_cut_stays_the_customers(turn_deg: int, level: bool) -> None:
    """A quarter of a bore is cut to a roof on any side, pointed or level over its middle. Where
    the seam of the bore is in what is left, the cut divides it there and merging makes it whole
    again: still the customer's, with its name, and three quarters of its area."""
    bored = read_shape(carve(block((0, 0, 0), (20, 20, 20)), rod((10, -1, 8), (0, 1, 0), 4, 22)))
    plate = replace(bored, faces=tuple(
        replace(f, name="bore H7") if f.radius_mm else f for f in bored.faces))
    # Along the roof and across it, in radii; the level touches the circle in one line.
    half, tip = 0.5**0.5, 2**0.5
    over = [(1.0, tip - 1), (1.0, 1 - tip)] if level else [(tip, 0.0)]
    angle = math.radians(turn_deg)
    tool = Hull(np.array([
        (10 + 4 * (a * math.cos(angle) - b * math.sin(angle)), y,
         8 + 4 * (a * math.sin(angle) + b * math.cos(angle)))
        for a, b in [(half, half), (half, -half), *over] for y in (0, 20)]))
    after = apply(plate, [Change("cut", tool, "E1", "E1 teardrop")])
    (bore,) = [f for f in after.faces if f.radius_mm]
    assert (bore.name, bore.edit) == ("bore H7", None)
    assert bore.origin is not None
    assert bore.area_mm2 == pytest.approx(0.75 * 2 * math.pi * 4 * 20)
    assert [f.surface for f in after.faces if f.edit] == [Surface.PLANE] * (3 if level else 2)
    assert quality_change(plate, after, 1).faults == ()


def test_the_seams_of_a_divided_rod_are_not_new_in_another_order() -> None:
    """The halves of a rod share two edges; turned by 180° it is the same rod, though the edge that
    the pair is told by has gone to the other side."""
    whole = rod((0, 0, 0), (0, 0, 1), 5, 4)
    halves = raw(carve(whole, block((0, -9, 0), (9, 9, 9))),
                 carve(whole, block((-9, -9, 0), (0, 9, 9))))
    change = quality_change(read_shape(halves), read_shape(turn(halves, 180)), 1)
    # The round faces and both ends.
    assert change.before.mergeable == change.after.mergeable == 3
    assert change.new == ()


def test_two_bores_joined_to_a_part_keep_what_the_customer_divided() -> None:
    """A rod in two lengths stays in two where the edit is elsewhere."""
    two = raw(rod((0, 0, 0), (0, 0, 1), 5, 4), rod((0, 0, 4), (0, 0, 1), 5, 3))
    part = read_shape(two)
    after = apply(part, [Change("add", box((-2, -2, 7), (2, 2, 9)), "E1", "lug")])
    assert len([f for f in after.faces if f.surface is Surface.CYLINDER]) == 2
    assert quality_change(part, after, 1).new == ()


def test_joined_shapes_of_the_examples_are_whole() -> None:
    part = read_shape(join(block((0, 0, 0), (9, 9, 9)), rod((4, 4, 9), (0, 0, 1), 2, 5)))
    assert brep_quality(part).mergeable == 0
