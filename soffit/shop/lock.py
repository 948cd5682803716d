"""One desk at a time: a lock of the system on a folder, which ends with the process that has it."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import IO


def locked(folder: Path) -> IO[str] | None:
    """The lock of a folder, to be closed when it is given back; None where another process, or
    another desk of this one, has it. Raises OSError where the folder cannot be written to."""
    held = (folder / "desk.lock").open("a", encoding="utf-8")
    if _take(held):
        return held
    held.close()
    return None


def _take(file: IO[str]) -> bool:
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(file.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
