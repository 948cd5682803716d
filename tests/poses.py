"""Poses for tests: one shape read turned, far off, mirrored, upside down, in inches."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import trimesh
from OCP.TopoDS import TopoDS_Shape

import soffit
from examples._cad import box, mirror_x, move, turn
from soffit.part.brep.shapes import compound_of
from soffit.part.model import Part
from soffit.part.place import place
from soffit.part.step import DEFLECTION_MM
from tests.shapes import read

Pose = Callable[[TopoDS_Shape, Path, float], Part]


def turned(shape: TopoDS_Shape, folder: Path, fine: float = DEFLECTION_MM) -> Part:
    return read(turn(shape, 33.0), folder, deflection_mm=fine)


def far_off(shape: TopoDS_Shape, folder: Path, fine: float = DEFLECTION_MM) -> Part:
    return read(move(turn(shape, -71.0), (812.5, -340.25, 55.0)), folder, deflection_mm=fine)


def mirrored(shape: TopoDS_Shape, folder: Path, fine: float = DEFLECTION_MM) -> Part:
    return read(turn(mirror_x(shape), 17.0), folder, deflection_mm=fine)


def upside_down(shape: TopoDS_Shape, folder: Path, fine: float = DEFLECTION_MM) -> Part:
    part = read(turn(shape, 180.0, (1, 0, 0)), folder, deflection_mm=fine)
    return place(part, (0.0, 0.0, -1.0))


def on_its_side(shape: TopoDS_Shape, folder: Path, fine: float = DEFLECTION_MM) -> Part:
    part = read(turn(shape, 90.0, (0, 1, 0)), folder, deflection_mm=fine)
    return place(part, (1.0, 0.0, 0.0))


def beside_another(shape: TopoDS_Shape, folder: Path, fine: float = DEFLECTION_MM) -> Part:
    """Two bodies in one file: a block that needs nothing comes first."""
    both = compound_of([box((80, 3, 0), (95, 20, 9)), shape])
    return read(turn(both, 141.0), folder, deflection_mm=fine)


def in_inches(shape: TopoDS_Shape, folder: Path, fine: float = DEFLECTION_MM) -> Part:
    mesh = read(shape, folder, deflection_mm=fine).mesh
    scaled = trimesh.Trimesh(mesh.vertices / 25.4, mesh.triangles, process=False)
    scaled.merge_vertices()
    scaled.export(folder / "inches.stl")
    return place(soffit.read(folder / "inches.stl", unit="in"), "keep")
