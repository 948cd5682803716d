"""Who wants to know what happens: events go from the threads of the workers to the streams of the
pages."""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from typing import Any

from soffit.shop.errors import Refused

_QUIET_S = 15.0  # a line is sent after so long, so that a lost connection is noticed
_BEHIND = 1000  # events that a page may be behind before it is told to look at everything again


@dataclass(frozen=True)
class Event:
    """Something that happened to a job."""

    name: str
    job: str
    data: dict[str, Any]


@dataclass(eq=False)
class _Listener:
    loop: asyncio.AbstractEventLoop
    job: str | None
    queue: asyncio.Queue[Event | None] = field(default_factory=asyncio.Queue)


class Bus:
    """Events of all jobs."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._lock = threading.Lock()
        self._listeners: set[_Listener] = set()
        self._closed = False

    def tell(self, name: str, job: str, **data: Any) -> None:
        """Send an event to whoever listens; from any thread."""
        event = Event(name, job, {"job": job, **data})
        with self._lock:
            listeners = [one for one in self._listeners if one.job in (None, job)]
        for one in listeners:
            with contextlib.suppress(RuntimeError):  # its loop has ended
                one.loop.call_soon_threadsafe(_put, one.queue, event)

    def close(self) -> None:
        """End all streams."""
        with self._lock:
            self._closed = True
            listeners = list(self._listeners)
        for one in listeners:
            with contextlib.suppress(RuntimeError):
                one.loop.call_soon_threadsafe(one.queue.put_nowait, None)

    def listen(self, job: str | None) -> AsyncIterator[Event | None]:
        """The events of one job, or of all; None where nothing happened for a while. Raises Refused
        where too many listen."""
        with self._lock:
            if len(self._listeners) >= self._most:
                raise Refused(429, "too many pages are open; close some")
            one = _Listener(asyncio.get_running_loop(), job)
            if not self._closed:
                self._listeners.add(one)
            else:
                one.queue.put_nowait(None)
        return self._stream(one)

    async def _stream(self, one: _Listener) -> AsyncIterator[Event | None]:
        try:
            yield Event("changed", one.job or "", {"job": one.job})
            while not self._closed:
                try:
                    event = await asyncio.wait_for(one.queue.get(), _QUIET_S)
                except TimeoutError:
                    yield None
                    continue
                if event is None:
                    return
                yield event
        finally:
            with self._lock:
                self._listeners.discard(one)


def _put(queue: asyncio.Queue[Event | None], event: Event) -> None:
    if queue.qsize() >= _BEHIND:
        while not queue.empty():
            queue.get_nowait()
        event = Event("changed", event.job, {"job": event.job})
    queue.put_nowait(event)
