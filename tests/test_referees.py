"""Volumes, areas and slices against general-purpose libraries that know nothing of Soffit.

The B-rep kernel gives exact volumes and areas; trimesh adds up the same triangles by its own
formulas; trimesh cuts plane by plane and shapely measures, where Soffit cuts with the mesh
kernel. Bounds are derived beside each.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import shapely
import trimesh

from soffit.errors import FileError
from soffit.layers.stack import cut_layers
from soffit.part.measure import mass_properties
from soffit.part.model import Part
from soffit.part.place import place
from soffit.part.read import read
from soffit.process.load import load_process

ROOT = Path(__file__).resolve().parent.parent
EXAMPLES = sorted(p for p in (ROOT / "examples").iterdir() if p.suffix in (".step", ".stl"))
DEFLECTION_MM = 0.02


def library_mesh(part: Part) -> trimesh.Trimesh:
    return trimesh.Trimesh(part.mesh.vertices, part.mesh.triangles, process=False)


def agree_with_library(part: Part) -> None:
    """The same triangles: sums differ by rounding only."""
    other = library_mesh(part)
    assert other.is_watertight or "file/non-manifold" in {n.kind for n in part.notes}
    assert part.mesh.volume_mm3 == pytest.approx(other.volume, rel=1e-9)
    assert part.mesh.area_mm2 == pytest.approx(other.area, rel=1e-9)
    assert part.mesh.areas.sum() == pytest.approx(other.area_faces.sum(), rel=1e-9)
    assert np.allclose(part.mesh.bounds, other.bounds, rtol=0, atol=0)


def agree_with_kernel(part: Part) -> None:
    """The mesh lies within the deflection of the surface, so its volume within deflection ×
    area (derived); its area is smaller, and for a surface of radius r by at most a share of
    deflection / r or so: 1 % is ample for anything that holds together."""
    volume, area = mass_properties(part)
    assert abs(part.mesh.volume_mm3 - volume) <= DEFLECTION_MM * area
    assert part.mesh.area_mm2 == pytest.approx(area, rel=0.01)


@pytest.mark.parametrize("file", EXAMPLES, ids=lambda p: p.name)
def test_examples_agree(file: Path) -> None:
    part = read(file, unit="mm" if file.suffix == ".stl" else None, deflection_mm=DEFLECTION_MM)
    assert part.closed
    agree_with_library(part)
    if part.brep is not None:
        agree_with_kernel(part)


def test_finer_mesh_comes_nearer_to_the_exact_volume() -> None:
    file = ROOT / "examples" / "ring_knob.step"
    errors = []
    for deflection in (0.02, 0.005, 0.00125):
        part = read(file, deflection_mm=deflection)
        volume, area = mass_properties(part)
        errors.append(abs(part.mesh.volume_mm3 - volume))
        assert errors[-1] <= deflection * area
    assert errors[0] > 2 * errors[1] > 4 * errors[2] > 0, errors


def rows(folder: Path) -> Iterator[dict[str, str]]:
    with (folder / "INDEX.tsv").open(encoding="utf-8") as stream:
        yield from csv.DictReader(stream, delimiter="\t")


def test_closed_meshes_of_the_folder_agree(parts_dir: Path) -> None:
    checked = 0
    for row in rows(parts_dir):
        if row["kind"] == "step" or int(row["bytes"]) > 90_000:
            continue
        file = parts_dir / row["path"]
        try:
            part = read(file, unit=None if row["kind"] == "3mf" else "mm")
        except FileError:
            continue
        if part.closed:
            agree_with_library(part)
            checked += 1
    assert checked >= 12


def test_hostile_step_parts_agree(parts_dir: Path) -> None:
    """The good ones are held against the kernel where STEP is tested."""
    checked = 0
    for row in rows(parts_dir):
        if row["kind"] != "step" or not row["path"].startswith("hostile"):
            continue
        if int(row["bytes"]) > 700_000:
            continue
        try:
            part = read(parts_dir / row["path"], deflection_mm=DEFLECTION_MM)
        except FileError:
            continue
        agree_with_library(part)
        if "file/invalid-brep" not in {n.kind for n in part.notes}:
            agree_with_kernel(part)
            checked += 1
    assert checked >= 5


def library_section(mesh: trimesh.Trimesh, z: float) -> shapely.Geometry:
    """A section: polylines of trimesh, even-odd by shapely."""
    path = mesh.section([0.0, 0.0, 1.0], [0.0, 0.0, z])
    area: shapely.Geometry = shapely.Polygon()
    for ring in () if path is None else path.discrete:
        area = shapely.symmetric_difference(area, shapely.make_valid(shapely.Polygon(ring[:, :2])))
    return area


def slices_agree(part: Part, layers: int = 8) -> None:
    """Areas of evenly spread layers, planes that go through corners left out."""
    part = place(part, "keep")
    other = library_mesh(part)
    stack = cut_layers(part, load_process("pla-04"))
    levels = np.unique(part.mesh.vertices[:, 2])
    checked = 0
    for i in np.linspace(0, len(stack) - 1, layers).astype(int).tolist():
        z = float(stack.cut_mm[i])
        if np.abs(levels - z).min() < 1e-4:
            continue
        section = library_section(other, z)
        # Both cut the same edges; outlines may move by the polygon grid of 1e-8 mm, a hundred
        # times which is allowed along the whole outline (derived).
        bound = 1e-6 * section.length + 1e-9
        assert abs(stack.regions[i].area() - section.area) <= bound, z
        low_x, low_y, high_x, high_y = stack.regions[i].bounds()
        assert (low_x, low_y, high_x, high_y) == pytest.approx(section.bounds, abs=1e-5)
        checked += 1
    assert checked >= layers // 2


@pytest.mark.parametrize("file", EXAMPLES, ids=lambda p: p.name)
def test_slices_of_examples_agree(file: Path) -> None:
    slices_agree(read(file, unit="mm" if file.suffix == ".stl" else None))


@pytest.mark.parametrize("name", [
    "good/gello/lite6_baseRoll.stl", "good/respiraworks/SmallFilterHousing.stl",
    "good/so_arm100/Raised_Base_Extension.stl", "good/mjbots_quad/a2_computer_tray.3mf",
    "good/openbot/side_cover.step", "good/so_arm100/Trigger_SO101.step",
    "hostile/so_arm100/Moving_Jaw_SO101.step", "hostile/nasty_derived/all_normals_inverted.stl",
])
def test_slices_of_real_parts_agree(parts_dir: Path, name: str) -> None:
    slices_agree(read(parts_dir / name, unit="mm" if name.endswith(".stl") else None))
