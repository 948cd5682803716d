"""The desk: the same work in the browser."""

from __future__ import annotations

from typing import Annotated

import typer

from soffit.cli.app import app


@app.command()
def desk(
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
) -> int:
    """Decide in the browser, with the part in front of you; jobs are kept.

    The data lies in the folder SOFFIT_HOME, else where the system keeps data of programs.
    """
    from soffit.shop.home import default_home
    from soffit.shop.serve import serve

    def say(line: str) -> None:
        print(line, flush=True)

    serve(default_home(), port, share=share, browser=not no_browser, say=say)
    return 0
