"""Connections that say nothing are let go: each has so long to say what it wants.

How long a body may take is seen to by `guard`; before one begins there is no call yet that could
see to it, and who is connected counts among the few that may be.
"""

from __future__ import annotations

import asyncio
from typing import Any

from uvicorn.protocols.http.h11_impl import H11Protocol


def impatient(head_s: float) -> type[asyncio.Protocol]:
    """The protocol of a server that waits no longer than this for the head of a call."""

    class Impatient(H11Protocol):
        """Ends a connection that is at no call for too long."""

        _late: asyncio.TimerHandle | None = None

        def connection_made(self, transport: Any) -> None:
            super().connection_made(transport)
            self._watch()

        def data_received(self, data: bytes) -> None:
            super().data_received(data)
            self._watch()

        def connection_lost(self, exc: Exception | None) -> None:
            if self._late is not None:
                self._late.cancel()
            super().connection_lost(exc)

        def _watch(self) -> None:
            if self._busy and self._late is not None:
                self._late.cancel()
                self._late = None
            elif not self._busy and self._late is None:
                self._late = self.loop.call_later(head_s, self._end)

        @property
        def _busy(self) -> bool:
            return self.cycle is not None and not self.cycle.response_complete

        def _end(self) -> None:
            self._late = None
            if not self._busy:
                self.transport.close()

    return Impatient
