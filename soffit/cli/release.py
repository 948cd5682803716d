"""The commands about a release as one file, and about the first article of a run."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from soffit.cli.app import app, progress_of, read_part
from soffit.cli.options import (
    FormatOption,
    PaperOption,
    PaperSize,
    PreparedForOption,
    ProcessOption,
    ProtectOption,
    QuantityOption,
    RecipeOption,
    RepairOption,
    RevisionOption,
    TextOrJson,
    UnitOption,
    UpOption,
    parse_up,
)
from soffit.errors import InputError


@app.command()
def package(
    part: Annotated[
        Path,
        typer.Argument(metavar="PART|DIR", help="STEP, STL, 3MF, OBJ or PLY file, or a folder "
                       "that soffit resolve wrote.", show_default=False),
    ],
    out: Annotated[
        Path, typer.Option("--out", metavar="FILE", help="ZIP file to write.", show_default=False),
    ],
    process: ProcessOption = "pla-04",
    unit: UnitOption = None,
    up: UpOption = "keep",
    protect: ProtectOption = None,
    recipe: RecipeOption = None,
    quantity: QuantityOption = 1,
    repair: RepairOption = False,
    paper: PaperOption = PaperSize.A3,
    revision: RevisionOption = "",
    prepared_for: PreparedForOption = "",
) -> int:
    """Pack everything of a resolved part in one file that proves itself."""
    direction = parse_up(up)
    if out.suffix.lower() != ".zip" or out.is_dir():
        raise InputError(f"writing to {out}: a package is a .zip file; name it so")
    if part.is_dir():
        if (process, unit, up, protect or None, recipe, quantity, repair, paper) != (
                "pla-04", None, "keep", None, None, 1, False, PaperSize.A3) or (
                revision or prepared_for):
            raise InputError(f"packing {part}: a folder is packed as it was resolved; give those "
                             "options to soffit resolve, or give the part")
        from soffit.sheet.package import package_folder

        clean = package_folder(part, out)
    else:
        from soffit import api
        from soffit.process.load import load_process
        from soffit.sheet.issue import Issue

        issue = Issue(paper.value, revision, prepared_for)  # refused before minutes are spent
        how = load_process(process)
        progress = progress_of(part)
        received = read_part(part, unit, repair, progress)
        progress("resolve")
        result = api.resolve(received, how, up=direction, protect=protect or (), recipe=recipe,
                             quantity=quantity, progress=progress)
        clean = result.package(out, **asdict(issue), progress=progress).clean
        progress.clear()
    print(f"Written: {out}, {out.stat().st_size / 1000:,.0f} kB")
    print("Clean: nothing prints over air in the files in it." if clean else
          "Not clean: something remains over air; the sheet in it says what.")
    return 0 if clean else 1


@app.command()
def verify(
    package: Annotated[
        Path, typer.Argument(metavar="PACKAGE", help="ZIP file of soffit package.",
                             show_default=False),
    ],
    received: Annotated[
        Path | None,
        typer.Option("--received", metavar="PART", help="The part as received: protected faces "
                     "are measured again.", show_default=False),
    ] = None,
    output: FormatOption = TextOrJson.TEXT,
) -> int:
    """Read PACKAGE again, judge its geometry again, and say whether its verdict stands.

    Exit codes: 0 whole, and clean as stated; 1 whole, but not clean or not as stated; 2 damaged,
    changed, or no package.
    """
    from soffit import api
    from soffit.cli.render_release import verified_lines
    from soffit.cli.render_text import show
    from soffit.sheet.verified import verified_json

    progress = progress_of(package)
    progress("read")
    found = api.verify(package, received, progress=progress)
    progress.clear()
    if output is TextOrJson.JSON:
        from soffit.plan.report_parts import dumps

        print(dumps(verified_json(found)), end="")
    else:
        show(verified_lines(found))
    return 0 if found.clean and found.stands else 1


@app.command()
def record(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="Record of a first article, filled in: CSV or "
                             "JSON.", show_default=False),
    ],
    written: Annotated[
        Path | None,
        typer.Option("--written", metavar="RECORD|PACKAGE", help="The record as it was written, or "
                     "the package that it is in: limits that were altered are told one by one.",
                     show_default=False),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="RESULTS", help="CSV file that what it says of the process "
                     "is added to, for soffit capability fit.", show_default=False),
    ] = None,
) -> int:
    """Hold the record of a first article against its limits.

    Exit codes: 0 all measured and within limits; 1 something is out, was not measured, or is not as
    it was written; 2 the file makes no sense.
    """
    from soffit.cli.render_release import record_lines
    from soffit.cli.render_text import show
    from soffit.part.words import plural
    from soffit.production.record import add_results, read_record, readings

    before = None
    if written is not None:
        from soffit.sheet.verify import written_record

        before = written_record(written)
    found = read_record(file, before)
    known, said = readings(found)
    show(record_lines(found, known, said))
    if out is not None and known:
        add_results(known, file, out)
        print(f"Added to {out}: {plural(len(known), 'line')}")
    elif out is not None:
        print(f"Nothing to add to {out}.")
    return 0 if found.passed else 1
