"""What a file holds, judged by its content; its name is only checked against that.

Formats read: STEP (ISO 10303-21), STL, 3MF, OBJ, PLY.
"""

from __future__ import annotations

import struct
from pathlib import PurePath

from soffit.errors import FileError

SUFFIXES = {".step": "STEP", ".stp": "STEP", ".p21": "STEP", ".stl": "STL", ".3mf": "3MF",
            ".obj": "OBJ", ".ply": "PLY"}
READ = "STEP, STL, 3MF, OBJ and PLY"
STL_HEADER = 84
"""Bytes before the first record of a binary STL: 80 of header, 4 of count."""
STL_RECORD = 50
"""Bytes of one record: 12 numbers of 32 bits and 2 bytes of attribute."""


def sniff(data: bytes, name: str) -> str:
    """Format of a file from its bytes: "STEP", "STL", "3MF", "OBJ" or "PLY".

    Raises FileError if it is empty, is none of these, or contradicts the suffix of `name`.
    """
    claimed = SUFFIXES.get(PurePath(name).suffix.lower())
    if not data:
        raise FileError(f"reading {name}: the file is empty (0 bytes): export it again",
                        "file/empty")
    if data.startswith(b"version https://git-lfs"):
        raise FileError(f"reading {name}: it is a pointer left by git-lfs, not the part itself: "
                        f"fetch the real file with `git lfs pull`", "file/pointer")
    held = _content(data, claimed)
    if held in SUFFIXES.values():
        if claimed is None or claimed == held:
            return held
        raise FileError(f"reading {name}: named {PurePath(name).suffix} but holds {held}: "
                        f"rename it, or export it again", "file/mislabelled")
    if held == "text" and claimed == "STEP":
        raise FileError(f"reading {name}: a STEP file starts with ISO-10303-21 and this one does "
                        f"not: export it again")
    if claimed is None or claimed == "STEP" or held != "text":
        raise FileError(f"reading {name}: holds {'plain text' if held == 'text' else held}, which "
                        f"is not a part: {READ} are read", "file/mislabelled" if claimed else
                        "file/unreadable")
    raise FileError(f"reading {name}: plain text without one {claimed} statement: export it again")


def _content(data: bytes, claimed: str | None) -> str:
    head = data[:4096]
    start = head.lstrip(b"\xef\xbb\xbf \t\r\n")
    lower = start[:64].lower()
    if data.startswith(b"PK"):
        return "3MF" if b".model" in data else "a ZIP archive without a 3MF model"
    if data.startswith((b"ply\n", b"ply\r")):
        return "PLY"
    if _is_binary_stl(data):
        return "STL"
    if b"ISO-10303-21" in head:
        return "STEP"
    binary = b"\0" in head
    if lower.startswith(b"solid") and not binary:
        return "STL"
    if lower.startswith((b"<?xml", b"<html", b"<!doctype", b"{")) and not binary:
        return "a web page or XML/JSON data"
    if binary or not _is_text(head):
        # A binary STL has no mark of its own; a count that does not fit is for its reader.
        return "STL" if claimed == "STL" and len(data) >= STL_HEADER else "unknown binary data"
    if claimed in ("STL", "PLY"):
        return "STL" if claimed == "STL" and b"vertex" in head.lower() else "text"
    lines = (line.split(None, 1) for line in data[:1 << 20].splitlines())
    if any(len(words) == 2 and words[0] in (b"v", b"f") for words in lines):
        return "OBJ"
    return "text"


def _is_binary_stl(data: bytes) -> bool:
    if len(data) < STL_HEADER:
        return False
    count: int = struct.unpack_from("<I", data, 80)[0]
    return len(data) == STL_HEADER + STL_RECORD * count and b"\0" in data[:STL_HEADER]


def _is_text(head: bytes) -> bool:
    """Whether at most one byte in a hundred is a control character."""
    odd = sum(byte < 9 or 13 < byte < 32 for byte in head)
    return odd * 100 <= len(head)
