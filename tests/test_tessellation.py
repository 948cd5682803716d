"""One part, tessellated coarsely and finely: the same findings on the same faces.

The mesh of a B-rep lies within its deflection of the true surface, and its normals are those of
the surface. So findings may not depend on it: level ones lie at the same height within the
deflection; a slope begins and ends in the same layer or the next, as its last step is judged by
a facet; areas agree within 2 %, or what the deflection moves the outline by where that is more.
What is smaller than can be printed may come and go.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from soffit.findings.model import Finding
from soffit.findings.review import SMALLEST_SHARE, review
from soffit.part.place import place
from soffit.part.read import read
from soffit.process.load import load_process

PROCESS = load_process("pla-04")
EXAMPLES = sorted((Path(__file__).resolve().parent.parent / "examples").glob("*.step"))
COARSE_MM, FINE_MM = (0.1, 0.02), 0.005
AREA_SHARE = 0.02
SMALLEST_MM2 = SMALLEST_SHARE * PROCESS.line_mm**2

# Small and of many shapes; the larger ones take minutes at the finest.
REAL = (
    "good/bd_warehouse/ob_router_spindle_mount_0.step", "good/odri/body_structure_front.step",
    "good/openbot/90deg_Joint.step", "good/openbot/Motor_Bracket.step",
    "good/openbot/rtr_mount.step", "good/pypi_generators/vslot_l_plate_3x3x4.step",
    "good/so_arm100/SO-ARM101_camera_wrist_mount.step",
)


def findings(file: Path, deflection_mm: float) -> tuple[Finding, ...]:
    part = place(read(file, deflection_mm=deflection_mm), "keep")
    assert part.deflection_mm <= deflection_mm
    return tuple(f for f in review(part, PROCESS).findings
                 if f.kind.startswith("air/") and f.area_mm2 >= SMALLEST_MM2)


def differences(fine: Sequence[Finding], coarse: Sequence[Finding], deflection_mm: float
                ) -> list[str]:
    """What is in one and not in the other, paired by kind, faces and nearest place."""
    left = list(coarse)
    said = []
    for one in fine:
        same = [f for f in left if f.kind == one.kind and f.faces == one.faces]
        if not same:
            said.append(f"gone: {words(one)}")
            continue
        other = min(same, key=lambda f: float(np.linalg.norm(np.subtract(f.at_mm, one.at_mm))))
        left.remove(other)
        along = sum(float(np.linalg.norm(np.roll(r, -1, axis=0) - r, axis=1).sum())
                    for r in one.patch.rings)
        area_off = max(AREA_SHARE * one.area_mm2, deflection_mm * along / steepness(one))
        lifted = (np.abs(np.subtract(one.patch.layers, other.patch.layers)).max() > 1
                  if one.kind == "air/slope" else
                  np.abs(np.subtract(one.z_mm, other.z_mm)).max() > deflection_mm + 1e-6)
        if (abs(one.area_mm2 - other.area_mm2) > area_off or lifted
                or one.severity != other.severity):
            said.append(f"changed: {words(one)} to {words(other)}")
    return said + [f"new: {words(f)}" for f in left]


def steepness(finding: Finding) -> float:
    """How far a surface lies off where its outline moves by 1: the sine of its angle at the edge.
    A chord that closes a round crown leans by δ there and by half of it on the average; walls of
    a level one are upright."""
    if finding.kind == "air/slope" or not finding.angle_deg:
        return 1.0
    return math.sin(math.radians(max(2.0 * finding.angle_deg, 1.0)))


def words(f: Finding) -> str:
    return (f"{f.kind} {f.severity} faces {f.faces} z {f.z_mm[0]:.3f}–{f.z_mm[1]:.3f} "
            f"area {f.area_mm2:.3f} reach {f.reach_mm} span {f.span_mm}")


def assert_same(file: Path) -> None:
    fine = findings(file, FINE_MM)
    said = [f"{coarse} mm: {text}" for coarse in COARSE_MM
            for text in differences(fine, findings(file, coarse), coarse)]
    assert said == []


@pytest.mark.parametrize("file", EXAMPLES, ids=lambda p: p.stem)
def test_examples(file: Path) -> None:
    assert_same(file)


@pytest.mark.parametrize("name", REAL, ids=lambda n: n.split("/")[-1])
def test_real_parts(parts_dir: Path, name: str) -> None:
    assert_same(parts_dir / name)
