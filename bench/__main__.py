"""Run the suites: `python3 run.py bench` for all, `python3 run.py bench --suite start` for one.

A suite with `ON_REQUEST` takes long and runs only where it is named.
"""

from __future__ import annotations

import importlib
import pkgutil
import sys

import bench


def suites() -> list[str]:
    """Names of the suites, sorted."""
    return sorted(m.name for m in pkgutil.iter_modules(bench.__path__) if m.name[0] != "_")


def main(arguments: list[str]) -> int:
    known = suites()
    # A bare name is taken too.
    names = [word.removeprefix("--suite=") for word in arguments if word != "--suite"]
    unknown = [name for name in names if name not in known]
    if unknown:
        print(f"bench: no suite {unknown[0]!r}; suites: {', '.join(known)}", file=sys.stderr)
        return 2
    for name in names or known:
        suite = importlib.import_module(f"bench.{name}")
        if not names and getattr(suite, "ON_REQUEST", False):
            continue
        print(f"{name}: {(suite.__doc__ or '').strip().splitlines()[0]}")
        suite.run()
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
