"""What comes from outside does no harm: names, bodies, files, other sites, too much of anything."""

from __future__ import annotations

import io
import random
import socket
import stat
import struct
import threading
import time
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, settings
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import response_schema_conformance
from sqlalchemy import select

from soffit.part.write_mesh import _RELS, _TYPES
from soffit.shop.limits import Limits
from soffit.shop.names import file_name, shown_name
from soffit.shop.tables import Entry
from tests.desks import Answer, Client, arm, ready, running

LIMITS = Limits(upload_bytes=200_000, upload_idle_s=0.5, upload_s=3.0, uploads_at_once=2,
                body_bytes=5_000, text_bytes=50_000, listeners=3, links=5, at_once=1, head_s=0.5)
EVIL = "<img src=x onerror=alert(1)>"


@pytest.fixture(scope="module")
def desk(home: tuple[Path, str]) -> Iterator[Client]:
    """A desk with small limits that works nothing off."""
    with running(home[0], LIMITS, work=False) as client:
        yield client


# --- names -----------------------------------------------------------------------------------


@pytest.mark.parametrize(("given", "shown", "file"), [
    ("arm 2.STEP", "arm 2.STEP", "arm_2.step"),
    ("../../etc/passwd", "passwd", "passwd.part"),
    ("..\\..\\boot.stl", "boot.stl", "boot.stl"),
    ("/", "part", "part.part"),
    ("a\x00b\r\nX: y.stl", "abX: y.stl", "abX__y.stl"),
    ("con.stl", "con.stl", "con_.stl"),
    (".stl", ".stl", "part.stl"),
    ("‮lts.mra", "lts.mra", "lts.part"),
    (f"{EVIL}.stl", f"{EVIL}.stl", "img_src_x_onerror_alert_1.stl"),
    ("Träger.stl", "Träger.stl", "Träger.stl"),
    ('a";filename="b.exe', 'a";filename="b.exe', "a__filename__b.part"),
])
def test_names_are_shown_and_files_are_called_after_them(given: str, shown: str, file: str) -> None:
    assert (shown_name(given), file_name(given)) == (shown, file)


def test_a_long_name_still_fits_a_file_system() -> None:
    assert len(f"{file_name('ö' * 5000)}.production.step".encode()) < 255


# --- other sites, other people ---------------------------------------------------------------


@pytest.mark.parametrize("host", ["evil.example", "evil.example:80", "localhost.evil.example",
                                  "10.0.0.1", "127.0.0.1.evil.example", ""])
def test_a_name_that_is_not_ours_is_refused(desk: Client, host: str) -> None:
    assert desk.call("GET", "/api/jobs", headers={"host": host}).status == 421


@pytest.mark.parametrize("host", ["localhost", "LOCALHOST:1", "127.0.0.1:99", "[::1]:99"])
def test_a_name_that_is_ours_is_taken(desk: Client, host: str) -> None:
    assert desk.call("GET", "/api/about", headers={"host": host}).status == 200


@pytest.mark.parametrize("headers", [
    {"x-soffit": ""}, {"origin": "http://evil.example"}, {"origin": "null"},
    {"sec-fetch-site": "cross-site"}, {"sec-fetch-site": "same-site"},
])
def test_another_site_changes_nothing(desk: Client, job: str, headers: dict[str, str]) -> None:
    before = desk.get(f"/api/jobs/{job}/decisions")
    for method, path in (("POST", f"/api/jobs/{job}/undo"), ("DELETE", f"/api/jobs/{job}"),
                         ("PUT", f"/api/jobs/{job}/recipe"), ("POST", "/api/jobs?name=a.stl")):
        assert desk.call(method, path, b"x", headers).status == 403
    assert desk.get(f"/api/jobs/{job}/decisions") == before
    own = {"origin": f"http://127.0.0.1:{desk.port}", "sec-fetch-site": "same-origin"}
    assert desk.call("POST", f"/api/jobs/{job}/undo", headers=own).status == 409  # nothing to undo


def test_every_answer_tells_browsers_what_they_may_do(desk: Client, job: str) -> None:
    drawing = desk.get(f"/api/jobs/{job}")["drawings"][0]["url"]
    for path in ("/", "/api/about", "/api/nothing", drawing, f"/api/jobs/{job}/files/sheet_html"):
        headers = desk.call("GET", path).headers
        policy = headers["content-security-policy"]
        assert policy.startswith("default-src 'none'") and "script-src 'unsafe" not in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "no-referrer"
        assert "server" not in headers
    # What could hold a script is no page of this origin.
    assert "sandbox" in desk.call("GET", drawing).headers["content-security-policy"]
    sheet = desk.call("GET", f"/api/jobs/{job}/files/sheet_html").headers
    assert sheet["content-disposition"].startswith("attachment")
    assert sheet["content-type"] == "application/octet-stream"


def test_a_shared_desk_demands_its_token(tmp_path: Path) -> None:
    job = ready(tmp_path)
    with running(tmp_path, LIMITS, token="t" * 43, work=False) as shared:
        assert shared.get("/api/about")["signed_in"] is False
        for path in ("/api/jobs", f"/api/jobs/{job}", "/api/events", "/api/openapi.json"):
            assert shared.call("GET", path).status == 401
            wrong = {"authorization": "Bearer x", "cookie": "soffit_desk=x"}
            assert shared.call("GET", path, headers=wrong).status == 401
        assert shared.call("POST", "/api/login", {"token": "wrong"}).status == 401
        signed = shared.call("POST", "/api/login", {"token": "t" * 43})
        cookie = signed.headers["set-cookie"]
        assert "HttpOnly" in cookie and "SameSite=strict" in cookie
        for headers in ({"cookie": cookie.partition(";")[0]},
                        {"authorization": f"Bearer {'t' * 43}"}):
            assert shared.call("GET", "/api/jobs", headers=headers).status == 200
        # A customer has a link of his own and needs no token, and gets nowhere else with it.
        link = shared.call("POST", f"/api/jobs/{job}/links", {},
                           {"authorization": f"Bearer {'t' * 43}"}).json["path"]
        assert shared.call("GET", f"/api{link}").status == 200
        assert shared.call("GET", f"/api/jobs/{job}",
                           headers={"authorization": f"Bearer {link[3:]}"}).status == 401


def test_a_secret_is_long_hashed_and_ends(desk: Client, home: tuple[Path, str], job: str) -> None:
    link = desk.post(f"/api/jobs/{job}/links", {"for": EVIL, "days": 1})
    secret = link["path"].removeprefix("/s/")
    assert len(secret) >= 43  # 256 bits at six a letter
    kept = b"".join(f.read_bytes() for f in home[0].glob("desk.sqlite*"))
    assert secret.encode() not in kept
    for other in (secret[:-1], secret + "x", "x" * 43, "..%2f..%2fjobs"):
        assert desk.call("GET", f"/api/s/{other}").status == 404
    said = {"edit": "E99", "answer": "approve", "name": "x"}
    assert desk.call("POST", f"/api{link['path']}/answers", said).status == 400
    assert desk.desk is not None
    with desk.desk.store.begin() as session:
        from soffit.shop.tables import Link

        session.get_one(Link, link["id"]).expires = "2020-01-01T00:00:00.000000Z"
    assert desk.call("GET", f"/api{link['path']}").status == 404


# --- names and paths in calls --------------------------------------------------------------------


@pytest.mark.parametrize("path", [
    "/assets/../desk.py", "/assets/..%2fdesk.py", "/assets/%2e%2e/desk.py", "/assets/%00",
    "/api/jobs/{job}/files/..%2f..%2fdesk.sqlite", "/api/jobs/..%2f..", "/api/jobs/{job}/files/x",
    "/api/jobs/{job}/drawings/..%2f..%2fx.svg", "/api/jobs/{job}/geometry/..",
])
def test_no_path_leads_out(desk: Client, job: str, path: str) -> None:
    assert desk.call("GET", path.format(job=job)).status in (404, 422)


def test_a_process_is_a_name_and_never_a_file(desk: Client, job: str, tmp_path: Path) -> None:
    profile = tmp_path / "own.toml"
    profile.write_text('base = "pla-04"\n', encoding="utf-8")
    for name in (str(profile), "../pla-04", "pla-04.toml", "/etc/passwd"):
        answer = desk.call("POST", f"/api/jobs/{job}/decisions", {"process": name})
        assert answer.status == 400 and "there is no process" in answer.error
        assert desk.call("POST", f"/api/jobs?name=a.stl&process={name}", arm()).status == 400


# --- too much --------------------------------------------------------------------------------


def test_what_is_too_large_is_not_taken(desk: Client, job: str, home: tuple[Path, str]) -> None:
    kept = sorted((home[0] / "files").rglob("*"))
    for path, size in (("/api/jobs?name=a.stl", LIMITS.upload_bytes),
                       (f"/api/jobs/{job}/decisions", LIMITS.body_bytes),
                       (f"/api/jobs/{job}/records", LIMITS.text_bytes)):
        assert _raw(desk, "POST", path, b"", length=size + 1).status == 413
        # One that does not say how large it is, is counted.
        assert _raw(desk, "POST", path, b"x" * 70_000, pieces=4).status in (400, 413)
    assert desk.call("POST", "/api/jobs?name=a.stl", b"").status == 400
    assert sorted((home[0] / "files").rglob("*")) == kept


def test_one_that_sends_slowly_is_let_go_and_others_are_served(desk: Client) -> None:
    began = threading.Event()
    answers: list[Answer] = []

    def slowly() -> None:
        began.set()
        answers.append(_raw(desk, "POST", "/api/jobs?name=a.stl", b"s", length=1000))

    senders = [threading.Thread(target=slowly) for _ in range(LIMITS.uploads_at_once)]
    for sender in senders:
        sender.start()
    began.wait()
    time.sleep(0.2)
    assert desk.call("GET", "/api/about").status == 200
    assert desk.call("POST", "/api/jobs?name=a.stl", arm()).status == 429
    for sender in senders:
        sender.join()
    assert [a.status for a in answers] == [408, 408]
    assert desk.call("POST", "/api/jobs?name=a.stl", arm()).status == 201


def test_no_more_pages_listen_than_are_allowed(desk: Client) -> None:
    open_ = []
    try:
        for _ in range(LIMITS.listeners):
            there = socket.create_connection(("127.0.0.1", desk.port))
            there.sendall(b"GET /api/events HTTP/1.1\r\nHost: localhost\r\n\r\n")
            assert b"200" in there.recv(100)
            open_.append(there)
        assert desk.call("GET", "/api/events").status == 429
    finally:
        for there in open_:
            there.close()


def test_a_page_that_leaves_makes_room_for_another(desk: Client) -> None:
    for _ in range(LIMITS.listeners + 2):
        with socket.create_connection(("127.0.0.1", desk.port), timeout=20) as there:
            for _ in range(200):
                there.sendall(b"GET /api/events HTTP/1.1\r\nHost: localhost\r\n\r\n")
                if b" 200 " in there.recv(1000):
                    break
                time.sleep(0.05)  # those before are being let go
            else:
                raise AssertionError("no room")


def test_who_is_connected_and_says_nothing_is_let_go(desk: Client) -> None:
    """Nothing, half a head, and half of the next call after one that was answered."""
    call = b"GET /api/about HTTP/1.1\r\nHost: localhost\r\n\r\n"
    for said, answers in ((b"", 0), (call[:-3], 0), (call + call[:-3], 1)):
        with socket.create_connection(("127.0.0.1", desk.port), timeout=20) as there:
            there.sendall(said)
            heard = b""
            while piece := there.recv(65536):  # until it is closed, not by us
                heard += piece
            assert heard.count(b"HTTP/1.1 ") == answers
    assert desk.call("GET", "/api/about").status == 200


def test_what_is_read_does_not_pile_up(desk: Client, job: str) -> None:
    assert desk.desk is not None
    taken = [desk.desk._readers.acquire(blocking=False) for _ in range(LIMITS.readers)]
    try:
        assert all(taken)
        answer = desk.call("PUT", f"/api/jobs/{job}/recipe", b"x = 1")
        assert answer.status == 429 and "try again" in answer.error
    finally:
        for _ in taken:
            desk.desk._readers.release()


def test_a_desk_that_is_looked_at_can_be_written_to_and_the_other_way_round(
    desk: Client, job: str
) -> None:
    assert desk.desk is not None
    with desk.desk.store.begin():  # somebody writes, and takes his time
        assert desk.get(f"/api/jobs/{job}")["id"] == job
        assert desk.get("/api/jobs")["jobs"]
    with desk.desk.store.look() as session:  # somebody reads, and does not come to an end
        before = len(session.scalars(select(Entry)).all())
        desk.post(f"/api/jobs/{job}/decisions", {"quantity": 5})
        assert len(session.scalars(select(Entry)).all()) == before  # what was then
    desk.post(f"/api/jobs/{job}/undo")


@pytest.mark.parametrize("ranges", ["bytes=0-9", "bytes=9-1", "bytes=" + "0-1," * 5000])
def test_files_are_sent_whole(desk: Client, job: str, ranges: str) -> None:
    url = desk.get(f"/api/jobs/{job}")["geometry"]["before"]
    answer = desk.call("GET", url, headers={"range": ranges})
    assert (answer.status, answer.headers["accept-ranges"]) == (200, "none")
    assert len(answer.body) == int(answer.headers["content-length"]) > 1000


@pytest.mark.parametrize("body", [
    b"{", b"[" * 4000, b"null", b'"x"', b'{"quantity": 1e999}', b'{"quantity": NaN}', b"\xff\xfe",
    b'{"protect": ["\\ud800"]}', b'{"quantity": ' + b"9" * 4000 + b"}",
])
def test_a_body_that_makes_no_sense_is_one_clear_error(desk: Client, job: str, body: bytes) -> None:
    answer = desk.call("POST", f"/api/jobs/{job}/decisions", body,
                       {"content-type": "application/json"})
    assert 400 <= answer.status < 500 and "\n" not in answer.error


@pytest.mark.parametrize("recipe", [
    b"", b"\x00", b"x = 1", b'schema = "soffit.recipe/2"', b"a = " + b"[" * 20_000,
    b'schema = "soffit.recipe/2"\n[part]\nfile = "../x"\nsha256 = ""\nunit = "mm"\n'
    b'[process]\nname = "/etc/passwd"\nup = [0.0, 0.0, 1.0]\nquantity = 1\n[received]\n',
])
def test_a_recipe_that_makes_no_sense_is_one_clear_error(
    desk: Client, home: tuple[Path, str], job: str, recipe: bytes
) -> None:
    kept = sorted((home[0] / "files").rglob("*"))
    answer = desk.call("PUT", f"/api/jobs/{job}/recipe", recipe)
    assert sorted((home[0] / "files").rglob("*")) == kept  # nothing of it is kept
    assert answer.status == 400 and str(Path.home()) not in answer.error
    assert "/files/" not in answer.error


# --- calls made up from the documents --------------------------------------------------------


def test_no_call_that_the_documents_allow_is_a_defect(desk: Client, job: str) -> None:
    url = f"http://127.0.0.1:{desk.port}"
    document = desk.get("/api/openapi.json")
    link = desk.post(f"/api/jobs/{job}/links", {})["path"].removeprefix("/s/")
    known: dict[str, Any] = {"job_id": job, "secret": link}
    # Streams do not end; a job that is removed is no good for the rest.
    skipped = {("GET", "/api/events"), ("GET", "/api/jobs/{job_id}/events"),
               ("DELETE", "/api/jobs/{job_id}")}
    tried = set()
    for operation in schemathesis.openapi.from_dict(document).get_all_operations():
        call = operation.ok()
        if (call.method.upper(), call.path) in skipped:
            continue

        @settings(max_examples=5, deadline=None, phases=[Phase.generate], database=None,
                  derandomize=True, suppress_health_check=list(HealthCheck))
        def tries(case: Any) -> None:
            for name in set(case.path_parameters or {}) & set(known):
                case.path_parameters[name] = known[name]
            answer = case.call(base_url=url, headers={"X-Soffit": "1"}, timeout=20)
            case.validate_response(answer, checks=[not_a_server_error, response_schema_conformance])

        from hypothesis import given

        given(case=call.as_strategy())(tries)()
        tried.add((call.method.upper(), call.path))
    assert len(tried) == sum(len(methods) for methods in document["paths"].values()) - len(skipped)


# --- files that are made to do harm ----------------------------------------------------------


def test_two_hundred_hostile_files_harm_nothing(tmp_path: Path) -> None:
    job = ready(tmp_path)
    with running(tmp_path, Limits(run_s=60.0, memory_bytes=3 * 2**30)) as desk:
        before = desk.get(f"/api/jobs/{job}")
        sent = [desk.post(f"/api/jobs?name={name}&unit=mm", data)["id"]
                for name, data in _hostile(200)]
        good = desk.post("/api/jobs?name=good.stl", arm())["id"]
        assert len(set(sent)) == 200
        end = time.monotonic() + 240
        while time.monotonic() < end:
            states = {one["id"]: one["state"] for one in
                      desk.get("/api/jobs?limit=200")["jobs"] if one["id"] in sent}
            if not set(states.values()) & {"queued", "running"}:
                break
            time.sleep(1.0)
        # A good one behind all of them is served, and nothing that was there is gone.
        assert desk.settled(good)["state"] == "asking"
        assert desk.get(f"/api/jobs/{job}") == before
        for one in (desk.get(f"/api/jobs/{job}") for job in sent[:32]):
            assert one["state"] == "failed", one
            assert one["error"] and "\n" not in one["error"]
            assert str(tmp_path) not in one["error"]
        assert not list((tmp_path / "files").glob(".new-*"))
        assert not [f for f in (tmp_path / "scratch").rglob("*") if f.is_file()]
    assert not (tmp_path / "scratch").exists()


def _hostile(count: int) -> Iterator[tuple[str, bytes]]:
    """Small files that are made to fill the memory, leave the folder, or confuse a reader."""
    dice = random.Random(9)
    laughs = "".join(f'<!ENTITY l{k} "{f"&l{k - 1};" * 10}">' for k in range(1, 12))
    makers = [
        lambda: ("count.stl", b"x" * 80 + struct.pack("<I", 2**32 - 1) + b"\0" * 50),
        lambda: ("cut.stl", arm()[: dice.randrange(85, 900)]),
        lambda: ("bomb.3mf", _zip({"3D/3dmodel.model": b"\0" * 30_000_000})),
        lambda: ("laughs.3mf", _zip({"3D/3dmodel.model": (
            f'<?xml version="1.0"?><!DOCTYPE m [<!ENTITY l0 "ha">{laughs}]>'
            "<model>&l11;</model>").encode()})),
        lambda: ("outside.3mf", _zip({"../../../../tmp/soffit-was-here": b"x",
                                      "/etc/soffit-was-here": b"x"})),
        lambda: ("entity.3mf", _zip({"3D/3dmodel.model": (
            b'<!DOCTYPE m [<!ENTITY f SYSTEM "file:///etc/passwd">]><model>&f;</model>')})),
        lambda: ("link.3mf", _zip({"3D/3dmodel.model": b"/etc/passwd"}, link=True)),
        lambda: ("deep.3mf", _zip({"3D/3dmodel.model": b"<a>" * 50_000})),
        lambda: ("loop.3mf", _zip({"3D/3dmodel.model": (
            b'<model xmlns="http://schemas.microsoft.com/3dmanufacturing/core/2015/02"><resources>'
            b'<object id="1"><components><component objectid="1"/></components></object>'
            b'</resources><build><item objectid="1"/></build></model>')})),
        lambda: ("many.ply", b"ply\nformat ascii 1.0\nelement vertex 4000000000\nproperty float x\n"
                             b"property float y\nproperty float z\nend_header\n0 0 0\n"),
        lambda: ("index.obj", b"v 0 0 0\nf 1 2 999999999999999999999\n" * 20),
        lambda: ("nan.stl", b"x" * 80 + struct.pack("<I", 4) + b"\xff\xff\xff\x7f" * 50),
        lambda: ("noise.step", dice.randbytes(2000)),
        lambda: ("broken.step", b"ISO-10303-21;\nHEADER;\nFILE_SCHEMA(('AP242'));\nENDSEC;\nDATA;"
                                b"\n#1=MANIFOLD_SOLID_BREP('',#1);\nENDSEC;\nEND-ISO-10303-21;\n"),
        lambda: ("..%2F..%2Fnoise.3mf", dice.randbytes(dice.randrange(1, 3000))),
        lambda: ("%3Cscript%3E.obj", b"v " + dice.randbytes(500)),
        lambda: ("none.xyz", b"PK\x03\x04" + dice.randbytes(200)),
    ]  # fmt: skip
    for k in range(count):
        yield makers[k % len(makers)]()
    assert not Path("/tmp/soffit-was-here").exists()


def _zip(files: dict[str, bytes], link: bool = False) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in {"[Content_Types].xml": _TYPES.encode(), "_rels/.rels": _RELS.encode(),
                           **files}.items():
            info = zipfile.ZipInfo(name)
            info.compress_type = zipfile.ZIP_DEFLATED
            kind = stat.S_IFLNK if link and name in files else stat.S_IFREG
            info.external_attr = (kind | 0o777) << 16
            archive.writestr(info, data)
    return out.getvalue()


def _raw(desk: Client, method: str, path: str, body: bytes, length: int | None = None,
         pieces: int = 1) -> Answer:
    """A call with a body that is not as it says: of another length, or of none."""
    size = "Transfer-Encoding: chunked" if length is None else f"Content-Length: {length}"
    with socket.create_connection(("127.0.0.1", desk.port), timeout=20) as there:
        there.sendall(f"{method} {path} HTTP/1.1\r\nHost: localhost\r\nX-Soffit: 1\r\n"
                      f"Content-Type: application/json\r\n{size}\r\n\r\n".encode())
        try:
            for _ in range(pieces):
                there.sendall(body if length is not None else
                              f"{len(body):x}\r\n".encode() + body + b"\r\n")
        except OSError:
            pass  # it was refused before it was sent
        text = b""
        while b"\r\n\r\n" not in text and (piece := there.recv(4096)):
            text += piece
    return Answer(int(text.split()[1]), {}, b"{}")
