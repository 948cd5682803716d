"""Runs one command in this process and turns whatever happens into an exit code and one line.

0: clean. 1: something remains over air, or another blocker, or the answer is a coarse one.
2: the input or the call is wrong. 3: a defect of ours. 130: stopped. 141: whoever read the
results closed the pipe.
"""

from __future__ import annotations

import contextlib
import os
import select
import sys
import traceback

from soffit.cli.status import DONE, mute, tell
from soffit.errors import InputError, SoffitError

CLEAN, OVER_AIR, WRONG_INPUT, DEFECT, STOPPED, CLOSED_PIPE = 0, 1, 2, 3, 130, 141


def run(arguments: list[str]) -> int:
    """Run this command line; returns the exit code and never raises."""
    try:
        code = _run(arguments)
        sys.stdout.flush()
    except InputError as error:
        code = _fail(str(error), WRONG_INPUT)
    except SoffitError as error:
        code = _fail(f"{_line(error)}; please report this with the file", DEFECT)
    except KeyboardInterrupt:
        code = _fail("stopped", STOPPED)
    except MemoryError:
        code = _fail("out of memory; close other programs, or simplify the part", DEFECT)
    except Exception as error:
        if isinstance(error, BrokenPipeError) and _unread():
            mute(sys.stdout)
            code = CLOSED_PIPE
        else:
            if os.environ.get("SOFFIT_DEBUG") == "1":
                traceback.print_exc()
            code = _fail(
                f"defect: {type(error).__name__}: {_line(error)}; please report this with the file "
                "(SOFFIT_DEBUG=1 shows where)",
                DEFECT,
            )
    tell(DONE)
    return code


def _unread() -> bool:
    """Whether it is the pipe of the results that broke: no other one may end a command without a
    word. Where the system does not tell, it is taken to be that."""
    if not hasattr(select, "poll"):
        return True
    poll = select.poll()
    poll.register(sys.stdout.fileno(), 0)
    return any(event & (select.POLLERR | select.POLLHUP) for _, event in poll.poll(0))


def _run(arguments: list[str]) -> int:
    from typer.exceptions import Exit, TyperException

    from soffit.cli import desk, pricing, release  # noqa: F401  add their commands
    from soffit.cli.app import app

    for stream in (sys.stdout, sys.stderr):
        # A console that cannot show "→" must not turn a result into a crash.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    streams = sys.stdout, sys.stderr
    try:
        result = app(arguments or ["--help"], prog_name="soffit", standalone_mode=False)
    except SystemExit as end:
        # Where any pipe broke, the library ends the process without a word, as if over air.
        sys.stdout, sys.stderr = streams
        if isinstance(end.__context__, OSError):
            raise end.__context__ from None
        raise
    except Exit as end:
        return end.exit_code
    except TyperException as error:
        context = getattr(error, "ctx", None)
        where = context.command_path if context else "soffit"
        say = " ".join(error.format_message().split()).rstrip(".")
        return _fail(f"{say}; see {where} --help", WRONG_INPUT)
    if result == STOPPED:  # what the library makes of it
        raise KeyboardInterrupt
    return result if isinstance(result, int) else CLEAN


def _fail(line: str, code: int) -> int:
    # On a terminal the line may stand where progress was shown.
    start = "\r\x1b[K" if sys.stderr.isatty() else ""
    with contextlib.suppress(OSError):  # nobody may listen; the code still says it
        print(f"{start}soffit: {_line(line)}", file=sys.stderr, flush=True)
    return code


def _line(message: object) -> str:
    return " ".join(str(message).split())
