"""The calls about jobs: sending files in, deciding, and hearing what happens."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from fastapi.responses import JSONResponse, Response, StreamingResponse
from pydantic import BaseModel, ConfigDict, Field
from sqlalchemy import select
from starlette.concurrency import run_in_threadpool

from soffit.shop.checked import known
from soffit.shop.decisions import Decision, Way, Words
from soffit.shop.desk import Desk
from soffit.shop.forms import JobForm, JobList, Log
from soffit.shop.receive import Uploads, whole
from soffit.shop.runs import standing
from soffit.shop.shown import job_json, line_json
from soffit.shop.tables import Entry, Job

Name = Annotated[str, Query(min_length=1, max_length=500, description="The file's name.")]
UnitName = Annotated[str | None, Query(max_length=20, description="Where the file states none.")]
FILE = {"requestBody": {"required": True, "description": "The bytes of the file.", "content": {
    "application/octet-stream": {"schema": {"type": "string", "format": "binary"}}}}}
TEXT = {"requestBody": {"required": True, "description": "The text of the file.", "content": {
    "text/plain": {"schema": {"type": "string"}}}}}


class StatedUnit(BaseModel):
    """The unit of a file that states none."""

    model_config = ConfigDict(extra="forbid")
    unit: Annotated[str, Field(min_length=1, max_length=20)]


class Aims(BaseModel):
    """What a way up is to be good for, as of `soffit orient`."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)
    load: Way | None = None
    face_up: Words | None = None
    cosmetic: Annotated[list[Words], Field(max_length=50)] = []


def job_routes(desk: Desk) -> APIRouter:
    """All of them."""
    routes = APIRouter(prefix="/api", tags=["jobs"])
    uploads = Uploads(desk)

    def shown(job_id: str, status: int = 200) -> Response:
        return JSONResponse(desk.look(job_id, lambda s, at: job_json(desk, s, at)), status)

    @routes.get("/jobs", response_model=JobList)
    def jobs(limit: Annotated[int, Query(ge=1, le=200)] = 50,
             before: Annotated[str | None, Query(pattern=r"^[\dTZ:.-]{1,32}$")] = None
             ) -> dict[str, Any]:
        """The jobs, newest first; `before`: only those made before that time."""
        rows = select(Job).where(Job.removed.is_(None)).order_by(Job.created.desc()).limit(limit)
        if before is not None:
            rows = rows.where(Job.created < before)
        with desk.store.look() as session:
            return {"jobs": [line_json(standing(session, job))
                             for job in session.scalars(rows).all()]}

    @routes.post("/jobs", status_code=201, response_model=JobForm, openapi_extra=FILE)
    async def add(request: Request, name: Name, unit: UnitName = None,
                  process: Annotated[str, Query(max_length=200)] = "pla-04",
                  quantity: Annotated[int, Query(ge=1, le=1_000_000_000)] = 1) -> Response:
        """Send in a part; its review starts, and then its resolution."""
        known(process, unit)
        async with uploads.taken(request) as (sha256, size):
            job_id = await run_in_threadpool(desk.add_job, name, sha256, size, unit, process,
                                             quantity)
        return await run_in_threadpool(shown, job_id, 201)

    @routes.get("/jobs/{job_id}", response_model=JobForm)
    def job(job_id: str) -> Response:
        """A job as it stands, with its reports."""
        return shown(job_id)

    @routes.delete("/jobs/{job_id}", status_code=204)
    def remove(job_id: str) -> Response:
        """Take a job out of the list, and its files off the disk."""
        desk.remove(job_id)
        return Response(status_code=204)

    @routes.post("/jobs/{job_id}/revisions", status_code=201, response_model=JobForm,
                 openapi_extra=FILE)
    async def revise(job_id: str, request: Request, name: Name, unit: UnitName = None) -> Response:
        """Send in the next revision; what was decided is taken again where it is found again."""
        known(None, unit)
        await run_in_threadpool(desk.look, job_id, lambda _s, _at: None)
        async with uploads.taken(request) as (sha256, size):
            await run_in_threadpool(desk.add_revision, job_id, name, sha256, size, unit)
        return await run_in_threadpool(shown, job_id, 201)

    @routes.post("/jobs/{job_id}/unit", response_model=JobForm)
    def state_unit(job_id: str, stated: StatedUnit) -> Response:
        """Say which unit the numbers of the file are in."""
        desk.state_unit(job_id, stated.unit)
        return shown(job_id)

    @routes.post("/jobs/{job_id}/cancel", response_model=JobForm)
    def cancel(job_id: str) -> Response:
        """Stop what waits or is under way."""
        desk.cancel(job_id)
        return shown(job_id)

    @routes.post("/jobs/{job_id}/retry", response_model=JobForm)
    def retry(job_id: str) -> Response:
        """Begin again what failed or was stopped."""
        desk.retry(job_id)
        return shown(job_id)

    @routes.post("/jobs/{job_id}/orient", response_model=JobForm)
    def orient(job_id: str, aims: Aims | None = None) -> Response:
        """Look for the best way up, of all directions."""
        desk.orient(job_id, (aims or Aims()).model_dump(mode="json"))
        return shown(job_id)

    @routes.post("/jobs/{job_id}/decisions", response_model=JobForm)
    def decide(job_id: str, decision: Decision) -> Response:
        """Decide one thing; the consequence is worked out."""
        desk.decide(job_id, decision)
        return shown(job_id)

    @routes.get("/jobs/{job_id}/decisions", response_model=Log)
    def log(job_id: str) -> dict[str, Any]:
        """All that was decided, oldest first; nothing is ever taken out."""
        def line(entry: Entry) -> dict[str, Any]:
            return {"seq": entry.id, "at": entry.at, "what": entry.what,
                    "value": entry.value.get("of"), "revision": entry.revision}

        found: dict[str, Any] = desk.look(job_id, lambda _s, at: {"log": [*map(line, at.log)]})
        return found

    @routes.post("/jobs/{job_id}/undo", response_model=JobForm)
    def undo(job_id: str) -> Response:
        """Take back the last decision."""
        desk.step(job_id, "undo")
        return shown(job_id)

    @routes.post("/jobs/{job_id}/redo", response_model=JobForm)
    def redo(job_id: str) -> Response:
        """Bring back what was taken back last."""
        desk.step(job_id, "redo")
        return shown(job_id)

    @routes.put("/jobs/{job_id}/recipe", response_model=JobForm, openapi_extra=TEXT)
    async def take_recipe(job_id: str, request: Request,
                          name: Annotated[str, Query(max_length=500)] = "recipe.toml") -> Response:
        """Start from the decisions of a recipe."""
        await run_in_threadpool(desk.look, job_id, lambda _s, _at: None)
        body = await whole(request)
        await run_in_threadpool(desk.take_recipe, job_id, body, name)
        return await run_in_threadpool(shown, job_id)

    @routes.get("/jobs/{job_id}/events", response_class=StreamingResponse)
    async def events(job_id: str) -> Response:
        """What happens to one job, as server-sent events."""
        await run_in_threadpool(desk.look, job_id, lambda _s, _at: None)
        return _stream(desk, job_id)

    @routes.get("/events", response_class=StreamingResponse)
    async def all_events() -> Response:
        """What happens to any job."""
        return _stream(desk, None)

    return routes


def _stream(desk: Desk, job_id: str | None) -> Response:
    """Server-sent events (HTML living standard, 9.2)."""
    heard = desk.bus.listen(job_id)

    async def lines() -> AsyncIterator[str]:
        async for event in heard:
            yield (f"event: {event.name}\ndata: {json.dumps(event.data)}\n\n" if event is not None
                   else ": still here\n\n")

    return StreamingResponse(lines(), media_type="text/event-stream",
                             headers={"x-accel-buffering": "no"})
