"""Reading STL, binary and text.

The normals in the file are not used: the order of the corners says which side is out, and
many writers leave them zero.
"""

from __future__ import annotations

import re
import struct

import numpy as np

from soffit.errors import FileError
from soffit.part.model import FileNote
from soffit.part.raw import MAX_TRIANGLES, RawMesh
from soffit.part.sniff import STL_HEADER, STL_RECORD

_NUMBERS = re.compile(rb"^[ \t]*vertex[ \t]+(\S+)[ \t]+(\S+)[ \t]+(\S+)[ \t]*$", re.I | re.M)
_WORDS = re.compile(rb"^[ \t]*(vertex|facet|endfacet|solid|endsolid)\b", re.I | re.M)


def read_stl(data: bytes, name: str) -> RawMesh:
    """Triangles of an STL file, corners not yet welded.

    Raises FileError if the file is cut short, contradicts itself or holds no facet.
    """
    if b"\0" in data[:STL_HEADER + STL_RECORD] or data.lstrip()[:5].lower() != b"solid":
        return _read_binary(data, name)
    return _read_text(data, name)


def _read_binary(data: bytes, name: str) -> RawMesh:
    if len(data) < STL_HEADER:
        raise FileError(f"reading {name}: {len(data)} bytes are less than the {STL_HEADER} of an "
                        f"STL header: export it again", "file/truncated")
    count: int = struct.unpack_from("<I", data, 80)[0]
    held, rest = divmod(len(data) - STL_HEADER, STL_RECORD)
    if count == 0 and held == 0:
        raise FileError(f"reading {name}: a binary STL without facets: export it again",
                        "file/empty")
    if count > held:
        raise FileError(f"reading {name}: the header counts {count} facets, the file ends in the "
                        f"middle of facet {held + 1}: it is cut short (or is no STL); export or "
                        f"download it again", "file/truncated")
    if count < held:
        raise FileError(f"reading {name}: the header counts {count} facets, but {held} follow: "
                        f"export it again", "file/truncated")
    if count > MAX_TRIANGLES:
        raise FileError(f"reading {name}: {count} facets are more than {MAX_TRIANGLES}: "
                        f"export it coarser", "file/too-large")
    records = np.frombuffer(data, np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)),
                                            ("attribute", "<u2")]), count, STL_HEADER)
    notes = () if not rest else (
        FileNote("file/leftover", "note", f"{rest} bytes after the last facet were not read",
                 rest),)
    with np.errstate(invalid="ignore"):
        vertices = records["corners"].reshape(-1, 3).astype(np.float64)
    return RawMesh("STL", vertices, np.arange(3 * count, dtype=np.int64).reshape(-1, 3),
                   notes=notes, single=True)


def _read_text(data: bytes, name: str) -> RawMesh:
    if b"\r" in data:
        data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    words = [word.lower() for word in _WORDS.findall(data)]
    facets, ends, corners = (words.count(w) for w in (b"facet", b"endfacet", b"vertex"))
    if not facets and not corners:
        raise FileError(f"reading {name}: a text STL without facets: export it again",
                        "file/empty")
    found = _NUMBERS.findall(data)
    if len(found) != corners or corners != 3 * facets or ends != facets:
        raise _fault(data, name, facets, ends)
    if facets > MAX_TRIANGLES:
        raise FileError(f"reading {name}: {facets} facets are more than {MAX_TRIANGLES}: "
                        f"export it coarser", "file/too-large")
    try:
        vertices = np.array([float(x) for point in found for x in point]).reshape(-1, 3)
    except ValueError:
        raise _fault(data, name, facets, ends) from None
    notes: tuple[FileNote, ...] = ()
    if b"endsolid" not in words:
        notes = (FileNote("file/leftover", "note", "the text ends without `endsolid`; all facets "
                          "are complete, but the file may have been cut short"),)
    return RawMesh("STL", vertices, np.arange(len(vertices), dtype=np.int64).reshape(-1, 3),
                   notes=notes)


def _fault(data: bytes, name: str, facets: int, ends: int) -> FileError:
    """The first line that is wrong, as an error; only called when something is."""
    in_facet = 0
    for number, line in enumerate(data.split(b"\n"), 1):
        words = line.split()
        key = words[0].lower() if words else b""
        if key == b"facet":
            in_facet = 0
        elif key == b"vertex":
            in_facet += 1
            text = line.strip()[:60].decode("ascii", "replace")
            if any(b"," in word for word in words[1:]):
                return FileError(f"reading {name}: line {number} has decimal commas ({text!r}): "
                                 f"export it again with decimal points", "file/coordinates")
            try:
                good = len([float(word) for word in words[1:]]) == 3
            except ValueError:
                good = False
            if not good:
                return FileError(f"reading {name}: line {number} is not three numbers ({text!r}): "
                                 f"export it again", "file/coordinates")
        elif key == b"endfacet" and in_facet != 3:
            return FileError(f"reading {name}: the facet that ends in line {number} has {in_facet} "
                             f"corners, not 3: export it again")
    return FileError(f"reading {name}: {facets} facets begin and {ends} end: the file is cut "
                     f"short; export or download it again", "file/truncated")
