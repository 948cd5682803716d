"""The product against the brute-force referee over a folder of real parts.

    python3 run.py referee [--props] [--only GLOB] [--pixel MM] [--jobs N]

Every readable, closed part of the folder (`SOFFIT_PARTS`, else `../shared/parts` beside the
repository) is judged by both engines at two layer heights in its three cheapest orientations.
Two areas are compared: all that steps too far, before anybody judges whether the process can
hold it, and what is over air by the verdict. A strip of a slope is two or three pixels wide: where
the two differ the referee looks again with pixels half and a quarter as wide (unless --pixel says
how wide), and the last look counts; how many agreed at the first is told. With `--props` each part
is resolved as drawn with props alone first, and the STL file that was written is judged, props and
all, at the layer height that they were made for. Markdown on stdout, progress on stderr; the exit
code is 1 where fewer than 98 in 100 cases agree in both.
"""

from __future__ import annotations

import argparse
import fnmatch
import math
import multiprocessing
import os
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

import soffit
from soffit.errors import SoffitError, UnitError
from soffit.findings import review as reviewing
from soffit.findings.patches import RawPatch
from soffit.findings.places import Place, find_places
from soffit.layers.stack import slack_of
from soffit.orient.choose import search
from soffit.part.model import Part, Vec3
from soffit.part.place import place
from soffit.part.read import read
from soffit.process.load import load_process
from soffit.process.model import Process
from tests.pixel_columns import TURN_DEG, Bools, Floats
from tests.pixel_engine import Judged, Rules, over_air
from tests.referee_compare import AREA_MM2, SHARE, Comparison, Matched, Reason, agree

ROOT = Path(__file__).resolve().parent.parent
KINDS = {".step", ".stp", ".stl", ".3mf", ".obj", ".ply"}

LAYERS_MM = (0.2, 0.12)
WAYS_UP = 3

# Pixels over a part, and the least and greatest side of one, mm (derived: a step is 0.12 mm or
# more; what is over air is measured in millimetres).
PIXELS = 2e6
FINEST_MM, COARSEST_MM = 0.03, 0.1

# Looks at one case, each with pixels half as wide, and most pixels of one (derived: 12 bytes each,
# half a gigabyte).
LOOKS, MOST_PIXELS = 3, 4e7

# Share of cases that must agree.
WANTED = 0.98

# A facet this much flatter than the limit is too flat, and facets that meet at less than this
# are parts of one surface: a chord leans from it by up to half the angle at which it meets the
# next (both as the product defines them).
TOLERANCE_DEG, SMOOTH_DEG = 0.5, 20.0

# Facets that meet at less than this lie in one plane (derived: rounding of coordinates).
ONE_PLANE_DEG = 0.05


@dataclass(frozen=True)
class Case:
    """One part, one layer height, one way up."""

    part: str
    layer_mm: float
    up: Vec3
    product_mm2: tuple[float, float]
    referee_mm2: tuple[float, float]
    matched: Matched
    reasons: tuple[list[Reason], list[Reason]]
    pixel_mm: float
    product_s: float
    referee_s: float
    look: int = 1

    def agrees(self, which: int) -> bool:
        """0: all that steps too far, 1: what is over air."""
        return agree(self.product_mm2[which], self.referee_mm2[which])


@dataclass(frozen=True)
class Outcome:
    """All cases of one file, or why it is none."""

    part: str
    cases: list[Case]
    why_not: str = ""


def main(arguments: list[str]) -> int:
    """Run the command; see the module."""
    parser = argparse.ArgumentParser(prog="run.py referee")
    parser.add_argument("--only", default="*", metavar="GLOB", help="parts by path or name")
    parser.add_argument("--props", action="store_true", help="resolved with props alone first")
    parser.add_argument("--pixel", type=float, metavar="MM", help="side of a pixel")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, metavar="N")
    options = parser.parse_args(arguments)
    folder = Path(os.environ.get("SOFFIT_PARTS") or ROOT.parent / "shared" / "parts")
    files = [p for p in folder.rglob("*") if p.suffix.lower() in KINDS and (
        fnmatch.fnmatch(p.relative_to(folder).as_posix(), options.only)
        or fnmatch.fnmatch(p.name, options.only))]
    if not files:
        print(f"referee: no parts in {folder}; set SOFFIT_PARTS to a folder of parts",
              file=sys.stderr)
        return 2
    # The largest first, so that none is left to run alone at the end.
    files.sort(key=lambda p: (-p.stat().st_size, p))
    begun = time.perf_counter()
    outcomes = []
    # Spawned: a forked process would share the supervisor of the B-rep kernel.
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(max(1, options.jobs), mp_context=context) as pool:
        judge = judge_propped if options.props else judge_file
        waiting = [pool.submit(judge, p, folder, options.pixel) for p in files]
        for done in as_completed(waiting):
            outcomes.append(done.result())
    outcomes.sort(key=lambda o: o.part)
    cases = [c for o in outcomes for c in o.cases]
    for line in report(cases, outcomes, time.perf_counter() - begun):
        print(line)
    share = sum(c.agrees(0) and c.agrees(1) for c in cases) / max(len(cases), 1)
    return 0 if share >= WANTED else 1


def judge_file(path: Path, folder: Path, pixel_mm: float | None) -> Outcome:
    """All cases of one file."""
    name = path.relative_to(folder).as_posix()
    process = load_process("pla-04")
    try:
        try:
            part = read(str(path))
        except UnitError:
            part = read(str(path), unit="mm")
        if not part.closed:
            return Outcome(name, [], "not closed")
        ups = [o.up for o in search(part, process, most=WAYS_UP + 1).finalists[:WAYS_UP]]
    except SoffitError as fault:
        return Outcome(name, [], str(fault).split(":")[-1].strip())
    cases = []
    for up in ups:
        placed = place(part, up)
        for layer_mm in LAYERS_MM:
            cases.append(judge_case(name, placed, up, with_layer(process, layer_mm), pixel_mm))
            _tell(cases[-1])
    return Outcome(name, cases)


def judge_propped(path: Path, folder: Path, pixel_mm: float | None) -> Outcome:
    """The file of one part, resolved as drawn with props alone."""
    name = path.relative_to(folder).as_posix()
    process = load_process("pla-04")
    try:
        try:
            part = soffit.read(str(path))
        except UnitError:
            part = soffit.read(str(path), unit="mm")
        if not part.closed:
            return Outcome(name, [], "not closed")
        result = soffit.resolve(part, only=("props",))
        if not result.props:
            return Outcome(name, [], "no prop")
        with tempfile.TemporaryDirectory() as out:
            files = result.write(out).files
            placed = place(read(str(files["stl"]), unit="mm"), "keep")
    except SoffitError as fault:
        return Outcome(name, [], str(fault).split(":")[-1].strip())
    case = judge_case(name, placed, (0.0, 0.0, 1.0), process, pixel_mm)
    _tell(case)
    return Outcome(name, [case])


def _tell(case: Case) -> None:
    verdict = "agrees" if case.agrees(0) and case.agrees(1) else "DIFFERS"
    print(f"{case.part} {case.layer_mm:g} {_up(case.up)}: {verdict}, too far "
          f"{case.product_mm2[0]:.1f} / {case.referee_mm2[0]:.1f}, over air "
          f"{case.product_mm2[1]:.1f} / {case.referee_mm2[1]:.1f} mm² "
          f"({case.product_s:.1f} + {case.referee_s:.1f} s, p {case.pixel_mm:.3f})",
          file=sys.stderr, flush=True)


def with_layer(process: Process, layer_mm: float) -> Process:
    """The process at another layer height; its steps follow."""
    value = process.bead.layer_mm.model_copy(update={"value": layer_mm})
    bead = process.bead.model_copy(update={"layer_mm": value})
    return process.model_copy(update={"bead": bead})


def judge_case(name: str, placed: Part, up: Vec3, process: Process,
               pixel_mm: float | None = None) -> Case:
    """Both engines on one placed part."""
    begun = time.perf_counter()
    raw, places, product_mm2 = product(placed, process)
    between = time.perf_counter()
    rules = rules_of(placed, process)
    finest = pixel_mm or finest_for(placed)
    pixel_mm = pixel_mm or pixel_for(placed)
    for look in range(1, LOOKS + 1):
        judged = by_pixels(placed, process, rules, pixel_mm)
        compared = Comparison(raw, places, judged, rules, process,
                              process.angle_deg - TOLERANCE_DEG)
        mine = (compared.product_mm2, product_mm2)
        theirs = (judged.too_far_mm2, judged.over_air_mm2)
        if all(map(agree, mine, theirs)) or look == LOOKS or pixel_mm <= finest:
            break
        pixel_mm = max(0.5 * pixel_mm, finest)
    reasons = ([] if agree(mine[0], theirs[0]) else compared.why_too_far(),
               [] if agree(mine[1], theirs[1]) else compared.why_over_air())
    matched = compared.matched()
    return Case(name, process.layer_mm, up, mine, theirs, matched, reasons, judged.grid.pixel_mm,
                between - begun, time.perf_counter() - between, look)


def product(placed: Part, process: Process) -> tuple[list[RawPatch], list[Place], float]:
    """The product's patches and places as its review found them, and its area over air."""
    raw: list[RawPatch] = []
    places: list[Place] = []

    def recording(patches: Any, *rest: Any, **named: Any) -> list[Place]:
        raw.extend(patches)
        places.extend(find_places(raw, *rest, **named))
        return places

    with mock.patch.object(reviewing, "find_places", recording):
        found = reviewing.review(placed, process)
    return raw, places, found.over_air_mm2


def rules_of(placed: Part, process: Process) -> Rules:
    """What the referee is told of the process and of how fine the mesh is."""
    return Rules(process.layer_mm, process.first_layer_mm, process.step_mm, slack_of(placed),
                 process.line_mm, process.lip_mm, process.bridge_mm)


def by_pixels(placed: Part, process: Process, rules: Rules, pixel_mm: float) -> Judged:
    """The referee's own verdict."""
    mesh = placed.mesh
    downskin = np.degrees(np.arccos(np.clip(-mesh.normals[:, 2], -1.0, 1.0)))
    lean = np.full(len(mesh.triangles), TOLERANCE_DEG)
    if placed.deflection_mm == 0.0:
        lean = _lean_deg(mesh.vertices, mesh.triangles)
    flat: Bools = downskin < process.angle_deg - lean
    return over_air(mesh.vertices, mesh.triangles, rules, pixel_mm, downskin, flat)


def _lean_deg(vertices: Floats, triangles: Any) -> Floats:
    """How far the surface may lean from each facet of a mesh file, (m,) degrees: half the largest
    angle at which it, or a facet of its plane, meets a neighbour smoothly."""
    corner = vertices[triangles]
    normal = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    normal /= np.maximum(np.linalg.norm(normal, axis=1), 1e-300)[:, None]
    ends = np.sort(np.stack([triangles, np.roll(triangles, -1, axis=1)], axis=2), axis=2)
    key = ends[:, :, 0] * len(vertices) + ends[:, :, 1]
    facet = np.repeat(np.arange(len(triangles)), 3)
    order = np.argsort(key.ravel(), kind="stable")
    key, facet = key.ravel()[order], facet[order]
    first = np.flatnonzero(np.diff(key, prepend=-1) > 0)
    pair = first[np.diff(np.append(first, len(key))) == 2]
    a, b = facet[pair], facet[pair + 1]
    cosine = np.clip((normal[a] * normal[b]).sum(axis=1), -1.0, 1.0)
    turn = np.degrees(np.arccos(cosine))
    smooth = turn < SMOOTH_DEG
    lean = np.full(len(triangles), TOLERANCE_DEG)
    for side in (a, b):
        # Rounding must not decide where an arc ends exactly at the limit: it is too flat.
        np.maximum.at(lean, side[smooth], 0.5 * turn[smooth] - ONE_PLANE_DEG)
    # What is one plane has one lean, however finely it is cut.
    flat = turn < ONE_PLANE_DEG
    graph = coo_matrix((np.ones(flat.sum(), dtype=bool), (a[flat], b[flat])),
                       (len(triangles), len(triangles)))
    number, group = connected_components(graph, directed=False)
    largest = np.zeros(number)
    np.maximum.at(largest, group, lean)
    return np.asarray(largest[group])


def pixel_for(placed: Part) -> float:
    """Side of a pixel for a part at the first look, mm."""
    return float(np.clip(math.sqrt(_plan_mm2(placed) / PIXELS), FINEST_MM, COARSEST_MM))


def finest_for(placed: Part) -> float:
    """Side of a pixel for a part at the last look, mm."""
    return math.sqrt(_plan_mm2(placed) / MOST_PIXELS)


def _plan_mm2(placed: Part) -> float:
    """Plan size of a part in the turned frame."""
    x, y, _ = placed.size_mm
    c, s = math.cos(math.radians(TURN_DEG)), math.sin(math.radians(TURN_DEG))
    return (x * c + y * s) * (x * s + y * c)


def report(cases: list[Case], outcomes: list[Outcome], seconds: float) -> Iterator[str]:
    """The tables, line by line."""
    refused = [o for o in outcomes if o.why_not and o.why_not != "not closed"]
    loose = [o for o in outcomes if o.why_not == "not closed"]
    yield (f"{len(outcomes)} files: {len({c.part for c in cases})} closed parts judged, "
           f"{len(loose)} not closed, {len(refused)} not readable or refused. "
           f"{len(cases)} cases in {seconds / 60:.0f} min.")
    yield ""
    yield (f"| compared | cases | agreeing within {SHARE:.0%} + {AREA_MM2:g} mm² | share "
           f"| of these nothing in both | product, mm² | referee, mm² |")
    yield "|---|---|---|---|---|---|---|"
    for which, title in ((0, "all that steps too far"), (1, "over air by the verdict")):
        good = [c for c in cases if c.agrees(which)]
        none = [c for c in good if c.product_mm2[which] == 0 == c.referee_mm2[which]]
        yield (f"| {title} | {len(cases)} | {len(good)} | {_share(len(good), len(cases))} "
               f"| {len(none)} | {sum(c.product_mm2[which] for c in cases):.0f} "
               f"| {sum(c.referee_mm2[which] for c in cases):.0f} |")
    both = sum(c.agrees(0) and c.agrees(1) for c in cases)
    yield f"| both | {len(cases)} | {both} | {_share(both, len(cases))} | | | |"
    early = sum(c.agrees(0) and c.agrees(1) and c.look == 1 for c in cases)
    yield (f"| both, at the first look | {len(cases)} | {early} "
           f"| {_share(early, len(cases))} | | | |")
    yield ""
    m = [c.matched for c in cases]
    yield "| patches | found | also found by the other | share | area, mm² | shared | share |"
    yield "|---|---|---|---|---|---|---|"
    shared = sum(x.shared_mm2 for x in m)
    for title, count, hit, area in (
        ("product (precision)", sum(x.product for x in m), sum(x.product_hit for x in m),
         sum(x.product_mm2 for x in m)),
        ("referee (recall)", sum(x.referee for x in m), sum(x.referee_hit for x in m),
         sum(x.referee_mm2 for x in m)),
    ):
        yield (f"| {title} | {count} | {hit} | {_share(hit, count)} | {area:.0f} | {shared:.0f} "
               f"| {_share(shared, area)} |")
    yield ""
    bad = [(c, which) for c in cases for which in (0, 1) if not c.agrees(which)]
    if not bad:
        yield "No case disagrees."
        return
    yield ("| part | layer | up | pixel | compared | product | referee | kinds | why "
           "| unexplained, mm² |")
    yield "|---|---|---|---|---|---|---|---|---|---|"
    for case, which in bad:
        yield _row(case, which)


def _row(case: Case, which: int) -> str:
    reasons = case.reasons[which]
    shown = reasons[:4]
    kinds = ", ".join(sorted({r.kind for r in shown}))
    why = "; ".join(r.text if r.explained else f"unexplained: {r.text}" for r in shown)
    left = math.fsum(r.excess_mm2 for r in reasons if not r.explained)
    return (f"| {case.part} | {case.layer_mm:g} | {_up(case.up)} | {case.pixel_mm:.3f} "
            f"| {('too far', 'over air')[which]} | {case.product_mm2[which]:.1f} "
            f"| {case.referee_mm2[which]:.1f} | {kinds} | {why} | {left:+.1f} |")


def _share(part: float, whole: float) -> str:
    return f"{100 * part / whole:.1f} %" if whole else "–"


def _up(up: Vec3) -> str:
    return ",".join(f"{v:.3g}" for v in up)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
