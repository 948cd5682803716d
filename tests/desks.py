"""A desk that listens, and a client of it, for the tests of `soffit.shop`."""

from __future__ import annotations

import contextlib
import http.client
import json
import tempfile
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from soffit.shop.desk import Desk
from soffit.shop.home import open_home
from soffit.shop.limits import Limits
from soffit.shop.serve import Server, _listen
from tests import shared


@dataclass(frozen=True)
class Answer:
    """What came back."""

    status: int
    headers: Mapping[str, str]
    body: bytes

    @property
    def json(self) -> Any:
        return json.loads(self.body)

    @property
    def error(self) -> str:
        """The one line of an error."""
        (line,) = self.json.values()
        return str(line)


@dataclass(frozen=True)
class Client:
    """Calls to a desk on this port."""

    port: int
    desk: Desk | None = None

    def call(self, method: str, path: str, body: Any = None,
             headers: Mapping[str, str] | None = None) -> Answer:
        """One call, as the page makes it: with the header that it adds."""
        data = body if body is None or isinstance(body, bytes) else json.dumps(body).encode()
        kind = "application/octet-stream" if isinstance(body, bytes) else "application/json"
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        try:
            connection.request(method, path, data,
                               {"x-soffit": "1", "content-type": kind, **(headers or {})})
            answer = connection.getresponse()
            named = {k.lower(): v for k, v in answer.getheaders()}
            return Answer(answer.status, named, answer.read())
        finally:
            connection.close()

    def get(self, path: str) -> Any:
        """The JSON that is there."""
        answer = self.call("GET", path)
        assert answer.status == 200, (path, answer)
        return answer.json

    def post(self, path: str, body: Any = None) -> Any:
        """The JSON that is answered to something that must go well."""
        answer = self.call("POST", path, body)
        assert answer.status in (200, 201), (path, answer)
        return answer.json

    def settled(self, job: str, seconds: float = 120.0) -> Any:
        """The job once nothing is under way for it."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            found = self.get(f"/api/jobs/{job}")
            if found["state"] not in ("queued", "running") and found["doing"] is None:
                assert not found["error"], found["error"]
                return found
            time.sleep(0.05)
        raise AssertionError(f"not settled: {found['state']}, {found['doing']}")


@contextmanager
def running(home: Path, limits: Limits | None = None, token: str | None = None,
            work: bool = True) -> Iterator[Client]:
    """A desk in this process, with its workers as processes; none where no `work` is to be done."""
    desk = Desk(open_home(home), limits)
    if work:
        desk.start()
    listening = _listen("127.0.0.1", 0)
    server = Server(desk, (), token)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
    thread.start()
    try:
        yield Client(listening.getsockname()[1], desk)
    finally:
        server.end()
        thread.join(10)
        listening.close()
        with contextlib.suppress(RuntimeError):
            desk.close()


def ready(home: Path) -> str:
    """Fill a folder with the data of a desk that has resolved an arm; returns the id of the job. It
    is worked out once a run of the tests."""
    job, files = shared.once("desk-with-an-arm", _made)
    for name, data in files.items():
        file = home / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(data)
    return str(job)


def _made() -> tuple[str, dict[str, bytes]]:
    with tempfile.TemporaryDirectory() as place:
        with running(Path(place)) as client:
            job = client.post("/api/jobs?name=arm.stl&unit=mm", arm())["id"]
            client.settled(job)
        files = [file for file in Path(place).rglob("*") if file.is_file()]
        return job, {str(f.relative_to(place)): f.read_bytes() for f in files}


def arm(out_mm: float = 8.0) -> bytes:
    """A block of 60 × 90 × 12 mm with an arm 3 mm thick at its top that reaches so far over air, as
    STL: `out_mm` × 90 mm² over air, at a height of 9 mm. Few of it fit on a platform, which is
    quickly found out."""
    x = 60.0 + out_mm
    outline = [(0, 0), (60, 0), (60, 9), (x, 9), (x, 12), (60, 12), (0, 12), (0, 9)]
    quads = [[(a, 90, c), (b, 90, d), (b, 0, d), (a, 0, c)]
             for (a, c), (b, d) in zip(outline, [*outline[1:], outline[0]], strict=True)]
    for k in ((0, 1, 2, 7), (7, 2, 5, 6), (2, 3, 4, 5)):
        front = [(outline[i][0], 0, outline[i][1]) for i in k]
        quads += [front, [(a, 90, c) for a, _, c in front[::-1]]]
    facets = np.array([t for a, b, c, d in quads for t in ((a, b, c), (a, c, d))], dtype="<f4")
    table = np.zeros(len(facets), [("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("a", "<u2")])
    table["corners"] = facets
    return b"an arm".ljust(80) + len(facets).to_bytes(4, "little") + table.tobytes()

