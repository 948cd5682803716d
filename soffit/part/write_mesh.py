"""Writing meshes: STL and 3MF. The same mesh gives the same bytes."""

from __future__ import annotations

import io
import os
import re
import zipfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from soffit.errors import InputError
from soffit.part.model import Mesh
from soffit.part.threemf import CORE

_HEADER = b"Soffit, unit mm, z up"
_WELL_KNOWN = ("Title", "Designer", "Description", "Copyright", "LicenseTerms", "Rating",
               "CreationDate", "ModificationDate", "Application")
"""Metadata names that need no namespace (3MF core specification, 3.4.1)."""
_SPACE = "urn:soffit:metadata:1"
_CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ufffe\uffff\ud800-\udfff]")
"""What XML 1.0 cannot hold."""
_TYPES = """<?xml version="1.0" encoding="UTF-8"?>
<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">
<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>
<Default Extension="model" ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/>
</Types>
"""
_RELS = """<?xml version="1.0" encoding="UTF-8"?>
<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">
<Relationship Target="/3D/3dmodel.model" Id="model" \
Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/>
</Relationships>
"""


def write_stl(mesh: Mesh, path: str | os.PathLike[str]) -> None:
    """Write a binary STL in mm; coordinates are rounded to 32-bit numbers, as STL demands.

    Raises InputError if the file cannot be written; nothing half-written is left.
    """
    record = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
    table = np.zeros(len(mesh.triangles), record)
    length = np.linalg.norm(mesh.cross, axis=1)
    table["normal"] = mesh.cross / np.where(length > 0, length, 1.0)[:, None]
    table["corners"] = mesh.corners + 0.0
    count = len(table).to_bytes(4, "little")
    write_whole(path, _HEADER.ljust(80, b"\0") + count + table.tobytes())


def write_3mf(bodies: Sequence[tuple[str, Mesh]], path: str | os.PathLike[str],
              metadata: Mapping[str, str] | None = None) -> None:
    """Write named bodies as a 3MF in mm, each as its own object and build item.

    Coordinates are written in full, so that reading gives the same numbers. `metadata`: names
    that 3MF knows are written as they are, others in a namespace of their own.

    Raises InputError if a body is empty or the file cannot be written.
    """
    if not bodies or any(not len(mesh.triangles) for _, mesh in bodies):
        raise InputError(f"writing {os.fspath(path)}: a body without facets: leave it out")
    model = [f'<?xml version="1.0" encoding="UTF-8"?>\n<model unit="millimeter" '
             f'xml:lang="en-US" xmlns="{CORE}" xmlns:s="{_SPACE}">\n']
    for key, value in (metadata or {}).items():
        name = key if key in _WELL_KNOWN else "s:" + re.sub(r"[^\w.-]", "_", key)
        model.append(f"<metadata name={_attribute(name)}>{escape(_clean(value))}</metadata>\n")
    model.append("<resources>\n")
    for number, (name, mesh) in enumerate(bodies, 1):
        model.append(f'<object id="{number}" type="model" name={_attribute(name)}><mesh>\n'
                     f"<vertices>\n")
        model += [f'<vertex x="{x!r}" y="{y!r}" z="{z!r}"/>\n'
                  for x, y, z in (mesh.vertices + 0.0).tolist()]
        model.append("</vertices>\n<triangles>\n")
        model += [f'<triangle v1="{a}" v2="{b}" v3="{c}"/>\n'
                  for a, b, c in mesh.triangles.tolist()]
        model.append("</triangles>\n</mesh></object>\n")
    model.append("</resources>\n<build>\n")
    model += [f'<item objectid="{number}"/>\n' for number in range(1, len(bodies) + 1)]
    model.append("</build>\n</model>\n")
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for entry, text in (("[Content_Types].xml", _TYPES), ("_rels/.rels", _RELS),
                            ("3D/3dmodel.model", "".join(model))):
            # A fixed date and system, so that bytes depend on the content alone.
            info = zipfile.ZipInfo(entry, (1980, 1, 1, 0, 0, 0))
            info.compress_type = zipfile.ZIP_DEFLATED
            info.create_system = 3
            info.external_attr = 0o644 << 16
            archive.writestr(info, text.encode("utf-8"))
    write_whole(path, packed.getvalue())


def write_whole(path: str | os.PathLike[str], data: bytes) -> None:
    """Write a file beside its place, then put it there in one step.

    Raises InputError if that fails; what was there before then stays.
    """
    place = Path(path)
    beside = place.with_name(f".{place.name}.{os.getpid()}.part")
    try:
        try:
            beside.write_bytes(data)
            beside.replace(place)
        finally:
            beside.unlink(missing_ok=True)
    except (OSError, ValueError) as fault:
        reason = getattr(fault, "strerror", None) or "the path is not valid"
        raise InputError(f"writing {place}: {reason}: choose another place") from None


def _clean(text: str) -> str:
    return _CONTROL.sub("\ufffd", text)


def _attribute(text: str) -> str:
    return quoteattr(_clean(text))
