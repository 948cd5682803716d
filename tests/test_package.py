"""A release as one file: the same bytes twice, proven again from what is inside, and refused in
one line where anything in it is not as it was packed."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import shutil
import stat
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from jsonschema import Draft202012Validator

import soffit
from soffit.cli.run import run
from soffit.errors import InputError
from soffit.part.write_mesh import write_stl
from soffit.process.load import available, load_process
from soffit.process.text import process_toml
from soffit.sheet.archive import MAX_FILES, pack, unpack, unsafe
from soffit.sheet.package import MANIFEST, NEEDED, about, package_folder
from soffit.sheet.verified import Verified, verified_json
from soffit.sheet.verify import verify
from tests.shapes import ledge, read
from tests.test_sheet import SCHEMAS

# A bridge of 9 mm is spanned by this process; a ledge of 6 mm is not. All its own numbers: demo.
PROFILE = """base = "pla-04"
name = "our-pla"
title = "PLA of a demo shop"

[capability]
bridge_mm = { value = 9, source = "demo", grade = "demo", distribution = { mean = 12, \
deviation = 1, count = 12, machine = "demo", date = "2026-11-01" } }
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A ledge of 6 mm on its back in an STL file in inches, its up along -y, by an own profile."""
    made = tmp_path_factory.mktemp("package")
    profile = made / "our-pla.toml"
    profile.write_text(PROFILE, encoding="utf-8")
    mesh = read(ledge(6, 8, 8), made).mesh
    turned = mesh.vertices[:, [0, 2, 1]] * (1.0, -1.0, 1.0) / 25.4
    write_stl(replace(mesh, vertices=turned), made / "ledge.stl")
    part = soffit.read(made / "ledge.stl", unit="in")
    result = soffit.resolve(part, profile, up=(0.0, -1.0, 0.0), protect=["face near 0,0,6"])
    proven = result.write(made / "out")
    assert proven.clean and proven.edits
    assert result.package(made / "ledge.zip").clean
    profile.unlink()  # whoever gets the package has not got it either
    return made


@pytest.fixture(scope="module")
def files(folder: Path) -> dict[str, bytes]:
    return unpack((folder / "ledge.zip").read_bytes(), "ledge.zip")


@pytest.fixture(scope="module")
def proven(folder: Path) -> Verified:
    return verify(folder / "ledge.zip", folder / "ledge.stl")


def test_every_profile_is_the_same_process_when_written_in_full(tmp_path: Path) -> None:
    for name in available():
        path = tmp_path / f"{name}.toml"
        path.write_text(process_toml(load_process(name)), encoding="utf-8")
        assert load_process(path) == load_process(name)


def test_a_package_is_the_same_bytes_for_the_same_files(folder: Path, tmp_path: Path) -> None:
    """Packed when it was resolved, and from the folder that was written; nothing else is left."""
    assert {p.name for p in folder.iterdir()} == {"shape.step", "ledge.stl", "out", "ledge.zip"}
    package_folder(folder / "out", tmp_path / "again.zip")
    assert (tmp_path / "again.zip").read_bytes() == (folder / "ledge.zip").read_bytes()
    with zipfile.ZipFile(folder / "ledge.zip") as archive:
        assert archive.testzip() is None
        assert {i.date_time for i in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        assert archive.namelist() == sorted(archive.namelist())


def test_manifest_and_verdict_fit_their_schemas(files: dict[str, bytes], proven: Verified) -> None:
    manifest = json.loads(files[MANIFEST])
    Draft202012Validator(_schema("package-1.json")).validate(manifest)
    assert {one["role"] for one in manifest["files"]} == set(NEEDED)
    assert {one["file"] for one in manifest["files"]} == set(files) - {MANIFEST}
    assert manifest["part"]["unit"] == "in"
    assert manifest["process"] == "our-pla"
    Draft202012Validator(_schema("verify-1.json")).validate(
        json.loads(json.dumps(verified_json(proven))))


def _schema(name: str) -> dict[str, object]:
    found: dict[str, object] = json.loads((SCHEMAS / name).read_text(encoding="utf-8"))
    return found


def test_a_package_proves_itself_by_the_process_way_up_and_unit_inside(proven: Verified) -> None:
    assert proven.stands and proven.clean
    assert [one.role for one in proven.judged] == ["3mf", "stl"]
    assert all(one.over_air_mm2 == 0.0 for one in proven.judged)
    assert (proven.process, proven.unit) == ("our-pla", "in")
    assert proven.up == pytest.approx((0.0, -1.0, 0.0))
    (kept,) = proven.protected or ()
    assert kept.untouched and kept.deviation_mm < 1e-3


def test_a_stricter_process_inside_is_what_counts(
    files: dict[str, bytes], tmp_path: Path
) -> None:
    """With steps of no more than a twentieth of a line the slope that was made is over air."""
    process = _named(files, ".process.toml")
    report = json.loads(files[_named(files, ".report.json")])
    strict = load_process(_written(tmp_path / "p.toml", files[process]))
    overlap = strict.capability.overlap.model_copy(update={"value": 0.05})
    strict = strict.model_copy(update={
        "capability": strict.capability.model_copy(update={"overlap": overlap})})
    for part in ("before", "after"):
        report[part]["process"] |= {"step_mm": round(strict.step_mm, 6),
                                    "angle_deg": round(strict.angle_deg, 6)}
    found = verify(_repacked(files, tmp_path, {
        process: process_toml(strict).encode(),
        _named(files, ".report.json"): json.dumps(report).encode()}))
    assert not found.stands and not found.clean
    assert found.departs[0] == "stated clean, found not clean"


def test_protected_faces_are_measured_on_the_part_that_was_received(folder: Path) -> None:
    with pytest.raises(InputError, match=r"is not the part as received, ledge\.stl"):
        verify(folder / "ledge.zip", folder / "out" / "ledge.production.stl")


def _named(files: dict[str, bytes], end: str) -> str:
    return next(name for name in files if name.endswith(end))


def _written(path: Path, data: bytes) -> Path:
    path.write_bytes(data)
    return path


def _repacked(files: dict[str, bytes], folder: Path, changed: dict[str, bytes]) -> Path:
    """A package in which these files are others, and whose manifest says so."""
    now = files | changed
    manifest = json.loads(now[MANIFEST])
    manifest |= about(json.loads(now[_named(now, ".report.json")]), "the report")
    for one in manifest["files"]:
        data = now[one["file"]]
        one |= {"bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}
    now[MANIFEST] = json.dumps(manifest).encode()
    return _written(folder / "changed.zip", pack(now))


def _placed(report: bytes, factor: float, up: list[float] | None = None) -> bytes:
    """A report whose placement is drawn out along the first axis, or whose way up is another."""
    data = json.loads(report)
    for side in ("before", "after"):
        there = data[side]["orientation"]
        there["placement"][0] = [factor * v for v in there["placement"][0]]
        there["up"] = up or there["up"]
    return json.dumps(data).encode()


@pytest.mark.parametrize(("end", "change", "said"), [
    (".report.json", lambda b: _placed(b, 2.0), "no turn to its way up"),
    (".report.json", lambda b: _placed(b, -1.0), "no turn to its way up"),
    (".report.json", lambda b: _placed(b, 1.0, [0.0, 0.0, 1.0]), "no turn to its way up"),
    (".production.stl", lambda b: b[:84] + bytes(50) + b[134:], "other geometry|does not hold"),
    (".recipe.toml", lambda b: b.replace(b'sha256 = "', b'sha256 = "0', 1), "that of another part"),
    (".process.toml", lambda b: b'base = "pla-04"\n' + b, "starts from a base"),
    (".process.toml", lambda b: b.replace(b"bridge_mm = { value = 9", b"bridge_mm = { value = 10"),
     "not the process of its report"),
    (".process.toml", lambda b: b[:400], r"changed\.zip: reading process ledge\.process"),
    (".report.json", lambda b: b.replace(b'"proof"', b'"prove"'), "has no proof"),
    (".report.json", lambda b: b.replace(b"soffit.resolve/1", b"soffit.resolve/9"), "schema"),
    (".sheet.html", lambda _: b"<html></html>", "is not that of this part"),
    (".record.csv", lambda _: b"record\n", "is not that of this part"),
    (".report.json", lambda b: b.replace(b'"verdict": {', b'"verdict": {"clean": true, '),
     r"report\.json: it is no sound JSON in UTF-8, key 'clean' is in one object twice"),
    (".record.json", lambda b: b.replace(b'"part":', b'"part": "another.stl", "part":'),
     r"record\.json: not valid JSON: key 'part' is in one object twice"),
    (".recipe.toml", lambda b: b.replace(b"quantity = 1", b"quantity = 1\nquantity = 2"),
     "not valid TOML"),
    (".record.csv", lambda b: b.replace(b"yes/no", b"mm", 1), "not those that were written"),
    (".sheet.pdf", lambda _: b"no pdf", "is no PDF"),
])
def test_files_that_do_not_belong_together_are_refused(
    files: dict[str, bytes], tmp_path: Path, end: str, change: Callable[[bytes], bytes], said: str
) -> None:
    """Their hashes are right: somebody made the manifest anew. A key that is there twice says one
    thing to one reader and another to the next."""
    name = _named(files, end)
    other = change(files[name])
    assert other != files[name]
    with pytest.raises(InputError, match=said):
        verify(_repacked(files, tmp_path, {name: other}))


def test_a_manifest_that_says_a_thing_twice_is_refused(
    files: dict[str, bytes], tmp_path: Path
) -> None:
    said = files[MANIFEST].replace(b'"verdict":', b'"verdict": {"clean": true}, "verdict":')
    with pytest.raises(InputError, match="key 'verdict' is in one object twice"):
        verify(_written(tmp_path / "p.zip", pack(files | {MANIFEST: said})))


def test_the_record_as_written_is_taken_from_the_package(
    folder: Path, files: dict[str, bytes], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = list(csv.DictReader(io.StringIO(files[_named(files, ".record.csv")].decode())))
    path = tmp_path / "r.csv"
    with path.open("w", encoding="utf-8", newline="") as file:
        out = csv.DictWriter(file, list(rows[0]))
        out.writeheader()
        out.writerow(rows[0] | {"measured": rows[0]["nominal"]})
    assert run(["record", str(path), "--written", str(folder / "ledge.zip")]) == 1
    told = capsys.readouterr().out
    assert told.count("ALTERED") == len(rows) - 1
    assert f"ALTERED S2, {rows[1]['what']}, is missing" in told


def test_members_that_changed_are_missing_or_too_many_are_named(
    files: dict[str, bytes], tmp_path: Path
) -> None:
    stl, report = _named(files, ".production.stl"), _named(files, ".report.json")
    changed = {name: data for name, data in files.items() if name != report}
    changed |= {stl: files[stl][:-1] + b"\x01", "more.txt": b"more"}
    with pytest.raises(InputError) as told:
        verify(_written(tmp_path / "p.zip", pack(changed)))
    line = str(told.value)
    assert f"{report} is missing" in line
    assert "more.txt is in it, but not in its manifest" in line
    assert f"{stl} is changed: its SHA-256" in line
    assert "\n" not in line
    without = {name: data for name, data in files.items() if name != MANIFEST}
    with pytest.raises(InputError, match=r"there is no manifest\.json"):
        verify(_written(tmp_path / "q.zip", pack(without)))


def test_any_byte_that_changes_and_any_cut_is_noticed(files: dict[str, bytes]) -> None:
    """In headers, names, contents and directory; at the end of deflated text there are up to seven
    bits that nobody reads."""
    small = {"a.txt": b"hello " * 40, "b.txt": bytes(range(256)), MANIFEST: files[MANIFEST]}
    data = pack(small)
    assert unpack(data, "x") == small
    rng = np.random.default_rng(5)
    for at in rng.choice(len(data), 300, replace=False).tolist():
        other = bytearray(data)
        other[at] ^= 0x10
        try:
            assert unpack(bytes(other), "x") == small
        except InputError as error:
            assert "\n" not in str(error)
            continue
        assert data[at + 1:at + 3] == b"PK"  # the last byte of deflated text
    for end in rng.choice(len(data), 100, replace=False).tolist():
        with pytest.raises(InputError, match="reading x: "):
            unpack(data[:end], "x")


def zip_of(*members: tuple[zipfile.ZipInfo | str, bytes], method: int = zipfile.ZIP_DEFLATED
           ) -> bytes:
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", method) as archive:
        for info, data in members:
            archive.writestr(info, data, method)
    return made.getvalue()


def a_link() -> bytes:
    info = zipfile.ZipInfo("link.stl")
    info.create_system = 3
    info.external_attr = (stat.S_IFLNK | 0o777) << 16
    return zip_of((info, b"/etc/passwd"))


def twice() -> bytes:
    with pytest.warns(UserWarning, match="Duplicate name"):
        return zip_of(("a.stl", b"1"), ("a.stl", b"2"))


@pytest.mark.parametrize(("data", "said"), [
    (zip_of(("../a.stl", b"")), "could lead out of a folder"),
    (zip_of(("/etc/a.stl", b"")), "could lead out of a folder"),
    (zip_of(("c:a.stl", b"")), "could lead out of a folder"),
    (zip_of(("a\\b.stl", b"")), "could lead out of a folder"),
    (zip_of(("folder/", b"")), "could lead out of a folder"),
    (zip_of(("nul.stl", b"")), "could lead out of a folder"),
    (a_link(), "is a link to somewhere else"),
    (twice(), "is in it twice"),
    (zip_of(("a.stl", b""), ("A.stl", b"")), "is in it twice"),
    (zip_of(("a.stl", bytes(20_000_000))), "would unpack to 250 times its size"),
    (zip_of(*((f"{k}.txt", b"") for k in range(MAX_FILES + 1))), "more than 64"),
    (zip_of(("a.stl", b"x"), method=zipfile.ZIP_STORED), "packed in a way that is not read"),
    (zip_of(("a.stl", b"x")), "it was packed again"),
    (b"PK\x05\x06" + bytes(17), "no ZIP archive"),
    (b"", "no ZIP archive"),
    (b"solid a\n", "no ZIP archive"),
])
def test_bad_archives_end_in_one_clear_line(
    data: bytes, said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = _written(tmp_path / "p.zip", data)
    assert run(["verify", str(path)]) == 2
    (line,) = [x for x in capsys.readouterr().err.splitlines() if "soffit: reading p.zip:" in x]
    assert said in line


def test_a_name_that_is_not_safe_is_not_packed() -> None:
    assert not unsafe("arm v2 – fertig.step")
    for name in ("a/b", "..", "a:b", "aux", "x" * 300, "", "a\nb", "end."):
        with pytest.raises(InputError, match="not safe on every system"):
            pack({name: b""})


def test_commands_pack_and_verify(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "p.zip"
    assert run(["package", str(folder / "out"), "--out", str(out)]) == 0
    assert soffit.verify(out).stands
    capsys.readouterr()
    assert run(["verify", str(out), "--format", "json"]) == 0
    assert json.loads(capsys.readouterr().out)["stands"]
    assert run(["verify", str(out)]) == 0
    assert "The verdict stands: clean." in capsys.readouterr().out


def test_a_folder_without_a_report_or_with_a_file_gone_is_refused(
    folder: Path, tmp_path: Path
) -> None:
    with pytest.raises(InputError, match="no reports of `soffit resolve`"):
        package_folder(tmp_path, tmp_path / "p.zip")
    shutil.copytree(folder / "out", tmp_path / "out")
    (tmp_path / "out" / "ledge.production.stl").unlink()
    with pytest.raises(InputError, match=r"ledge\.production\.stl: No such file"):
        package_folder(tmp_path / "out", tmp_path / "p.zip")
    for role in ("stl", "3mf"):
        (tmp_path / "out" / f"ledge.production.{role}").write_bytes(b"of another run")
    with pytest.raises(InputError, match="geometry is not that of its report"):
        package_folder(tmp_path / "out", tmp_path / "p.zip")
    report = tmp_path / "out" / "ledge.report.json"
    told = json.loads(report.read_text(encoding="utf-8"))
    told["files"]["stl"] = told["files"]["3mf"]
    report.write_text(json.dumps(told), encoding="utf-8")
    with pytest.raises(InputError, match="names a file twice"):
        package_folder(tmp_path / "out", tmp_path / "p.zip")
    assert not (tmp_path / "p.zip").exists()
    assert run(["package", str(folder / "out"), "--out", str(tmp_path / "p.zip"),
                "--quantity", "5"]) == 2  # it would be packed for another number
    package_folder(folder / "out", tmp_path / "new" / "p.zip")
    assert (tmp_path / "new" / "p.zip").is_file()
    with pytest.raises(InputError, match="choose another place"):
        package_folder(folder / "out", tmp_path / "new" / "p.zip" / "q.zip")
    assert run(["package", str(tmp_path / "out"), "--out", str(tmp_path / "p.rar")]) == 2


def test_whatever_a_report_lacks_is_told_in_a_line(files: dict[str, bytes], tmp_path: Path) -> None:
    """Each key of the first levels taken out, or made a word, in report and manifest; hashes and
    manifest as they then are. What no proof needs may be anything; nothing is a
    defect of ours."""
    name = _named(files, ".report.json")
    report = json.loads(files[name])
    needed = ("schema", "before", "after", "verdict", "files", "proof", "part", "process",
              "orientation", "totals", "clean", "open", "protected_untouched", "bodies",
              "deflection_mm", "up", "placement", "over_air_mm2", "sha256", "unit", "size_mm")
    seen = 0
    for path in _paths(report, 3):
        if path[-1] not in needed or path[0] in ("edits", "options", "estimate"):
            continue
        for word in (None, "x"):
            other = json.loads(files[name])
            inner = other
            for key in path[:-1]:
                inner = inner[key]
            if word is None:
                del inner[path[-1]]
            elif inner[path[-1]] == word:
                continue
            else:
                inner[path[-1]] = word
            changed = files | {name: json.dumps(other).encode()}
            manifest = json.loads(files[MANIFEST])
            for one in manifest["files"]:
                data = changed[one["file"]]
                one |= {"bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}
            changed[MANIFEST] = json.dumps(manifest).encode()
            try:
                verify(_written(tmp_path / "p.zip", pack(changed)))
            except InputError as error:
                assert "\n" not in str(error), path
                seen += 1
    assert seen > 40


def _paths(value: object, deep: int) -> list[tuple[str, ...]]:
    if not isinstance(value, dict) or not deep:
        return []
    return [path for key, inner in value.items()
            for path in ((key,), *((key, *rest) for rest in _paths(inner, deep - 1)))]
