"""The desk: the same work in the browser; and what the command line has to say to one."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from soffit.cli.app import app
from soffit.cli.options import OutOption, PartFile, Unit, UnitOption

if TYPE_CHECKING:
    from soffit.shop.remote import Remote

desk = typer.Typer(help="Decide in the browser, with the part in front of you; jobs are kept.",
                   rich_markup_mode=None)
app.add_typer(desk, name="desk")

AtOption = Annotated[
    str | None,
    typer.Option("--at", metavar="URL", envvar="SOFFIT_DESK", show_default=False,
                 help="Address of the desk, as it printed it; the one on this machine if not "
                 "given."),
]
JobName = Annotated[str, typer.Argument(metavar="JOB", help="Its id.", show_default=False)]


@desk.callback(invoke_without_command=True)
def start(
    context: typer.Context,
    port: Annotated[
        int | None,
        typer.Option("--port", min=0, max=65535, metavar="N", show_default=False,
                     help="Port to listen on, 0 for any that is free."),
    ] = None,
    no_browser: Annotated[
        bool, typer.Option("--no-browser", help="Do not open the browser."),
    ] = False,
    share: Annotated[
        bool, typer.Option("--share", help="Let other machines in, by a link with a token; without "
                           "it the desk is reached from this machine alone."),
    ] = False,
) -> None:
    """Decide in the browser, with the part in front of you; jobs are kept.

    The data lies in the folder SOFFIT_HOME, else where the system keeps data of programs.
    """
    if context.invoked_subcommand is not None:
        return
    import os
    import sys

    from soffit.shop.home import default_home
    from soffit.shop.serve import serve

    def say(line: str) -> None:
        print(line, flush=True)

    serve(default_home(), port, share=share, browser=not no_browser, say=say)
    # All is closed; to take down every module that was loaded would take longer than that.
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(0)


@desk.command()
def send(
    part: PartFile,
    process: Annotated[
        str, typer.Option("--process", metavar="NAME", help="Profile (see soffit processes)."),
    ] = "pla-04",
    unit: UnitOption = None,
    quantity: Annotated[
        int, typer.Option("--quantity", min=1, metavar="N", help="How many parts will be made."),
    ] = 1,
    recipe: Annotated[
        Path | None,
        typer.Option("--recipe", metavar="FILE", help="Decisions to start from.",
                     show_default=False),
    ] = None,
    job: Annotated[
        str | None,
        typer.Option("--job", metavar="JOB", help="Send it as the next revision of this job.",
                     show_default=False),
    ] = None,
    at: AtOption = None,
) -> int:
    """Send PART to a desk that runs; prints the job and where it is seen."""
    there = _reached(at)
    asked = {"unit": unit.value if isinstance(unit, Unit) else None}
    if job is None:
        asked |= {"process": process, "quantity": str(quantity)}
    sent = there.send(part, asked, job)
    if recipe is not None:
        there.decide_by(sent, recipe)
    print(f"Job {sent}: {there.base}/jobs/{sent}")
    return 0


@desk.command("list")
def list_jobs(at: AtOption = None) -> int:
    """List the newest jobs of a desk."""
    for job in _reached(at).jobs():
        area = job["over_air_mm2"]
        verdict = "" if area is None else "clean" if job["clean"] else f"{area:.1f} mm² over air"
        print(f"{job['id']}  {job['created'][:16]}  {job['state']:9}  {verdict:22}  {job['name']}")
    return 0


@desk.command()
def fetch(job: JobName, out: OutOption, at: AtOption = None) -> int:
    """Wait until a job is done and write its files, as soffit resolve does."""
    import sys

    there = _reached(at)
    told: list[str] = []

    def tell(words: str) -> None:
        if words not in told[-1:]:
            told.append(words)
            print(f"soffit: {words}", file=sys.stderr, flush=True)

    found = there.done(job, tell)
    for path in there.fetch(found, out):
        print(path)
    clean = bool(found["resolve"]["verdict"]["clean"])
    print("Clean: nothing prints over air." if clean else
          "Not clean: something remains over air; the sheet says what.")
    return 0 if clean else 1


def _reached(at: str | None) -> Remote:
    """The desk at this address, else the one that holds the data on this machine."""
    from soffit.errors import InputError
    from soffit.shop.home import default_home
    from soffit.shop.remote import Remote

    if at is not None:
        return Remote(at)
    try:
        return Remote((default_home() / "desk.url").read_text(encoding="utf-8"))
    except OSError:
        raise InputError("reaching the desk: none runs on this machine; start one with `soffit "
                         "desk`, or give its address with --at") from None
