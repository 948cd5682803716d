"""Write the manual to build/docs: a page for each kind of finding and remedy, and the commands.

The pages are what `soffit explain` and `soffit --help` print, so they cannot differ from it.
`build.py pictures` draws the pictures in docs/pictures again, from the examples; `build.py
holes` writes docs/holes.md again, `build.py remedies` docs/remedies.md; `build.py desk` takes the
pictures of the desk.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from importlib import import_module
from pathlib import Path

import soffit
from soffit.findings.explain import kinds
from soffit.remedies.explain import explain, remedies

ROOT = Path(__file__).resolve().parent.parent
TARGET = ROOT / "build" / "docs"
PICTURED = ("ledge_bracket", "latch_hook")
TURNED = ("latch_hook",)
COMMANDS = ("review", "resolve", "orient", "features", "compare", "estimate", "coupon",
            "capability fit", "package", "verify", "record", "explain", "demo", "processes")


def main() -> int:
    shutil.rmtree(TARGET, ignore_errors=True)
    index = ["# Soffit", "", "[Commands](commands.md)"]
    for heading, folder, topics in (
        ("Kinds of finding", "findings", kinds()), ("Remedies", "remedies", remedies())
    ):
        (TARGET / folder).mkdir(parents=True)
        index += ["", f"## {heading}", ""]
        for topic in topics:
            page = f"{folder}/{topic.replace('/', '-').replace(' ', '-')}.md"
            text = explain(topic).strip().removeprefix(topic).strip()
            (TARGET / page).write_text(f"# {topic}\n\n{text}\n", encoding="utf-8")
            index.append(f"- [{topic}]({page}): {text.splitlines()[0]}")
    (TARGET / "index.md").write_text("\n".join(index) + "\n", encoding="utf-8")
    commands = ["# Commands", "", "```text", _help(), "```"]
    for command in COMMANDS:
        commands += ["", f"## soffit {command}", "", "```text", _help(*command.split()), "```"]
    (TARGET / "commands.md").write_text("\n".join(commands) + "\n", encoding="utf-8")
    print(TARGET / "index.md")
    return 0


def pictures(folder: Path) -> list[Path]:
    """The views of the change sheets of some examples, drawn again; the files written."""
    from soffit.sheet.build import build_sheet
    from soffit.sheet.figure import to_svg

    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for name in PICTURED:
        result = soffit.resolve(soffit.read(ROOT / "examples" / f"{name}.step"))
        for k, figure in enumerate(build_sheet(result, title=name).views, start=1):
            path = folder / f"{name}-{k}.svg"
            path.write_text(to_svg(figure), encoding="utf-8")
            written.append(path)
    from soffit.process.load import load_process
    from soffit.production.coupon import coupons
    from soffit.sheet.coupons import coupons_figure
    from soffit.sheet.ways_up import write_ways_up

    path = folder / "coupons.svg"
    path.write_text(to_svg(coupons_figure(coupons(load_process("pla-04")))), encoding="utf-8")
    written.append(path)
    for name in TURNED:
        path = folder / f"ways-up-{name}.svg"
        write_ways_up(soffit.ways_up(soffit.read(ROOT / "examples" / f"{name}.step")), path)
        written.append(path)
    return written


def _help(*command: str) -> str:
    line = [sys.executable, "-m", "soffit", *command, "--help"]
    done = subprocess.run(line, cwd=ROOT, capture_output=True, text=True, check=True)
    return done.stdout.strip()


if __name__ == "__main__":
    if sys.argv[1:] == ["pictures"]:
        for drawn in pictures(ROOT / "docs" / "pictures"):
            print(drawn)
        sys.exit(0)
    if sys.argv[1:] in (["holes"], ["remedies"], ["desk"]):
        sys.path.insert(0, str(ROOT))
        import_module(f"docs.{sys.argv[1]}").main(ROOT)
        sys.exit(0)
    sys.exit(main())
