"""Reading meshes: the same shape from every format, and 3MF as the consortium's library has it."""

from __future__ import annotations

import struct
from pathlib import Path

import lib3mf
import numpy as np
import pytest

from soffit.part.read import read
from soffit.part.units import MM_PER_UNIT
from soffit.part.write_mesh import write_3mf, write_stl
from tests.meshes import ball, block, kinds, part_of

# An L: area 75, its corner (5, 5) turns inwards, so that a fan from most corners is wrong.
ELL = np.array([[0, 0], [10, 0], [10, 5], [5, 5], [5, 10], [0, 10]], np.float64)


def test_polygons_of_an_obj_are_cut_within_their_outline(tmp_path: Path) -> None:
    for shift in range(6):
        ring = np.roll(ELL, shift, axis=0)
        lines = [f"v {x} {y} {z}" for z in (0, 4) for x, y in ring.tolist()]
        lines += ["f 6 5 4 3 2 1", "f -6 -5 -4 -3 -2 -1"]
        lines += [f"f {i + 1}/1/1 {(i + 1) % 6 + 1}/2/1 {(i + 1) % 6 + 7}//1 {i + 7}"
                  for i in range(6)]
        file = tmp_path / "ell.obj"
        file.write_text("\n".join(lines))
        part = read(file, unit="mm")
        assert part.closed
        assert part.mesh.volume_mm3 == pytest.approx(75.0 * 4.0, rel=1e-12)
        assert part.mesh.area_mm2 == pytest.approx(2 * 75.0 + 40.0 * 4.0, rel=1e-12)
        assert len(part.faces) == 8


@pytest.mark.parametrize("order", ["<", ">"])
def test_binary_ply_of_either_byte_order_with_quads(tmp_path: Path, order: str) -> None:
    vertices, _ = block((0, 0, 0), (10, 20, 30))
    quads = [(0, 2, 6, 4), (1, 5, 7, 3), (0, 4, 5, 1), (2, 3, 7, 6), (0, 1, 3, 2), (4, 6, 7, 5)]
    layout = "little" if order == "<" else "big"
    head = (f"ply\nformat binary_{layout}_endian 1.0\ncomment of ours\nelement vertex 8\n"
            "property float x\nproperty float y\nproperty float z\nproperty uchar red\n"
            "element face 6\nproperty list uchar ushort vertex_index\nend_header\n").encode()
    body = b"".join(struct.pack(order + "3fB", *p, 7) for p in vertices.tolist())
    body += b"".join(struct.pack(order + "B4H", 4, *q) for q in quads)
    (tmp_path / "block.ply").write_bytes(head + body)
    part = read(tmp_path / "block.ply", unit="mm")
    assert part.closed
    assert part.size_mm == (10.0, 20.0, 30.0)
    assert part.mesh.volume_mm3 == pytest.approx(6000.0, rel=1e-12)


def test_stl_written_and_read_back_differs_by_32_bit_rounding(tmp_path: Path) -> None:
    part = part_of(ball())
    write_stl(part.mesh, tmp_path / "ball.stl")
    again = read(tmp_path / "ball.stl", unit="mm")
    assert again.closed
    assert np.abs(again.mesh.corners - part.mesh.corners).max() <= 10 * 2.0**-24


@pytest.mark.parametrize("unit", sorted(MM_PER_UNIT))
def test_unit_scales_lengths(unit: str) -> None:
    part = read(block((0, 0, 0), (1, 2, 3)), unit=unit)
    factor = MM_PER_UNIT[unit]
    assert part.size_mm == pytest.approx((factor, 2 * factor, 3 * factor), rel=1e-12)
    assert (part.source.unit, part.source.stated_by) == (unit, "option")
    assert ("file/unit" in kinds(part)) == (unit in ("um", "m"))


def consortium(path: Path) -> tuple[np.ndarray, np.ndarray]:
    """All facets that a 3MF builds, by the consortium's library: corners (m, 3, 3) in the file's
    unit. A mirrored copy keeps its outside out, which the library leaves to its caller."""
    model = lib3mf.get_wrapper().CreateModel()
    model.QueryReader("3mf").ReadFromFile(str(path))
    items = model.GetBuildItems()
    found = []

    def collect(thing: object, matrix: np.ndarray) -> None:
        if thing.IsMeshObject():
            if thing.GetType() in (lib3mf.ObjectType.Support, lib3mf.ObjectType.SolidSupport):
                return
            v = np.array([list(p.Coordinates) for p in thing.GetVertices()])
            t = np.array([list(f.Indices) for f in thing.GetTriangleIndices()])
            corners = (v @ matrix[:3] + matrix[3])[t]
            found.append(corners if np.linalg.det(matrix[:3]) > 0 else corners[:, ::-1])
            return
        for i in range(thing.GetComponentCount()):
            part = thing.GetComponent(i)
            inner = np.array([list(row) for row in part.GetTransform().Fields])
            chained = inner @ matrix[:3]
            chained[3] += matrix[3]
            collect(part.GetObjectResource(), chained)

    while items.MoveNext():
        item = items.GetCurrent()
        collect(item.GetObjectResource(),
                np.array([list(row) for row in item.GetObjectTransform().Fields]))
    corners = np.concatenate(found)
    return corners, np.einsum("ij,ij->i", corners[:, 0],
                              np.cross(corners[:, 1], corners[:, 2])) / 6.0


@pytest.mark.parametrize("name", [
    "hostile/nasty_derived/mirrored_nested_components.3mf", "hostile/nasty_derived/unit_micron.3mf",
    "hostile/nasty_derived/unit_inch.3mf", "hostile/nasty_derived/below_bed_and_support_type.3mf",
    "good/mjbots_quad/a2_computer_tray.3mf",
])
def test_3mf_as_the_consortium_reads_it(parts_dir: Path, name: str) -> None:
    part = read(parts_dir / name)
    factor = MM_PER_UNIT[part.source.unit]
    corners, volumes = consortium(parts_dir / name)
    corners = corners * factor
    assert len(part.mesh.triangles) == len(corners)
    # The library keeps 32-bit numbers.
    grid = 4 * 2.0**-23 * np.abs(corners).max()
    low, high = corners.min(axis=(0, 1)), corners.max(axis=(0, 1))
    assert np.abs(part.mesh.bounds - [low, high]).max() <= grid
    assert part.mesh.volume_mm3 == pytest.approx(volumes.sum() * factor**3, rel=1e-4)


def test_3mf_written_is_read_by_the_consortium(tmp_path: Path) -> None:
    part = part_of(block((1, 2, 3), (11, 22, 33)))
    write_3mf([("block", part.mesh)], tmp_path / "block.3mf")
    corners, volumes = consortium(tmp_path / "block.3mf")
    assert corners.shape == (12, 3, 3)
    assert volumes.sum() == pytest.approx(6000.0, rel=1e-6)
    again = read(tmp_path / "block.3mf")
    assert np.array_equal(again.mesh.corners, part.mesh.corners)
