#!/usr/bin/env python3
"""Everything that is done with a checkout, on a machine that has nothing but Python.

    python3 run.py check                  style, types and the order of the packages
    python3 run.py test [ARGS]            the tests; ARGS go to pytest
    python3 run.py bench [--suite NAME]   measurements
    python3 run.py referee [ARGS]         the product against a brute-force engine, over real parts
    python3 run.py docs                   the manual, written to build/docs
    python3 run.py desk [ARGS]            the desk; its page is built first where it must be
    python3 run.py ARGS                   soffit itself, such as: python3 run.py demo

The first call makes `.venv` beside this file from requirements.lock; a later one makes it
again when that file has changed. Only the standard library is used here.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent
VENV = ROOT / ".venv"
LOCK = ROOT / "requirements.lock"
PROJECT = ROOT / "pyproject.toml"
PAGE = ROOT / "desk" / "build.py"
STAMP = VENV / "soffit.stamp"
PYTHON = VENV / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
OLDEST = (3, 11)


class SetupError(Exception):
    """The environment cannot be made; the message says what to do."""


def main(arguments: list[str]) -> int:
    if sys.version_info < OLDEST:
        found = ".".join(map(str, sys.version_info[:3]))
        return fail(f"Python {found} is too old; run this with Python 3.11 or newer")
    try:
        prepare()
    except SetupError as error:
        return fail(str(error))
    except OSError as error:
        return fail(f"cannot make {VENV}: {error}")
    verb, rest = (arguments[0], arguments[1:]) if arguments else ("--help", [])
    if verb == "check":
        return check()
    if verb in ("desk", "test"):
        built = subprocess.run([str(PYTHON), str(PAGE)]).returncode
        if built and verb == "desk":
            return built
        # Tests of the page say themselves why they are skipped, or fail in CI.
    if verb == "test":
        # Two workers for the whole suite; a chosen test starts faster without them.
        return hand_over(["-m", "pytest", *(rest or ["-n", "2"])], folder=ROOT)
    if verb == "bench":
        return hand_over(["-m", "bench", *rest], folder=ROOT)
    if verb == "referee":
        return hand_over(["-m", "tests.referee", *rest], folder=ROOT)
    if verb == "docs":
        return hand_over([str(ROOT / "docs" / "build.py"), *rest], folder=ROOT)
    return hand_over(["-P", "-m", "soffit", verb, *rest])


def check() -> int:
    """Run every check, also after one has failed; 1 if any failed."""
    failed = []
    for name, command in (
        ("ruff", ["-m", "ruff", "check", "."]),
        ("mypy", ["-m", "mypy"]),
        ("import order", ["-c", "from importlinter.cli import lint_imports_command as c; c()"]),
    ):
        say(f"check: {name}")
        if subprocess.run([str(PYTHON), *command], cwd=ROOT).returncode != 0:
            failed.append(name)
    say("check: page of the desk")
    if subprocess.run([str(PYTHON), str(PAGE), "check"]).returncode != 0:
        failed.append("page of the desk")
    say(f"check: failed: {', '.join(failed)}" if failed else "check: all passed")
    return 1 if failed else 0


def prepare() -> None:
    """Make `.venv`, or bring it up to date; nothing is done where the stamp fits."""
    version = "{}.{}".format(*sys.version_info)
    wanted = [version, digest(LOCK), digest(PROJECT)]
    have = STAMP.read_text(encoding="ascii").split() if STAMP.is_file() else []
    if have == wanted and PYTHON.exists():
        return
    uv = shutil.which("uv")
    if have[:2] != wanted[:2] or not PYTHON.exists() or not (uv or has_pip()):
        say(f"making {VENV} from {LOCK.name} with Python {version}; this takes some minutes once")
        if VENV.exists():
            shutil.rmtree(VENV)
        fresh = True
    else:
        say(f"bringing {VENV} up to date")
        STAMP.unlink()
        fresh = False
    if uv:
        environment = {**os.environ, "VIRTUAL_ENV": str(VENV)}
        install = [uv, "pip", "install", "--quiet", "--python", str(PYTHON)]
    else:
        environment = dict(os.environ)
        install = [str(PYTHON), "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
    if fresh:
        if uv:
            make = [uv, "venv", "--quiet", "--python", sys.executable, str(VENV)]
        else:
            make = [sys.executable, "-m", "venv", str(VENV)]
        step(make, environment, "no virtual environment can be made: install Python's venv module "
             "(Debian: apt install python3-venv)")  # fmt: skip
        step([*install, "--require-hashes", "-r", str(LOCK)], environment,
             "the packages cannot be installed: check the network and try again")  # fmt: skip
    step([*install, "--no-deps", "--no-build-isolation", "--editable", str(ROOT)], environment,
         "soffit itself cannot be installed: see the lines above")  # fmt: skip
    # Written last, so that a half-made environment is made again.
    STAMP.write_text(" ".join(wanted), encoding="ascii")
    say("ready")


def has_pip() -> bool:
    """Whether `.venv` has pip; one that uv made has not."""
    return subprocess.run([str(PYTHON), "-c", "import pip"], capture_output=True).returncode == 0


def step(command: list[str], environment: dict[str, str], advice: str) -> None:
    # Stdout belongs to the results of soffit, so everything said here goes to stderr.
    done = subprocess.run(command, env=environment, stdout=sys.stderr.fileno())
    if done.returncode != 0:
        raise SetupError(advice)


def hand_over(command: list[str], folder: Path | None = None) -> int:
    """Become this command, so that signals and the exit code are its own."""
    line = [str(PYTHON), *command]
    sys.stdout.flush()
    sys.stderr.flush()
    if folder is not None:
        os.chdir(folder)
    if os.name != "nt":
        os.execv(line[0], line)
    # Windows cannot replace a process; Ctrl-C reaches the child by itself there.
    with subprocess.Popen(line) as child:
        while True:
            try:
                return child.wait()
            except KeyboardInterrupt:
                continue


def digest(file: Path) -> str:
    try:
        return hashlib.sha256(file.read_bytes()).hexdigest()
    except OSError as error:
        raise SetupError(f"{file.name} cannot be read ({error.strerror}); the checkout is "
                         "incomplete, clone it again") from None  # fmt: skip


def say(line: str) -> None:
    print(f"run.py: {line}", file=sys.stderr, flush=True)


def fail(line: str) -> int:
    say(line)
    return 2


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1:]))
    except KeyboardInterrupt:
        sys.exit(130)
