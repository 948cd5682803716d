"""Changes to a part's mesh that must not change its findings, over the examples and real parts.

Turned about Z by an odd angle, mirrored, drawn far off the origin, written twice in place, cut
finer, its facets in another order, written in inches: the same findings, each at its place, with
the same severity, area, run and span. Tolerances are those of the polygon grid
(`tests.relations`).
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from soffit.findings.review import review
from soffit.part.read import read
from soffit.process.load import load_process
from tests.meshes import Arrays
from tests.relations import RELATIONS, differences, made

PROCESS = load_process("pla-04")
EXAMPLES = sorted(p for p in (Path(__file__).resolve().parent.parent / "examples").iterdir()
                  if p.suffix in (".step", ".stl"))

# Closed real parts that are taken, and why the others are not.
TAKEN = (
    "good/bd_warehouse/ob_router_spindle_mount_0.step", "good/gello/lite6_baseRoll.stl",
    "good/mjbots_quad/a2_computer_tray.3mf", "good/odri/body_structure_front.step",
    "good/odri/body_structure_front_batterie.stl",
    "good/odri/body_structure_top_master_board.step", "good/openbot/90deg_Joint.step",
    "good/openbot/MotorEnclosure_Top.step", "good/openbot/Motor_Bracket.step",
    "good/openbot/rtr_mount.step", "good/pypi_generators/centrifugal_fan_motor_holder.step",
    "good/so_arm100/Raised_Base_Extension.stl",
    "good/so_arm100/SO-ARM101_camera_wrist_mount.step", "good/trimesh_models/featuretype.stl",
)
MOST_TRIANGLES = 6000
"""Parts of more are left out, for time: each is reviewed nine times."""
IN_INCHES = ("good/trimesh_models/featuretype.stl",)


def arrays(path: Path, unit: str | None = None) -> Arrays:
    part = read(path, unit=unit)
    return np.array(part.mesh.vertices), np.array(part.mesh.triangles)



def assert_nothing_changes(mesh: Arrays, names: Sequence[str] = tuple(RELATIONS)) -> None:
    plain = review(made(mesh), PROCESS, unattended=True)
    said = []
    for name in names:
        relation = RELATIONS[name]
        part = made(relation.change(mesh), relation.unit)
        changed = review(part, PROCESS, unattended=True)
        said += [f"{name}: {text}" for text in differences(plain, changed, relation)]
    assert said == []


@pytest.mark.parametrize("file", EXAMPLES, ids=lambda p: p.stem)
def test_examples(file: Path) -> None:
    assert_nothing_changes(arrays(file, "mm" if file.suffix == ".stl" else None))


@pytest.mark.parametrize("name", TAKEN, ids=lambda n: n.split("/")[-1])
def test_real_parts(parts_dir: Path, name: str) -> None:
    unit = {".stl": "in" if name in IN_INCHES else "mm"}.get(Path(name).suffix)
    assert_nothing_changes(arrays(parts_dir / name, unit))
