"""Reading STEP: closed mesh, true faces, units, places, and a note or error for what is wrong."""

from __future__ import annotations

import math
import time
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
from OCP.BOPAlgo import BOPAlgo_Builder
from OCP.BRep import BRep_Builder
from OCP.BRepPrimAPI import BRepPrimAPI_MakeTorus
from OCP.gp import gp_Ax1, gp_Dir, gp_Pnt, gp_Trsf, gp_Vec
from OCP.Interface import Interface_Static
from OCP.Quantity import Quantity_Color, Quantity_TypeOfColor
from OCP.STEPCAFControl import STEPCAFControl_Writer
from OCP.TCollection import TCollection_ExtendedString
from OCP.TDataStd import TDataStd_Name
from OCP.TDocStd import TDocStd_Document
from OCP.TopLoc import TopLoc_Location
from OCP.TopoDS import TopoDS_Compound, TopoDS_Shape
from OCP.XCAFDoc import XCAFDoc_ColorType, XCAFDoc_DocumentTool

from examples._cad import box, cut, cylinder, faces, fuse, lathe, move, sphere, turn
from soffit.errors import FileError, InputError, KernelTimeout
from soffit.part.brep.shapes import faces_of, from_bytes
from soffit.part.measure import mass_properties
from soffit.part.model import Part, Surface
from soffit.part.step import read_shape, read_step

DEFLECTION_MM = 0.02


class Wrapped(NamedTuple):
    """What a script-CAD object looks like from outside."""

    wrapped: TopoDS_Shape


def part_of(shape: TopoDS_Shape) -> Part:
    return read_shape(Wrapped(shape), deflection_mm=DEFLECTION_MM)


def compound(*shapes: TopoDS_Shape) -> TopoDS_Shape:
    made, builder = TopoDS_Compound(), BRep_Builder()
    builder.MakeCompound(made)
    for shape in shapes:
        builder.Add(made, shape)
    return made


def write(shape: TopoDS_Shape, path: Path, unit: str = "MM") -> Path:
    document = TDocStd_Document(TCollection_ExtendedString("BinXCAF"))
    XCAFDoc_DocumentTool.ShapeTool_s(document.Main()).AddShape(shape, False)
    return write_document(document, path, unit)


def write_document(document: TDocStd_Document, path: Path, unit: str = "MM") -> Path:
    writer = STEPCAFControl_Writer()
    Interface_Static.SetCVal_s("write.step.schema", "AP242DIS")
    Interface_Static.SetCVal_s("write.step.unit", unit)
    Interface_Static.SetIVal_s("write.stepcaf.subshapes.name", 1)
    try:
        assert writer.Transfer(document)
        writer.Write(str(path))
    finally:
        Interface_Static.SetCVal_s("write.step.unit", "MM")
    return path


def kinds(part: Part) -> list[str]:
    return [note.kind for note in part.notes]


def assert_watertight(part: Part) -> None:
    """Each directed edge has exactly one opposite within its body; bodies share no vertex."""
    assert part.closed
    seen: dict[int, int] = {}
    for body in range(part.bodies):
        triangles = part.mesh.triangles[part.mesh.body_of == body]
        edges = np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]])
        there = set(map(tuple, edges.tolist()))
        assert len(there) == len(edges)
        assert there == {(b, a) for a, b in there}
        for vertex in np.unique(triangles).tolist():
            assert seen.setdefault(vertex, body) == body


# Closed forms ------------------------------------------------------------------------------


def test_box_is_exact() -> None:
    part = part_of(box((1, 2, 3), (11, 22, 33)))
    assert_watertight(part)
    assert part.mesh.volume_mm3 == pytest.approx(6000, rel=1e-12)
    assert len(part.mesh.vertices) == 8
    assert len(part.mesh.triangles) == 12
    assert [f.id for f in part.faces] == [1, 2, 3, 4, 5, 6]
    assert [f.origin for f in part.faces] == [1, 2, 3, 4, 5, 6]
    assert {f.surface for f in part.faces} == {Surface.PLANE}
    found = {
        tuple(round(c) for c in f.normal): (round(f.area_mm2, 9), f.centroid) for f in part.faces
    }
    assert found[0, 0, 1] == (200, pytest.approx((6, 12, 33)))
    assert found[-1, 0, 0] == (600, pytest.approx((1, 12, 18)))
    assert found[0, 1, 0] == (300, pytest.approx((6, 22, 18)))
    assert part.source.stated_by == "object"
    assert np.array_equal(part.placement, np.eye(4))


def test_bored_block_knows_its_hole() -> None:
    part = part_of(cut(box((-10, -10, 0), (10, 10, 8)), cylinder((2, 1, -1), (0, 0, 1), 3, 10)))
    assert_watertight(part)
    (hole,) = [f for f in part.faces if f.surface is Surface.CYLINDER]
    assert hole.inward
    assert hole.radius_mm == pytest.approx(3)
    assert hole.area_mm2 == pytest.approx(2 * math.pi * 3 * 8)
    assert hole.axis_point is not None
    assert hole.axis_point[:2] == pytest.approx((2, 1))
    assert hole.axis_dir is not None
    assert abs(hole.axis_dir[2]) == pytest.approx(1)
    # On the true surface, and outward of the material is towards the axis.
    to_axis = np.array([2, 1]) - np.array(hole.centroid[:2])
    assert np.linalg.norm(to_axis) == pytest.approx(3)
    assert hole.normal[:2] == pytest.approx(to_axis / 3)
    # A chord of a circle lies inside it: the mesh has more material, by no more than the sagitta.
    extra = part.mesh.volume_mm3 - (3200 - math.pi * 9 * 8)
    assert 0 < extra < hole.area_mm2 * DEFLECTION_MM


@pytest.mark.parametrize("around", [(0, 0, 1), (1, 2, 3)])
def test_true_normals_of_a_ball(around: tuple[float, float, float]) -> None:
    part = part_of(turn(move(sphere((0, 0, 0), 10), (5, -3, 7)), 40, around))
    assert_watertight(part)
    center = np.array(part.faces[0].axis_point)
    assert part.faces[0].surface is Surface.SPHERE
    radial = part.mesh.corners.mean(axis=1) - center
    radial /= np.linalg.norm(radial, axis=1, keepdims=True)
    assert np.einsum("ij,ij->i", radial, part.mesh.normals).min() > 1 - 1e-9
    assert np.linalg.norm(part.mesh.vertices - center, axis=1) == pytest.approx(10)
    # Kappa: a mesh on the sphere with sagitta d misses at most the shell of thickness d.
    full = 4 / 3 * math.pi * 1000
    assert full * (1 - 3 * DEFLECTION_MM / 10) < part.mesh.volume_mm3 < full


def test_true_normals_of_a_cone_and_a_torus() -> None:
    # Apex on the axis: the pole of the parameters must close.
    cone = part_of(lathe([(0, 0), (6, 8), (0, 8)], (0, 0)))
    assert_watertight(cone)
    (slope,) = [f for f in cone.faces if f.surface is Surface.CONE]
    rows = cone.mesh.face_of == slope.id
    # Half angle atan(6/8): the outward normal dips below the horizontal by it.
    assert cone.mesh.normals[rows, 2] == pytest.approx(-0.6)
    assert not slope.inward
    ring = part_of(BRepPrimAPI_MakeTorus(10, 3).Shape())
    assert_watertight(ring)
    assert ring.faces[0].surface is Surface.TORUS
    assert ring.faces[0].radius_mm == pytest.approx(10)
    middle = ring.mesh.corners.mean(axis=1)
    flat = middle * [1, 1, 0]
    tube = middle - 10 * flat / np.linalg.norm(flat, axis=1, keepdims=True)
    tube /= np.linalg.norm(tube, axis=1, keepdims=True)
    assert np.einsum("ij,ij->i", tube, ring.mesh.normals).min() > 1 - 1e-6
    assert ring.mesh.volume_mm3 == pytest.approx(2 * math.pi**2 * 10 * 9, rel=0.02)


def test_finer_deflection_comes_nearer_to_the_truth() -> None:
    shape = cylinder((0, 0, 0), (0, 0, 1), 10, 5)
    truth = math.pi * 100 * 5
    coarse, fine = (read_shape(shape, deflection_mm=d) for d in (0.05, 0.002))
    lost = [truth - p.mesh.volume_mm3 for p in (coarse, fine)]
    assert 0 < lost[1] < lost[0] / 5
    assert fine.deflection_mm == 0.002


# Bodies ------------------------------------------------------------------------------------


def test_touching_bodies_share_no_vertex() -> None:
    part = part_of(compound(box((0, 0, 0), (5, 5, 5)), box((5, 0, 0), (10, 5, 5))))
    assert part.bodies == 2
    assert_watertight(part)
    assert len(part.mesh.vertices) == 16
    assert kinds(part) == ["file/bodies"]
    assert [f.body for f in part.faces] == [0] * 6 + [1] * 6


def test_bodies_that_share_one_face_are_told_apart() -> None:
    glue = BOPAlgo_Builder()
    glue.AddArgument(box((0, 0, 0), (5, 5, 5)))
    glue.AddArgument(box((5, 0, 0), (10, 5, 5)))
    glue.Perform()
    assert len(faces_of(glue.Shape())) == 11  # one face belongs to both
    part = part_of(glue.Shape())
    assert_watertight(part)
    assert len(part.faces) == 12
    assert part.mesh.volume_mm3 == pytest.approx(250)


def test_shape_written_inside_out_is_read_the_right_way_and_said_so() -> None:
    part = part_of(cut(box((0, 0, 0), (9, 9, 9)), box((3, 3, 5), (6, 6, 10))).Reversed())
    assert kinds(part) == ["file/inverted"]
    assert part.mesh.volume_mm3 == pytest.approx(729 - 36)
    top = max(part.faces, key=lambda f: f.centroid[2])
    assert top.normal == pytest.approx((0, 0, 1))


def test_sealed_void_is_noted_where_it_is() -> None:
    part = part_of(cut(box((0, 0, 0), (20, 20, 20)), box((8, 9, 10), (10, 12, 14))))
    (note,) = part.notes
    assert (note.kind, note.severity, note.count) == ("file/void", "marginal", 1)
    assert note.at_mm == pytest.approx((9, 10.5, 12))
    assert "24 mm³" in note.message
    assert_watertight(part)
    assert part.mesh.volume_mm3 == pytest.approx(8000 - 24)


def test_loose_shell_beside_a_solid_is_left_out_and_noted(tmp_path: Path) -> None:
    lid = faces(box((0, 0, 30), (5, 5, 35)))[0]
    part = read_step(write(compound(box((0, 0, 0), (10, 10, 10)), lid), tmp_path / "lid.step"))
    assert kinds(part) == ["file/loose-shells"]
    assert part.notes[0].severity == "note"
    assert len(part.faces) == 6
    assert part.size_mm == pytest.approx((10, 10, 10))


# Files -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("unit", "short"), [("MM", "mm"), ("INCH", "in"), ("M", "m"), ("CM", "cm")]
)
def test_unit_comes_from_the_file(tmp_path: Path, unit: str, short: str) -> None:
    part = read_step(write(box((0, 0, 0), (25.4, 50.8, 76.2)), tmp_path / "b.step", unit))
    assert (part.source.unit, part.source.stated_by) == (short, "file")
    assert part.source.format == "STEP"
    assert part.size_mm == pytest.approx((25.4, 50.8, 76.2))


def test_assembly_is_read_as_it_stands(tmp_path: Path) -> None:
    """One bracket placed twice, the second inside a sub-assembly that is moved and turned."""
    document = TDocStd_Document(TCollection_ExtendedString("BinXCAF"))
    tool = XCAFDoc_DocumentTool.ShapeTool_s(document.Main())
    bracket = tool.AddShape(box((0, 0, 0), (10, 4, 2)), False)
    quarter = gp_Trsf()
    quarter.SetRotation(gp_Ax1(gp_Pnt(0, 0, 0), gp_Dir(0, 0, 1)), math.pi / 2)
    away = gp_Trsf()
    away.SetTranslation(gp_Vec(100, 0, 0))
    inner, outer = tool.NewShape(), tool.NewShape()
    tool.AddComponent(inner, bracket, TopLoc_Location(quarter))
    tool.AddComponent(outer, bracket, TopLoc_Location())
    tool.AddComponent(outer, inner, TopLoc_Location(away))
    tool.UpdateAssemblies()
    part = read_step(write_document(document, tmp_path / "assembly.step"))
    assert part.bodies == 2
    assert_watertight(part)
    boxes = []
    for body in range(2):
        corners = part.mesh.corners[part.mesh.body_of == body].reshape(-1, 3)
        boxes.append((corners.min(axis=0).tolist(), corners.max(axis=0).tolist()))
    assert boxes[0] == (pytest.approx([0, 0, 0]), pytest.approx([10, 4, 2]))
    assert boxes[1] == (pytest.approx([96, 0, 0]), pytest.approx([100, 10, 2]))


def test_names_and_colours_of_faces(tmp_path: Path) -> None:
    """A face has its own colour, else its solid's; also where the part stands in an assembly."""
    document = TDocStd_Document(TCollection_ExtendedString("BinXCAF"))
    tool = XCAFDoc_DocumentTool.ShapeTool_s(document.Main())
    paint = XCAFDoc_DocumentTool.ColorTool_s(document.Main())
    block = box((0, 0, 0), (10, 10, 10))
    label = tool.AddShape(block, False)
    srgb = Quantity_TypeOfColor.Quantity_TOC_sRGB
    surface = XCAFDoc_ColorType.XCAFDoc_ColorSurf
    paint.SetColor(label, Quantity_Color(0.2, 0.4, 0.6, srgb), surface)
    seat = tool.AddSubShape(label, faces(block)[2])
    TDataStd_Name.Set_s(seat, TCollection_ExtendedString("bearing seat Ø8", True))
    paint.SetColor(seat, Quantity_Color(0.9, 0.1, 0.5, srgb), surface)
    away = gp_Trsf()
    away.SetTranslation(gp_Vec(50, 0, 0))
    assembly = tool.NewShape()
    tool.AddComponent(assembly, label, TopLoc_Location(away))
    tool.UpdateAssemblies()
    part = read_step(write_document(document, tmp_path / "painted.step"))
    assert part.mesh.bounds[0] == pytest.approx([50, 0, 0])
    named = [f for f in part.faces if f.name]
    assert [f.name for f in named] == ["bearing seat Ø8"]
    assert named[0].color == pytest.approx((0.9, 0.1, 0.5), abs=1e-4)
    rest = [f.color for f in part.faces if not f.name]
    assert len(rest) == 5
    assert all(c == pytest.approx((0.2, 0.4, 0.6), abs=1e-4) for c in rest)


def test_same_file_gives_the_same_part(tmp_path: Path) -> None:
    shape = fuse(box((0, 0, 0), (20, 10, 5)), cylinder((10, 5, 4), (0, 0.3, 1), 4, 9))
    path = write(shape, tmp_path / "s.step")
    a, b = read_step(path), read_step(path)
    assert a.faces == b.faces
    assert a.brep == b.brep
    assert a.mesh.vertices.tobytes() == b.mesh.vertices.tobytes()
    assert a.mesh.triangles.tobytes() == b.mesh.triangles.tobytes()
    assert a.mesh.normals.tobytes() == b.mesh.normals.tobytes()


def test_b_rep_bytes_keep_the_numbers_of_faces() -> None:
    shape = fuse(box((0, 0, 0), (20, 10, 5)), cylinder((10, 5, 4), (0, 0, 1), 4, 9))
    part = part_of(shape)
    assert part.brep is not None
    again = part_of(from_bytes(part.brep))
    assert [(f.id, f.surface, f.centroid) for f in again.faces] == [
        (f.id, f.surface, f.centroid) for f in part.faces
    ]
    assert again.mesh.triangles.tobytes() == part.mesh.triangles.tobytes()


HEADER = (
    "ISO-10303-21;\nHEADER;\nFILE_DESCRIPTION((''),'2;1');\n"
    "FILE_NAME('','',(''),(''),'','','');\nFILE_SCHEMA(('AUTOMOTIVE_DESIGN'));\nENDSEC;\n"
)


@pytest.mark.parametrize(
    ("text", "kind", "says"),
    [
        ("", "file/unreadable", "not a STEP file"),
        ("solid x\nendsolid x\n", "file/unreadable", "not a STEP file"),
        (HEADER, "file/unreadable", "cut off"),
        (HEADER + "DATA;\nENDSEC;\nEND-ISO-10303-21;\n", "file/no-solid", "no solid"),
        (
            HEADER + "DATA;\n#1=CARTESIAN_POINT('',(0.,0.,0.));\nENDSEC;\nEND-ISO-10303-21;\n",
            "file/no-solid",
            "no solid",
        ),
        (HEADER + "DATA;\n#1=((((;\nENDSEC;\nEND-ISO-10303-21;\n", None, "b.step"),
    ],
)
def test_what_is_no_part_is_one_clear_line(
    tmp_path: Path, text: str, kind: str | None, says: str
) -> None:
    path = tmp_path / "b.step"
    path.write_text(text)
    with pytest.raises(FileError, match=says) as caught:
        read_step(path)
    assert str(caught.value).startswith("reading b.step: ")
    assert "\n" not in str(caught.value)
    assert kind is None or caught.value.kind == kind


def test_missing_file_and_foreign_object() -> None:
    with pytest.raises(FileError, match="no such file"):
        read_step("nowhere.step")
    with pytest.raises(InputError, match="wraps no B-rep shape"):
        read_shape(object())


def test_file_cut_off_anywhere_never_gives_a_part(tmp_path: Path) -> None:
    whole = write(fuse(box((0, 0, 0), (9, 9, 9)), box((4, 4, 4), (15, 8, 8))), tmp_path / "w.step")
    data = whole.read_bytes()
    path = tmp_path / "cut.step"
    for share in (0.2, 0.5, 0.8, 0.95):
        path.write_bytes(data[: int(share * len(data))])
        with pytest.raises(FileError):
            read_step(path)


def test_solid_with_a_face_missing_is_refused_and_named_damaged(tmp_path: Path) -> None:
    text = write(box((0, 0, 0), (9, 9, 9)), tmp_path / "w.step").read_text()
    start = text.index("= ADVANCED_FACE")
    start = text.rindex("#", 0, start)
    end = text.index(";", start)
    path = tmp_path / "hole.step"
    path.write_text(text[:start] + text[end + 1 :])
    with pytest.raises(FileError, match="damaged") as caught:
        read_step(path)
    assert caught.value.kind == "file/dangling"


def test_loose_faces_are_sewn_only_when_asked(tmp_path: Path) -> None:
    loose = compound(*(move(f, (0, 0, 0)) for f in faces(box((0, 0, 0), (9, 8, 7)))))
    path = write(loose, tmp_path / "loose.step")
    with pytest.raises(FileError, match="6 loose") as caught:
        read_step(path)
    assert caught.value.kind == "file/no-solid"
    part = read_step(path, repair=True)
    assert_watertight(part)
    assert kinds(part) == ["file/repaired"]
    assert part.mesh.volume_mm3 == pytest.approx(504)
    five = compound(*(move(f, (0, 0, 0)) for f in faces(box((0, 0, 0), (9, 8, 7)))[:5]))
    with pytest.raises(FileError, match="do not close"):
        read_step(write(five, tmp_path / "five.step"), repair=True)


def test_reading_gives_up_in_time(tmp_path: Path) -> None:
    path = write(box((0, 0, 0), (1, 1, 1)), tmp_path / "b.step")
    start = time.monotonic()
    with pytest.raises(KernelTimeout, match=r"reading b\.step"):
        read_step(path, timeout_s=1e-4)
    assert time.monotonic() - start < 5


# Real parts --------------------------------------------------------------------------------


def test_every_good_part_closes_and_agrees_with_its_b_rep(parts_dir: Path) -> None:
    files = sorted(parts_dir.glob("good/*/*.step"))
    assert len(files) >= 20
    for path in files:
        part = read_step(path, deflection_mm=DEFLECTION_MM)
        assert part.closed, path.name
        volume, area = mass_properties(part)
        # The mesh lies within the deflection of the surface; it follows both sides of it, so
        # that a fifth of the bound is ample.
        assert part.mesh.volume_mm3 == pytest.approx(volume, abs=0.2 * DEFLECTION_MM * area)
        assert part.mesh.area_mm2 == pytest.approx(area, rel=1e-3), path.name
        assert sum(f.area_mm2 for f in part.faces) == pytest.approx(area, rel=1e-9)
        cross = part.mesh.cross
        length = np.linalg.norm(cross, axis=1)
        agree = np.einsum("ij,ij->i", cross, part.mesh.normals) / np.where(length > 0, length, 1)
        odd = (agree < 0.7) & (part.mesh.areas > 1e-6)
        # Slivers along an edge may lean; they must not matter.
        assert part.mesh.areas[odd].sum() < 1e-5 * area, path.name


def test_every_hostile_file_is_a_closed_part_or_one_clear_line(parts_dir: Path) -> None:
    files = sorted(parts_dir.glob("hostile/*/*.step"))
    assert len(files) >= 15
    found: dict[str, list[str]] = {}
    for path in files:
        try:
            part = read_step(path)
        except FileError as error:
            assert "\n" not in str(error)
            assert path.name in str(error)
            found[path.stem] = [error.kind]
        else:
            assert part.closed, path.name
            found[path.stem] = kinds(part)
    assert found["truncated"] == ["file/unreadable"]
    assert found["dangling_references"] == ["file/dangling"]
    assert found["empty_data_section"] == ["file/no-solid"]
    assert found["open_shell_one_face_missing"] == ["file/no-solid"]
    assert found["unsewn_faces"] == ["file/no-solid"]
    assert found["assembly_4_instances_two_overlap"] == ["file/bodies", "file/self-contact"]
    assert found["Moving_Jaw_SO101"] == ["file/void"]
    assert found["nist_ctc_04_asme1_ap242-e1"] == ["file/loose-shells"]
    assert "file/inverted" in found["ruggedbox_latch"]
    assert "file/invalid-brep" in found["ruggedbox_latch"]


def test_metre_and_inch_files_of_one_part_agree(parts_dir: Path) -> None:
    folder = parts_dir / "hostile" / "nasty_derived"
    inch, metre = read_step(folder / "unit_inch.step"), read_step(folder / "unit_metre.step")
    assert (inch.source.unit, metre.source.unit) == ("in", "m")
    assert inch.size_mm == pytest.approx(metre.size_mm, rel=1e-9)
    assert inch.size_mm == pytest.approx((29, 43, 71), abs=0.05)


def test_sewing_a_real_part_gives_its_volume(parts_dir: Path) -> None:
    loose = read_step(parts_dir / "hostile/nasty_derived/unsewn_faces.step", repair=True)
    whole = read_step(parts_dir / "good/pypi_generators/vslot_l_plate_3x3x4.step")
    assert_watertight(loose)
    assert mass_properties(loose)[0] == pytest.approx(mass_properties(whole)[0], rel=1e-6)


# --- bodies that run through each other -------------------------------------------------------


def overlaps(*shapes: TopoDS_Shape) -> list[str]:
    found = part_of(compound(*shapes))
    return [n.message for n in found.notes if n.kind == "file/self-contact"]


def test_solids_that_overlap_are_told_with_what_they_share() -> None:
    """Two cubes of 10 mm, of which the second stands 6 mm along: they share 4 x 10 x 10."""
    cubes = [box((x, 0, 0), (x + 10, 10, 10)) for x in (0, 6, 40)]
    (told,) = overlaps(*cubes)
    assert told.startswith("bodies 1 and 2 overlap by 400 mm³;")


def test_solids_that_only_touch_are_not_told_to_overlap() -> None:
    """Side by side, and a rod in a bore of its own radius, whose facets cross everywhere."""
    block, rod = box((-10, -10, 0), (10, 10, 10)), cylinder((0, 0, -10), (0, 0, 1), 6, 30)
    assert overlaps(box((0, 0, 0), (10, 10, 10)), box((10, 0, 0), (20, 10, 10))) == []
    assert overlaps(cut(block, rod), turn(rod, 11.0)) == []


def test_a_solid_inside_another_is_told() -> None:
    """A rod of 3 mm radius and 4 mm length within a block: 36 π, in facets a little less."""
    (told,) = overlaps(box((-10, -10, 0), (10, 10, 10)), cylinder((0, 0, 3), (0, 0, 1), 3, 4))
    volume = float(told.split(" by ")[1].split(" mm³")[0])
    assert volume == pytest.approx(36 * math.pi, rel=0.01) and volume < 36 * math.pi
