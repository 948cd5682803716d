"""What many tests read and takes long to work out: once a run, whichever worker needs it first."""

from __future__ import annotations

import os
import pickle
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

T = TypeVar("T")

# A worker that takes longer is taken for dead (own choice: the longest takes a minute).
LONGEST_S = 300.0

# Folder of this run, the same for all its workers; `conftest` names it.
folder: Path | None = None


def once(name: str, make: Callable[[], T]) -> T:
    """What `make` gives, made by the first of the workers that asks for `name`; the others wait."""
    assert folder is not None, "only within a run of the tests"
    made, taken = folder / f"{name}.pickle", folder / f"{name}.taken"
    deadline = time.monotonic() + LONGEST_S
    while not made.is_file():
        try:
            os.close(os.open(taken, os.O_CREAT | os.O_EXCL))
        except FileExistsError:
            if time.monotonic() < deadline:
                time.sleep(0.05)
                continue
        try:
            _write(made, make())
        finally:
            # Where it could not be made, the next one tries, and fails by itself.
            taken.unlink(missing_ok=True)
    value: Any = pickle.loads(made.read_bytes())
    return value


def _write(file: Path, value: object) -> None:
    """Beside, then renamed: nobody reads half of it."""
    beside = file.with_suffix(f".{os.getpid()}")
    beside.write_bytes(pickle.dumps(value, protocol=pickle.HIGHEST_PROTOCOL))
    beside.replace(file)
