"""The commands about what a part costs and how it is made in numbers."""

from __future__ import annotations

from typing import Annotated

import typer

from soffit.cli.app import app, progress_of, read_part
from soffit.cli.options import (
    FormatOption,
    PartFile,
    ProcessOption,
    ProtectOption,
    RecipeOption,
    RepairOption,
    TextOrJson,
    UnitOption,
    UpOption,
    parse_quantities,
    parse_tooled,
    parse_up,
)
from soffit.errors import InputError

# Most machines that a run is played on (own choice: no park is larger).
MOST_MACHINES = 10_000


@app.command()
def estimate(
    part: PartFile,
    process: ProcessOption = "pla-04",
    unit: UnitOption = None,
    up: UpOption = "keep",
    protect: ProtectOption = None,
    recipe: RecipeOption = None,
    quantity: Annotated[
        str,
        typer.Option("--quantity", metavar="N,N…", help="How many parts will be made, each of "
                     "these numbers a column."),
    ] = "1,1000,100000",
    tooled: Annotated[
        str | None,
        typer.Option("--tooled", metavar="TOOL,PIECE,DAYS", help="Compare with a process that "
                     "needs a tool: what that costs, what each part then costs, and its days."),
    ] = None,
    machines: Annotated[
        int | None,
        typer.Option("--machines", min=1, max=MOST_MACHINES, metavar="N",
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
                         quantity=quantities[-1], progress=progress)
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
