"""Names that come from outside: as they are shown, and what a file here may be called after them.

A client's name is never part of a path. What the written files are called is made from it: letters,
digits, - and _ are kept, all else becomes _.
"""

from __future__ import annotations

import re
import unicodedata

# The formats that are read, by the end of their names.
ENDINGS = ("step", "stp", "stl", "3mf", "obj", "ply")
SHOWN = 120  # letters of a name that are kept (own choice: what a title block has room for)
_STEM_BYTES = 80  # leaves room for ".production.step" in the 255 that file systems give
_DEVICE = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)$", re.IGNORECASE)


def shown_name(given: str, instead: str = "part") -> str:
    """A name as people see it: its last part, without control and formatting characters."""
    last = re.split(r"[/\\]", given)[-1]
    kept = "".join(c for c in unicodedata.normalize("NFC", last)
                   if unicodedata.category(c)[0] != "C")
    return " ".join(kept.split())[:SHOWN] or instead


def file_name(given: str) -> str:
    """A name that is safe on every system, made from a client's: "arm 2.step" gives "arm_2.step".

    An end that no format has becomes ".part"; the content then says what it is.
    """
    name = shown_name(given)
    stem, dot, ending = name.rpartition(".")
    if not dot:
        stem, ending = name, ""
    known = ending.lower() if ending.lower() in ENDINGS else "part"
    plain = re.sub(r"[^\w-]", "_", stem)
    while len(plain.encode()) > _STEM_BYTES:
        plain = plain[:-1]
    plain = plain.strip("_") or "part"
    return f"{plain}_.{known}" if _DEVICE.match(plain) else f"{plain}.{known}"
