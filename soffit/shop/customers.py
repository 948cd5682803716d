"""The customer's way in: links that are made and taken back, and what is seen and said by one."""

from __future__ import annotations

import datetime
import secrets
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Request
from fastapi.responses import JSONResponse, Response
from pydantic import BaseModel, ConfigDict, Field
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from soffit.shop.desk import Desk, digest, job_of
from soffit.shop.errors import not_found, not_now, wrong
from soffit.shop.forms import LinkList, NewLink, ViewForm
from soffit.shop.names import shown_name
from soffit.shop.results import State, kept, not_now_yet
from soffit.shop.runs import Standing, standing
from soffit.shop.shown import priced, view_json
from soffit.shop.store import now, stamp
from soffit.shop.tables import Answer, Job, Link, Run


class Invitation(BaseModel):
    """Whom a link is for, how long it holds, and whether it shows prices."""

    model_config = ConfigDict(extra="forbid")
    whom: Annotated[str, Field(alias="for", max_length=200)] = ""
    days: Annotated[int, Field(ge=1, le=365)] = 30
    prices: bool = False


class Said(BaseModel):
    """What a customer says of one change, by the name of its edit, or of all ("")."""

    model_config = ConfigDict(extra="forbid")
    edit: Annotated[str, Field(max_length=16)]
    answer: Literal["approve", "decline", "comment"]
    name: Annotated[str, Field(min_length=1, max_length=200)]
    comment: Annotated[str, Field(max_length=4000)] = ""


def link_routes(desk: Desk) -> APIRouter:
    """The calls of whoever sits at the desk."""
    routes = APIRouter(prefix="/api/jobs/{job_id}/links", tags=["customer"])

    @routes.post("", status_code=201, response_model=NewLink)
    def invite(job_id: str, wanted: Invitation) -> dict[str, Any]:
        """Make a link to the resolution as it is shown now. The secret is told this once."""
        secret = secrets.token_urlsafe(32)
        ends = datetime.datetime.now(datetime.UTC) + datetime.timedelta(days=wanted.days)
        with desk.store.begin() as session:
            at = standing(session, job_of(session, job_id))
            run = at.shown("resolve")
            if run is None:
                raise not_now_yet()
            many = session.scalar(select(func.count()).where(Link.job == at.job.id)) or 0
            if many >= desk.limits.links:
                raise not_now(f"this job has {many} links already; begin a new job")
            link = Link(job=at.job.id, run=run.id, secret=digest(secret),
                        whom=shown_name(wanted.whom, "customer"), prices=wanted.prices,
                        created=now(), expires=stamp(ends), revoked=None)
            session.add(link)
            session.flush()
            return {**_link_json(link), "path": f"/s/{secret}"}

    @routes.get("", response_model=LinkList)
    def links(job_id: str) -> dict[str, Any]:
        """The links of a job, without their secrets."""
        def rows(session: Session, at: Standing) -> dict[str, Any]:
            found = session.scalars(select(Link).where(Link.job == at.job.id).order_by(Link.id))
            return {"links": [_link_json(link) for link in found]}

        found: dict[str, Any] = desk.look(job_id, rows)
        return found

    @routes.delete("/{number}", status_code=204)
    def revoke(job_id: str, number: int) -> Response:
        """Take a link back."""
        with desk.store.begin() as session:
            job = job_of(session, job_id)
            link = session.get(Link, number) if 0 < number < 2**31 else None
            if link is None or link.job != job.id:
                raise not_found("link")
            link.revoked = link.revoked or now()
        return Response(status_code=204)

    return routes


def customer_routes(desk: Desk) -> APIRouter:
    """The calls of whoever has a link."""
    routes = APIRouter(prefix="/api/s/{secret}", tags=["customer"])

    def linked(session: Session, secret: str) -> tuple[Standing, Link, Run]:
        link = session.scalars(select(Link).where(Link.secret == digest(secret))).first()
        job = session.get(Job, link.job) if link is not None else None
        if (link is None or job is None or job.removed is not None or link.revoked is not None
                or link.expires < now()):
            raise not_found("link, or it has expired")
        return standing(session, job), link, session.get_one(Run, link.run)

    def shown(secret: str) -> Response:
        with desk.store.look() as session:
            at, link, _ = linked(session, secret)
            return JSONResponse(view_json(desk, session, at, link, secret))

    @routes.get("", response_model=ViewForm)
    def view(secret: str) -> Response:
        """The change sheet, to be read and answered."""
        return shown(secret)

    @routes.get("/geometry/{state}")
    def geometry(secret: str, state: State, request: Request) -> Response:
        """The part as triangles."""
        with desk.store.look() as session:
            _, _, run = linked(session, secret)
        return kept(desk, run, f"geometry-{state}", request)

    @routes.get("/drawings/{name}.svg")
    def drawing(secret: str, name: str, request: Request) -> Response:
        """A drawing of the change sheet."""
        with desk.store.look() as session:
            _, link, run = linked(session, secret)
        if priced(name) and not link.prices:
            raise not_found("drawing")
        return kept(desk, run, f"drawing/{name}", request)

    @routes.post("/answers", response_model=ViewForm)
    def answer(secret: str, said: Said) -> Response:
        """Approve or decline a change, or say something of it."""
        with desk.store.begin() as session:
            at, link, run = linked(session, secret)
            if said.edit and said.edit not in run.said["edits"]:
                raise wrong(f"there is no change {shown_name(said.edit)!r} here; there are "
                            f"{', '.join(run.said['edits']) or 'none'}")
            if said.answer == "comment" and not said.comment.strip():
                raise wrong("the comment is empty; write something")
            many = session.scalar(select(func.count()).where(Answer.link == link.id)) or 0
            if many >= desk.limits.answers:
                raise not_now("so much was said by this link that it takes no more; ask for a new "
                              "one")
            session.add(Answer(job=at.job.id, run=run.id, link=link.id, at=now(), edit=said.edit,
                               answer=said.answer, name=shown_name(said.name, "?"),
                               comment=_plain(said.comment)))
        desk.bus.tell("changed", at.job.id)
        return shown(secret)

    return routes


def _link_json(link: Link) -> dict[str, Any]:
    return {"id": link.id, "for": link.whom, "prices": link.prices, "created": link.created,
            "expires": link.expires, "revoked": link.revoked}


def _plain(text: str) -> str:
    """A comment without control characters but for its line ends."""
    return "".join(c for c in text if c == "\n" or c.isprintable()).strip()
