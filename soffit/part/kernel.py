"""Client of the kernel process: calls that may crash, hang or eat memory, and are survived.

The B-rep kernel is native code that a bad file can send into an endless loop or a
segmentation fault, so it runs in a child process, started at the first call and kept. One call
runs at a time. A child that crashed, or was stopped, is replaced at the next call.
"""

from __future__ import annotations

import atexit
import os
import pickle
import threading

from soffit.errors import KernelCrash, KernelError, KernelTimeout, SoffitError
from soffit.part.child import MEMORY_LIMIT_BYTES, Child

HOST = "soffit.part.brep.host"


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


class _State:
    """The one child of this process, and the lock that lets one call run at a time."""

    def __init__(self) -> None:
        self.lock = threading.RLock()
        self._child: Child | None = None

    def ready(self, memory_limit_bytes: int) -> Child:
        child = self._child
        if child is not None and not (
            child.alive() and child.memory_limit_bytes == memory_limit_bytes
        ):
            self.close()
            child = None
        if child is None:
            child = self._child = Child(HOST, memory_limit_bytes)
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
