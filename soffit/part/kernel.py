"""Client of the kernel process: calls that may crash, hang or eat memory, and are survived.

The B-rep kernel is native code that a bad file can send into an endless loop or a
segmentation fault, so it runs in a child process, started at the first call and kept.
Functions are named ("soffit.part.brep.read:read_step"); arguments and results are
pickled over the child's pipes, each message with an 8-byte length in front. One call
runs at a time. A child that crashed, or was stopped, is replaced at the next call.
"""

from __future__ import annotations

import atexit
import contextlib
import os
import pickle
import queue
import struct
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import IO

from soffit.errors import KernelCrash, KernelError, KernelTimeout, SoffitError

LENGTH = struct.Struct("<Q")
# 8 GB holds parts of a million triangles many times over and still stops a runaway
# operation before it takes the machine down (common practice, no source).
MEMORY_LIMIT_BYTES = 8 * 2**30
_SLICE_S = 0.1  # how often a waiting call looks up, so that Ctrl-C is seen on every platform
_GRACE_S = 1.0  # how long an idle child may take to leave after its input is closed


def call(
    function: str,
    *args: object,
    timeout_s: float = 120.0,
    doing: str = "",
    memory_limit_bytes: int = MEMORY_LIMIT_BYTES,
) -> object:
    """Run `function` ("package.module:name") in the kernel process and return its result.

    `doing` says in words what is being done and to what ("reading arm.step"); it opens
    every error message. A child with another memory limit than asked for is replaced.

    Raises KernelCrash if the process died, KernelTimeout if it did not answer within
    `timeout_s` (it is then stopped), KernelError for any error of the kernel, and passes
    on every SoffitError raised by the function itself.
    """
    doing = doing or f"running {function}"
    request = pickle.dumps((function, args, doing), protocol=pickle.HIGHEST_PROTOCOL)
    with _state.lock:
        child = _state.ready(memory_limit_bytes)
        try:
            answer = child.ask(request, timeout_s)
        except BaseException:
            # Also on Ctrl-C: whatever the child is still doing, nobody waits for it.
            _state.drop()
            raise
        if answer is None:
            _state.drop()
            raise KernelTimeout(
                f"{doing}: the B-rep kernel did not answer within {timeout_s:g} s and was "
                "stopped; simplify the part or raise the time limit"
            )
        if answer == b"":
            code = child.exit_code()
            _state.drop()
            raise KernelCrash(
                f"{doing}: the B-rep kernel crashed (exit code {code}); check the geometry in "
                "CAD, or export the part as 3MF or STL and give that"
            )
    kind, value = pickle.loads(answer)
    if kind == "value":
        result: object = value
        return result
    if isinstance(value, SoffitError):
        raise value
    raise KernelError(str(value))


def stop() -> None:
    """End the kernel process, if there is one; the next call starts a new one."""
    with _state.lock:
        _state.close()


class _Child:
    """One kernel process and the thread that started it and reads its answers.

    The thread lives as long as the process: on Linux a child that asks to die with its
    parent is tied to the *thread* that started it, not to the process.
    """

    def __init__(self, memory_limit_bytes: int) -> None:
        self.memory_limit_bytes = memory_limit_bytes
        self._answers: queue.SimpleQueue[bytes] = queue.SimpleQueue()
        self._started = threading.Event()
        self._failure: OSError | None = None
        self._process: subprocess.Popen[bytes] | None = None
        threading.Thread(target=self._run, name="soffit-kernel", daemon=True).start()
        self._started.wait()
        if self._failure is not None:
            raise KernelError(f"starting the B-rep kernel: {self._failure}; check the installation")

    @property
    def process(self) -> subprocess.Popen[bytes]:
        assert self._process is not None
        return self._process

    def _run(self) -> None:
        try:
            self._process = _start(self.memory_limit_bytes)
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

    def ask(self, request: bytes, timeout_s: float) -> bytes | None:
        """The answer to `request`; None if it is late, b"" if the process ended."""
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
        return None

    def exit_code(self) -> int:
        """Exit code of a process that closed its output."""
        return self.process.wait()

    def kill(self) -> None:
        self.process.kill()
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


class _State:
    """The one child of this process, and the lock that lets one call run at a time."""

    def __init__(self) -> None:
        self.lock = threading.RLock()
        self._child: _Child | None = None

    def ready(self, memory_limit_bytes: int) -> _Child:
        child = self._child
        if child is not None and not (
            child.alive() and child.memory_limit_bytes == memory_limit_bytes
        ):
            self.close()
            child = None
        if child is None:
            child = self._child = _Child(memory_limit_bytes)
        return child

    def drop(self) -> None:
        child, self._child = self._child, None
        if child is not None:
            child.kill()
            child.release()

    def close(self) -> None:
        child, self._child = self._child, None
        if child is not None:
            child.close()

    def forget(self) -> None:
        """After a fork: the child belongs to the other process, leave it alone."""
        child, self._child = self._child, None
        self.lock = threading.RLock()
        if child is not None:
            # Only the copies of the pipe ends are closed, beneath their buffers, for another
            # thread may have held those; the process is not ours to wait for.
            for stream in (child.process.stdin, child.process.stdout):
                raw = getattr(stream, "raw", None)
                if raw is not None:
                    raw.close()


_state = _State()
atexit.register(stop)
if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_state.forget)


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


def _start(memory_limit_bytes: int) -> subprocess.Popen[bytes]:
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
    command = [sys.executable, "-P", "-m", "soffit.part.brep.host"]
    return subprocess.Popen(
        [*command, str(memory_limit_bytes), str(os.getpid())],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env=env,
    )
