"""What the desk says of itself, and signing in where it is shared."""

from __future__ import annotations

import hmac
from typing import Annotated, Any

from fastapi import APIRouter, Request, Response
from pydantic import BaseModel, ConfigDict, Field

import soffit
from soffit.part.units import MM_PER_UNIT
from soffit.process.load import available, load_process
from soffit.remedies import modules
from soffit.shop.desk import Desk
from soffit.shop.errors import Refused
from soffit.shop.guard import COOKIE


class Token(BaseModel):
    """The token of a shared desk."""

    model_config = ConfigDict(extra="forbid")
    token: Annotated[str, Field(max_length=200)]


def signing_routes(desk: Desk, token: str | None) -> APIRouter:
    """The calls that need no token."""
    routes = APIRouter(prefix="/api", tags=["desk"])
    processes = [{"name": name, "title": load_process(name).title} for name in available()]

    @routes.get("/about")
    def about(request: Request) -> dict[str, Any]:
        """Version, what there is to choose from, and limits."""
        limits = desk.limits
        return {
            "version": soffit.__version__, "shared": token is not None,
            "signed_in": bool(request.state.signed_in),
            "processes": processes, "units": list(MM_PER_UNIT),
            "remedies": [module.NAME for module in modules()],
            "limits": {"upload_bytes": limits.upload_bytes, "run_s": limits.run_s,
                       "memory_bytes": limits.memory_bytes, "at_once": limits.at_once},
        }

    @routes.post("/login", status_code=204)
    def login(given: Token) -> Response:
        """Sign in at a shared desk: sets a cookie."""
        answer = Response(status_code=204)
        if token is not None:
            if not hmac.compare_digest(given.token.encode(), token.encode()):
                raise Refused(401, "that is not the token of this desk; open the link it printed")
            answer.set_cookie(COOKIE, token, httponly=True, samesite="strict", path="/")
        return answer

    return routes
