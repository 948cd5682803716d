"""What a worker is given, and what it gives back; both go through a pipe."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from soffit.shop.decisions import Wanted


@dataclass(frozen=True)
class Task:
    """What is to be done: `file` of this `name` and hash, in this unit, None if it says it itself;
    `recipe`, the file of one that the decisions start from; `aims` are those of `orient`."""

    kind: str
    folder: Path
    file: Path
    name: str
    sha256: str
    unit: str | None
    wanted: Wanted
    recipe: Path | None = None
    aims: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Outcome:
    """What came of it: files by role, all in the folder `out`, and small facts. `asking`: nothing
    was done, as the file states no unit."""

    files: dict[str, str]
    said: dict[str, Any]
    asking: bool = False
