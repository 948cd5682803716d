"""The commands. Each returns its exit code; heavy modules are imported inside them."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from soffit.cli.options import (
    CosmeticOption,
    DemandOption,
    DeviationOption,
    DrawingOption,
    FaceUpOption,
    FastOption,
    FirstFile,
    ForbidOption,
    FormatOption,
    KeepOutOption,
    LoadOption,
    NoPropAtOption,
    OnlyOption,
    OutOption,
    PaperOption,
    PaperSize,
    PartFile,
    Preference,
    PreferOption,
    PreparedForOption,
    ProcessOption,
    PropAtOption,
    ProtectOption,
    QuantityOption,
    RecipeOption,
    RepairOption,
    ReviewFormat,
    ReviewFormatOption,
    RevisionOption,
    SecondFile,
    TargetOption,
    TextOrJson,
    Unit,
    UnitOption,
    UpOption,
    complete_topic,
    parse_demands,
    parse_direction,
    parse_forbidden,
    parse_keep_out,
    parse_points,
    parse_up,
)
from soffit.cli.status import DEMO_OUT

if TYPE_CHECKING:
    from soffit.cli.progress import Progress
    from soffit.part.model import Part

app = typer.Typer(
    help="Find what a part would print over air, change the part so that it does not, prove it.",
    epilog=(
        "Exit codes: 0 clean, 1 something remains over air, or may (--fast), 2 the input or the "
        "call is wrong, "
        "3 a defect of soffit."
    ),
    no_args_is_help=True,
    # Plain help: at once, the same in every terminal, and readable in a pipe.
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)

DEMO_PART = Path(__file__).parent / "demo_data" / "ledge_bracket.step"


def _version(wanted: bool) -> None:
    if wanted:
        import soffit

        print(f"soffit {soffit.__version__}")
        raise typer.Exit


@app.callback()
def main(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_version, is_eager=True, help="Show the version."),
    ] = False,
) -> None:
    """Find what a part would print over air, change the part so that it does not, prove it."""


@app.command()
def review(
    part: PartFile,
    process: ProcessOption = "pla-04",
    unit: UnitOption = None,
    up: UpOption = "keep",
    repair: RepairOption = False,
    fast: FastOption = False,
    output: ReviewFormatOption = ReviewFormat.TEXT,
) -> int:
    """List every place of PART that would print over air."""
    direction = parse_up(up)
    from soffit import api
    from soffit.process.load import load_process

    how = load_process(process)
    progress = progress_of(part)
    received = read_part(part, unit, repair, progress)
    progress("review")
    result = api.review(received, how, direction, fast=fast, progress=progress)
    progress.clear()
    if output is ReviewFormat.JSON:
        from soffit.plan.report import review_json
        from soffit.plan.report_parts import dumps

        print(dumps(review_json(result)), end="")
    elif output is ReviewFormat.SARIF:
        from soffit.cli.render_sarif import review_sarif

        print(review_sarif(result), end="")
    else:
        from soffit.cli.render_text import review_lines, show

        show(review_lines(result))
    return 0 if result.clean else 1


@app.command()
def resolve(
    part: PartFile,
    out: OutOption,
    process: ProcessOption = "pla-04",
    unit: UnitOption = None,
    up: UpOption = "keep",
    protect: ProtectOption = None,
    keep_out: KeepOutOption = None,
    prefer: PreferOption = Preference.PRICE,
    forbid: ForbidOption = None,
    only: OnlyOption = None,
    demand: DemandOption = None,
    max_deviation: DeviationOption = None,
    prop_at: PropAtOption = None,
    no_prop_at: NoPropAtOption = None,
    recipe: RecipeOption = None,
    target_ppm: TargetOption = None,
    quantity: QuantityOption = 1,
    repair: RepairOption = False,
    paper: PaperOption = PaperSize.A3,
    revision: RevisionOption = "",
    prepared_for: PreparedForOption = "",
    output: FormatOption = TextOrJson.TEXT,
) -> int:
    """Change PART so that nothing prints over air; write it, proven."""
    direction = parse_up(up)
    rooms = [parse_keep_out(text) for text in keep_out or ()]
    demands = parse_demands(demand or ())
    forbidden, forbidden_at = parse_forbidden(forbid or ())
    points = parse_points("--prop-at", prop_at or (), "x,y or x,y,z in mm")
    spots = parse_points("--no-prop-at", no_prop_at or (), "x,y or x,y,radius in mm")
    from soffit import api
    from soffit.process.load import load_process
    from soffit.sheet.issue import Issue

    issue = Issue(paper.value, revision, prepared_for)  # refused before minutes are spent
    how = load_process(process)
    _check_out(out)
    progress = progress_of(part)
    received = read_part(part, unit, repair, progress)
    kept_out = [_read_room(r, unit) if isinstance(r, Path) else r for r in rooms]
    progress("resolve")
    result = api.resolve(
        received,
        how,
        up=direction,
        protect=protect or (),
        keep_out=kept_out,
        prefer=prefer.value,
        forbid=forbidden,
        only=only or (),
        demand=demands,
        forbid_at=forbidden_at,
        max_deviation_mm=max_deviation,
        prop_at=points,
        no_prop_at=spots,
        recipe=recipe,
        target_ppm=target_ppm,
        quantity=quantity,
        progress=progress,
    )
    result = result.write(out, **asdict(issue), progress=progress)
    progress.clear()
    if output is TextOrJson.JSON:
        from soffit.plan.report import resolve_json
        from soffit.plan.report_parts import dumps

        print(dumps(resolve_json(result)), end="")
    else:
        from soffit.cli.render_text import resolution_lines, show

        show(resolution_lines(result))
    return 0 if result.clean else 1


@app.command()
def orient(
    part: PartFile,
    process: ProcessOption = "pla-04",
    unit: UnitOption = None,
    load: LoadOption = None,
    face_up: FaceUpOption = None,
    cosmetic: CosmeticOption = None,
    repair: RepairOption = False,
    out: DrawingOption = None,
    output: FormatOption = TextOrJson.TEXT,
) -> int:
    """Choose which way up PART prints best, of all directions, and say why."""
    along = parse_direction("--load", load)
    if out is not None:
        _check_out(out)
    from soffit import api
    from soffit.process.load import load_process

    how = load_process(process)
    progress = progress_of(part)
    received = read_part(part, unit, repair, progress)
    found = api.ways_up(received, how, load=along, face_up=face_up, cosmetic=cosmetic or (),
                        every_room=out is not None, progress=progress)
    if out is not None:
        progress("sheet")
        from soffit.sheet.ways_up import write_screen, write_ways_up

        write_ways_up(found, out / f"{part.stem}.ways-up.svg")
        write_screen(found, out / f"{part.stem}.ways-up.csv")
    progress.clear()
    if output is TextOrJson.JSON:
        from soffit.plan.report_parts import dumps
        from soffit.plan.report_ways_up import ways_up_json

        print(dumps(ways_up_json(found)), end="")
    else:
        from soffit.cli.render_text import show
        from soffit.cli.render_ways_up import ways_up_lines

        show(ways_up_lines(found))
    return 0 if found.best.clean else 1


@app.command()
def features(
    part: PartFile,
    process: ProcessOption = "pla-04",
    unit: UnitOption = None,
    up: UpOption = "keep",
    repair: RepairOption = False,
    output: FormatOption = TextOrJson.TEXT,
) -> int:
    """List what PART may be for: holes, patterns, mating faces; how to protect each."""
    direction = parse_up(up)
    from soffit import api
    from soffit.process.load import load_process

    how = load_process(process)
    progress = progress_of(part)
    received = read_part(part, unit, repair, progress)
    progress("features")
    found = api.features(received, direction, process=how)
    progress.clear()
    if output is TextOrJson.JSON:
        from soffit.plan.report import features_json
        from soffit.plan.report_parts import dumps

        print(dumps(features_json(found)), end="")
    else:
        from soffit.cli.render_features import features_lines
        from soffit.cli.render_text import show

        show(features_lines(found))
    return 0


@app.command()
def compare(
    a: FirstFile,
    b: SecondFile,
    process: ProcessOption = "pla-04",
    unit: UnitOption = None,
    up: UpOption = "keep",
    output: FormatOption = TextOrJson.TEXT,
) -> int:
    """Say what changed from part A to part B, both the same way up.

    Exit codes: 0 nothing differs, 1 something does, 2 the input or the call is wrong.
    """
    direction = parse_up(up)
    from soffit import api
    from soffit.process.load import load_process

    how = load_process(process)
    progress = progress_of(a)
    before = read_part(a, unit, False, progress)
    progress = progress_of(b)
    after = read_part(b, unit, False, progress)
    progress("compare")
    result = api.compare(before, after, how, direction, progress=progress)
    progress.clear()
    if output is TextOrJson.JSON:
        from soffit.plan.report import compare_json
        from soffit.plan.report_parts import dumps

        print(dumps(compare_json(result)), end="")
    else:
        from soffit.cli.render_compare import compare_lines
        from soffit.cli.render_text import show

        show(compare_lines(result))
    return 1 if result.differs else 0


@app.command()
def explain(
    topic: Annotated[
        str,
        typer.Argument(
            metavar="KIND|REMEDY",
            help='Kind of finding, such as air/ledge, or remedy, such as roof or "bottom edge"; '
            "without it, all are listed.",
            autocompletion=complete_topic,
        ),
    ] = "",
) -> int:
    """Say what a kind of finding means and how it is measured, or what a remedy does."""
    from soffit.remedies.explain import explain as manual
    from soffit.remedies.explain import topics

    print(manual(topic).rstrip() if topic else "\n".join(topics()))
    return 0


@app.command()
def demo(out: OutOption = Path(DEMO_OUT), process: ProcessOption = "pla-04") -> int:
    """Resolve an invented bracket that comes with soffit."""
    return resolve(DEMO_PART, out, process, quantity=10_000)


@app.command()
def processes() -> int:
    """List the profiles and what each can print over air."""
    from soffit.cli.render_text import process_lines, show
    from soffit.process.load import available, load_process

    show(process_lines([load_process(name) for name in available()]))
    return 0


def progress_of(part: Path) -> Progress:
    from soffit.cli.progress import Progress

    return Progress(part.name)


def read_part(part: Path, unit: Unit | None, repair: bool, progress: Progress) -> Part:
    """Read the user's file; a crash from here on until the next stage is laid to the file."""
    from soffit import api
    from soffit.errors import FileError

    if not part.is_file():
        what = "it is a folder" if part.is_dir() else "there is no such file"
        raise FileError(f"reading {part}: {what}; give a STEP, STL, 3MF, OBJ or PLY file")
    progress("read")
    return api.read(part, unit=unit.value if unit else None, repair=repair)


def _read_room(file: Path, unit: Unit | None) -> Part:
    """A file to keep out of; `--unit` counts for it too where it states none."""
    from soffit import api
    from soffit.errors import UnitError

    try:
        return api.read(file)
    except UnitError:
        if unit is None:
            raise
        return api.read(file, unit=unit.value)


def _check_out(out: Path) -> None:
    """Refuse an output folder that cannot be one before minutes are spent."""
    from soffit.errors import InputError

    if out.exists() and not out.is_dir():
        raise InputError(f"writing to {out}: it is a file; give a folder with --out")
