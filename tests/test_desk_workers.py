"""The queue of the desk: what is late, killed or superseded, and what goes on beside it."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import select

from soffit.shop.desk import Desk
from soffit.shop.home import open_home
from soffit.shop.limits import Limits
from soffit.shop.tables import FAILED, RUNNING, STOPPED, WAITING, Run
from tests.desks import Client, arm, ready, running

NOTHING = b"solid of nothing"


def test_a_run_that_takes_too_long_or_dies_fails_alone(tmp_path: Path) -> None:
    with running(tmp_path, Limits(at_once=1, run_s=0.02)) as desk:
        # The limit is over before the worker is up.
        job = desk.post("/api/jobs?name=arm.stl&unit=mm", arm())["id"]
        error = _failed(desk, job)
        assert "stopped after 0.02 s" in error
    with running(tmp_path, Limits(at_once=1)) as desk:
        first = desk.post(f"/api/jobs/{job}/retry")
        assert first["state"] in ("queued", "running")
        second = desk.post("/api/jobs?name=x.stl&unit=mm", NOTHING)["id"]
        assert desk.desk is not None
        (slot,) = desk.desk.workers._slots
        _until(lambda: slot.run is not None and slot.child is not None)
        assert slot.child is not None
        slot.child.process.kill()  # as the system does when memory is short
        assert "the process was ended by SIGKILL" in _failed(desk, job)
        assert "x.stl" in _failed(desk, second)  # was looked at after all, by a new process


@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere the system sets no such limit")
def test_a_run_that_needs_more_memory_than_it_may_have_says_so_and_others_go_on(
    tmp_path: Path,
) -> None:
    # Of the address space a small part takes 0.35 GB and this sheet of 178,802 triangles 0.81 GB
    # (measured).
    with running(tmp_path, Limits(at_once=1, memory_bytes=600 * 2**20)) as desk:
        large = desk.post("/api/jobs?name=sheet.stl&unit=mm", _sheet(300))["id"]
        small = desk.post("/api/jobs?name=arm.stl", arm())["id"]
        error = _failed(desk, large)
        assert "needs more than the 0.586 GB of memory" in error and "simplify" in error
        assert desk.settled(small)["state"] == "asking"
        assert desk.call("GET", "/api/about").status == 200


def _sheet(count: int) -> bytes:
    """So many by so many corners of a flat sheet, as STL."""
    x, y = (a.reshape(-1) for a in np.meshgrid(*[np.arange(count - 1)] * 2))
    a, b, c, d = (np.stack([x + i, y + j, 0 * x], axis=1)
                  for i, j in ((0, 0), (1, 0), (1, 1), (0, 1)))
    table = np.zeros(2 * len(a), [("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("a", "<u2")])
    table["corners"][::2], table["corners"][1::2] = np.stack([a, b, c], 1), np.stack([a, c, d], 1)
    return b"a sheet".ljust(80) + len(table).to_bytes(4, "little") + table.tobytes()


def test_of_decisions_in_a_row_only_the_last_is_worked_out(tmp_path: Path) -> None:
    job = ready(tmp_path)
    with running(tmp_path, work=False) as desk:
        for quantity in (2, 3, 4):
            shown = desk.post(f"/api/jobs/{job}/decisions", {"quantity": quantity})
            assert shown["state"] == "queued" and shown["stale"]
            assert shown["resolve"]["verdict"]["clean"]  # that of before is still shown
        assert desk.desk is not None
        assert _states(desk.desk, job)[-3:] == [STOPPED, STOPPED, WAITING]
        # Back to where it was: nothing is left to do.
        for _ in range(3):
            shown = desk.post(f"/api/jobs/{job}/undo")
        assert shown["state"] == "done" and not shown["stale"]
        # What names a finding speaks of one way up, and of a face that there is.
        desk.post(f"/api/jobs/{job}/decisions", {"up": "auto"})
        for said, status in (({"choose": {"finding": "F1", "key": "F1/prop"}}, 409),
                             ({"protect": [9]}, 400),
                             ({"drop_keep_out": 0}, 409), ({"forbid": "magic"}, 400)):
            assert desk.call("POST", f"/api/jobs/{job}/decisions", said).status == status
        desk.post(f"/api/jobs/{job}/undo")
        choice = {"choose": {"finding": "F7", "key": None}}
        assert desk.call("POST", f"/api/jobs/{job}/decisions", choice).status == 400


@pytest.mark.parametrize(("tries", "state"), [(1, WAITING), (3, FAILED)])
def test_what_was_under_way_when_the_desk_ended_is_taken_up_again(
    tmp_path: Path, tries: int, state: str
) -> None:
    with running(tmp_path, work=False) as client:
        job = client.post("/api/jobs?name=x.stl&unit=mm", NOTHING)["id"]
    desk = Desk(open_home(tmp_path), Limits(at_once=0))
    try:
        with desk.store.begin() as session:
            run = session.scalars(select(Run)).one()
            run.state, run.tries = RUNNING, tries
        desk.start()
        assert _states(desk, job) == [state]
    finally:
        desk.close()


def test_a_desk_that_is_ended_does_not_count_against_what_was_under_way(tmp_path: Path) -> None:
    with running(tmp_path, work=False) as client:
        job = client.post("/api/jobs?name=x.stl&unit=mm", NOTHING)["id"]
    for _ in range(2):
        desk = Desk(open_home(tmp_path), Limits(at_once=0, tries=1))
        desk.start()
        assert _states(desk, job) == [WAITING]
        with desk.store.begin() as session:
            run = session.scalars(select(Run)).one()
            run.state, run.tries = RUNNING, run.tries + 1
        desk.close()


def test_too_much_waiting_is_refused(tmp_path: Path) -> None:
    with running(tmp_path, Limits(waiting=2), work=False) as desk:
        for _ in range(2):
            desk.post("/api/jobs?name=x.stl&unit=mm", NOTHING)
        assert desk.call("POST", "/api/jobs?name=x.stl&unit=mm", NOTHING).status == 429


def _failed(desk: Client, job: str) -> str:
    _until(lambda: desk.get(f"/api/jobs/{job}")["state"] == "failed")
    return str(desk.get(f"/api/jobs/{job}")["error"])


def _states(desk: Desk, job: str) -> list[str]:
    found: list[str] = desk.look(job, lambda _s, at: [run.state for run in at.runs])
    return found


def _until(true: Callable[[], bool], seconds: float = 60.0) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end
        time.sleep(0.01)
