"""The calls that give what was worked out: files, geometry, drawings, the package."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query, Request
from fastapi.responses import FileResponse, JSONResponse, Response
from sqlalchemy import select
from sqlalchemy.orm import Session
from starlette.concurrency import run_in_threadpool

from soffit.shop.desk import Desk
from soffit.shop.errors import Refused, not_found
from soffit.shop.forms import RecordList, Ways
from soffit.shop.guard import DRAWN
from soffit.shop.jobs import TEXT
from soffit.shop.receive import whole
from soffit.shop.runs import Standing
from soffit.shop.shown import answers_json
from soffit.shop.tables import DONE, Record, Run

State = Literal["before", "after"]
_TYPES = {"svg": "image/svg+xml", "json": "application/json", "toml": "text/plain; charset=utf-8",
          "pdf": "application/pdf", "zip": "application/zip"}


def result_routes(desk: Desk) -> APIRouter:
    """All of them."""
    routes = APIRouter(prefix="/api/jobs/{job_id}", tags=["results"])

    def run_of(job_id: str, kind: str, role: str) -> Run:
        def found(_session: Session, at: Standing) -> Run | None:
            if role == "geometry-before":
                both = (at.shown("resolve"), at.shown("review"))
                return at.run_now("resolve") if _done(at.run_now("resolve")) else max(
                    (r for r in both if r is not None), key=lambda r: r.id, default=None)
            return at.shown(kind)

        run: Run | None = desk.look(job_id, found)
        if run is None:
            raise not_now_yet()
        return run

    @routes.get("/geometry/{state}")
    def geometry(job_id: str, state: State, request: Request) -> Response:
        """The part as triangles (see `soffit.shop.geometry`)."""
        role = f"geometry-{state}"
        return kept(desk, run_of(job_id, "resolve", role), role, request)

    @routes.get("/drawings/{name}.svg")
    def drawing(job_id: str, name: str, request: Request) -> Response:
        """A drawing of the change sheet."""
        return kept(desk, run_of(job_id, "resolve", name), f"drawing/{name}", request)

    @routes.get("/sheet")
    def sheet(job_id: str) -> Response:
        """The rows of the change sheet."""
        return JSONResponse(desk.result(run_of(job_id, "resolve", "sheet"), "sheet"))

    @routes.get("/features")
    def features(job_id: str) -> Response:
        """What the part may be for: holes, patterns, mating faces."""
        return JSONResponse(desk.result(run_of(job_id, "review", "features"), "features"))

    @routes.get("/orient", response_model=Ways)
    def orient(job_id: str) -> Response:
        """The ways up, and the area over air of every direction that was looked at."""
        run = run_of(job_id, "orient", "orient")
        return JSONResponse({"orient": desk.result(run, "orient"),
                             "screen": desk.result(run, "screen")})

    @routes.get("/recipe")
    def recipe(job_id: str, request: Request) -> Response:
        """The decisions as the command line writes and reads them."""
        return kept(desk, run_of(job_id, "resolve", "recipe"), "recipe", request)

    @routes.get("/files/{role}")
    def file(job_id: str, role: str, request: Request) -> Response:
        """A file as `soffit resolve` writes it."""
        kind = "orient" if role.startswith("ways_up") else "resolve"
        return kept(desk, run_of(job_id, kind, role), role, request, attached=True)

    @routes.get("/package")
    def package(job_id: str) -> Response:
        """Everything of the resolution in one file, with what the customer said."""
        run, said = desk.look(job_id, lambda s, at: (
            at.shown("resolve"), answers_json(s, job_id, at.shown("resolve"))))
        if run is None:
            raise not_now_yet()
        return packed(desk, run, said)

    @routes.get("/records", response_model=RecordList)
    def records(job_id: str) -> Response:
        """The first articles that were measured."""
        def rows(session: Session, at: Standing) -> list[dict[str, Any]]:
            found = session.scalars(select(Record).where(Record.job == at.job.id)
                                    .order_by(Record.id))
            return [{"id": r.id, "created": r.created, "file": r.file, "sha256": r.sha256,
                     "passed": r.passed, "rows": r.said["rows"],
                     "altered": r.said.get("altered", [])} for r in found]

        return JSONResponse({"records": desk.look(job_id, rows)})

    @routes.post("/records", status_code=201, response_model=RecordList, openapi_extra=TEXT)
    async def add_record(job_id: str, request: Request,
                         name: Annotated[str, Query(max_length=500)] = "record.csv") -> Response:
        """Send in the record of a first article."""
        await run_in_threadpool(desk.look, job_id, lambda _s, _at: None)
        await run_in_threadpool(desk.add_record, job_id, await whole(request), name)
        return records(job_id)

    return routes


def kept(desk: Desk, run: Run, role: str, request: Request, attached: bool = False) -> Response:
    """A file of a run; nothing is sent again to whoever has it."""
    one = run.results.get(role)
    if one is None:
        raise not_found("file")
    tag = f'"{one["sha256"]}"'
    asked = request.query_params.get("v", "")
    fresh = "private, max-age=31536000, immutable" if asked and one["sha256"].startswith(asked) \
        else "no-cache"
    headers = {"etag": tag, "cache-control": fresh, "accept-ranges": "none"}
    if tag in request.headers.get("if-none-match", ""):
        return Response(status_code=304, headers=headers)
    ending = one["name"].rpartition(".")[2]
    if ending == "svg":
        headers["content-security-policy"] = DRAWN
    file = desk.blobs.path(one["sha256"])
    if not file.is_file():  # the job was removed this moment
        raise not_found("file")
    return FileResponse(
        file, headers=headers,
        media_type="application/octet-stream" if attached else
        _TYPES.get(ending, "application/octet-stream"),
        filename=one["name"] if attached else None)


def packed(desk: Desk, run: Run, said: list[dict[str, Any]]) -> Response:
    """The package of a run, with what the customer said of it."""
    # Loads what draws and writes, which nothing else here needs.
    from soffit.plan.report_parts import dumps
    from soffit.sheet.package import SIGNOFFS, package_folder

    names = desk.result(run, "report")["files"]
    stem = Path(names["report"]).name.removesuffix(".report.json")
    with tempfile.TemporaryDirectory(dir=desk.home.scratch) as place:
        folder = Path(place)
        for role in names:
            one = run.results[role]
            (folder / one["name"]).write_bytes(desk.blobs.read(one["sha256"]))
        (folder / f"{stem}.{SIGNOFFS}.json").write_text(
            dumps({"schema": "soffit.signoffs/1", "signoffs": said}), encoding="utf-8")
        package_folder(folder, folder / "package.zip")
        data = (folder / "package.zip").read_bytes()
    return Response(data, media_type="application/zip", headers={
        "content-disposition": f"attachment; filename*=UTF-8''{_quoted(stem)}.package.zip"})


def not_now_yet() -> Refused:
    """What is asked for is not worked out yet."""
    return Refused(404, "that is not worked out yet; wait until the job is done")


def _done(run: Run | None) -> bool:
    return run is not None and run.state == DONE


def _quoted(name: str) -> str:
    from urllib.parse import quote

    return quote(name, safe="")
