"""What every call goes through before anything of it is read, and every answer on its way out.

The name that the call is addressed to must be ours (a page of another site whose name leads here
has its own). What changes anything must come from our page: with a header that other sites cannot
set unasked, and no foreign origin. Where the desk is shared, a token is demanded. Bodies are
counted and must keep coming.
"""

from __future__ import annotations

import asyncio
import hmac
import ipaddress
import json
import time
from collections.abc import Awaitable, Callable, Iterable
from http.cookies import CookieError, SimpleCookie
from typing import Any

from soffit.shop.limits import Limits

Scope = dict[str, Any]
Message = dict[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

HEADER, COOKIE = "x-soffit", "soffit_desk"
POLICY = ("default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; "
          "connect-src 'self'; font-src 'self'; worker-src 'self'; base-uri 'none'; "
          "form-action 'self'; frame-ancestors 'none'")
# A drawing may style itself and do nothing else.
DRAWN = "default-src 'none'; style-src 'unsafe-inline'; sandbox"
_ALWAYS = (
    ("x-content-type-options", "nosniff"), ("referrer-policy", "no-referrer"),
    ("x-frame-options", "DENY"), ("cross-origin-opener-policy", "same-origin"),
    ("cross-origin-resource-policy", "same-origin"),
    ("permissions-policy", "camera=(), microphone=(), geolocation=()"),
)
_SAFE = ("GET", "HEAD")
_OPEN = ("/api/about", "/api/login")
_CUSTOMERS = "/api/s/"


class TooMuch(Exception):
    """A body that is larger, or comes slower, than is allowed; the arguments are status and line.
    """


class Guard:
    """The application with all of that around it. `names`: hosts that calls may be addressed to,
    beside loopback; `token`: what is demanded where the desk is shared."""

    def __init__(self, app: App, limits: Limits, names: Iterable[str] = (),
                 token: str | None = None) -> None:
        self._app, self._limits, self._token = app, limits, token
        self._names = {"localhost", *(name.lower() for name in names)}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = {k.decode("latin-1").lower(): v.decode("latin-1") for k, v in scope["headers"]}
        # Files are small and sent whole, which RFC 9110 (14.2) leaves to us; so no list of ranges
        # is ever worked through, and none is refused in other words than ours.
        scope = {**scope, "headers": [(k, v) for k, v in scope["headers"] if k.lower() != b"range"]}
        path = str(scope["path"])
        outgoing = _Outgoing(send, path)
        refused = self._refused(scope, headers, path)
        scope.setdefault("state", {})["signed_in"] = self._signed_in(headers)
        if refused is not None:
            await outgoing.refuse(*refused)
            return
        try:
            await self._app(scope, self._counted(scope, receive), outgoing)
        except TooMuch as much:
            if not outgoing.begun:
                await outgoing.refuse(*much.args)

    def _refused(self, scope: Scope, headers: dict[str, str], path: str) -> tuple[int, str] | None:
        host = headers.get("host", "")
        if not self._ours(host):
            return 421, "this desk is not reached by that name; use the address that it printed"
        if scope["method"] not in _SAFE:
            origin = headers.get("origin")
            if (headers.get(HEADER) != "1"
                    or headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none")
                    or (origin is not None and origin.partition("://")[2] != host)):
                return 403, "changes are taken from the desk's own page, or with X-Soffit: 1"
        if (self._token is not None and path.startswith("/api") and path not in _OPEN
                and not path.startswith(_CUSTOMERS) and not self._signed_in(headers)):
            return 401, "this desk is shared; open it with the link that it printed"
        length = headers.get("content-length", "0")
        if not length.isdecimal() or len(length) > 15 or int(length) > self._most(path):
            return 413, f"that is too large; {self._most(path) // 1000} kB are taken"
        return None

    def _ours(self, host: str) -> bool:
        name = host.rpartition(":")[0] if not host.endswith("]") and ":" in host else host
        name = name.strip("[]").lower().rstrip(".")
        try:
            address = ipaddress.ip_address(name)
        except ValueError:
            return name in self._names
        # A number cannot be led elsewhere; beyond loopback it counts where the desk is shared.
        return address.is_loopback or self._token is not None

    def _signed_in(self, headers: dict[str, str]) -> bool:
        if self._token is None:
            return True
        given = headers.get("authorization", "").removeprefix("Bearer ")
        try:
            morsel = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
        except CookieError:
            morsel = None
        found = [given, morsel.value if morsel is not None else ""]
        return any(hmac.compare_digest(one.encode(), self._token.encode()) for one in found)

    def _most(self, path: str) -> int:
        if path == "/api/jobs" or path.endswith("/revisions"):
            return self._limits.upload_bytes
        if path.endswith(("/recipe", "/records")):
            return self._limits.text_bytes
        return self._limits.body_bytes

    def _counted(self, scope: Scope, receive: Receive) -> Receive:
        most, began = self._most(str(scope["path"])), time.monotonic()
        size, whole = 0, False

        async def counted() -> Message:
            nonlocal size, whole
            if whole:
                return await receive()  # waits for the client to leave
            try:
                message = await asyncio.wait_for(receive(), self._limits.upload_idle_s)
            except TimeoutError:
                raise TooMuch(408, "nothing more came; send it again") from None
            size += len(message.get("body", b""))
            whole = not message.get("more_body", False)
            if size > most:
                raise TooMuch(413, f"that is too large; {most // 1000} kB are taken")
            if not whole and time.monotonic() - began > self._limits.upload_s:
                raise TooMuch(408, "that took too long; send it again")
            return message

        return counted


class _Outgoing:
    """Adds to every answer what browsers are to heed."""

    def __init__(self, send: Send, path: str) -> None:
        self._send, self._path = send, path
        self.begun = False

    async def __call__(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self.begun = True
            headers = list(message.get("headers", ()))
            there = {name.lower() for name, _ in headers}
            own = [("content-security-policy", POLICY), *_ALWAYS]
            if self._path.startswith("/api"):
                own.append(("cache-control", "no-store"))
            headers += [(k.encode(), v.encode()) for k, v in own if k.encode() not in there]
            message = {**message, "headers": headers}
        await self._send(message)

    async def refuse(self, status: int, line: str) -> None:
        """Answer with an error; the rest of the call is not read."""
        body = json.dumps({"error": line}).encode()
        await self({"type": "http.response.start", "status": status, "headers": [
            (b"content-type", b"application/json"), (b"content-length", str(len(body)).encode()),
            (b"connection", b"close")]})
        await self({"type": "http.response.body", "body": body})
