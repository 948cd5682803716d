"""Progress on stderr: one line that renews itself on a terminal, plain lines elsewhere."""

from __future__ import annotations

import sys

from soffit.cli.status import mute, tell
from soffit.part.words import STAGES


class Progress:
    """Called with the stage, how much of it is done and how much there is."""

    def __init__(self, part: str) -> None:
        self._part = part
        self._terminal = sys.stderr.isatty()
        self._stage = ""
        self._told: set[str] = set()
        self._shown = False

    def __call__(self, stage: str, done: int = 0, total: int = 0) -> None:
        """Show that `done` of `total` steps of `stage` are done; a total of 0 is not known."""
        text = f"{STAGES.get(stage, stage)} {self._part}"
        if stage != self._stage:
            self._stage = stage
            tell(text)
        if self._terminal:
            count = f" {done}/{total}" if total else ""
            # "\x1b[K" clears the rest of a longer line before.
            _say(f"\r{text}{count}\x1b[K")
            self._shown = True
        elif stage not in self._told:
            # Stages take turns while edits are tried; each is told once.
            self._told.add(stage)
            _say(f"soffit: {text}\n")

    def clear(self) -> None:
        """Take the line away before anything else is printed."""
        if self._shown:
            _say("\r\x1b[K")
            self._shown = False


def _say(text: str) -> None:
    """Whoever looked on may have gone, which is no reason to stop working."""
    try:
        print(text, end="", file=sys.stderr, flush=True)
    except BrokenPipeError:
        mute(sys.stderr)
