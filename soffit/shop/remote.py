"""Talking to a desk from the command line: the same calls as its page."""

from __future__ import annotations

import json
import time
import urllib.error
import urllib.request
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlencode, urlsplit

from soffit.errors import InputError
from soffit.part.write_mesh import write_whole

_TIMEOUT_S = 60.0
_EACH_S = 0.3  # how often is asked whether a job is done


class Remote:
    """A desk at this address; a token for a shared one stands behind "#token=", as the desk prints
    it."""

    def __init__(self, url: str) -> None:
        parts = urlsplit(url)
        if parts.scheme not in ("http", "https") or not parts.netloc:
            raise InputError(f"reaching the desk at {url}: that is no address of one; give it as "
                             "`soffit desk` prints it")
        self.base = f"{parts.scheme}://{parts.netloc}"
        self._token = parts.fragment.removeprefix("token=")

    def send(self, file: Path, query: dict[str, Any], job: str | None = None) -> str:
        """Send in a part, or the next revision of a job; returns the job's id."""
        try:
            data = file.read_bytes()
        except OSError as error:
            raise InputError(f"reading {file}: {error.strerror or error}; check the path") from None
        asked = {"name": file.name, **{k: v for k, v in query.items() if v is not None}}
        where = f"/api/jobs/{quote(job, safe='')}/revisions" if job else "/api/jobs"
        sent = self._json("POST", f"{where}?{urlencode(asked)}", data)
        return str(sent["id"])

    def decide_by(self, job: str, recipe: Path) -> None:
        """Have a job start from the decisions of a recipe."""
        try:
            data = recipe.read_bytes()
        except OSError as error:
            raise InputError(f"reading recipe {recipe}: {error.strerror or error}; check the path"
                             ) from None
        name = urlencode({"name": recipe.name})
        self._json("PUT", f"/api/jobs/{quote(job, safe='')}/recipe?{name}", data)

    def jobs(self) -> list[dict[str, Any]]:
        """The newest jobs."""
        found: list[dict[str, Any]] = self._json("GET", "/api/jobs")["jobs"]
        return found

    def done(self, job: str, tell: Callable[[str], None]) -> dict[str, Any]:
        """The job as soon as nothing is under way for it; `tell` hears what is. Raises InputError
        where it failed, was stopped, or asks for a unit."""
        while True:
            found: dict[str, Any] = self._json("GET", f"/api/jobs/{quote(job, safe='')}")
            if found["state"] == "done":
                return found
            if found["state"] not in ("queued", "running"):
                why = found["error"] or {
                    "asking": "its file states no unit; send it again with --unit",
                    "cancelled": "it was stopped; begin it again in the desk",
                }.get(found["state"], found["state"])
                raise InputError(f"fetching job {job}: {why}")
            if found["doing"]:
                tell(found["doing"]["words"])
            time.sleep(_EACH_S)

    def fetch(self, found: dict[str, Any], out: Path) -> list[Path]:
        """Write the files of a job that is done to a folder; returns their paths."""
        try:
            out.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise InputError(f"writing to {out}: {error.strerror or error}; give another folder "
                             "with --out") from None
        written = []
        for one in found["files"]:
            name = Path(str(one["name"])).name  # whatever the desk says, it stays in the folder
            if name in ("", ".", ".."):
                raise InputError(f"fetching from the desk at {self.base}: {one['name']!r} is no "
                                 "name of a file; use a desk of this version")
            write_whole(out / name, self._call("GET", str(one["url"])))
            written.append(out / name)
        return written

    def _json(self, method: str, path: str, data: bytes | None = None) -> Any:
        answer = self._call(method, path, data)
        try:
            return json.loads(answer)
        except ValueError:
            raise InputError(f"reaching the desk at {self.base}: what answers there is no desk; "
                             "give the address that `soffit desk` prints") from None

    def _call(self, method: str, path: str, data: bytes | None = None) -> bytes:
        headers = {"X-Soffit": "1", "Content-Type": "application/octet-stream"}
        if self._token:
            headers["Authorization"] = f"Bearer {self._token}"
        call = urllib.request.Request(self.base + path, data, headers, method=method)
        try:
            with urllib.request.urlopen(call, timeout=_TIMEOUT_S) as answer:
                return bytes(answer.read())
        except urllib.error.HTTPError as error:
            with error:
                raise InputError(f"asking the desk at {self.base}: {_said(error.read())}") from None
        except (OSError, ValueError) as error:
            reason = getattr(error, "reason", None) or error
            raise InputError(f"reaching the desk at {self.base}: {reason}; start one with `soffit "
                             "desk`, or give its address with --at") from None


def _said(body: bytes) -> str:
    try:
        return str(json.loads(body)["error"])
    except (ValueError, KeyError, TypeError):
        return "what answers there is no desk; give the address that `soffit desk` prints"
