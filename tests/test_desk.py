"""The desk from end to end: a part is sent in, decided about, resolved, shown and signed."""

from __future__ import annotations

import contextlib
import csv
import hashlib
import http.client
import io
import json
import struct
import time
import zipfile
from collections.abc import Generator, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from jsonschema import Draft202012Validator

from soffit import api
from soffit.cli.run import run
from soffit.plan.recipe import load_recipe
from soffit.shop.limits import Limits
from tests.desks import Client, arm, running


@pytest.fixture(scope="module")
def desk(home: tuple[Path, str]) -> Iterator[Client]:
    with running(home[0], Limits(at_once=1)) as client:
        yield client


def test_a_part_is_reviewed_and_resolved_as_the_command_does_it(
    desk: Client, job: str, tmp_path: Path
) -> None:
    file = tmp_path / "arm.stl"
    file.write_bytes(arm())
    part = api.read(str(file), unit="mm")
    found = desk.get(f"/api/jobs/{job}")
    # 8 × 90 mm² over air (derived: closed form of the arm).
    (ledge,) = [f for f in found["review"]["findings"] if f["kind"] == "air/ledge"]
    assert ledge["area_mm2"] == pytest.approx(720.0, abs=1e-3)
    assert ledge["z_mm"] == [9.0, 9.0]
    from soffit.plan.report import review_json

    assert found["review"] == review_json(api.review(part))
    assert found["resolve"]["schema"] == "soffit.resolve/1"
    assert found["resolve"]["before"] == found["review"]
    assert found["resolve"]["verdict"]["clean"] is True
    assert found["resolve"]["after"]["totals"]["over_air_mm2"] == 0.0
    roles = {one["role"]: one for one in found["files"]}
    assert set(roles) == set(found["resolve"]["files"])
    report = desk.call("GET", roles["report"]["url"])
    assert report.json == found["resolve"]
    assert report.headers["content-disposition"].startswith("attachment")


def test_answers_are_what_the_documents_say(desk: Client, job: str) -> None:
    document = desk.get("/api/openapi.json")
    link = desk.post(f"/api/jobs/{job}/links", {"for": "Ms Demo", "prices": True})
    for path, answer in (
        ("/api/jobs", desk.get("/api/jobs")),
        ("/api/jobs/{job_id}", desk.get(f"/api/jobs/{job}")),
        ("/api/jobs/{job_id}/decisions", desk.get(f"/api/jobs/{job}/decisions")),
        ("/api/jobs/{job_id}/links", desk.get(f"/api/jobs/{job}/links")),
        ("/api/jobs/{job_id}/records", desk.get(f"/api/jobs/{job}/records")),
        ("/api/s/{secret}", desk.get(f"/api{link['path']}")),
    ):
        told = document["paths"][path]["get"]["responses"]["200"]["content"]["application/json"]
        Draft202012Validator({**told["schema"], "components": document["components"]}
                             ).validate(answer)
    refused = desk.call("GET", "/api/jobs/none").json
    Draft202012Validator({"$ref": "#/components/schemas/Problem",
                          "components": document["components"]}).validate(refused)


def test_the_geometry_is_the_part_before_and_after(desk: Client, job: str) -> None:
    urls = desk.get(f"/api/jobs/{job}")["geometry"]
    volumes = {}
    for state in ("before", "after"):
        answer = desk.call("GET", urls[state])
        head, vertices, triangles, faces = _geometry(answer.body)
        assert head["state"] == state
        assert set(faces) <= {face["id"] for face in head["faces"]}
        a, b, c = (vertices[triangles[:, k]].astype(float) for k in range(3))
        volumes[state] = float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0)
        again = desk.call("GET", urls[state], headers={"if-none-match": answer.headers["etag"]})
        assert again.status == 304 and not again.body
    edit = desk.get(f"/api/jobs/{job}")["resolve"]["edits"][0]
    # 60 · 90 · 9 + 68 · 90 · 3 mm³ (derived: closed form), and what the edit adds.
    assert volumes["before"] == pytest.approx(66_960.0)
    assert volumes["after"] == pytest.approx(66_960.0 + edit["volume_mm3"], rel=1e-5)
    head, *_ = _geometry(desk.call("GET", urls["after"]).body)
    made = [face for face in head["faces"] if face["edit"] == edit["id"]]
    assert made and all(face["op"] == "add" and face["origin"] is None for face in made)
    head, _, triangles, faces = _geometry(desk.call("GET", urls["before"]).body)
    (mark,) = head["marks"]
    assert set(faces[mark["triangles"]]) == set(
        desk.get(f"/api/jobs/{job}")["review"]["findings"][0]["faces"])


def test_a_choice_is_carried_out_undone_at_once_and_is_in_the_recipe(
    desk: Client, job: str, tmp_path: Path
) -> None:
    start = desk.get(f"/api/jobs/{job}")
    took = {row["key"] for row in start["options"] if row["chosen"]}
    assert took == {"F1/chamfer leaving a lip"}
    chosen = desk.post(f"/api/jobs/{job}/decisions",
                       {"choose": {"finding": "F1", "key": "F1/chamfer"}})
    assert chosen["stale"] and chosen["undo"] == "choose"
    done = desk.settled(job)
    assert [e["remedy"] for e in done["resolve"]["edits"]] == ["chamfer"]
    # The others stay on offer although this one was demanded.
    assert {row["key"] for row in done["options"]} == {row["key"] for row in start["options"]}
    recipe = desk.call("GET", f"/api/jobs/{job}/recipe")
    file = tmp_path / "arm.recipe.toml"
    file.write_bytes(recipe.body)
    assert [e.remedy for e in load_recipe(file).edit] == ["chamfer"]
    undone = desk.post(f"/api/jobs/{job}/undo")
    assert undone["state"] == "done" and not undone["stale"] and undone["redo"] == "choose"
    assert undone["resolve"] == start["resolve"]
    redone = desk.post(f"/api/jobs/{job}/redo")
    assert redone["resolve"] == done["resolve"]
    desk.post(f"/api/jobs/{job}/undo")
    log = desk.get(f"/api/jobs/{job}/decisions")["log"]
    assert [line["what"] for line in log] == ["choose", "undo", "redo", "undo"]
    assert desk.call("POST", f"/api/jobs/{job}/undo").status == 409
    # What was written is taken again, also where a variant of it would be cheaper.
    taken = desk.call("PUT", f"/api/jobs/{job}/recipe?name=arm.recipe.toml", recipe.body)
    assert taken.json["decisions"]["recipe"]["edits"] == 1
    done = desk.settled(job)
    assert [e["remedy"] for e in done["resolve"]["edits"]] == ["chamfer"]
    desk.post(f"/api/jobs/{job}/undo")


def test_an_option_is_forbidden_for_one_finding_and_the_recipe_says_so(
    desk: Client, job: str
) -> None:
    start = desk.get(f"/api/jobs/{job}")
    keys = [row["key"] for row in start["options"]]
    assert len(set(keys)) == len(keys) and not any(row["forbidden"] for row in start["options"])
    (took,) = [row["key"] for row in start["options"] if row["chosen"]]
    url = f"/api/jobs/{job}/decisions"
    said = desk.post(url, {"forbid_at": {"finding": "F1", "key": took}})
    assert said["stale"] and said["undo"] == "forbid_at"
    assert said["decisions"]["forbid_at"] == {"F1": [took]}
    assert [row["key"] for row in said["options"] if row["forbidden"]] == [took]
    done = desk.settled(job)
    # Its variant is another option, and takes its place.
    assert [e["remedy"] for e in done["resolve"]["edits"]] == ["chamfer"]
    (row,) = [row for row in done["options"] if row["forbidden"]]
    assert (row["key"], row["outcome"]) == (took, "forbidden here")
    recipe = desk.call("GET", f"/api/jobs/{job}/recipe").body
    # Choosing it lifts that; so does taking the recipe's word back.
    chosen = desk.post(url, {"choose": {"finding": "F1", "key": took}})
    assert chosen["decisions"]["forbid_at"] == {}
    both = desk.post(url, {"forbid_at": {"finding": "F1", "key": took}})
    assert both["decisions"]["choose"] == {} and both["state"] == "done" and not both["stale"]
    taken = desk.call("PUT", f"/api/jobs/{job}/recipe?name=arm.recipe.toml", recipe).json
    assert taken["decisions"]["recipe"]["forbid_at"] == 1
    desk.post(url, {"choose": {"finding": "F1", "key": None}})  # nor is its edit taken again
    done = desk.settled(job)
    assert [row["key"] for row in done["options"] if row["forbidden"]] == [took]
    assert [e["remedy"] for e in done["resolve"]["edits"]] == ["chamfer"]
    lifted = desk.post(url, {"allow_at": {"finding": "F1", "key": took}})
    assert not [row["key"] for row in lifted["options"] if row["forbidden"]]
    done = desk.settled(job)
    assert [row["key"] for row in done["options"] if row["chosen"]] == [took]
    for wrong, status in (({"forbid_at": {"finding": "F1", "key": None}}, 422),
                          ({"forbid_at": {"finding": "F1", "key": "F1/magic"}}, 400),
                          ({"forbid_at": {"finding": "F1", "key": "F1/prop: 1 leg"}}, 400),
                          ({"choose": {"finding": "F2", "key": "F1/chamfer"}}, 400)):
        assert desk.call("POST", url, wrong).status == status
    desk.post(url, {"forbid": "chamfer"})
    assert desk.call("POST", url, {"choose": {"finding": "F1", "key": took}}).status == 409
    while desk.call("POST", f"/api/jobs/{job}/undo").status == 200:
        pass
    assert desk.settled(job)["resolve"] == start["resolve"]


def test_the_command_line_fetches_what_the_desk_has(
    desk: Client, job: str, tmp_path: Path, capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    url = f"http://127.0.0.1:{desk.port}"
    assert run(["desk", "list", "--at", url]) == 0
    assert job in capsys.readouterr().out
    out = tmp_path / "out"
    assert run(["desk", "fetch", job, "--out", str(out), "--at", url]) == 0
    for one in desk.get(f"/api/jobs/{job}")["files"]:
        sha256 = hashlib.sha256((out / one["name"]).read_bytes()).hexdigest()
        assert sha256 == one["sha256"]
    assert run(["desk", "fetch", "0" * 16, "--out", str(out), "--at", url]) == 2
    assert "there is no such job" in capsys.readouterr().err
    monkeypatch.setenv("SOFFIT_HOME", str(tmp_path / "nothing"))
    assert run(["desk", "list"]) == 2
    assert "none runs on this machine" in capsys.readouterr().err


def test_a_customer_signs_and_the_package_says_so(desk: Client, job: str, tmp_path: Path) -> None:
    link = desk.post(f"/api/jobs/{job}/links", {"for": "Ms Demo"})
    view = desk.get(f"/api{link['path']}")
    assert view["current"] and view["resolve"]["verdict"]["clean"]
    # No price, anywhere: neither by its name nor of the change that it is to approve.
    found = desk.get(f"/api/jobs/{job}")
    own = desk.get(f"/api/jobs/{job}/sheet")["changes"][0]["price"]
    assert own and all(row["price"] == "" for row in view["sheet"]["changes"])
    assert not {"estimate", "options", "alternatives"} & set(view["resolve"])
    assert not view["sheet"]["estimate"] and not view["sheet"]["alternatives"]
    shown = {d["id"] for d in view["drawings"]}
    hidden = {d["id"] for d in found["drawings"]} - shown
    assert hidden == {"price"} and "as-produced" in shown
    for name in (*hidden, "ways-up"):
        assert desk.call("GET", f"/api{link['path']}/drawings/{name}.svg").status == 404
    edit = view["resolve"]["edits"][0]["id"]
    said = {"edit": edit, "answer": "approve", "name": "Ms Demo", "comment": "<b>fine</b>"}
    view = desk.post(f"/api{link['path']}/answers", said)
    (one,) = view["signoffs"]
    assert {key: one[key] for key in said} == said and one["current"]
    for url in [*view["geometry"].values(), *(d["url"] for d in view["drawings"])]:
        assert desk.call("GET", url).status == 200
    package = tmp_path / "arm.zip"
    package.write_bytes(desk.call("GET", f"/api/jobs/{job}/package").body)
    with zipfile.ZipFile(io.BytesIO(package.read_bytes())) as archive:
        signed = json.loads(archive.read("arm.signoffs.json"))
    assert signed["signoffs"][0]["answer"] == "approve"
    assert api.verify(package).stands
    assert desk.call("DELETE", f"/api/jobs/{job}/links/{link['id']}").status == 204
    assert desk.call("GET", f"/api{link['path']}").status == 404


def test_a_first_article_is_held_against_its_limits(desk: Client, job: str) -> None:
    blank = desk.call("GET", f"/api/jobs/{job}/files/record_csv").body
    refused = desk.call("POST", f"/api/jobs/{job}/records", blank)
    assert refused.status == 400 and "nothing is filled in" in refused.error
    rows = list(csv.DictReader(io.StringIO(blank.decode())))
    rows[0]["measured"] = "67.0"  # of 68 mm along x
    text = io.StringIO()
    writer = csv.DictWriter(text, list(rows[0]))
    writer.writeheader()
    writer.writerows(rows)
    (held,) = desk.post(f"/api/jobs/{job}/records?name=arm.record.csv",
                        text.getvalue().encode())["records"]
    assert held["passed"] is False
    assert [row["id"] for row in held["rows"] if row["state"] == "out"] == [rows[0]["id"]]
    assert held["altered"] == []
    # A limit that was moved so that it holds is told, by the form that the desk has.
    moved = text.getvalue().replace(f",{rows[0]['low']},", ",66.5,", 1)
    assert moved != text.getvalue()
    held = desk.post(f"/api/jobs/{job}/records?name=arm.record.csv", moved.encode())["records"][-1]
    assert held["passed"] is False and "low is 66.5, it was" in held["altered"][0]


def test_a_unit_is_asked_for_and_a_revision_takes_decisions_along(
    desk: Client, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "arm.stl"
    file.write_bytes(arm())
    assert run(["desk", "send", str(file), "--at", f"http://127.0.0.1:{desk.port}"]) == 0
    sent = {"id": capsys.readouterr().out.partition(":")[0].removeprefix("Job ")}
    asked = desk.settled(sent["id"])
    assert asked["state"] == "asking"
    assert asked["ask"]["sizes_mm"]["in"] == pytest.approx([1727.2, 2286.0, 304.8])
    desk.post(f"/api/jobs/{sent['id']}/unit", {"unit": "mm"})
    desk.post(f"/api/jobs/{sent['id']}/decisions", {"forbid": "chamfer"})
    first = desk.settled(sent["id"])
    remedy = first["resolve"]["edits"][0]["remedy"]
    assert not remedy.startswith("chamfer")
    desk.post(f"/api/jobs/{sent['id']}/revisions?name=arm2.stl&unit=mm", arm(9.0))
    second = desk.settled(sent["id"])
    assert second["revision"] == 2 and second["review"]["part"]["size_mm"][0] == 69.0
    assert [e["remedy"] for e in second["resolve"]["edits"]] == [remedy]
    assert second["resolve"]["replay"]["decisions"][0]["status"] in ("same", "moved")
    assert second["decisions"]["forbid"] == ["chamfer"]


def test_what_is_under_way_is_told_stopped_and_begun_again(desk: Client) -> None:
    sent = desk.post("/api/jobs?name=arm.stl&unit=mm", arm(7.0))
    names = []
    with contextlib.closing(_events(desk, f"/api/jobs/{sent['id']}/events", 60.0)) as lines:
        for line in lines:
            if line.startswith("event: "):
                names.append(line.removeprefix("event: "))
                if names[-1] == "progress":
                    break
    assert names[0] == "changed"
    stopped = desk.post(f"/api/jobs/{sent['id']}/cancel")
    assert stopped["state"] == "cancelled"
    assert desk.call("POST", f"/api/jobs/{sent['id']}/cancel").status == 409
    began = desk.post(f"/api/jobs/{sent['id']}/retry")
    assert began["state"] in ("queued", "running")
    assert desk.post(f"/api/jobs/{sent['id']}/cancel")["state"] == "cancelled"


def _geometry(data: bytes) -> tuple[dict[str, Any], Any, Any, Any]:
    (length,) = struct.unpack_from("<I", data)
    head = json.loads(data[4 : 4 + length])
    n, m = head["vertices"], head["triangles"]
    at = 4 + length
    assert at % 4 == 0 and len(data) == at + 12 * n + 16 * m
    vertices = np.frombuffer(data, "<f4", 3 * n, at).reshape(-1, 3)
    triangles = np.frombuffer(data, "<u4", 3 * m, at + 12 * n).reshape(-1, 3)
    return head, vertices, triangles, np.frombuffer(data, "<u4", m, at + 12 * n + 12 * m)


def _events(client: Client, path: str, seconds: float) -> Generator[str]:
    connection = http.client.HTTPConnection("127.0.0.1", client.port, timeout=seconds)
    with contextlib.closing(connection):
        connection.request("GET", path)
        with connection.getresponse() as answer:
            end = time.monotonic() + seconds
            while time.monotonic() < end and (line := answer.readline()):
                yield line.decode().rstrip()
