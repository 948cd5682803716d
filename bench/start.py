"""Processor time from call to exit; `soffit --help` is allowed 0.3 s."""

from __future__ import annotations

import os
import statistics
import subprocess
import sys

RUNS = 7  # the median of seven is steady to some milliseconds (measured on a busy machine)
COMMANDS = {
    "python -c pass": ["-c", "pass"],
    "soffit --help": ["-m", "soffit", "--help"],
    "soffit processes": ["-m", "soffit", "processes"],
    "soffit review (no such file)": ["-m", "soffit", "review", "no-such-file.step"],
}


def cpu_s(arguments: list[str]) -> float:
    """Processor time, user and system, of one call and its children, s."""
    before = os.times()
    subprocess.run([sys.executable, *arguments], capture_output=True, check=False)
    after = os.times()
    children = after.children_user + after.children_system
    return children - before.children_user - before.children_system


def run() -> None:
    for name, arguments in COMMANDS.items():
        seconds = statistics.median(cpu_s(arguments) for _ in range(RUNS))
        print(f"  {name:<30} {seconds:6.3f} s")
