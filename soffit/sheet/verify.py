"""Does a package still say the truth? Everything in it is read again and its geometry judged again.

Three questions, in this order. Is every byte as it was packed (`soffit.sheet.archive`, and the
hashes of the manifest)? Do its files speak of one and the same part? Does the review of each
geometry file, in the way up and by the process inside, give the verdict that is stated? The first
two end in an InputError, the third is what `Verified` holds.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
import tomllib
import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal, TypeVar

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from soffit.errors import InputError, UnitError
from soffit.part.model import Part, Vec3
from soffit.part.place import transform
from soffit.part.read import read
from soffit.part.scene import first_bodies
from soffit.plan.model import ProtectedFace
from soffit.plan.recipe import Recipe, load_recipe
from soffit.plan.report_parts import process_json
from soffit.plan.resolve import measure_protected
from soffit.process.load import load_process
from soffit.process.model import Process
from soffit.production.record import Record, form_of, parse_form, read_form
from soffit.sheet.archive import MAX_BYTES, unpack
from soffit.sheet.model import sheet_number
from soffit.sheet.package import MANIFEST, NEEDED, SCHEMA, SIGNOFFS, about, parsed
from soffit.sheet.prove import GEOMETRY, read_produced, review_produced
from soffit.sheet.release import Progress
from soffit.sheet.verified import Judged, Verified

# How far two files of one part may differ: in volume by half a percent, what chords take of round
# faces (derived: chords of 0.02 mm on a bore of 4 mm), in size by as many mm.
VOLUME_REL, SIZE_MM = 5e-3, 0.1
# How far a direction may be off (derived: a report has six digits).
TURN = 1e-4


class _Read(BaseModel):
    """Data from outside; what is not named here is not looked at."""

    model_config = ConfigDict(extra="ignore", frozen=True, allow_inf_nan=False)


_Model = TypeVar("_Model", bound=_Read)


class PackedFile(_Read):
    """One file as the manifest has it."""

    role: str
    file: str
    bytes: int = Field(ge=0)
    sha256: str = Field(pattern="^[0-9a-f]{64}$")


class _Manifest(_Read):
    files: tuple[PackedFile, ...]


class _Part(_Read):
    file: str
    sha256: str
    unit: str
    size_mm: Vec3
    volume_mm3: float


Row = tuple[float, float, float, float]


class _Orientation(_Read):
    up: Vec3
    placement: tuple[Row, Row, Row, Row]


class _Totals(_Read):
    over_air_mm2: float


class _Review(_Read):
    part: _Part
    process: dict[str, Any]
    orientation: _Orientation
    totals: _Totals


class _Verdict(_Read):
    clean: bool
    open: tuple[dict[str, Any], ...]
    protected_untouched: bool


class _Proof(_Read):
    bodies: int = Field(ge=1)
    deflection_mm: float = Field(ge=0.0, le=10.0)


class _Report(_Read):
    """What of a report a proof needs."""

    form: Literal["soffit.resolve/1"] = Field(alias="schema")
    before: _Review
    after: _Review
    verdict: _Verdict
    files: dict[str, str]
    proof: _Proof


def verify(package: Path, received: Path | None = None, *, progress: Progress | None = None
           ) -> Verified:
    """Read a package and judge it again. `received`: the file as received, by which protected faces
    are measured again.

    Raises InputError, in one line, where the package is not whole or not consistent.
    """
    tell = progress or (lambda _stage, _done, _total: None)
    tell("unpack", 0, 0)
    files = unpack(_bytes(package), package.name)
    listed = _hashed(files, package.name)
    by_role = {one.role: one.file for one in listed}
    report = _report(files, by_role, package.name)
    with tempfile.TemporaryDirectory(prefix="soffit-verify-") as name:
        folder = Path(name)
        for one in listed:
            (folder / one.file).write_bytes(files[one.file])
        try:
            process = _process(folder / by_role["process"], report, package.name)
            recipe = load_recipe(folder / by_role["recipe"])
            _one_part(report, recipe, files, by_role, package.name)
            return _judge(package.name, report, recipe, process, folder, listed, received, tell)
        except InputError as error:
            # Readers name the file where it lies for the moment, which says nothing to anybody.
            said = str(error).replace(f"{folder}{os.sep}", "")
            named = said if package.name in said else f"reading {package.name}: {said}"
            raise InputError(named) from None


def _bytes(package: Path) -> bytes:
    try:
        if package.stat().st_size > MAX_BYTES:
            raise InputError(f"reading {package}: it is larger than {MAX_BYTES // 1_000_000} MB; "
                             "give a package of `soffit package`")
        return package.read_bytes()
    except OSError as error:
        raise InputError(f"reading {package}: {error.strerror or error}; give a package of "
                         "`soffit package`") from None


def _hashed(files: Mapping[str, bytes], package: str) -> tuple[PackedFile, ...]:
    """The files of the manifest, each as it says, none missing and none more."""
    if MANIFEST not in files:
        raise InputError(f"reading {package}: there is no {MANIFEST} in it; give a package of "
                         "`soffit package`")
    data = parsed(files[MANIFEST], MANIFEST, SCHEMA)
    listed = _valid(_Manifest, data, MANIFEST, package).files
    names = [one.file for one in listed]
    roles = [one.role for one in listed]
    faults = [f"{name} is missing" for name in names if name not in files]
    faults += [f"{name} is in it, but not in its manifest"
               for name in files if name not in names and name != MANIFEST]
    faults += [f"{name} is changed: its SHA-256 is not that of the manifest"
               for name, one in zip(names, listed, strict=True)
               if name in files and (len(files[name]) != one.bytes
                                     or hashlib.sha256(files[name]).hexdigest() != one.sha256)]
    faults += [f"its manifest has no {role}" for role in NEEDED if role not in roles]
    if len(set(roles)) < len(roles) or len(set(names)) < len(names):
        faults.append("its manifest names a file twice")
    if faults:
        raise InputError(f"reading {package}: {'; '.join(faults)}; take the package as it was sent")
    return listed


def _report(files: Mapping[str, bytes], by_role: Mapping[str, str], package: str) -> _Report:
    name = by_role["report"]
    data = parsed(files[name], name, "soffit.resolve/1")
    report = _valid(_Report, data, name, package)
    stated = parsed(files[MANIFEST], MANIFEST, SCHEMA)
    for key, value in about(data, name).items():
        if stated.get(key) != value:
            raise _apart(package, f"its manifest and {name} differ in {key}")
    if not _rigid(report.before.orientation):
        raise _apart(package, f"{name} has a placement that is no turn to its way up")
    if {role: file for role, file in by_role.items() if role != SIGNOFFS} != report.files:
        raise _apart(package, f"its manifest and {name} name different files")
    return report


def _rigid(stated: _Orientation) -> bool:
    """Whether a placement turns and moves alone, and turns the way up to z."""
    placement = np.array(stated.placement)
    turn = placement[:3, :3]
    return bool(np.allclose(turn @ turn.T, np.eye(3), atol=TURN) and np.linalg.det(turn) > 0.0
                and np.allclose(placement[3], (0.0, 0.0, 0.0, 1.0), atol=TURN)
                and np.allclose(turn @ np.array(stated.up), (0.0, 0.0, 1.0), atol=TURN))


def _process(path: Path, report: _Report, package: str) -> Process:
    """The process inside, which must be whole: a base would be a file somewhere else."""
    try:
        based = "base" in tomllib.loads(path.read_text(encoding="utf-8"))
    except (UnicodeDecodeError, tomllib.TOMLDecodeError):
        based = False  # the reader says what is wrong
    if based:
        raise _apart(package, f"{path.name} starts from a base that is not in it")
    process = load_process(path)
    if process_json(process) != report.before.process:
        raise _apart(package, f"{path.name} is not the process of its report")
    return process


def _one_part(report: _Report, recipe: Recipe, files: Mapping[str, bytes],
              by_role: Mapping[str, str], package: str) -> None:
    """Whether all files speak of the part of the report."""
    received, produced = report.before.part, report.after.part
    if recipe.part.sha256 != received.sha256:
        raise _apart(package, "its recipe is that of another part")
    hashes = [hashlib.sha256(files[by_role[role]]).hexdigest() for role in GEOMETRY
              if role in by_role]
    if produced.sha256 not in hashes:
        raise _apart(package, "its report is that of other geometry")
    number = sheet_number(received.sha256, produced.sha256).encode()
    for role in ("sheet_html", "traveller_html", "record_csv", "record_json"):
        if number not in files[by_role[role]]:
            raise _apart(package, f"{by_role[role]} is not that of this part")
    _record(files, by_role, package)
    if SIGNOFFS in by_role:
        parsed(files[by_role[SIGNOFFS]], by_role[SIGNOFFS], "soffit.signoffs/1")
    for role in ("sheet_pdf", "traveller_pdf"):
        if not files[by_role[role]].startswith(b"%PDF-"):
            raise _apart(package, f"{by_role[role]} is no PDF")


def written_record(path: Path) -> Record:
    """The record of a first article as it was written: in a file of its own, or in a package.
    Raises InputError where there is none, or it was altered."""
    if not zipfile.is_zipfile(path):
        return read_form(path)
    files = unpack(_bytes(path), path.name)
    by_role = {one.role: one.file for one in _hashed(files, path.name)}
    return _record(files, by_role, path.name)


def _record(files: Mapping[str, bytes], by_role: Mapping[str, str], package: str) -> Record:
    """The record in a package, which is the same in both its forms."""
    found = []
    for role in ("record_csv", "record_json"):
        name = by_role[role]
        try:
            found.append(parse_form(Path(name), files[name].decode("utf-8")))
        except UnicodeDecodeError:
            raise _apart(package, f"{name} is not UTF-8 text") from None
    one, other = (form_of(entry.check for entry in record.entries) for record in found)
    if one != other:
        raise _apart(package, f"{by_role['record_csv']} and {by_role['record_json']} have "
                     "different limits")
    return found[1]


def _judge(package: str, report: _Report, recipe: Recipe, process: Process, folder: Path,
           listed: tuple[PackedFile, ...], received: Path | None, tell: Progress) -> Verified:
    placement = np.array(report.before.orientation.placement)
    judged: list[Judged] = []
    first: Part | None = None
    by_role = {one.role: one for one in listed}
    roles = [role for role in GEOMETRY if role in by_role]
    for k, role in enumerate(roles):
        tell("prove", k, len(roles))
        name = by_role[role].file
        part = read_produced(role, folder / name, placement, report.proof.deflection_mm)
        due = report.after.part
        if (abs(part.mesh.volume_mm3 - due.volume_mm3) > VOLUME_REL * due.volume_mm3
                or not np.allclose(part.size_mm, due.size_mm, rtol=0.0, atol=SIZE_MM)):
            raise _apart(package, f"{name} does not hold the part of its report")
        found = review_produced(role, part, process, report.proof.bodies)
        judged.append(Judged(role, name, found.over_air_mm2, len(found.stopping)))
        first = first or part
    assert first is not None
    kept = None if received is None else _protected(received, first, report, recipe, package)
    before = report.before
    return Verified(package, before.part.file, before.part.unit, before.orientation.up,
                    process.name, tuple(one.file for one in listed), tuple(judged),
                    report.verdict.clean, report.after.totals.over_air_mm2,
                    report.verdict.protected_untouched, kept)


def _protected(received: Path, produced: Part, report: _Report, recipe: Recipe, package: str
               ) -> tuple[ProtectedFace, ...]:
    try:
        part = read(received)
    except UnitError:
        part = read(received, unit=report.before.part.unit)
    if part.source.sha256 != report.before.part.sha256:
        raise InputError(f"verifying {package}: {received} is not the part as received, "
                         f"{report.before.part.file}; give that")
    placed = transform(part, np.array(report.before.orientation.placement))
    return measure_protected(placed, first_bodies(produced, report.proof.bodies),
                             {one.face: one.selector for one in recipe.protect})


def _valid(model: type[_Model], data: Mapping[str, Any], name: str, package: str) -> _Model:
    try:
        return model.model_validate(data)
    except ValidationError as error:
        where = ".".join(str(step) for step in error.errors()[0]["loc"])
        raise _apart(package, f"{name} has no {where} that makes sense") from None


def _apart(package: str, what: str) -> InputError:
    return InputError(f"reading {package}: {what}; take the package as it was sent, or pack the "
                      "part again")
