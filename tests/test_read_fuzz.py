"""Whatever a file holds, reading it ends in a part or in one clear line, never in a crash."""

from __future__ import annotations

import io
import os
import struct
import subprocess
import sys
import tempfile
import zipfile
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, seed, settings
from hypothesis import strategies as st

from soffit.errors import FileError, InputError, KernelCrash, UnitError
from soffit.part.model import Part
from soffit.part.read import read
from soffit.part.write_mesh import write_3mf, write_stl
from tests.meshes import ball, part_of

ROOT = Path(__file__).resolve().parent.parent
EXAMPLE = ROOT / "examples" / "ledge_bracket.step"
FORMATS = ("stl", "text.stl", "obj", "ply", "binary.ply", "3mf")


@cache
def sound(form: str) -> bytes:
    """A ball of 80 facets in each format."""
    mesh = part_of(ball(finer=1)).mesh
    v, t = mesh.vertices.tolist(), mesh.triangles.tolist()
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / f"sound.{form}"
        if form == "stl":
            write_stl(mesh, file)
        elif form == "3mf":
            write_3mf([("ball", mesh)], file)
        elif form == "obj":
            file.write_text("".join(f"v {x} {y} {z}\n" for x, y, z in v)
                            + "".join(f"f {a + 1} {b + 1} {c + 1}\n" for a, b, c in t))
        elif form == "text.stl":
            file.write_text("solid ball\n" + "".join(
                "facet normal 0 0 0\nouter loop\n" + "".join(
                    "vertex {} {} {}\n".format(*v[i]) for i in facet) + "endloop\nendfacet\n"
                for facet in t) + "endsolid ball\n")
        else:
            binary = form == "binary.ply"
            head = (f"ply\nformat {'binary_little_endian' if binary else 'ascii'} 1.0\n"
                    f"element vertex {len(v)}\nproperty double x\nproperty double y\n"
                    f"property double z\nelement face {len(t)}\n"
                    f"property list uchar int vertex_indices\nend_header\n").encode()
            body = (mesh.vertices.tobytes() + b"".join(struct.pack("<B3i", 3, *f) for f in t)
                    if binary else "".join("{} {} {}\n".format(*p) for p in v).encode()
                    + "".join("3 {} {} {}\n".format(*f) for f in t).encode())
            file.write_bytes(head + body)
        return file.read_bytes()


def outcome(data: bytes, suffix: str, folder: Path, repair: bool = False) -> Part | InputError:
    """The part read, or the error; which has one line that names the file and says what to do."""
    file = folder / f"given{suffix}"
    file.write_bytes(data)
    try:
        return read(file, unit=None if suffix in (".3mf", ".step") else "mm", repair=repair)
    except InputError as error:
        text = str(error)
        assert "\n" not in text
        assert "given" in text.split(":")[0]
        assert text.count(": ") + text.count("; ") >= 2
        assert len(text.replace(str(folder), "")) < 400
        return error
    finally:
        assert list(folder.iterdir()) == [file]
        file.unlink()


def refused(data: bytes, suffix: str, folder: Path, kind: str = "") -> str:
    error = outcome(data, suffix, folder)
    assert isinstance(error, FileError), error
    assert not kind or error.kind == kind, (error.kind, str(error))
    return str(error)


def package(model: bytes, name: str = "3D/3dmodel.model") -> bytes:
    """A 3MF package round a model."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("_rels/.rels", (
            '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
            '<Relationship Target="/3D/3dmodel.model" Id="r" Type="http://schemas.microsoft.com/'
            '3dmanufacturing/2013/01/3dmodel"/></Relationships>'))
        archive.writestr(name, model)
    return stream.getvalue()


# --- the sound files themselves, so that a refusal below means something ---------------------


@pytest.mark.parametrize("form", FORMATS)
def test_the_files_that_are_broken_below_are_sound(tmp_path: Path, form: str) -> None:
    part = outcome(sound(form), "." + form.split(".")[-1], tmp_path)
    assert isinstance(part, Part)
    assert part.closed
    assert len(part.mesh.triangles) == 80


# --- by chance -------------------------------------------------------------------------------

Edit = tuple[str, float, bytes]
EDITS = st.lists(st.tuples(st.sampled_from(["cut", "put", "insert", "drop"]),
                           st.floats(0, 1, exclude_max=True), st.binary(min_size=1, max_size=12)),
                 min_size=1, max_size=4)


def edited(data: bytes, edits: list[Edit]) -> bytes:
    for how, place, text in edits:
        at = int(place * len(data))
        tail = {"cut": b"", "put": text + data[at + len(text):], "insert": text + data[at:],
                "drop": data[at + 8 * len(text):]}[how]
        data = data[:at] + tail
    return data


@seed(41)
@settings(max_examples=80, deadline=None, database=None)
@given(st.sampled_from(FORMATS), EDITS, st.booleans())
def test_damaged_meshes(form: str, edits: list[Edit], repair: bool) -> None:
    with tempfile.TemporaryDirectory() as folder:
        data = edited(sound(form), edits)
        part = outcome(data, "." + form.split(".")[-1], Path(folder), repair)
        if isinstance(part, Part):
            assert np.isfinite(part.mesh.vertices).all()
            assert len(part.mesh.triangles) > 0


@pytest.mark.parametrize(("place", "text"), [
    (0.57, b"\x8f\x92\x8c\xd4\x96"),  # native code dies of this one, its process only
    (0.30, b"#99999"), (0.45, b"1.E400"), (0.60, b"$,$,("), (0.80, b";"),
])
def test_damaged_step(tmp_path: Path, place: float, text: bytes) -> None:
    part = outcome(edited(EXAMPLE.read_bytes(), [("put", place, text)]), ".step", tmp_path)
    if isinstance(part, Part):
        assert part.closed or part.notes


def test_step_that_kills_the_kernel_is_a_bad_file_and_the_next_one_is_read(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def dies(*_: object, **__: object) -> Part:
        raise KernelCrash("reading given.step: the B-rep kernel crashed: check it in CAD")

    monkeypatch.setattr("soffit.part.step.read_step", dies)
    assert "kernel crashed" in refused(EXAMPLE.read_bytes(), ".step", tmp_path, "file/unreadable")
    monkeypatch.undo()
    assert read(EXAMPLE).closed


@seed(43)
@settings(max_examples=60, deadline=None, database=None)
@given(st.binary(max_size=400), st.sampled_from([".stl", ".obj", ".ply", ".3mf", ".step", ".dat"]))
def test_any_bytes_under_any_name(data: bytes, suffix: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        assert not isinstance(outcome(data, suffix, Path(folder)), Part)


# --- by class --------------------------------------------------------------------------------


@pytest.mark.parametrize("form", FORMATS)
def test_cut_short_is_never_taken_for_whole(tmp_path: Path, form: str) -> None:
    data = sound(form)
    for share in (0.0, 0.001, 0.01, 0.1, 0.3, 0.5, 0.7, 0.9, 0.99):
        part = outcome(data[:int(share * len(data))], "." + form.split(".")[-1], tmp_path)
        if isinstance(part, Part):
            # A text format without a count can end at a line: then there are holes to tell of.
            assert form == "obj"
            assert {n.kind for n in part.notes} & {"file/open-edges", "file/zero-volume"}


def test_step_cut_short(tmp_path: Path) -> None:
    data = EXAMPLE.read_bytes()
    for share in (0.001, 0.05, 0.5, 0.95, 0.999):
        assert "export it again" in refused(data[:int(share * len(data))], ".step", tmp_path)


def test_empty_file(tmp_path: Path) -> None:
    for suffix in (".stl", ".step", ".3mf", ".obj", ".ply", ""):
        assert "0 bytes" in refused(b"", suffix, tmp_path, "file/empty")


@pytest.mark.parametrize("form", FORMATS)
def test_wrong_suffix_is_told_not_guessed(tmp_path: Path, form: str) -> None:
    own = "." + form.split(".")[-1]
    for suffix in {".stl", ".3mf", ".obj", ".ply", ".step"} - {own}:
        # A text that only an OBJ reader would know is told apart by what is missing.
        kind = "file/mislabelled" if form != "obj" else ""
        refused(sound(form), suffix, tmp_path, kind)


def test_no_suffix_is_judged_by_content(tmp_path: Path) -> None:
    part = outcome(sound("stl"), "", tmp_path)
    assert isinstance(part, Part)
    assert part.source.format == "STL"


@pytest.mark.skipif(sys.platform != "linux", reason="names of files are Unicode text elsewhere")
def test_a_name_that_is_no_text_is_refused_before_anything_is_written_with_it(
    tmp_path: Path
) -> None:
    path = Path(os.fsdecode(os.fsencode(tmp_path / "part") + b"\xff.stl"))
    path.write_bytes(sound("stl"))
    with pytest.raises(FileError, match=r"part\\udcff.stl': its name is no Unicode text"):
        read(path)


def test_folder_missing_file_and_device(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="is a folder"):
        read(tmp_path, unit="mm")
    with pytest.raises(FileError, match="no such file"):
        read(tmp_path / "missing.stl", unit="mm")
    with pytest.raises(FileError, match="path"):
        read("a\0b.stl", unit="mm")
    if os.name == "posix":
        with pytest.raises(FileError, match="device or pipe"):
            read("/dev/null", unit="mm")


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0,
                    reason="permissions do not bind root, and are not mode bits on Windows")
def test_file_that_may_not_be_read(tmp_path: Path) -> None:
    file = tmp_path / "locked.stl"
    file.write_bytes(sound("stl"))
    file.chmod(0)
    with pytest.raises(FileError, match="permission denied"):
        read(file, unit="mm")


@pytest.mark.parametrize("count", [0, 79, 81, 2**31, 2**32 - 1])
def test_count_in_the_header_of_an_stl(tmp_path: Path, count: int) -> None:
    data = sound("stl")
    text = refused(data[:80] + struct.pack("<I", count) + data[84:], ".stl", tmp_path,
                   "file/truncated")
    assert str(count) in text


@pytest.mark.parametrize("number", ["nan", "inf", "-inf", "1e999", "1e308", "1e12"])
def test_coordinates_that_are_no_place(tmp_path: Path, number: str) -> None:
    for form in ("obj", "text.stl", "ply"):
        lines = sound(form).decode().split("\n")
        row = next(i for i, line in enumerate(lines)
                   if line.lstrip("vertx ")[:1] in set("-0123456789") and line.count(" ") >= 2)
        words = lines[row].split(" ")
        words[-1] = number
        lines[row] = " ".join(words)
        refused("\n".join(lines).encode(), "." + form.split(".")[-1], tmp_path, "file/coordinates")
    data = bytearray(sound("stl"))
    data[84 + 12:84 + 16] = struct.pack("<f", min(float(number), 3e38))
    refused(bytes(data), ".stl", tmp_path, "file/coordinates")


@pytest.mark.parametrize(("face", "kind"), [
    ("f 1 2 99", "file/index"), ("f -1 -2 -99", "file/unreadable"), ("f 0 1 2", "file/unreadable"),
    ("f 1 2", "file/unreadable"), ("f a b c", "file/unreadable"), ("f 1.5 2 3", "file/unreadable"),
    ("f 1 2 99999999999999999999999", "file/index"), ("v 1,5 2,5 3", "file/coordinates"),
])
def test_faces_of_an_obj(tmp_path: Path, face: str, kind: str) -> None:
    refused(sound("obj") + face.encode() + b"\n", ".obj", tmp_path, kind)


@pytest.mark.parametrize(("old", "new"), [
    ("format ascii", "format utf8"), ("property double x", "property text x"),
    ("property double x\n", ""), ("element vertex 42", "element vertex -1"),
    ("element vertex 42", "element vertex 999999999999"), ("element vertex", "elment vertex"),
    ("end_header", "the_end"), ("uchar int vertex_indices", "uchar float vertex_indices"),
    ("vertex_indices", "corners"), ("element face 80", "element face 81"),
    ("element face 80", "element face 79999999"), ("ply\n", "ply\nproperty float q\n"),
])
def test_header_of_a_ply(tmp_path: Path, old: str, new: str) -> None:
    for form in ("ply", "binary.ply"):
        assert old.encode() in sound(form) or old == "format ascii"
        if old.encode() in sound(form):
            refused(sound(form).replace(old.encode(), new.encode(), 1), ".ply", tmp_path)


def test_packages_that_are_traps(tmp_path: Path) -> None:
    bomb = package(b"<model>" + b" " * 40_000_000)
    assert len(bomb) < 100_000
    assert "was not opened" in refused(bomb, ".3mf", tmp_path, "file/too-large")
    entity = b'<!DOCTYPE m [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;">]><model>&b;</model>'
    assert "document type" in refused(package(entity), ".3mf", tmp_path, "file/conformance")
    core = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
    endless = (f'<model unit="millimeter" xmlns="{core}"><resources>'
               + "".join(f'<object id="{i}"><components>' + f'<component objectid="{i + 1}"/>' * 9
                         + "</components></object>" for i in range(1, 12))
               + '<object id="12"/></resources><build><item objectid="1"/></build></model>')
    refused(package(endless.encode()), ".3mf", tmp_path, "file/too-large")
    loop = (f'<model unit="millimeter" xmlns="{core}"><resources><object id="1"><components>'
            '<component objectid="1"/></components></object></resources><build>'
            '<item objectid="1"/></build></model>')
    assert "contains itself" in refused(package(loop.encode()), ".3mf", tmp_path)
    assert "has no /3D" in refused(package(b"<model/>", "3D/other.model"), ".3mf", tmp_path)


# --- units -----------------------------------------------------------------------------------


@pytest.mark.parametrize("form", [f for f in FORMATS if f != "3mf"])
def test_a_mesh_without_a_unit_is_asked_for_one(tmp_path: Path, form: str) -> None:
    file = tmp_path / f"ball.{form.split('.')[-1]}"
    file.write_bytes(sound(form))
    with pytest.raises(UnitError) as error:
        read(file)
    low, high = part_of(ball(finer=1)).mesh.bounds
    size = [f"{x:.4g}" for x in high - low]
    inches = [f"{25.4 * x:.4g}" for x in high - low]
    assert " × ".join(size) + " mm" in str(error.value)
    assert " × ".join(inches) + " mm if they are inches" in str(error.value)
    assert "--unit" in str(error.value)
    metre = read(file, unit="m")
    assert metre.size_mm == pytest.approx([1000 * x for x in high - low])
    assert any(n.kind == "file/unit" for n in metre.notes)


def test_a_unit_that_contradicts_the_file_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "ball.3mf"
    file.write_bytes(sound("3mf"))
    with pytest.raises(InputError, match="states the unit mm, but in was asked for"):
        read(file, unit="in")
    with pytest.raises(InputError, match="'furlong' is not known"):
        read(file, unit="furlong")


# --- by command ------------------------------------------------------------------------------


@pytest.mark.parametrize(("name", "data", "options", "words"), [
    ("empty.stl", b"", ["--unit", "mm"], "0 bytes"),
    ("noise.step", b"ISO-10303-21;\n\x00\x01\x02noise", [], "export it again"),
    ("cut.stl", "stl", ["--unit", "mm"], "cut short"),
    ("ball.stl", "whole", [], "--unit"),
])
def test_command_ends_with_2_and_one_line(tmp_path: Path, name: str, data: bytes | str,
                                          options: list[str], words: str) -> None:
    file = tmp_path / name
    file.write_bytes(data if isinstance(data, bytes) else
                     sound("stl")[:2000] if data == "stl" else sound("stl"))
    done = subprocess.run(
        [sys.executable, "-m", "soffit", "resolve", str(file), "--out", str(tmp_path / "out"),
         *options], capture_output=True, text=True, timeout=60, check=False, cwd=ROOT)
    assert done.returncode == 2
    assert done.stdout == ""
    *progress, line = done.stderr.strip().splitlines()
    assert progress in ([], [f"soffit: reading {name}"])
    assert words in line
    assert "Traceback" not in done.stderr
    assert list(tmp_path.iterdir()) == [file]
