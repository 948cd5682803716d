"""A child process that does not outlive the one that started it, however that ends."""

from __future__ import annotations

import ctypes
import os
import signal
import sys

_PR_SET_PDEATHSIG = 1  # linux/prctl.h


def tie_to_parent(parent: int) -> bool:
    """Ask to be killed when the parent, of this number, dies; False if it is gone already.

    Only Linux does that; elsewhere a child notices that its pipes close, or is ended by its
    supervisor.
    """
    if sys.platform != "linux":
        return True
    ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
    return os.getppid() == parent
