"""Files that nothing needs go; those that anything may still show stay."""

from __future__ import annotations

import copy
import threading
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from soffit.shop.blobs import Blobs
from soffit.shop.desk import Desk
from soffit.shop.home import open_home
from soffit.shop.limits import Limits
from soffit.shop.store import now
from soffit.shop.tables import DONE, WAITING, Answer, Job, Link, Record, Run
from tests.desks import Client, arm, ready, running


def _hashes(home: Path) -> set[str]:
    return {f.parent.name + f.name for f in (home / "files").glob("??/*")}


def _finish(desk: Desk, said: bytes) -> str:
    """Let the run that waits come to what the last one came to, and a file of its own."""
    sha256 = desk.blobs.put(said)
    with desk.store.begin() as session:
        run = session.scalars(select(Run).where(Run.state == WAITING)).one()
        done = session.scalars(select(Run).where(Run.kind == "resolve", Run.state == DONE)
                               .order_by(Run.id)).first()
        assert done is not None
        run.state, run.ended, run.said = DONE, now(), copy.deepcopy(done.said)
        run.results = {**done.results, "own": {"name": "own", "sha256": sha256, "bytes": 1}}
    return sha256


def _quantity(client: Client, job: str, quantity: int) -> str:
    assert client.desk is not None
    client.post(f"/api/jobs/{job}/decisions", {"quantity": quantity})
    return _finish(client.desk, b"of %d" % quantity)


def test_what_nothing_refers_to_goes_at_the_start_and_nothing_else(tmp_path: Path) -> None:
    job = ready(tmp_path)
    with running(tmp_path, work=False) as client:
        before = client.get(f"/api/jobs/{job}")
        kept = _hashes(tmp_path)
        undone = _quantity(client, job, 2)
        client.post(f"/api/jobs/{job}/undo")
        assert client.desk is not None
        orphan = client.desk.blobs.put(b"of a desk that was killed before a row named it")
        assert client.desk.sweep()
        # What redo brings back is there, what nobody can reach is not.
        assert _hashes(tmp_path) == kept | {undone} and orphan not in _hashes(tmp_path)
        other = _quantity(client, job, 3)
        assert client.desk.sweep()
        assert _hashes(tmp_path) == kept | {other}
        client.post(f"/api/jobs/{job}/undo")
        after = client.get(f"/api/jobs/{job}")
        assert after == {**before, "redo": "quantity", "changed": after["changed"]}
        for url in [*before["geometry"].values(), *(d["url"] for d in before["drawings"]),
                    *(f["url"] for f in before["files"]), before["package"]]:
            assert client.call("GET", url).status == 200
        # The quantity that was taken back for good is worked out again when it is wanted again.
        assert client.post(f"/api/jobs/{job}/decisions", {"quantity": 2})["state"] == "queued"
    # At the start, before anything else.
    (tmp_path / "files" / "00").mkdir(exist_ok=True)
    (tmp_path / "files" / "00" / ("0" * 62)).write_bytes(b"left")
    desk = Desk(open_home(tmp_path), Limits(at_once=0))
    try:
        desk.start()
        # The newest that is done stays in view until the one that waits is.
        assert _hashes(tmp_path) == kept | {other}
    finally:
        desk.close()


@pytest.mark.parametrize("why", ["link", "answer", "expired"])
def test_what_a_customer_sees_or_answered_stays(tmp_path: Path, why: str) -> None:
    job = ready(tmp_path)
    with running(tmp_path, work=False) as client:
        desk = client.desk
        assert desk is not None
        theirs = _quantity(client, job, 2)
        link = client.post(f"/api/jobs/{job}/links", {})
        if why == "answer":
            client.post(f"/api{link['path']}/answers",
                        {"edit": "", "answer": "approve", "name": "Ms Demo"})
        if why != "link":
            client.call("DELETE", f"/api/jobs/{job}/links/{link['id']}")
        client.post(f"/api/jobs/{job}/undo")
        _quantity(client, job, 3)
        assert desk.sweep()
        assert (theirs in _hashes(tmp_path)) == (why != "expired")
        if why == "link":
            assert client.get(f"/api{link['path']}")["current"] is False


def test_a_removed_job_leaves_what_was_measured_and_answered(tmp_path: Path) -> None:
    job = ready(tmp_path)
    with running(tmp_path, work=False) as client:
        desk = client.desk
        assert desk is not None
        same = client.post("/api/jobs?name=arm.stl&unit=mm", arm())["id"]
        (part,) = {r["sha256"] for r in client.get(f"/api/jobs/{same}")["revisions"]}
        measured = desk.blobs.put(b"measured")
        with desk.store.begin() as session:
            session.add(Record(job=job, created=now(), file="r.csv", sha256=measured, passed=True,
                               said={"rows": []}))
        assert client.call("DELETE", f"/api/jobs/{job}").status == 204
        assert _hashes(tmp_path) == {part, measured}  # the other job has the same part
        assert client.call("DELETE", f"/api/jobs/{same}").status == 204
        assert _hashes(tmp_path) == {measured}
        with desk.store.begin() as session:  # the rows stay
            assert len(session.scalars(select(Job)).all()) == 2
            assert session.scalars(select(Link)).all() == []
            assert session.scalars(select(Answer)).all() == []


def test_a_recipe_that_decisions_start_from_stays(tmp_path: Path) -> None:
    job = ready(tmp_path)
    with running(tmp_path, work=False) as client:
        recipe = client.call("GET", f"/api/jobs/{job}/recipe").body + b"# of its own\n"
        assert client.call("PUT", f"/api/jobs/{job}/recipe", recipe).status == 200
        assert client.desk is not None and client.desk.sweep()
        (line,) = client.get(f"/api/jobs/{job}/decisions")["log"]
        assert line["value"]["sha256"] in _hashes(tmp_path)


def test_nothing_is_swept_between_a_file_and_its_row(tmp_path: Path) -> None:
    blobs = Blobs(tmp_path)
    seen: list[Any] = []
    with blobs.adding():
        sha256 = blobs.put(b"a part")
        assert not blobs.sweep(set, wait_s=0.01)
        sweeper = threading.Thread(target=lambda: seen.append(blobs.sweep(lambda: {sha256})))
        sweeper.start()
        with blobs.adding():  # one that waits keeps nobody from adding
            assert blobs.read(sha256) == b"a part"
    sweeper.join()
    assert seen == [True] and blobs.read(sha256) == b"a part"
    with blobs.writing() as new:  # what is being received is no file yet
        new.write(b"half")
        assert blobs.sweep(set)
    assert blobs.read(new.sha256) == b"half"
    with pytest.raises(FileNotFoundError):
        blobs.read(sha256)
