"""Where `soffit` starts: standard library only, so that help is there at once.

Commands that compute run in a child process under `supervisor`; help, completion and the
commands that only print run here.
"""

from __future__ import annotations

import os
import sys

COMPUTING = ("review", "resolve", "orient", "features", "compare", "estimate", "coupon", "demo",
             "package", "verify")


def main(arguments: list[str] | None = None) -> None:
    """Run one command line and exit with its code (see `soffit.cli.run`)."""
    given = sys.argv[1:] if arguments is None else arguments
    if computes(given):
        from soffit.cli.supervisor import supervise

        sys.exit(supervise(given))
    from soffit.cli.run import run

    sys.exit(run(given))


def computes(arguments: list[str]) -> bool:
    """Whether this command line needs a supervised child.

    Completion sets a variable of its own; "--help" after "--" would be a file's name.
    """
    if "_SOFFIT_COMPLETE" in os.environ:
        return False
    before_dashes = arguments[: arguments.index("--")] if "--" in arguments else arguments
    return bool(arguments) and arguments[0] in COMPUTING and "--help" not in before_dashes
