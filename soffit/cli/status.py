"""What the supervised child is doing, told to its supervisor through a small file.

A child that native code killed can say nothing any more; the last line that it wrote tells
whether the user's file or our own work brought it down.
"""

from __future__ import annotations

import contextlib
import os
from pathlib import Path
from typing import TextIO

STATUS = "SOFFIT_STATUS"
STAGING = "SOFFIT_STAGING"
SUPERVISOR = "SOFFIT_SUPERVISOR"  # number of the process that the child must not outlive
READING = "reading "  # how the stage begins in which the user's file is read
DONE = "done"
DEMO_OUT = "soffit-demo"  # where the demo writes if it is not told


def tell(stage: str) -> None:
    """Say that `stage` begins; outside a supervised child nothing is told."""
    file = os.environ.get(STATUS)
    if file:
        # The folder is gone when the supervisor is already cleaning up.
        with contextlib.suppress(OSError):
            Path(file).write_text(stage, encoding="utf-8")


def last_told(file: Path) -> str:
    """The stage told last, "" if none was."""
    try:
        return file.read_text(encoding="utf-8")
    except OSError:
        return ""


def mute(stream: TextIO) -> None:
    """Send what is still written to a stream whose reader is gone nowhere, so that neither this nor
    Python's own flush at its end fails on it."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
