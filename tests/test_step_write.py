"""The STEP file that is handed over: read back, it is the part that was judged."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from OCP.STEPControl import STEPControl_Reader

from examples._cad import box as block
from examples._cad import cut as carve
from examples._cad import cylinder as rod
from soffit.errors import GeometryError, InputError
from soffit.part import kernel
from soffit.part.brep.shapes import is_valid, solids_of
from soffit.part.brep_edit import make_body
from soffit.part.edit import apply
from soffit.part.measure import mass_properties
from soffit.part.model import Body, Change, Part, Surface
from soffit.part.place import place
from soffit.part.solid import Cone, Hull, Union, box
from soffit.part.step import read_shape, read_step, write_step


@pytest.fixture(scope="module")
def edited() -> Part:
    """A bored block stood on edge, with a cone added and a notch cut, names and a colour."""
    shape = carve(block((0, 0, 0), (30, 20, 10)), rod((8, 10, -1), (0, 0, 1), 4, 12))
    read = read_shape(shape)
    named = replace(
        read,
        faces=tuple(
            replace(f, name="bore Ø8 H7", color=(0.1, 0.2, 0.9)) if f.radius_mm else f
            for f in read.faces
        ),
    )
    part = place(named, (1, 0, 2))
    turn, shift = part.placement[:3, :3], part.placement[:3, 3]

    def at(*point: float) -> tuple[float, float, float]:
        x, y, z = (turn @ np.array(point) + shift).tolist()
        return (x, y, z)

    up = tuple((turn @ [0, 0, 1]).tolist())
    notch = Hull(np.array([at(x, y, z) for x in (26, 31) for y in (5, 15) for z in (-1, 11)]))
    return apply(
        part,
        [
            Change("add", Cone(at(20, 10, 10), up, 5, 3, 1), "E1", "E1 cone → tip"),
            Change("cut", notch, "E2", "E2 notch"),
        ],
    )


@pytest.fixture(scope="module")
def prop(edited: Part) -> Body:
    return make_body("prop 1", box((100, 100, 0), (108, 108, 30)), edited)


def test_read_back_it_is_the_same_part(edited: Part, tmp_path: Path) -> None:
    path = tmp_path / "e.step"
    write_step(edited, [], path, product="bracket")
    back = read_step(path)
    assert back.source.unit == "mm"
    assert back.notes == ()
    assert back.closed
    assert back.bodies == 1
    assert mass_properties(back) == pytest.approx(mass_properties(edited), rel=1e-9)
    # In the file's own frame: the block's corner is back at the origin.
    assert back.mesh.bounds == pytest.approx(np.array([[0, 0, 0], [30, 20, 15]]), abs=1e-9)
    assert len(back.faces) == len(edited.faces)

    def looks(part: Part) -> list[tuple[object, ...]]:
        return sorted(
            (f.surface.value, round(f.area_mm2, 6), f.name or "",
             tuple(round(c, 3) for c in f.color or ()))
            for f in part.faces
        )

    assert looks(back) == looks(edited)
    names = {f.name: f for f in back.faces if f.name}
    assert set(names) == {"bore Ø8 H7", "E1 cone → tip", "E2 notch"}
    assert names["bore Ø8 H7"].color == pytest.approx((0.1, 0.2, 0.9), abs=1e-3)
    assert names["E2 notch"].color == pytest.approx((0x8A / 255,) * 3, abs=1e-3)
    cones = [f for f in back.faces if f.surface is Surface.CONE]
    assert [f.color for f in cones] == [pytest.approx((0, 0x79 / 255, 0x7A / 255), abs=1e-3)]


def test_another_reader_finds_a_sound_solid(edited: Part, prop: Body, tmp_path: Path) -> None:
    path = tmp_path / "e.step"
    write_step(edited, [prop], path, product="bracket")
    reader = STEPControl_Reader()
    reader.ReadFile(str(path))
    reader.TransferRoots()
    assert len(solids_of(reader.OneShape())) == 2
    assert is_valid(reader.OneShape())


def test_props_are_named_ochre_bodies_of_their_own(
    edited: Part, prop: Body, tmp_path: Path
) -> None:
    path = tmp_path / "p.step"
    twin = make_body("prop 2", Union((box((0, 200, 0), (5, 205, 9)),)), edited)
    write_step(edited, [prop, twin], path, product="bracket")
    back = read_step(path)
    assert back.bodies == 3
    assert back.closed
    volumes = [
        replace(back.mesh, triangles=back.mesh.triangles[back.mesh.body_of == i]).volume_mm3
        for i in range(3)
    ]
    assert volumes == pytest.approx([edited.mesh.volume_mm3, 8 * 8 * 30, 225], rel=1e-6)
    ochre = pytest.approx((0xB7 / 255, 0x79 / 255, 0x1F / 255), abs=1e-3)
    assert all(f.color == ochre for f in back.faces if f.body > 0)
    # Back in the build frame, the prop stands where it was asked to stand.
    placed = back.mesh.vertices @ edited.placement[:3, :3].T + edited.placement[:3, 3]
    own = placed[np.unique(back.mesh.triangles[back.mesh.body_of == 1])]
    assert own.min(axis=0) == pytest.approx([100, 100, 0], abs=1e-9)
    assert own.max(axis=0) == pytest.approx([108, 108, 30], abs=1e-9)
    solids = re.findall(r"MANIFOLD_SOLID_BREP\('([^']*)'", path.read_text("ascii"))
    assert solids == ["bracket", "prop 1", "prop 2"]


def test_header_says_what_it_is(edited: Part, tmp_path: Path) -> None:
    path = tmp_path / "träger.step"
    write_step(edited, [], path, product="träger", stamp="2031-02-03T04:05:06")
    text = path.read_text("ascii")  # ISO 10303-21: nothing else is allowed
    head = text[: text.index("ENDSEC;")]
    assert "AP242_MANAGED_MODEL_BASED_3D_ENGINEERING" in head
    assert "'2031-02-03T04:05:06'" in head
    assert "'Soffit'" in head
    assert "PRODUCT('tr\\X2\\00E4\\X0\\ger'" in text
    assert ".MILLI.,.METRE." in text


def test_same_part_gives_the_same_bytes_in_any_process(
    edited: Part, prop: Body, tmp_path: Path
) -> None:
    path = tmp_path / "s.step"
    found = set()
    for _ in range(3):
        write_step(edited, [prop], path, product="bracket")
        found.add(path.read_bytes())
        kernel.stop()
    write_step(edited, [], tmp_path / "other.step", product="other")
    write_step(edited, [prop], path, product="bracket")
    found.add(path.read_bytes())
    assert len(found) == 1


def test_several_bodies_are_numbered(tmp_path: Path) -> None:
    part = read_shape(carve(block((0, 0, 0), (20, 5, 5)), block((8, -1, -1), (12, 6, 6))))
    path = tmp_path / "two.step"
    write_step(part, [], path, product="pair")
    solids = re.findall(r"MANIFOLD_SOLID_BREP\('([^']*)'", path.read_text("ascii"))
    assert solids == ["pair body 1", "pair body 2"]
    assert read_step(path).bodies == 2


def test_nothing_is_left_where_it_cannot_be_written(edited: Part, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"^writing .*x\.step: "):
        write_step(edited, [], tmp_path / "missing" / "x.step", product="p")
    blocked = tmp_path / "x.step"
    blocked.mkdir()
    with pytest.raises(InputError, match="another place"):
        write_step(edited, [], blocked, product="p")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["x.step"]
    with pytest.raises(GeometryError, match="no B-rep"):
        write_step(replace(edited, brep=None), [], tmp_path / "m.step", product="p")


def test_real_parts_come_back_as_they_were(parts_dir: Path, tmp_path: Path) -> None:
    for name in ("odri/hip_aa_support", "m5_hardware/Base26_Main", "openbot/Motor_Bracket",
                 "trimesh_models/featuretype"):
        part = read_step(parts_dir / "good" / f"{name}.step")
        path = tmp_path / "r.step"
        write_step(part, [], path, product="r")
        back = read_step(path)
        assert back.bodies == part.bodies
        assert len(back.faces) == len(part.faces)
        assert back.closed
        (volume, area), (was, _) = mass_properties(back), mass_properties(part)
        # Outlines on faces are rebuilt within the edges' own tolerances: 10 nanometres over
        # the whole surface.
        assert volume == pytest.approx(was, abs=1e-5 * area)
        assert [f.color for f in back.faces] == [
            pytest.approx(f.color, abs=1e-3) if f.color else None for f in part.faces
        ]
        assert [f.name for f in back.faces] == [f.name for f in part.faces]
