"""Progress on stderr: one line that renews itself on a terminal, plain lines elsewhere."""

from __future__ import annotations

import sys

from soffit.cli.status import tell


class Progress:
    """Called with what is being done, how much is done and how much there is."""

    def __init__(self) -> None:
        self._terminal = sys.stderr.isatty()
        self._stage = ""
        self._shown = False

    def __call__(self, stage: str, done: int, total: int) -> None:
        """Show that `done` of `total` steps of `stage` are done; a total of 0 is not known."""
        if stage != self._stage:
            self._stage = stage
            tell(stage)
            if not self._terminal:
                print(f"soffit: {stage}", file=sys.stderr, flush=True)
        if self._terminal:
            count = f" {done}/{total}" if total else ""
            # "\x1b[K" clears the rest of a longer line before.
            print(f"\r{stage}{count}\x1b[K", end="", file=sys.stderr, flush=True)
            self._shown = True

    def clear(self) -> None:
        """Take the line away before results are printed."""
        if self._shown:
            print("\r\x1b[K", end="", file=sys.stderr, flush=True)
            self._shown = False
