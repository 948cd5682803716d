"""The process of a desk: opens its data, listens, opens the browser; it ends within a second."""

from __future__ import annotations

import os
import secrets
import signal
import socket
import sys
import threading
import webbrowser
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType

import uvicorn

from soffit.errors import InputError
from soffit.shop.app import application
from soffit.shop.desk import Desk
from soffit.shop.home import open_home
from soffit.shop.impatient import impatient
from soffit.shop.limits import Limits

PORT = 8410  # own choice
_GRACE_S = 0.4  # how long answers under way have after Ctrl-C
_MOST = 300  # connections at once (own choice)
_LOOPBACK, _EVERYWHERE = "127.0.0.1", "0.0.0.0"


def serve(home: Path, port: int | None = None, *, share: bool = False, browser: bool = True,
          limits: Limits | None = None, say: Callable[[str], None] = print) -> None:
    """Run a desk until it is told to end. `port`: 0 takes any that is free; None the usual one, or
    the next that is. `say` is told where it is reached.

    Raises InputError where the data or the port cannot be had.
    """
    held = open_home(home)
    listening: socket.socket | None = None
    desk: Desk | None = None
    try:
        listening = _listen(_EVERYWHERE if share else _LOOPBACK, port)
        desk = Desk(held, limits)
        token = secrets.token_urlsafe(32) if share else None
        names = {socket.gethostname(), socket.getfqdn()} if share else set()
        number = listening.getsockname()[1]
        url = f"http://{_LOOPBACK}:{number}/"
        opened = f"{url}#token={token}" if token else url
        held.tell(opened)
        desk.start()
        server = Server(desk, names, token)
        say(f"The desk is at {opened}")
        if token:
            say(f"For others: http://{socket.gethostname()}:{number}/#token={token}")
        say(f"Its data is in {home}. Ctrl-C ends it.")
        if browser:
            threading.Thread(target=webbrowser.open, args=(opened,), daemon=True).start()
        with _ended_by_signals(server):
            server.run(sockets=[listening])
    finally:
        if listening is not None:
            listening.close()
        if desk is not None:
            desk.close()
        else:
            held.close()


class Server(uvicorn.Server):
    """What answers the calls to a desk. Ends its streams when it shall end, so that nothing holds
    it up. `names` and `token` as of `Guard`."""

    def __init__(self, desk: Desk, names: Iterable[str] = (), token: str | None = None) -> None:
        super().__init__(uvicorn.Config(
            application(desk, names, token), http=impatient(desk.limits.head_s),
            log_level="warning", access_log=False, server_header=False, lifespan="off",
            limit_concurrency=_MOST, timeout_graceful_shutdown=1, ws="none",
            h11_max_incomplete_event_size=32_768,
        ))
        self._desk = desk

    def end(self) -> None:
        """Begin to end; whoever is still at it after a moment is cut off."""
        self.should_exit = True
        self._desk.bus.close()
        timer = threading.Timer(_GRACE_S, self._force)
        timer.daemon = True
        timer.start()

    def _force(self) -> None:
        self.force_exit = True

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Signals are caught around the whole (`_ended_by_signals`), also before it listens."""
        yield


@contextmanager
def _ended_by_signals(server: Server) -> Iterator[None]:
    def ended(_number: int, _frame: FrameType | None) -> None:
        server.end()

    if threading.current_thread() is not threading.main_thread():
        yield
        return
    names = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")
    numbers = [getattr(signal, name) for name in names if hasattr(signal, name)]
    before = {n: signal.signal(n, ended) for n in numbers
              if signal.getsignal(n) is not signal.SIG_IGN}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _listen(host: str, port: int | None) -> socket.socket:
    """A socket that listens on this port."""
    for tried in [PORT, *range(PORT + 1, PORT + 10), 0] if port is None else [port]:
        listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        if sys.platform != "win32":
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listening.bind((host, tried))
            listening.listen(128)
            os.set_inheritable(listening.fileno(), False)
        except (OSError, OverflowError) as error:
            listening.close()
            reason = getattr(error, "strerror", None) or str(error)
            failed = InputError(f"listening on port {tried}: {reason}; give another with --port")
        else:
            return listening
    raise failed
