"""The desk as a web application: its calls below /api, and the page."""

from __future__ import annotations

import html
import re
from collections.abc import Iterable
from pathlib import Path

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import FileResponse, HTMLResponse, JSONResponse, Response
from starlette.exceptions import HTTPException

import soffit
from soffit.errors import InputError
from soffit.shop.customers import customer_routes, link_routes
from soffit.shop.desk import Desk
from soffit.shop.errors import Refused, not_found
from soffit.shop.forms import Problem
from soffit.shop.guard import App, Guard, TooMuch
from soffit.shop.jobs import job_routes
from soffit.shop.results import result_routes
from soffit.shop.signing import signing_routes

STATIC = Path(__file__).parent / "static"
_ASSET = re.compile(r"[\w.-]+")
_NO_PAGE = """<!doctype html><html lang="en"><meta charset="utf-8"><title>Soffit</title>
<h1>The desk is running; its page is not built</h1>
<p>Start it with <code>python3 run.py desk</code>, which builds the page, or use
<code>/api/openapi.json</code>.</p></html>"""


def application(desk: Desk, names: Iterable[str] = (), token: str | None = None) -> App:
    """The application of one desk. `names` and `token` as of `Guard`."""
    app = FastAPI(title="Soffit desk", version=soffit.__version__, docs_url=None, redoc_url=None,
                  openapi_url="/api/openapi.json", redirect_slashes=False,
                  description="Everything that the page of the desk does.",
                  responses={"4XX": {"model": Problem}})
    app.include_router(signing_routes(desk, token))
    app.include_router(job_routes(desk))
    app.include_router(result_routes(desk))
    app.include_router(link_routes(desk))
    app.include_router(customer_routes(desk))
    _add_page(app)
    _add_errors(app)
    return Guard(app, desk.limits, names, token)  # type: ignore[arg-type]


def _add_page(app: FastAPI) -> None:
    def page() -> Response:
        index = STATIC / "index.html"
        if not index.is_file():
            return HTMLResponse(_NO_PAGE)
        return FileResponse(index, headers={"cache-control": "no-cache"})

    for path in ("/", "/jobs/{rest:path}", "/s/{rest:path}"):
        app.add_api_route(path, page, methods=["GET", "HEAD"], include_in_schema=False)

    @app.get("/assets/{name}", include_in_schema=False)
    def asset(name: str) -> Response:
        file = STATIC / "assets" / name
        if not _ASSET.fullmatch(name) or not file.is_file():
            raise not_found("file")
        return FileResponse(file, headers={"cache-control": "public, max-age=31536000, immutable"})


def _add_errors(app: FastAPI) -> None:
    def said(status: int, line: str) -> JSONResponse:
        return JSONResponse({"error": " ".join(line.split())}, status)

    @app.exception_handler(TooMuch)
    async def _too_much(_request: Request, error: TooMuch) -> Response:
        status, line = error.args
        answer = said(status, line)
        answer.headers["connection"] = "close"  # the rest of the body is not read
        return answer

    @app.exception_handler(Refused)
    async def _refused(_request: Request, error: Refused) -> Response:
        return said(error.status, str(error))

    @app.exception_handler(InputError)
    async def _wrong(_request: Request, error: InputError) -> Response:
        return said(400, str(error))

    @app.exception_handler(RequestValidationError)
    async def _invalid(_request: Request, error: RequestValidationError) -> Response:
        first = error.errors()[0]
        where = ".".join(str(step) for step in first["loc"] if step not in ("body", "query"))
        return said(422, f"{where or 'the call'}: {first['msg']}; see /api/openapi.json")

    @app.exception_handler(HTTPException)
    async def _http(_request: Request, error: HTTPException) -> Response:
        line = {404: "there is no such thing here; see /api/openapi.json",
                405: "this cannot be done here; see /api/openapi.json"}
        return said(error.status_code, line.get(error.status_code, html.unescape(error.detail)))

    @app.exception_handler(Exception)
    async def _defect(_request: Request, error: Exception) -> Response:
        return said(500, f"defect: {type(error).__name__}; please report what you did")
