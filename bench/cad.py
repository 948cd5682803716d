"""The quality of the CAD handed over: the parts in examples/ and some small real ones, resolved.

Each row compares the part as received with the production STEP as read back: edits, faces, slivers,
the largest tolerance of an edge or vertex in mm, neighbouring faces on one surface, edges under
0.001 mm, each before → after; whether the checker takes all solids and all are closed; of the props
their faces, slivers and short edges. Below it is every fault. `SOFFIT_PARTS` names the folder of
real parts, else `../shared/parts` beside the repository. `SOFFIT_ONLY` is a pattern that chooses
files.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from fnmatch import fnmatch
from pathlib import Path

import soffit

ROOT = Path(__file__).resolve().parent.parent
# Small parts that resolve in a minute or so, of many hands and many kinds of face.
REAL = (
    "bd_warehouse/flange_weldneck_nps1_cl150",
    "odri/body_structure_front",
    "odri/body_structure_top_master_board",
    "openbot/phone_mount_bottom",
    "openbot/rtr_mount",
    "poseidon/Pump_Carriage",
    "pypi_generators/centrifugal_fan_motor_holder",
    "pypi_generators/vslot_l_plate_3x3x4",
    "respiraworks/exhaust-pinch-valve-1.6-base",
    "so_arm100/SO-ARM101_camera_wrist_mount",
    "trimesh_models/featuretype",
)

ON_REQUEST = True


def run() -> None:
    """Print the table as Markdown, a row as soon as it is known, and the sums."""
    folder = Path(os.environ.get("SOFFIT_PARTS") or ROOT.parent / "shared" / "parts")
    pattern = os.environ.get("SOFFIT_ONLY", "*")
    files = [*sorted((ROOT / "examples").glob("*.step")),
             *(folder / "good" / f"{name}.step" for name in REAL)]
    missing = [path.name for path in files if not path.is_file()]
    if missing:
        sys.exit(f"bench cad: no {missing[0]} in {folder}; set SOFFIT_PARTS to a folder of parts")
    print("| file | edits | faces | made by edits | slivers | tolerance | mergeable | short "
          "| valid | closed | props | time, s |")
    print("|---|---|---|---|---|---|---|---|---|---|---|---|")
    faulty = resolved = 0
    for path in files:
        if fnmatch(path.name, pattern):
            resolved += 1
            faulty += bool(look_at(path))
    print(f"\n{resolved} parts, {faulty} with faults that they did not bring along")


def look_at(path: Path) -> tuple[str, ...]:
    """Resolve and write one part as drawn; prints its row, returns faults."""
    begun = time.perf_counter()
    with tempfile.TemporaryDirectory() as out:
        result = soffit.resolve(soffit.read(path), "pla-04").write(out)
    took = time.perf_counter() - begun
    change = result.quality
    assert change is not None
    old, new = change.before, change.after
    tolerances = (f"{max(q.edge_tolerance_mm, q.vertex_tolerance_mm):.1e}" for q in (old, new))
    made = sum(1 for face in result.produced.faces if face.edit)
    props = change.props
    beside = "" if props is None else f"{props.faces}, {props.slivers}, {props.short_edges}"
    both = (new,) if props is None else (new, props)
    cells = (
        path.name, len(result.edits), f"{old.faces} → {new.faces}", made,
        f"{old.slivers} → {new.slivers}", " → ".join(tolerances),
        f"{old.mergeable} → {new.mergeable}", f"{old.short_edges} → {new.short_edges}",
        "yes" if all(q.valid for q in both) else "no",
        "yes" if all(q.closed for q in both) else "no", beside, f"{took:.0f}",
    )
    print("| " + " | ".join(map(str, cells)) + " |", flush=True)
    for fault in change.faults:
        print(f"  {fault}", flush=True)
    for defect in change.new[:20] if os.environ.get("SOFFIT_DEBUG") == "1" else ():
        print(f"    {defect}", flush=True)
    return change.faults
