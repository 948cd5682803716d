"""A child process that answers named calls, and the thread that reads what it answers.

Functions are named ("soffit.part.brep.read:read_step"); arguments and results are pickled over the
child's pipes, each message with an 8-byte length in front. What it does there is in
`soffit.part.serve`.
"""

from __future__ import annotations

import contextlib
import os
import queue
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import IO, Any

from soffit.errors import KernelError

LENGTH = struct.Struct("<Q")
# 8 GB holds parts of a million triangles many times over and still stops a runaway
# operation before it takes the machine down (common practice, no source).
MEMORY_LIMIT_BYTES = 8 * 2**30
_SLICE_S = 0.1  # how often a waiting call looks up, so that Ctrl-C is seen on every platform
_GRACE_S = 1.0  # how long an idle child may take to leave after its input is closed


class TooLarge(KernelError):
    """A call needed more memory than its process may have."""


class Child:
    """One process that runs `module`, and the thread that started it and reads its answers. Raises
    KernelError where it cannot be started.

    The thread lives as long as the process: on Linux a child that asks to die with its
    parent is tied to the *thread* that started it, not to the process.
    """

    def __init__(self, module: str, memory_limit_bytes: int = MEMORY_LIMIT_BYTES) -> None:
        self._module = module
        self.memory_limit_bytes = memory_limit_bytes
        self._answers: queue.SimpleQueue[bytes] = queue.SimpleQueue()
        self._started = threading.Event()
        self._failure: OSError | None = None
        self._process: subprocess.Popen[bytes] | None = None
        threading.Thread(target=self._run, name="soffit-child", daemon=True).start()
        self._started.wait()
        if self._failure is not None:
            raise KernelError(f"starting {module}: {self._failure}; check the installation")

    @property
    def process(self) -> subprocess.Popen[bytes]:
        assert self._process is not None
        return self._process

    def _run(self) -> None:
        try:
            self._process = _start(self._module, self.memory_limit_bytes)
        except OSError as error:
            self._failure = error
            return
        finally:
            self._started.set()
        stream = self._process.stdout
        assert stream is not None
        with stream, contextlib.suppress(OSError, ValueError):
            while message := read_message(stream):
                self._answers.put(message)
        self._answers.put(b"")

    def alive(self) -> bool:
        return self.process.poll() is None

    def ask(self, request: bytes, timeout_s: float, meanwhile: Callable[[], None] | None = None
            ) -> bytes | None:
        """The answer to `request`; None if it is late, b"" if the process ended. `meanwhile` is
        called some times a second until then."""
        stream = self.process.stdin
        assert stream is not None
        try:
            write_message(stream, request)
        except OSError:
            return b""
        deadline = time.monotonic() + timeout_s
        while (left := deadline - time.monotonic()) > 0:
            with contextlib.suppress(queue.Empty):
                return self._answers.get(timeout=min(left, _SLICE_S))
            if meanwhile is not None:
                meanwhile()
        return None

    def exit_code(self) -> int:
        """Exit code of a process that closed its output."""
        return self.process.wait()

    def kill(self) -> None:
        self.process.kill()
        self.release()
        self.process.wait()

    def close(self) -> None:
        """End an idle child: closing its input is the signal."""
        self.release()
        try:
            self.process.wait(_GRACE_S)
        except subprocess.TimeoutExpired:
            self.kill()

    def release(self) -> None:
        """Close this side of the child's input."""
        if self.process.stdin is not None:
            with contextlib.suppress(OSError):
                self.process.stdin.close()


def named(function: str) -> Callable[..., Any]:
    """The function that a call names, "package.module:name"."""
    module, _, name = function.partition(":")
    found: Callable[..., Any] = getattr(import_module(module), name)
    return found


def write_message(stream: IO[bytes], message: bytes) -> None:
    """Write one message with its length in front."""
    stream.write(LENGTH.pack(len(message)))
    stream.write(message)
    stream.flush()


def read_message(stream: IO[bytes]) -> bytes:
    """Next whole message, or b"" when the other side has closed."""
    head = stream.read(LENGTH.size)
    if len(head) < LENGTH.size:
        return b""
    (length,) = LENGTH.unpack(head)
    message = stream.read(length)
    return message if len(message) == length else b""


def _start(module: str, memory_limit_bytes: int) -> subprocess.Popen[bytes]:
    root = str(Path(__file__).resolve().parents[2])
    path = os.environ.get("PYTHONPATH")
    # One thread for linear algebra: same in, same out, and no memory reserved per core.
    env = {
        **os.environ,
        "PYTHONPATH": root if not path else root + os.pathsep + path,
        "OPENBLAS_NUM_THREADS": "1",
        "OMP_NUM_THREADS": "1",
    }
    # -P: files in the working directory must not stand in for modules.
    command = [sys.executable, "-P", "-m", module]
    return subprocess.Popen(
        [*command, str(memory_limit_bytes), str(os.getpid())],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env=env,
    )
