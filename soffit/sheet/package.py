"""A release as one file: everything of a resolution and a manifest, in a ZIP archive.

The manifest, `soffit.package/1`, says what the package is about and holds role, size and SHA-256 of
every file. What is needed to judge the geometry again is inside: the report (way up, unit, bodies)
and the process in full, whichever profile it came from.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from soffit.errors import InputError
from soffit.part.write_mesh import write_whole
from soffit.plan.model import Resolution
from soffit.plan.report_parts import dumps, loads
from soffit.sheet.archive import MAX_BYTES, pack
from soffit.sheet.issue import UNSTATED, Issue
from soffit.sheet.model import made_by
from soffit.sheet.prove import GEOMETRY
from soffit.sheet.release import Progress, staging_beside, write_files

SCHEMA = "soffit.package/1"
MANIFEST = "manifest.json"
# What customers said of it; it is about the report, which does not name it.
SIGNOFFS = "signoffs"

# Without these nothing can be proven, or nobody can work by it.
NEEDED = ("3mf", "stl", "process", "recipe", "report", "sheet_html", "sheet_pdf",
          "traveller_html", "traveller_pdf", "record_csv", "record_json")


def package_result(
    result: Resolution, out: Path, *, issue: Issue = UNSTATED, progress: Progress | None = None
) -> Resolution:
    """Write a resolution as a package; returns it as proven on its files. Raises InputError where
    the file cannot be written, or the part's name is not safe in an archive."""
    with staging_beside(out.parent) as staging:
        proven, paths = write_files(result, staging, issue=issue, progress=progress)
        _write({role: path.read_bytes() for role, path in paths.items()},
               {role: path.name for role, path in paths.items()}, out)
    return proven


def package_folder(folder: Path, out: Path) -> bool:
    """Pack what `soffit resolve` wrote to a folder, and what customers said (STEM.signoffs.json)
    where that lies there too; returns whether it is clean.

    Raises InputError where that is not there.
    """
    reports = sorted(folder.glob("*.report.json"))
    if len(reports) != 1:
        raise InputError(f"packing {folder}: it holds {len(reports) or 'no'} reports of `soffit "
                         "resolve`; give a folder that holds one, or the part")
    report = parsed(reports[0].read_bytes(), reports[0].name, "soffit.resolve/1")
    told = report.get("files")
    names = {str(role): str(name) for role, name in told.items()} if isinstance(told, dict) else {}
    lacking = [role for role in NEEDED if role not in names]
    if lacking:
        raise InputError(f"packing {folder}: its report names no {lacking[0]}; resolve the part "
                         "again")
    said = f"{reports[0].name.removesuffix('.report.json')}.{SIGNOFFS}.json"
    if (folder / said).is_file():
        names[SIGNOFFS] = said
    if len({name.casefold() for name in names.values()}) < len(names):
        raise InputError(f"packing {folder}: its report names a file twice; resolve the part again")
    files: dict[str, bytes] = {}
    for role, name in names.items():
        path = folder / Path(name).name
        try:
            if path.stat().st_size > MAX_BYTES:
                raise InputError(f"packing {path}: it is larger than {MAX_BYTES // 1_000_000} MB")
            files[role] = path.read_bytes()
        except OSError as error:
            raise InputError(f"packing {path}: {error.strerror or error}; resolve the part again"
                             ) from None
    clean = bool(about(report, names["report"])["verdict"]["clean"])
    produced = report["after"].get("part", {}).get("sha256")
    if produced not in [hashlib.sha256(files[role]).hexdigest() for role in GEOMETRY
                        if role in files]:
        raise InputError(f"packing {folder}: its geometry is not that of its report; resolve the "
                         "part again")
    _write(files, names, out)
    return clean


def _write(files: Mapping[str, bytes], names: Mapping[str, str], out: Path) -> None:
    report = parsed(files["report"], names["report"], "soffit.resolve/1")
    packed = {names[role]: data for role, data in files.items()}
    packed[MANIFEST] = dumps(manifest(report, names, packed)).encode()
    data = pack(packed)
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"writing {out}: {error.strerror or error}; choose another place"
                         ) from None
    write_whole(out, data)


def manifest(report: Mapping[str, Any], names: Mapping[str, str], files: Mapping[str, bytes]
             ) -> dict[str, Any]:
    """What a package says of itself; `names` by role, `files` by name."""
    return {
        "schema": SCHEMA,
        "made_by": made_by(),
        **about(report, names["report"]),
        "files": [{"role": role, "file": name, "bytes": len(files[name]),
                   "sha256": hashlib.sha256(files[name]).hexdigest()}
                  for role, name in sorted(names.items())],
    }


def about(report: Mapping[str, Any], name: str) -> dict[str, Any]:
    """What a manifest repeats of the report beside it, for those who read that alone. Raises
    InputError where the report, which is called `name`, does not say it."""
    try:
        before, verdict = report["before"], report["verdict"]
        return {
            "part": {key: before["part"][key] for key in ("file", "sha256", "unit")},
            "process": before["process"]["name"],
            "up": before["orientation"]["up"],
            "verdict": {"clean": verdict["clean"], "open": len(verdict["open"]),
                        "over_air_mm2": report["after"]["totals"]["over_air_mm2"],
                        "protected_untouched": verdict["protected_untouched"]},
        }
    except (KeyError, TypeError) as error:
        raise InputError(f"reading {name}: it does not hold together ({error}); take the file as "
                         "written") from None


def parsed(data: bytes, name: str, schema: str) -> dict[str, Any]:
    """A JSON object of this schema. Raises InputError for anything else."""
    try:
        found = loads(data.decode("utf-8"))
    except ValueError as error:  # UnicodeDecodeError is one
        raise InputError(f"reading {name}: it is no sound JSON in UTF-8, {error}; take the file as "
                         "written") from None
    form = found.get("schema") if isinstance(found, dict) else None
    if form != schema:
        raise InputError(f"reading {name}: its schema is {form!r}, {schema!r} is read; make it "
                         "again with this version")
    assert isinstance(found, dict)
    return found
