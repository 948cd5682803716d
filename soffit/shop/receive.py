"""Taking a body: straight to the disk, or whole where it is small."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import AbstractContextManager, asynccontextmanager

from fastapi import Request
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect

from soffit.shop.blobs import Writing
from soffit.shop.desk import Desk
from soffit.shop.errors import Refused, wrong


class Uploads:
    """Uploads of one desk, no more at once than it allows."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._free = asyncio.Semaphore(desk.limits.uploads_at_once)

    @asynccontextmanager
    async def taken(self, request: Request) -> AsyncIterator[tuple[str, int]]:
        """Keep the body of a call as a file: its hash and size, for as long as it takes until a row
        names it. Raises Refused where it is empty, the disk is full, or too many are sent at once.
        """
        if self._free.locked():
            raise Refused(429, "too many files are sent at once; try again in a moment")
        async with self._free:
            adding = self._desk.blobs.adding()
            new = await self._received(request, adding)
            try:
                yield new.sha256, new.size
            finally:
                adding.__exit__(None, None, None)

    async def _received(self, request: Request, adding: AbstractContextManager[None]) -> Writing:
        kept = self._desk.blobs.writing()

        def keep() -> None:
            adding.__enter__()
            try:
                kept.__exit__(None, None, None)
            except BaseException:
                adding.__exit__(None, None, None)
                raise

        try:
            new = await run_in_threadpool(kept.__enter__)
            try:
                async for piece in request.stream():
                    await run_in_threadpool(new.write, piece)
                if not new.size:
                    raise wrong("the file is empty; give a STEP, STL, 3MF, OBJ or PLY file")
            except BaseException as error:
                kept.__exit__(type(error), error, error.__traceback__)
                raise
            await run_in_threadpool(keep)
        except ClientDisconnect:
            raise wrong("the file did not come whole; send it again") from None
        except OSError as error:
            raise Refused(507, f"the file cannot be kept: {error.strerror or error}; make room "
                          "on the disk of the desk") from None
        return new


async def whole(request: Request) -> bytes:
    """A small body. Raises Refused where it is empty or broken off."""
    try:
        body = await request.body()
    except ClientDisconnect:
        raise wrong("it did not come whole; send it again") from None
    if not body:
        raise wrong("there is nothing in it; send the file as the body of the call")
    return body
