"""The other side of `soffit.part.child`: reads named calls from its input, answers on its output.

A process that serves ends when its input closes. It stays in the process group of its parent, so
that a supervisor stops both at once, and leaves Ctrl-C to the parent. Whatever native code prints
goes nowhere, so it cannot mix with the answers.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import signal
import sys
from typing import BinaryIO

from soffit.errors import KernelError, SoffitError
from soffit.part.child import TooLarge, named, read_message, write_message
from soffit.part.tied import tie_to_parent


def serve(arguments: list[str], who: str) -> int:
    """Serve calls until the input closes. `arguments`: memory limit in bytes, parent's pid;
    `who`: what errors call this process."""
    limit_bytes, parent = int(arguments[0]), int(arguments[1])
    requests, answers = _private_streams()
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if not tie_to_parent(parent):
        return 1
    _limit_memory(limit_bytes)
    while request := read_message(requests):
        write_message(answers, _answer(request, limit_bytes, who))
    return 0


def _private_streams() -> tuple[BinaryIO, BinaryIO]:
    """The pipes to the parent under descriptors of their own; 0 and 1 lead nowhere."""
    requests, answers = os.dup(0), os.dup(1)
    nowhere = os.open(os.devnull, os.O_RDWR)
    for fd in (0, 1):
        os.dup2(nowhere, fd)
    os.close(nowhere)
    if sys.platform == "win32":
        import msvcrt

        for fd in (requests, answers):
            msvcrt.setmode(fd, os.O_BINARY)
    return os.fdopen(requests, "rb"), os.fdopen(answers, "wb")


def _limit_memory(limit_bytes: int) -> None:
    if sys.platform == "win32":
        return
    import resource

    _, hard = resource.getrlimit(resource.RLIMIT_AS)
    soft = limit_bytes if hard == resource.RLIM_INFINITY else min(limit_bytes, hard)
    # Not every platform lets the address space be limited; the time limit still holds there.
    with contextlib.suppress(ValueError, OSError):
        resource.setrlimit(resource.RLIMIT_AS, (soft, hard))


def _answer(request: bytes, limit_bytes: int, who: str) -> bytes:
    doing = "reading a call"
    answer: tuple[str, object]
    try:
        function, args, doing = pickle.loads(request)
        answer = ("value", named(function)(*args))
        return pickle.dumps(answer, protocol=pickle.HIGHEST_PROTOCOL)
    except SoffitError as error:
        answer = ("error", error)
    except MemoryError:
        answer = (
            "error",
            TooLarge(
                f"{doing}: {who} needs more than its {limit_bytes / 2**30:.3g} GB of "
                "memory; simplify the part or raise the limit"
            ),
        )
    except Exception as error:
        # Kernel exceptions carry a class name and a message, both often terse or empty.
        text = " ".join(str(error).split())
        detail = type(error).__name__ + (f": {text}" if text else "")
        answer = (
            "error",
            KernelError(f"{doing}: {who} failed ({detail}); check the geometry in CAD"),
        )
    return pickle.dumps(answer, protocol=pickle.HIGHEST_PROTOCOL)


if __name__ == "__main__":
    sys.exit(serve(sys.argv[1:], "a helper process"))
