"""The one loader: a path or an object in, a `Part` out.

What a file holds is judged by its content. Nothing is repaired, scaled or left out without
a `file/*` note. Exactly coincident corners are welded, because STL has no topology; corners
that are apart, by however little, stay apart unless repair is asked for.
"""

from __future__ import annotations

import hashlib
import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from soffit.errors import FileError, KernelError
from soffit.part.model import FileNote, Floats, Ints, Mesh, Part, Source, Vec3
from soffit.part.raw import RawMesh, weld_exact, weld_rounding
from soffit.part.sniff import sniff
from soffit.part.units import MM_PER_UNIT, settle_unit, size_notes, unit_named

MAX_FILE_BYTES = 2_000_000_000
"""Larger files are refused (own limit: 40 million facets of binary STL)."""
MAX_COORDINATE_MM = 1e7
"""Coordinates further out are refused: 32-bit numbers step by 1 mm there (derived)."""
_COARSE_MM = 0.005
"""A step between neighbouring 32-bit numbers above this is told (derived: a fortieth of a
0.2 mm layer)."""


def read(source: Any, *, unit: str | None = None, repair: bool = False,
         deflection_mm: float = 0.02) -> Part:
    """Read a part from a file, or from a mesh or CAD object in memory.

    `source`: a path to STEP, STL, 3MF, OBJ or PLY; a B-rep shape or script-CAD object; or a
    mesh object or pair of arrays (see `objects.from_object`). `unit`: um, mm, cm, m, in or
    ft; needed where the file states none. `repair`: mend a mesh, or sew loose faces
    of a B-rep, each step with a note.
    `deflection_mm`: how far the mesh of a B-rep may lie from its true surface.

    Raises FileError for a file that cannot be read as a part, UnitError where nobody states
    the unit, InputError where the unit given contradicts the file.
    """
    if unit is not None:
        unit = unit_named(unit)
    if isinstance(source, (str, os.PathLike)):
        return _read_path(os.fspath(source), unit, repair, deflection_mm)
    from soffit.part import objects

    if objects.is_brep(source):
        from soffit.part.step import read_shape

        return _agreed(_told(read_shape(source, deflection_mm=deflection_mm), repair), unit)
    raw, name = objects.from_object(source)
    return part_from_raw(raw, name, objects.digest(raw), unit, repair, by="object")


def _read_path(given: str | bytes, unit: str | None, repair: bool, deflection_mm: float) -> Part:
    name = os.fsdecode(given)
    data = _bytes_of(name)
    try:
        Path(name).name.encode()
    except UnicodeEncodeError:
        # All that is written carries the name.
        raise FileError(f"reading {name!a}: its name is no Unicode text: rename it") from None
    form = sniff(data, name)
    if form == "STEP":
        from soffit.part.step import read_step

        try:
            part = read_step(Path(name), deflection_mm=deflection_mm, repair=repair)
        except KernelError as fault:  # whatever a file does to the kernel is the file's fault
            raise FileError(str(fault)) from None
        return _agreed(_told(part, repair), unit)
    try:
        raw = _parse(form, data, name)
    except MemoryError:
        raise FileError(f"reading {name}: it does not fit into the memory of this machine: "
                        f"export it coarser", "file/too-large") from None
    return part_from_raw(raw, name, hashlib.sha256(data).hexdigest(), unit, repair)


def _parse(form: str, data: bytes, name: str) -> RawMesh:
    if form == "STL":
        from soffit.part.stl import read_stl

        return read_stl(data, name)
    if form == "3MF":
        from soffit.part.threemf import read_3mf

        return read_3mf(data, name)
    from soffit.part.meshfile import read_obj, read_ply

    return read_obj(data, name) if form == "OBJ" else read_ply(data, name)


def _bytes_of(name: str) -> bytes:
    path = Path(name)
    try:
        if path.is_dir():
            raise FileError(f"reading {name}: it is a folder, not a file: name the file in it")
        if not path.exists():
            raise FileError(f"reading {name}: there is no such file: check the path")
        if not path.is_file():
            raise FileError(f"reading {name}: it is a device or pipe, not a file: save it first")
        if path.stat().st_size > MAX_FILE_BYTES:
            raise FileError(f"reading {name}: it is larger than {MAX_FILE_BYTES // 10**9} GB: "
                            f"export it coarser", "file/too-large")
        return path.read_bytes()
    except PermissionError:
        raise FileError(f"reading {name}: permission denied: make the file readable") from None
    except (OSError, ValueError) as fault:
        reason = getattr(fault, "strerror", None) or "the path is not valid"
        raise FileError(f"reading {name!r}: {reason}: check the path") from None


def _agreed(part: Part, unit: str | None) -> Part:
    if unit is not None and unit != part.source.unit:
        settle_unit(part.source.unit, unit, part.source.file, part.size_mm, part.source.stated_by)
    return part


def _told(part: Part, repair: bool) -> Part:
    """A B-rep with a note that repair did nothing, where it was asked for and did nothing."""
    if not repair or any(note.kind == "file/repaired" for note in part.notes):
        return part
    note = FileNote("file/repaired", "note", "repair: solids of a B-rep are not mended, only loose "
                    "faces are sewn: nothing was changed; heal it in CAD if it has faults", 0)
    return replace(part, notes=(*part.notes, note))


def part_from_raw(raw: RawMesh, name: str, sha256: str, unit: str | None, repair: bool,
                  by: str = "file") -> Part:
    """Judge, scale and sort what a reader gave. `by`: "file" or "object", who may state a unit.

    Raises as `read` does.
    """
    if not len(raw.triangles):
        raise FileError(f"reading {name}: it has no facets: export it as a triangle mesh",
                        "file/empty")
    bad = ~np.isfinite(raw.vertices[raw.triangles]).all(axis=(1, 2))
    if bad.any():
        raise FileError(f"reading {name}: {int(bad.sum())} facets have coordinates that are not "
                        f"numbers (NaN or infinite), the first is facet "
                        f"{int(np.flatnonzero(bad)[0]) + 1}: export it again", "file/coordinates")
    with np.errstate(over="ignore"):
        used = raw.vertices[np.unique(raw.triangles)]
        size = _size(used)
        settled, stated_by = settle_unit(raw.unit, unit, name, size, by)
        factor = MM_PER_UNIT[settled]
        largest = float(np.abs(used).max()) * factor
    if largest > MAX_COORDINATE_MM:
        raise FileError(f"reading {name}: a coordinate of {largest:.3g} mm is beyond "
                        f"{MAX_COORDINATE_MM:.0e} mm: check the unit, or move the part to the "
                        f"origin", "file/coordinates")
    notes = [*raw.notes, *size_notes(size, settled)]
    step = largest * 2.0**-23
    if raw.single and step > _COARSE_MM:
        notes.append(FileNote("file/coordinates", "marginal", f"it lies {largest:.4g} mm from the "
                              f"origin, where the file's 32-bit numbers step by {step:.2g} mm: "
                              f"move it to the origin and export it again"))
    vertices, triangles = raw.vertices, raw.triangles
    if raw.format != "3MF":  # its objects were welded one by one
        vertices, triangles = weld_exact(vertices, triangles)
        vertices, triangles, joined = weld_rounding(vertices, triangles)
        notes += [joined] if joined else []
    source = Source(Path(name).name, raw.format, sha256, settled, stated_by)
    # Multiplied, not divided: the same number as any other reader of the same file gets.
    return mesh_part(vertices * factor, triangles, source, tuple(notes), repair)


def mesh_part(vertices: Floats, triangles: Ints, source: Source,
              notes: tuple[FileNote, ...] = (), repair: bool = False) -> Part:
    """A part from a welded mesh in mm: health, bodies and faces.

    `vertices` (n, 3) float64, `triangles` (m, 3) int64 with at least one facet.
    """
    from soffit.part.health import examine
    from soffit.part.regions import facet_normals, segment

    if repair:
        from soffit.part.repair import repair as mend

        mended = mend(vertices, triangles)
        vertices, triangles = mended.vertices, mended.triangles
        notes = (*notes, *mended.notes)
    health = examine(vertices, triangles, repaired=repair)
    kept, body_of = health.settle(triangles)
    if not len(kept):
        raise FileError(f"reading {source.file}: all its facets have no area: export it again",
                        "file/zero-volume")
    if len(kept) < len(triangles):
        vertices, kept = _compact(vertices, kept)
    face_of, faces = segment(vertices, kept, body_of)
    mesh = Mesh(vertices, kept, face_of, facet_normals(vertices, kept), body_of)
    for array in (vertices, kept, face_of, mesh.normals, body_of):
        array.flags.writeable = False
    return Part(source, mesh, faces, int(body_of.max()) + 1, health.closed,
                (*notes, *health.notes))


def _compact(vertices: Floats, triangles: Ints) -> tuple[Floats, Ints]:
    """Leave out vertices that no facet uses."""
    used, index = np.unique(triangles, return_inverse=True)
    return vertices[used], index.reshape(-1, 3)


def _size(points: Floats) -> Vec3:
    x, y, z = (points.max(axis=0) - points.min(axis=0)).tolist()
    return (x, y, z)
