"""Runs a command in a child process that can be stopped whatever native code does.

The parent holds nothing heavy and only waits. On Ctrl-C, or when it is told to end, it kills
the child with everything that the child started, removes what was half written, and is gone
within a second. A child that dies by itself becomes one clear line instead of a bare signal,
and one whose parent is killed dies with it (on Linux).

The child gets two folders that the parent removes in every case: its temporary folder
(TMPDIR), and beside the output folder a staging folder (`SOFFIT_STAGING`) in which a writer
may build files before it renames them into place.

On Windows there is no process group to kill: the child is ended and its own children notice
that their pipes close; Ctrl-Break works like Ctrl-C.
"""

from __future__ import annotations

import contextlib
import os
import secrets
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from types import FrameType

from soffit.cli.status import (
    DEMO_OUT,
    DONE,
    READING,
    STAGING,
    STATUS,
    SUPERVISOR,
    last_told,
)

STOPPED = 130  # what shells report for a command ended by Ctrl-C (common practice)
ANSWERS = (0, 1, 2, 3, 130, 141)  # see `run`; they count only if the child came to its end
OURS, THEIRS = 3, 2
_ROOT = Path(__file__).resolve().parents[2]


def supervise(arguments: Sequence[str], command: Sequence[str] | None = None) -> int:
    """Run `soffit ARGUMENTS` in a child and return the exit code for this process.

    `command` is the child's command line if it is not that of `python -m soffit.cli`.
    """
    scratch = Path(tempfile.mkdtemp(prefix="soffit-"))
    out = _out(arguments)
    staging = out.parent / f".{out.name}.{secrets.token_hex(4)}"
    made_here = not out.exists()
    status = scratch / "status"
    try:
        child = _Child(
            command or [sys.executable, "-m", "soffit.cli", *arguments],
            {**_environment(), **_scratch(scratch), STATUS: str(status), STAGING: str(staging),
             SUPERVISOR: str(os.getpid())},
        )
        code = child.wait()
        if child.stopped:
            _say("stopped; nothing was written")
            return STOPPED
        stage = last_told(status)
        if code in ANSWERS and stage == DONE:
            return code
        return _explain(code, stage)
    finally:
        _remove(scratch)
        _remove(staging)
        if made_here:
            with contextlib.suppress(OSError):  # only an empty folder can be removed like this
                out.rmdir()


class _Child:
    """The child, in a session of its own, and the handlers that stop it."""

    def __init__(self, command: Sequence[str], environment: dict[str, str]) -> None:
        self.stopped = False
        self._process: subprocess.Popen[bytes] | None = None
        for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK"):
            number = getattr(signal, name, None)
            # What the caller chose to ignore (nohup) stays ignored.
            if number is not None and signal.getsignal(number) is not signal.SIG_IGN:
                signal.signal(number, self._stop)
        if sys.platform == "win32":
            flags = subprocess.CREATE_NEW_PROCESS_GROUP
            process = subprocess.Popen(command, env=environment, creationflags=flags)
        else:
            process = subprocess.Popen(command, env=environment, start_new_session=True)
        self._process = process
        if self.stopped:  # a signal came while the child was being started
            self._kill()

    def wait(self) -> int:
        assert self._process is not None
        return self._process.wait()

    def _stop(self, _number: int, _frame: FrameType | None) -> None:
        self.stopped = True
        self._kill()

    def _kill(self) -> None:
        process = self._process
        # Once the child has been waited for, its number may belong to somebody else.
        if process is None or process.returncode is not None:
            return
        if sys.platform == "win32":
            process.kill()
            return
        try:
            os.killpg(process.pid, signal.SIGKILL)
        except (ProcessLookupError, PermissionError):
            process.kill()


def _environment() -> dict[str, str]:
    """Ours, with this copy of soffit first, and no modules from the current folder."""
    path = os.environ.get("PYTHONPATH")
    return {
        **os.environ,
        "PYTHONPATH": f"{_ROOT}{os.pathsep}{path}" if path else str(_ROOT),
        "PYTHONSAFEPATH": "1",
    }


def _scratch(folder: Path) -> dict[str, str]:
    return dict.fromkeys(("TMPDIR", "TEMP", "TMP"), str(folder))


def _out(arguments: Sequence[str]) -> Path:
    """The output folder of this command line; for commands without one, a name never made."""
    out = Path(DEMO_OUT) if arguments[:1] == ["demo"] else Path(tempfile.gettempdir()) / "soffit"
    for index, argument in enumerate(arguments):
        if argument == "--out" and index + 1 < len(arguments):
            out = Path(arguments[index + 1])
        elif argument.startswith("--out="):
            out = Path(argument.removeprefix("--out="))
    return out.absolute()


def _remove(folder: Path) -> None:
    # Windows holds the files of a killed process for a moment longer.
    for _ in range(5):
        shutil.rmtree(folder, ignore_errors=True)
        if not folder.exists():
            return
        time.sleep(0.1)


def _explain(code: int, stage: str) -> int:
    """One line for a child that ended without an answer."""
    if code < 0:
        try:
            how = f"was ended by {signal.Signals(-code).name}"
        except ValueError:
            how = f"was ended by signal {-code}"
    else:
        how = f"ended with code {code:#x}" if code > 255 else f"ended with code {code}"
    memory = " (out of memory?)" if code == -9 else ""
    doing = stage if stage and stage != DONE else "starting"
    if stage.startswith(READING):
        _say(f"{doing}: the process {how}{memory}; the file may be damaged: "
             "check it in CAD and export it again, or give it as 3MF")  # fmt: skip
        return THEIRS
    _say(f"{doing}: the process {how}{memory}; this is a defect of soffit: "
         "please report it with the file")  # fmt: skip
    return OURS


def _say(line: str) -> None:
    # On a terminal the line may stand where progress was shown.
    start = "\r\x1b[K" if sys.stderr.isatty() else ""
    with contextlib.suppress(OSError):  # nobody may listen; the code still says it
        print(f"{start}soffit: {line}", file=sys.stderr, flush=True)
