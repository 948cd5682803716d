"""The commands about what a part costs and what a process can do, in numbers."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from soffit.cli.app import app, progress_of, read_part
from soffit.cli.options import (
    FormatOption,
    OutOption,
    PartFile,
    ProcessOption,
    ProtectOption,
    RecipeOption,
    RepairOption,
    TargetOption,
    TextOrJson,
    UnitOption,
    UpOption,
    parse_quantities,
    parse_tooled,
    parse_up,
)
from soffit.errors import InputError, ProcessError


@app.command()
def estimate(
    part: PartFile,
    process: ProcessOption = "pla-04",
    unit: UnitOption = None,
    up: UpOption = "keep",
    protect: ProtectOption = None,
    recipe: RecipeOption = None,
    target_ppm: TargetOption = None,
    quantity: Annotated[
        str,
        typer.Option("--quantity", metavar="N,N…", help="How many parts will be made, each of "
                     "these numbers a row."),
    ] = "1,1000,100000",
    tooled: Annotated[
        str | None,
        typer.Option("--tooled", metavar="TOOL,PIECE,DAYS", help="Compare with a process that "
                     "needs a tool: what that costs, what each part then costs, and its days."),
    ] = None,
    machines: Annotated[
        int | None,
        typer.Option("--machines", min=1, metavar="N",
                     help="Play the run of the largest quantity on so many machines."),
    ] = None,
    days: Annotated[
        float | None,
        typer.Option("--days", min=0.01, metavar="D",
                     help="Say how many machines make the largest quantity in so many days."),
    ] = None,
    repair: RepairOption = False,
    output: FormatOption = TextOrJson.TEXT,
) -> int:
    """Price PART at each quantity: as received, with supports, and resolved."""
    direction = parse_up(up)
    quantities = parse_quantities(quantity)
    other = parse_tooled(tooled)
    from soffit import api
    from soffit.process.load import load_process

    how = load_process(process)
    if machines is not None and days is not None:
        raise InputError("reading --machines and --days: both are given; give one, the other is "
                         "what is found")
    progress = progress_of(part)
    received = read_part(part, unit, repair, progress)
    progress("resolve")
    result = api.resolve(received, how, up=direction, protect=protect or (), recipe=recipe,
                         target_ppm=target_ppm, quantity=quantities[-1], progress=progress)
    found = api.quote(result, quantities, other, machines=machines, days=days)
    progress.clear()
    if output is TextOrJson.JSON:
        from soffit.plan.report_parts import dumps
        from soffit.production.report import quote_json

        print(dumps(quote_json(found)), end="")
    else:
        from soffit.cli.render_quote import quote_lines
        from soffit.cli.render_text import show

        show(quote_lines(found))
    return 0 if result.clean else 1


@app.command()
def coupon(
    out: OutOption,
    names: Annotated[
        list[str] | None,
        typer.Argument(metavar="NAME…", help="Which coupons; all where none is named."),
    ] = None,
    process: ProcessOption = "pla-04",
) -> int:
    """Draw test coupons: ladders of what a process may be able to print."""
    from soffit.cli.progress import Progress
    from soffit.cli.render_text import show, wrap
    from soffit.process.load import load_process
    from soffit.production.coupon import coupons, write_coupons

    how = load_process(process)
    progress = Progress("coupons")
    progress("coupon")
    written = write_coupons(out, how, names or ())
    progress.clear()
    wanted = set(names or ())
    for one in coupons(how):
        if not wanted or one.name in wanted:
            what = f" ({one.limit})" if one.limit else ""
            levels = ", ".join(f"{v:g}" for v in one.levels)
            show([*wrap(f"{one.name}{what}: {levels}"), *wrap(one.how, "  ")])
    print("Written:", *(f"  {path}" for path in written), sep="\n")
    show(wrap("Fill in results.csv, a line for each coupon with a limit: held empty where all "
              "failed, failed empty where all held; then soffit capability fit."))
    return 0


capability = typer.Typer(help="What a process can do, from printed coupons.",
                         no_args_is_help=True, rich_markup_mode=None)
app.add_typer(capability, name="capability")


@capability.command("fit")
def fit_results(
    results: Annotated[
        Path,
        typer.Argument(metavar="RESULTS", help="CSV file: limit, held and failed of each coupon."),
    ],
    machine: Annotated[
        str, typer.Option("--machine", metavar="NAME", help="The machine that printed them."),
    ] = "",
    date: Annotated[
        str, typer.Option("--date", metavar="YYYY-MM-DD", help="When; today where not given."),
    ] = "",
    base: Annotated[
        str, typer.Option("--process", metavar="NAME", help="The profile that they belong to."),
    ] = "pla-04",
    profile: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE", help="Write a profile with these limits."),
    ] = None,
) -> int:
    """Fit limits to coupons: mean, deviation, and what holds with confidence."""
    import datetime

    from soffit.cli.render_text import show, wrap
    from soffit.process.load import load_process
    from soffit.production.capability import fit, profile_text, read_results, words

    load_process(base)
    try:
        day = datetime.date.fromisoformat(date) if date else datetime.date.today()
    except ValueError:
        raise InputError(f"reading --date: {date!r} is no date; give one such as 2026-11-30"
                         ) from None
    if profile is not None and profile.suffix != ".toml":
        raise InputError(f"writing to {profile}: a profile is a .toml file; name it so")
    if profile is not None and profile.exists():
        raise InputError(f"writing to {profile}: it is there already; give another name, so that "
                         "no limits are lost")
    found = fit(read_results(results))
    show([line for one in found for line in wrap(words(one))])
    if not found:
        raise InputError(f"reading {results}: there are no coupons in it; add a line for each")
    if profile is not None:
        from soffit.part.write_mesh import write_whole

        text = profile_text(found, base, profile.stem, machine or "a machine that was not named",
                            day.isoformat())
        write_whole(profile, text.encode())
        try:
            load_process(str(profile))
        except ProcessError:
            profile.unlink()  # what cannot be read is not left behind
            raise
    return 0
