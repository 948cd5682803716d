"""Write every file of a resolution, and prove it on what was written.

Files are written in a staging folder, read back and reviewed, and only then moved to where
the user wants them, so that nothing half-written is ever seen.
"""

from __future__ import annotations

import itertools
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from soffit.errors import GeometryError, InputError, KernelError
from soffit.findings.model import Review
from soffit.part.changes import write_changes
from soffit.part.model import Change
from soffit.part.quality import quality_change
from soffit.part.scene import first_bodies, with_bodies
from soffit.part.step import write_step
from soffit.part.write_mesh import write_3mf, write_stl
from soffit.plan.model import Resolution
from soffit.plan.recipe import recipe_toml
from soffit.plan.report import resolve_json
from soffit.plan.report_parts import dumps
from soffit.plan.resolve import measure_protected, open_findings
from soffit.process.text import process_toml
from soffit.production.first_article import first_article
from soffit.production.record import record_csv, record_json
from soffit.remedies.model import Edit
from soffit.sheet.build import build_sheet
from soffit.sheet.html import write_html
from soffit.sheet.issue import UNSTATED, Issue
from soffit.sheet.model import Sheet
from soffit.sheet.pdf import write_pdf
from soffit.sheet.prove import read_produced, review_produced
from soffit.sheet.traveller import build_traveller
from soffit.sheet.traveller_page import traveller_html, traveller_pdf

Progress = Callable[[str, int, int], None]


def write_release(
    result: Resolution, out_dir: Path, *, issue: Issue = UNSTATED, progress: Progress | None = None,
    show: Callable[[Sheet], None] | None = None,
) -> Resolution:
    """Write all files of `result` to `out_dir`; returns the result as proven on the files.

    The production geometry is read back from each file and reviewed; `after` is the review
    of the first file that is not clean, else that of the CAD (of the 3MF for a mesh part). Where
    that is not clean, and another way up proves to be, the result is that one.
    Raises InputError if the folder cannot be written to.
    """
    with staging_beside(out_dir) as staging:
        proven, paths = write_files(result, staging, issue=issue, progress=progress, show=show)
        for path in paths.values():
            try:
                path.replace(out_dir / path.name)
            except OSError as error:
                raise InputError(
                    f"writing {out_dir / path.name}: {error.strerror or error}; close what holds "
                    "it open, or give another folder with --out") from None
    return replace(proven, files={role: str(out_dir / p.name) for role, p in paths.items()})


def write_files(
    result: Resolution, folder: Path, *, issue: Issue = UNSTATED, progress: Progress | None = None,
    show: Callable[[Sheet], None] | None = None,
) -> tuple[Resolution, dict[str, Path]]:
    """What `write_release` writes, in this folder, by role."""
    name = Path(result.received.source.file).stem or "part"
    tell = progress or (lambda _stage, _done, _total: None)
    proven, geometry = _proven(result, folder, name, tell)
    changes = folder / f"{name}.changes.step"
    edits, missing = _write_changes(result, changes, name)
    if changes.exists():
        geometry["changes_step"] = changes
    paths = geometry | {
        "process": folder / f"{name}.process.toml",
        "recipe": folder / f"{name}.recipe.toml",
        "sheet_html": folder / f"{name}.sheet.html",
        "sheet_pdf": folder / f"{name}.sheet.pdf",
        "traveller_html": folder / f"{name}.traveller.html",
        "traveller_pdf": folder / f"{name}.traveller.pdf",
        "record_csv": folder / f"{name}.record.csv",
        "record_json": folder / f"{name}.record.json",
        "report": folder / f"{name}.report.json",
    }
    proven = replace(proven, edits=edits, missing=missing,
                     files={role: path.name for role, path in sorted(paths.items())})
    write_text(paths["process"], process_toml(proven.after.process))
    write_text(paths["recipe"], recipe_toml(proven))
    write_text(paths["report"], dumps(resolve_json(proven)))
    tell("sheet", 2, 4)
    sheet = build_sheet(proven, title=name, revision=issue.revision,
                        prepared_for=issue.prepared_for, files=geometry)
    if show is not None:
        show(sheet)
    write_html(sheet, paths["sheet_html"])
    write_pdf(sheet, paths["sheet_pdf"], issue.paper)
    tell("sheet", 3, 4)
    checks = first_article(proven)
    traveller = build_traveller(proven, checks, title=name, revision=issue.revision)
    write_text(paths["traveller_html"], traveller_html(traveller))
    paths["traveller_pdf"].write_bytes(traveller_pdf(traveller, issue.paper))
    write_text(paths["record_csv"], record_csv(sheet.number, checks))
    write_text(paths["record_json"],
               dumps(record_json(sheet.number, sheet.file, proven.after.process.name, checks)))
    tell("sheet", 4, 4)
    return proven, dict(sorted(paths.items()))


def write_text(path: Path, text: str) -> None:
    """Write a text as UTF-8 with plain line ends on every system."""
    path.write_text(text, encoding="utf-8", newline="\n")


def _proven(
    result: Resolution, staging: Path, name: str, tell: Progress
) -> tuple[Resolution, dict[str, Path]]:
    """The resolution, as its geometry proves it, and that geometry's files; another way up where
    only that one's files prove clean."""
    def prove(one: Resolution) -> tuple[Resolution, dict[str, Path]]:
        tell("write", 0, 4)
        geometry = _write_geometry(one, staging, name)
        tell("prove", 1, 4)
        return _prove(one, geometry), geometry

    first = prove(result)
    if first[0].clean or not result.clean:
        return first
    failed = False
    for other in result.others():
        proven, geometry = prove(other)
        if proven.clean:
            return proven, geometry
        failed = True
    return prove(result) if failed else first  # its files were written over


@contextmanager
def staging_beside(out_dir: Path) -> Iterator[Path]:
    """A folder beside `out_dir`, gone afterwards; `out_dir` is made, and unmade if unused."""
    made = not out_dir.exists()
    given = os.environ.get("SOFFIT_STAGING")
    try:
        out_dir.mkdir(parents=True, exist_ok=True)
        if given:
            staging = Path(given)
            staging.mkdir(exist_ok=True)
        else:
            staging = Path(tempfile.mkdtemp(prefix=".soffit-", dir=out_dir))
    except OSError as error:
        raise InputError(
            f"writing to {out_dir}: {error.strerror or error}; give another folder with --out"
        ) from error
    try:
        yield staging
    finally:
        shutil.rmtree(staging, ignore_errors=True)
        if made and not any(out_dir.iterdir()):
            out_dir.rmdir()


def _write_geometry(result: Resolution, staging: Path, name: str) -> dict[str, Path]:
    part, props = result.produced, result.props
    paths: dict[str, Path] = {}
    if part.brep is not None:
        paths["step"] = staging / f"{name}.production.step"
        write_step(part, props, paths["step"], product=name)
    paths["3mf"] = staging / f"{name}.production.3mf"
    bodies = [(name, part.mesh), *((body.name, body.mesh) for body in props)]
    write_3mf(bodies, paths["3mf"], {"Title": name, "Application": "Soffit"})
    paths["stl"] = staging / f"{name}.production.stl"
    write_stl(with_bodies(part, props).mesh, paths["stl"])
    return paths


def _write_changes(
    result: Resolution, path: Path, name: str
) -> tuple[tuple[Edit, ...], dict[str, str]]:
    """Write what each edit added or removed, for a part with a B-rep that has any. Returns the
    edits with the volumes of their bodies there, and why it could not be written, by role: the
    production files do not hang on it, and the volumes are then those of the mesh still."""
    if result.produced.brep is None or not result.edits:
        return result.edits, {}
    props = iter(result.props)
    drawn = [
        [replace(next(props), name=f"{e.id} {e.remedy}") if e.op == "prop"
         else Change(e.op, e.solid, e.id, f"{e.id} {e.op} {e.remedy}", e.volume_mm3)
         for e in step]
        for _, step in itertools.groupby(result.edits, key=lambda e: e.step)
    ]
    try:
        made = write_changes(result.received, result.produced, drawn, path,
                             product=f"{name} changes")
    except (GeometryError, KernelError) as error:
        return result.edits, {"changes_step": str(error)}
    measured = zip(result.edits, made, strict=True)
    return tuple(replace(e, volume_mm3=body.volume_mm3) for e, body in measured), {}


def _prove(result: Resolution, geometry: dict[str, Path]) -> Resolution:
    """`result` with its verdict taken from the files."""
    reviews: list[Review] = []
    quality = None
    for role, path in sorted(geometry.items(), key=lambda item: item[0] != "step"):
        part = read_produced(role, path, result.received.placement, result.received.deflection_mm)
        if role == "step":
            quality = quality_change(result.received, part, result.produced.bodies)
        reviews.append(review_produced(role, part, result.after.process, result.produced.bodies))
    after = next((r for r in reviews if not r.clean), reviews[0])
    reasons = {(o.finding.kind, o.finding.patch.layers): o.reason for o in result.open}
    protected = result.protected
    if protected:
        protected = measure_protected(
            result.received,
            first_bodies(reviews[0].part, result.produced.bodies),
            {p.face: p.selector for p in protected},
        )
    return replace(
        result,
        after=after,
        open=open_findings(after, lambda f: reasons.get((f.kind, f.patch.layers), "")),
        protected=protected,
        quality=quality,
    )
