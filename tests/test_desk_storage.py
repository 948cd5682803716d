"""What the desk keeps: files whole or not at all, a log that loses nothing, old databases."""

from __future__ import annotations

import contextlib
import hashlib
import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic import ValidationError
from sqlalchemy import select, text

from soffit.errors import InputError
from soffit.shop.blobs import Blobs
from soffit.shop.decisions import Decision, Wanted, folded
from soffit.shop.desk import Desk
from soffit.shop.home import open_home
from soffit.shop.limits import Limits
from soffit.shop.migrate import STEPS, form_of, migrate
from soffit.shop.runs import asked_for
from soffit.shop.store import _engine, now, open_store
from soffit.shop.tables import Base, Job
from tests.desks import Client, running

ROOT = Path(__file__).resolve().parent.parent
START = Wanted(process="pla-04", quantity=1)


# --- the log of decisions ------------------------------------------------------------------------


@dataclass
class Line:
    what: str
    value: dict[str, Any] = field(default_factory=dict)


def _said(**one: Any) -> Line:
    decision = Decision.model_validate(one)
    return Line(decision.what, {"of": decision.value})


def test_what_holds_is_folded_from_the_log() -> None:
    log = [_said(protect=[14, "bearing  seats"]), _said(quantity=500), _said(unprotect=[14]),
           _said(keep_out=[0, 0, 0, 1, 2, 3]), _said(forbid="prop"), _said(drop_keep_out=0)]
    found = folded(START, log)
    assert found.wanted.protect == ("bearing seats",)
    assert found.wanted.quantity == 500 and found.wanted.forbid == ("prop",)
    assert found.wanted.keep_out == () and found.undo == "drop_keep_out" and found.redo is None
    back = folded(START, [*log, Line("undo"), Line("undo"), Line("redo")])
    assert back.wanted.forbid == ("prop",)
    assert back.wanted.keep_out == ((0.0, 0.0, 0.0, 1.0, 2.0, 3.0),)
    assert (back.undo, back.redo) == ("forbid", "drop_keep_out")
    # A decision after an undo ends what could be redone.
    assert folded(START, [*log, Line("undo"), _said(quantity=2)]).redo is None


def test_another_way_up_takes_back_what_was_said_in_the_old_frame() -> None:
    log = [_said(choose={"finding": "F1", "key": "F1/roof"}), _said(prop_at=[1, 2]),
           _said(protect=[3]), _said(up=[0, 1, 0])]
    found = folded(START, log).wanted
    assert (found.choose, found.prop_at, found.protect) == ({}, (), ("face 3",))
    assert folded(START, [*log, Line("undo")]).wanted.prop_at == ((1.0, 2.0),)


def test_what_is_forbidden_for_a_finding_is_not_chosen_there_and_the_other_way_round() -> None:
    at = {"kind": "air/ledge", "at_mm": [1.0, 2.0, 3.0]}
    later = {"kind": "air/ledge", "at_mm": [1.0, 2.0, 3.4]}  # the same, by another number
    forbid = _said(forbid_at={"finding": "F1", "key": "F1/prop", **at})
    choose = _said(choose={"finding": "F1", "key": "F1/prop: 3 ridges", **at})
    fill = _said(choose={"finding": "F1", "key": "F1/fill", **at})
    assert folded(START, [choose, forbid]).wanted.choose == {}
    assert folded(START, [forbid, choose]).wanted.forbid_at == ()
    kept = folded(START, [fill, forbid]).wanted
    assert kept.choose["F1"].key == "F1/fill"
    assert [c.named for c in kept.forbid_at] == ["just prop"]
    allow = _said(allow_at={"finding": "F2", "key": "F2/prop", **later})
    assert folded(START, [forbid, allow]).wanted.forbid_at == ()
    assert folded(START, [forbid, allow]).wanted.allowed_at == ()  # no recipe says otherwise
    assert folded(START, [forbid, _said(up=[0, 1, 0])]).wanted.forbid_at == ()
    far = _said(allow_at={"finding": "F1", "key": "F1/prop", "kind": "air/ledge",
                          "at_mm": [9.0, 2.0, 3.0]})
    assert len(folded(START, [forbid, far]).wanted.forbid_at) == 1


def test_what_an_earlier_version_was_asked_for_still_counts() -> None:
    now_: dict[str, Any] = {"sha256": "0", "name": "arm.stl", "unit": None, "recipe": None,
            "wanted": START.model_dump(mode="json")}
    older = {**now_, "wanted": {k: v for k, v in now_["wanted"].items() if k != "forbid_at"}}
    assert asked_for(older) == asked_for(now_) != asked_for({**now_, "unit": "mm"})
    other = START.model_copy(update={"forbid": ("prop",)}).model_dump(mode="json")
    assert asked_for(older) != asked_for({**now_, "wanted": other})
    newer = {**now_, "wanted": {**older["wanted"], "of a newer": "version"}}
    assert asked_for(newer) != asked_for(now_)


SAID = st.sampled_from([_said(quantity=2), _said(protect=[1]), _said(unprotect=[1]),
                        _said(forbid="prop"), _said(prop_at=[1, 2]), _said(up="auto")])


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(SAID, max_size=8), st.data())
def test_undo_is_as_if_it_had_not_been_said_and_redo_brings_it_back(
    log: list[Line], data: st.DataObject
) -> None:
    back = data.draw(st.integers(0, len(log)))
    undone = [*log, *[Line("undo")] * back]
    assert folded(START, undone).wanted == folded(START, log[: len(log) - back]).wanted
    assert folded(START, [*undone, *[Line("redo")] * back]) == folded(START, log)


@pytest.mark.parametrize("wrong", [
    {}, {"quantity": 0}, {"quantity": 1, "up": "keep"}, {"up": [0, 0, 0]}, {"up": "sideways"},
    {"keep_out": [1, 0, 0, 0, 1, 1]}, {"keep_out": [0, 0, 0, 1, 1]}, {"prop_at": [float("nan"), 0]},
    {"protect": []}, {"protect": [0]}, {"prefer": None}, {"prefer": "luck"}, {"target_ppm": 0},
    {"no_prop_at": [0, 0, -1]}, {"sudo": True},
])
def test_a_decision_that_makes_no_sense_is_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        Decision.model_validate(wrong)


# --- files -----------------------------------------------------------------------------------


def test_a_file_is_whole_or_not_there(tmp_path: Path) -> None:
    blobs = Blobs(tmp_path)
    sha256 = blobs.put(b"a part")
    assert sha256 == hashlib.sha256(b"a part").hexdigest()
    assert blobs.read(sha256) == b"a part"
    with pytest.raises(RuntimeError, match="cut off"), blobs.writing() as new:
        new.write(b"half of")
        raise RuntimeError("cut off")
    assert [f.name for f in tmp_path.rglob("*") if f.is_file()] == [sha256[2:]]
    (tmp_path / ".new-0123").write_bytes(b"left by a killed desk")
    Blobs(tmp_path)
    assert not (tmp_path / ".new-0123").exists()


@pytest.mark.skipif(sys.platform == "win32", reason="links need a right of their own on Windows")
def test_a_link_is_not_followed(tmp_path: Path) -> None:
    secret, link = tmp_path / "secret", tmp_path / "link"
    secret.write_bytes(b"of somebody else")
    link.symlink_to(secret)
    files = tmp_path / "files"
    files.mkdir()
    with pytest.raises(OSError):
        Blobs(files).take(link)
    assert not list(files.iterdir())


# --- databases ---------------------------------------------------------------------------------


def test_an_old_database_is_brought_up_to_date_with_what_is_in_it(tmp_path: Path) -> None:
    file = tmp_path / "desk.sqlite"
    _upgraded(f"sqlite:///{file}")
    with contextlib.closing(sqlite3.connect(file)) as raw:
        assert raw.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        raw.execute("UPDATE soffit_form SET number = 99")
        raw.commit()
    with pytest.raises(InputError, match=r"form 99.*newer"):
        open_store(f"sqlite:///{file}")


def test_the_same_on_postgresql_and_a_desk_on_it(
    postgresql: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _upgraded(postgresql)
    monkeypatch.setenv("SOFFIT_DATABASE", postgresql)
    with running(tmp_path, work=False) as desk:
        # Of another folder, so that only the database can say that a desk is on it.
        with pytest.raises(InputError, match="another desk has it open"):
            open_store(postgresql)
        job = desk.post("/api/jobs?name=x%00y.stl", b"solid of nothing")["id"]
        for said in ({"forbid": "prop"}, {"quantity": 1_000_000_000}, {"protect": ["\x00", "ü"]}):
            desk.post(f"/api/jobs/{job}/decisions", said)
        assert desk.post(f"/api/jobs/{job}/undo")["redo"] == "protect"
        # Many at once: each is one after the other, and none spoils the log for good.
        url = f"/api/jobs/{job}"
        undone = _at_once(8, lambda _k: desk.call("POST", f"{url}/undo").status)
        assert sorted(undone) == [200, 200, *[409] * 6]
        redone = _at_once(3, lambda _k: desk.call("POST", f"{url}/redo").status)
        assert redone == [200, 200, 200]
        desk.post(f"{url}/undo")
        sent = _at_once(4, lambda k: desk.call(
            "POST", f"{url}/revisions?name=y.stl", b"solid of %d" % k).status)
        assert sent == [201] * 4
        assert [r["number"] for r in desk.get(url)["revisions"]] == [1, 2, 3, 4, 5]
        assert desk.call("GET", "/api/jobs/%00%00/decisions").status == 404
        assert desk.call("GET", "/api/s/%00").status == 404
        assert {one["id"] for one in desk.get("/api/jobs")["jobs"]} == {job}
    with running(tmp_path, work=False) as desk:
        found = desk.get(f"/api/jobs/{job}")
        assert found["revisions"][0]["file"] == "xy.stl"
        assert found["quantity"] == 1_000_000_000
        assert found["decisions"]["forbid"] == ["prop"] and found["state"] == "queued"
    assert not (tmp_path / "desk.sqlite").exists()


def test_a_database_is_of_one_desk_at_a_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    homes = [tmp_path / "a", tmp_path / "b"]
    url = f"sqlite:///{homes[0] / 'desk.sqlite'}"
    first = Desk(open_home(homes[0]), Limits(at_once=0))
    monkeypatch.setenv("SOFFIT_DATABASE", url)
    second = open_home(homes[1])
    with pytest.raises(InputError, match="another desk has it open"):
        Desk(second, Limits(at_once=0))
    first.close()
    Desk(second, Limits(at_once=0)).close()
    # A process that is killed lets go by itself.
    program = ("import sys, time; from soffit.shop.store import open_store; "
               f"held = open_store({url!r}); print('open', flush=True); time.sleep(60)")
    with subprocess.Popen([sys.executable, "-c", program], stdout=subprocess.PIPE, text=True,
                          env={**os.environ, "PYTHONPATH": str(ROOT)}) as other:
        assert other.stdout is not None and other.stdout.readline() == "open\n"
        with pytest.raises(InputError, match="another desk has it open"):
            open_store(url)
        other.kill()
    open_store(url).close()


@pytest.mark.parametrize("url", ["nonsense", "mysql://x/y", "sqlite:////nowhere/at/all/desk.sqlite"])
def test_a_database_that_cannot_be_had_is_one_clear_error(url: str) -> None:
    with pytest.raises(InputError, match="opening the database of the desk"):
        open_store(url)


def _upgraded(url: str) -> None:
    """From every older form to the present one, which is what `tables` says."""
    engine = _engine(url)
    for old in range(1, len(STEPS)):
        with engine.begin() as c:
            migrate(c, old)
            assert form_of(c) == old
            if old == 1:
                c.execute(text("INSERT INTO job VALUES (:i, 'arm', :t, :t, 'pla-04', 7, :t)"),
                          {"i": "0" * 16, "t": now()})
    engine.dispose()
    store = open_store(url)
    with store.begin() as session:
        assert session.get_one(Job, "0" * 16).quantity == 7
        for mapper in Base.registry.mappers:  # every column of every table is there
            session.scalars(select(mapper.class_)).all()
    store.close()


def _at_once(count: int, call: Callable[[int], int]) -> list[int]:
    """What a call comes to, made by so many at the same moment."""
    ready = threading.Barrier(count)

    def one(k: int) -> int:
        ready.wait()
        return call(k)

    with ThreadPoolExecutor(count) as pool:
        return list(pool.map(one, range(count)))


@pytest.fixture
def postgresql() -> Iterator[str]:
    """The URL of a server of its own, on a socket in a folder of its own, gone afterwards."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin"))
    programs = found[-1] if found else Path(shutil.which("initdb") or "/nowhere/initdb").parent
    if not (programs / "initdb").exists():
        if os.environ.get("CI", "").lower() in ("true", "1"):
            pytest.fail("no PostgreSQL server is installed")
        pytest.skip("no PostgreSQL server is installed (Debian: apt install postgresql)")
    # It does not run as root: as "nobody" where we are. A socket's path is short.
    place = Path(tempfile.mkdtemp(prefix="pg-"))
    data = place / "data"
    root = hasattr(os, "geteuid") and os.geteuid() == 0
    who: dict[str, Any] = {"user": "nobody", "group": "nogroup", "extra_groups": []} if root else {}
    if root:
        shutil.chown(place, "nobody", "nogroup")
    quiet: dict[str, Any] = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL,
                             "cwd": place, **who}
    subprocess.run([programs / "initdb", "-D", data, "-U", "desk", "-A", "trust", "-N",
                    "--no-locale", "-E", "UTF8"], check=True, **quiet)
    server = subprocess.Popen([programs / "postgres", "-D", data, "-k", place, "-h", "", "-F",
                               "-c", "shared_buffers=8MB", "-c", "max_connections=10"], **quiet)
    try:
        for _ in range(200):
            if (place / ".s.PGSQL.5432").exists() and _answers(place / ".s.PGSQL.5432"):
                break
            assert server.poll() is None, "the server did not start"
            time.sleep(0.05)
        yield f"postgresql://desk@/postgres?host={place}"
    finally:
        server.send_signal(signal.SIGQUIT)
        server.wait(20)
        shutil.rmtree(place, ignore_errors=True)


def _answers(place: Path) -> bool:
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX) as there:
        there.connect(str(place))
        return True
    return False


# --- a desk that is killed ---------------------------------------------------------------------


def test_a_folder_is_of_one_desk_at_a_time(tmp_path: Path) -> None:
    home = open_home(tmp_path)
    home.tell("http://127.0.0.1:8410/")
    with pytest.raises(InputError, match=r"already at http://127\.0\.0\.1:8410/"):
        open_home(tmp_path)
    home.close()
    open_home(tmp_path).close()
    assert not (tmp_path / "desk.url").exists() and not (tmp_path / "scratch").exists()


@pytest.mark.skipif(sys.platform == "win32", reason="there is no SIGKILL on Windows")
def test_a_killed_desk_loses_no_decision_and_leaves_no_half_written_file(tmp_path: Path) -> None:
    answered: list[int] = []
    job = ""
    for after_s in (0.05, 0.25):
        with _started(tmp_path) as (process, client):
            if not job:
                # No part: its review ends at once, so that only decisions are under way.
                job = client.post("/api/jobs?name=x.stl&unit=mm", b"solid of nothing")["id"]
            known = [line["value"] for line in client.get(f"/api/jobs/{job}/decisions")["log"]]
            # All that was answered is there, in its order, and at most what was under way beside.
            assert [v for v in known if v in answered] == answered
            assert len(known) <= len(answered) + 1
            answered = known
            sending = threading.Thread(target=_send_half, args=(client.port,), daemon=True)
            deciding = threading.Thread(target=_decide, args=(client, job, answered), daemon=True)
            sending.start()
            deciding.start()
            before = len(answered)
            while len(answered) == before:
                time.sleep(0.005)
            time.sleep(after_s)
            process.send_signal(signal.SIGKILL)
            process.wait(10)
            deciding.join(10)
            sending.join(10)
    with contextlib.closing(sqlite3.connect(tmp_path / "desk.sqlite")) as raw:
        assert raw.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    desk = Desk(open_home(tmp_path), Limits(at_once=1))
    try:
        log = desk.look(job, lambda _s, at: [line.value["of"] for line in at.log])
        assert [v for v in log if v in answered] == answered and len(log) <= len(answered) + 1
        assert len(answered) >= 2
        for file in (f for f in desk.home.files.rglob("*") if f.is_file()):
            sha256 = hashlib.sha256(file.read_bytes()).hexdigest()
            assert file.parent.name + file.name == sha256
    finally:
        desk.close()


def _decide(client: Client, job: str, answered: list[int]) -> None:
    quantity = max(answered, default=0)
    with contextlib.suppress(OSError, ConnectionError, Exception):
        while True:
            quantity += 1
            if client.call("POST", f"/api/jobs/{job}/decisions",
                           {"quantity": quantity}).status != 200:
                return
            answered.append(quantity)


def _send_half(port: int) -> None:
    """An upload that never comes to its end."""
    with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port)) as there:
        there.sendall(b"POST /api/jobs?name=y.stl HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Soffit: 1\r\n"
                      b"Content-Length: 1000000\r\n\r\n" + b"\0" * 100_000)
        while there.recv(1000):
            pass


@contextlib.contextmanager
def _started(home: Path) -> Iterator[tuple[subprocess.Popen[str], Client]]:
    """A desk as the command starts it."""
    environment = {**os.environ, "SOFFIT_HOME": str(home), "PYTHONPATH": str(ROOT)}
    environment.pop("SOFFIT_DATABASE", None)
    process = subprocess.Popen(
        [sys.executable, "-m", "soffit", "desk", "--port", "0", "--no-browser"],
        env=environment, stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        line = process.stdout.readline()
        yield process, Client(int(line.rstrip().rstrip("/").rpartition(":")[2]))
    finally:
        process.kill()
        process.wait(10)
        assert process.stdout is not None
        process.stdout.close()


@pytest.mark.skipif(sys.platform == "win32", reason="Ctrl-C is sent otherwise on Windows")
def test_ctrl_c_ends_it_and_leaves_nothing_but_the_data(tmp_path: Path) -> None:
    with _started(tmp_path) as (process, client):
        client.post("/api/jobs?name=x.stl&unit=mm", b"solid of nothing")
        process.send_signal(signal.SIGINT)
        assert process.wait(10) == 0
    assert sorted(f.name for f in tmp_path.iterdir()) == ["desk.lock", "desk.sqlite", "files"]
