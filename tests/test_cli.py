"""The commands: exit codes, streams, formats, and what is left when they are stopped."""

from __future__ import annotations

import errno
import json
import os
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from jsonschema import Draft202012Validator
from referencing import Registry, Resource

from soffit import api
from soffit.cli import app as commands
from soffit.cli.entry import computes
from soffit.cli.options import parse_box, parse_up
from soffit.cli.render_sarif import review_sarif
from soffit.cli.render_text import resolution_lines, review_lines
from soffit.cli.run import run
from soffit.errors import FileError, GeometryError, InputError, KernelTimeout
from soffit.findings.model import Finding, Review
from soffit.part.model import Face, Mesh, Part, Source, Surface
from soffit.part.quality import BrepQuality, Defect, QualityChange
from soffit.part.solid import box
from soffit.plan.model import OpenFinding, ProtectedFace, Resolution
from soffit.plan.report import resolve_json, review_json
from soffit.plan.report_parts import dumps
from soffit.process.load import load_process
from soffit.remedies.model import Edit

ROOT = Path(__file__).resolve().parent.parent
EXAMPLE = ROOT / "examples" / "ledge_bracket.step"


# --- hand-made results ---------------------------------------------------------------------


def a_part() -> Part:
    """A box of 40 × 20 × 30 mm."""
    corners = np.array([[x, y, z] for x in (0.0, 40.0) for y in (0.0, 20.0) for z in (0.0, 30.0)])
    quads = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    triangles = np.array([t for a, b, c, d in quads for t in ((a, b, c), (a, c, d))])
    faces = tuple(
        Face(i + 1, Surface.PLANE, 0, 1.0, (0.0, 0.0, 0.0), (0.0, 0.0, 1.0)) for i in range(6)
    )
    mesh = Mesh(
        corners,
        triangles,
        np.repeat(np.arange(1, 7), 2),
        np.zeros((12, 3)),
        np.zeros(12, dtype=np.int64),
    )
    return Part(Source("box.step", "step", "ab" * 32, "mm", "file"), mesh, faces, 1, True)


LEDGE = Finding(
    id="A1",
    kind="air/ledge",
    severity="blocker",
    z_mm=(12.0, 12.0),
    at_mm=(5.0, 10.0, 12.0),
    area_mm2=200.0 + 1e-9,
    reach_mm=10.0,
    span_mm=None,
    angle_deg=-0.0,
    limit=0.8,
    faces=(3,),
    message="A ledge reaches 10.0 mm out over air at z = 12.00 mm; 0.8 mm holds.",
)
NOTE = replace(LEDGE, id="F1", kind="file/loose-shell", severity="note", reach_mm=None, limit=None)


def a_review(*findings: Finding) -> Review:
    return Review(a_part(), load_process("pla-04"), (0.0, 0.0, 1.0), findings)


def a_resolution(*, open_: tuple[OpenFinding, ...] = (), moved_mm: float = 0.0) -> Resolution:
    edit = Edit(
        "E1", "A1", "chamfer", "add", 1000.0, (3,), (5.0, 10.0, 7.0), (2.0, 12.0),
        "45° under the ledge, run to a point.", "", box((0, 0, 0), (1, 1, 1)),
    )  # fmt: skip
    return Resolution(
        received=a_part(),
        produced=a_part(),
        props=(),
        before=a_review(LEDGE),
        after=a_review(*(entry.finding for entry in open_)),
        edits=(edit,),
        open=open_,
        protected=(ProtectedFace(2, "face near 0,0,12", moved_mm, 0.01),),
        quantity=1000,
        estimate={"as_received": {"plastic_g": 12.3}, "resolved": {"plastic_g": 12.9}},
        files={"report": "out/box.report.json", "step": "out/box.production.step"},
    )


@pytest.fixture
def engine(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Any:
    """Replaces the engine by what a test puts here; returns a part's path that exists."""
    file = tmp_path / "box.step"
    file.write_text("not read by these tests")

    class Engine:
        path = str(file)
        calls: dict[str, Any] = {}  # noqa: RUF012

        def give(self, **verbs: Any) -> None:
            for name, answer in verbs.items():

                def verb(*args: Any, _name: str = name, _answer: Any = answer, **kw: Any) -> Any:
                    self.calls[_name] = (args, kw)
                    if isinstance(_answer, BaseException):
                        raise _answer
                    return _answer

                monkeypatch.setattr(api, name, verb)

    engine = Engine()
    engine.give(read=a_part())
    return engine


# --- exit codes and streams -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("findings", "code"), [((), 0), ((NOTE,), 0), ((LEDGE,), 1), ((NOTE, LEDGE), 1)]
)
def test_review_exit_code(engine: Any, findings: tuple[Finding, ...], code: int) -> None:
    engine.give(review=a_review(*findings))
    assert run(["review", engine.path]) == code


@pytest.mark.parametrize(
    ("error", "code", "says"),
    [
        (FileError("reading box.step: no solid in it; export a solid"), 2, "no solid in it"),
        (GeometryError("adding E1: volume balance broken"), 3, "please report"),
        (KernelTimeout("reading box.step: no answer within 120 s"), 3, "please report"),
        (ZeroDivisionError("division\nby zero"), 3, "defect: ZeroDivisionError: division by zero"),
        (MemoryError(), 3, "out of memory"),
        (RecursionError("deep"), 3, "please report"),
    ],
)
def test_errors_are_one_line_on_stderr(
    engine: Any, capfd: pytest.CaptureFixture[str], error: Exception, code: int, says: str
) -> None:
    engine.give(review=error)
    assert run(["review", engine.path]) == code
    out, err = capfd.readouterr()
    assert out == ""
    lines = [line for line in err.splitlines() if "ing box.step" not in line or says in line]
    assert len(lines) == 1
    assert says in lines[0]
    assert lines[0].startswith("soffit: ")


def test_debug_shows_where(
    engine: Any, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    engine.give(review=ZeroDivisionError("x"))
    monkeypatch.setenv("SOFFIT_DEBUG", "1")
    assert run(["review", engine.path]) == 3
    assert "Traceback" in capfd.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["review"], "Missing argument 'PART'"),
        (["reveiw", "x"], "No such command 'reveiw'"),
        (["review", "nowhere.step"], "reading nowhere.step: there is no such file"),
        (["review", "."], "it is a folder"),
        (["review", "{part}", "--process", "pla"], "no profile 'pla'"),
        (["review", "{part}", "--up", "sideways"], "give keep, auto, or a direction"),
        (["review", "{part}", "--up", "0,0,0"], "is not understood"),
        (["review", "{part}", "--unit", "furlong"], "'mm'"),
        (["review", "{part}", "--format", "xml"], "'sarif'"),
        (["resolve", "{part}"], "Missing option '--out'"),
        (["resolve", "{part}", "--out", "{part}"], "it is a file"),
        (["resolve", "{part}", "--out", "o", "--quantity", "0"], "--quantity"),
        (["resolve", "{part}", "--out", "o", "--keep-out", "0,0,0"], "opposite corners"),
        (["resolve", "{part}", "--out", "o", "--keep-out", "0,0,0,1,1,0"], "has no volume"),
        (["resolve", "{part}", "--out", "o", "--revision", "A\nB"], "revision is 'A\\nB'"),
        (["package", "{part}", "--out", "o.zip", "--prepared-for", "x" * 201], "at most 200"),
        (["explain", "air/nothing"], "air/ledge"),
        (["explain", "rof"], "did you mean roof?"),
    ],
)
def test_a_wrong_call_is_code_2_and_one_line(
    engine: Any, capfd: pytest.CaptureFixture[str], arguments: list[str], says: str
) -> None:
    assert run([engine.path if a == "{part}" else a for a in arguments]) == 2
    out, err = capfd.readouterr()
    assert out == ""
    assert says in err
    assert len(err.splitlines()) == 1


def test_options_reach_the_engine(engine: Any, tmp_path: Path) -> None:
    class Written:
        def write(self, out: Path, progress: Any, **issue: str) -> Resolution:  # noqa: ARG002
            assert out == tmp_path / "out"
            assert issue == {"paper": "a4", "revision": "B", "prepared_for": "A demo customer"}
            return a_resolution()

    engine.give(resolve=Written())
    code = run(
        [
            "resolve", engine.path, "--out", str(tmp_path / "out"), "--process", "petg-04",
            "--unit", "in", "--up", "0,-1,0", "--protect", "face near 0,0,1", "--protect", "faces "
            "coloured #ff0000", "--keep-out", "9,0,0,1,5,7", "--quantity", "250", "--repair",
            "--prefer", "looks", "--forbid", "prop", "--forbid", "F3=roof", "--only", "roofs",
            "--demand", "F3=roof leaving a bridge",
            "--max-deviation", "2.5", "--recipe", "old.recipe.toml",
            "--prop-at", "12,5", "--prop-at", "12,5,30", "--no-prop-at", "-3,4,2.5",
            "--target-ppm", "2.5", "--paper", "a4", "--revision", "B",
            "--prepared-for", "A demo customer",
        ]
    )  # fmt: skip
    assert code == 0
    assert engine.calls["read"][1] == {"unit": "in", "repair": True}
    (_, process), options = engine.calls["resolve"]
    assert process.name == "petg-04"
    options.pop("progress")
    assert options == {
        "up": (0.0, -1.0, 0.0),
        "protect": ["face near 0,0,1", "faces coloured #ff0000"],
        "keep_out": [(1.0, 0.0, 0.0, 9.0, 5.0, 7.0)],
        "quantity": 250,
        "prefer": "looks",
        "forbid": ["prop"],
        "only": ["roofs"],
        "demand": {"F3": "roof leaving a bridge"},
        "forbid_at": {"F3": ["roof"]},
        "max_deviation_mm": 2.5,
        "prop_at": [(12.0, 5.0), (12.0, 5.0, 30.0)],
        "no_prop_at": [(-3.0, 4.0, 2.5)],
        "recipe": Path("old.recipe.toml"),
        "target_ppm": 2.5,
    }


def test_a_defect_never_looks_like_findings(tmp_path: Path) -> None:
    """A child that cannot even start ends with Python's own code 1."""
    code, err = supervised(tmp_path, "raise SystemExit(1)")
    assert code == 3
    assert "please report" in err


# --- option values --------------------------------------------------------------------------


def test_values_of_up_and_keep_out() -> None:
    assert parse_up("auto") == "auto"
    assert parse_up("-1,0,2.5") == (-1.0, 0.0, 2.5)
    assert parse_box("0,1,2,3,0,5") == (0.0, 0.0, 2.0, 3.0, 1.0, 5.0)
    for text in ("nan,0,1", "1,2", "1,2,3,4", "", "inf,0,0"):
        with pytest.raises(InputError):
            parse_up(text)


def test_which_commands_are_supervised(monkeypatch: pytest.MonkeyPatch) -> None:
    assert computes(["review", "x.step"])
    assert computes(["demo"])
    assert computes(["features", "x.step"])
    assert computes(["review", "--", "--help"])
    assert not computes(["review", "--help"])
    assert not computes([])
    assert not computes(["processes"])
    monkeypatch.setenv("_SOFFIT_COMPLETE", "complete_bash")
    assert not computes(["review", "x.step"])


# --- formats --------------------------------------------------------------------------------


def validator(name: str) -> Draft202012Validator:
    schemas = {
        file.name: json.loads(file.read_text(encoding="utf-8"))
        for file in (ROOT / "docs" / "schema").glob("*.json")
    }
    registry: Registry[Any] = Registry().with_resources(
        (key, Resource.from_contents(value)) for key, value in schemas.items()
    )
    Draft202012Validator.check_schema(schemas[name])
    return Draft202012Validator(schemas[name], registry=registry)


def test_review_json_fits_its_schema_and_holds_the_figures() -> None:
    report = review_json(a_review(NOTE, LEDGE))
    validator("review-1.json").validate(report)
    assert report["part"]["size_mm"] == [40.0, 20.0, 30.0]
    assert report["part"]["volume_mm3"] == 24000.0
    assert report["part"]["area_mm2"] == 5200.0  # 2·(40·20 + 40·30 + 20·30)
    assert report["totals"] == {"over_air_mm2": 200.0}
    assert [f["id"] for f in report["findings"]] == ["F1", "A1"]
    assert "-0.0" not in dumps(report)


def test_schema_refuses_what_is_not_a_report() -> None:
    check = validator("review-1.json")
    report = review_json(a_review(LEDGE))
    for broken in (
        {**report, "schema": "soffit.review/2"},
        {**report, "extra": 1},
        {key: value for key, value in report.items() if key != "totals"},
        {**report, "findings": [{**report["findings"][0], "severity": "bad"}]},
    ):
        assert not check.is_valid(broken)


GOOD = BrepQuality(True, True, 6, 0, 0, 0, 0, 1e-7, 1e-7, 1e-7)


def test_cad_is_told_of_only_where_something_is_wrong() -> None:
    fine = replace(a_resolution(), quality=QualityChange(GOOD, GOOD, (), GOOD))
    assert resolution_lines(fine) == resolution_lines(a_resolution())
    sliver = Defect("sliver", (1.0, 2.0, 3.0), 0.0042)
    worse = replace(
        fine,
        quality=QualityChange(GOOD, replace(GOOD, slivers=1), (sliver,), None),
        missing={"changes_step": "drawing E1: no"},
    )
    text = " ".join(line.text.strip() for line in resolution_lines(worse))
    assert ("CAD: 1 new sliver face (first at 1.000, 2.000, 3.000 in the frame of the file: "
            "0.0042 mm²)") in text
    assert "Not written: drawing E1: no" in text
    report = resolve_json(worse)
    validator("resolve-1.json").validate(report)
    assert report["quality"]["after"]["slivers"] == 1
    assert report["quality"]["props"] is None
    assert report["quality"]["new"] == [{"kind": "sliver", "at_mm": [1, 2, 3], "size": 0.0042}]
    assert report["missing"] == {"changes_step": "drawing E1: no"}
    validator("resolve-1.json").validate(resolve_json(fine))


def test_resolve_json_fits_its_schema() -> None:
    left = OpenFinding(LEDGE, "the face is protected")
    report = resolve_json(a_resolution(open_=(left,)))
    validator("resolve-1.json").validate(report)
    assert report["verdict"]["clean"] is False
    assert report["verdict"]["open"][0]["finding"]["id"] == "A1"
    assert report["verdict"]["protected_untouched"] is True
    assert report["files"] == {"report": "box.report.json", "step": "box.production.step"}
    moved = resolve_json(a_resolution(moved_mm=0.5))
    validator("resolve-1.json").validate(moved)
    assert moved["verdict"] == {"clean": False, "open": [], "protected_untouched": False}


def test_json_is_alone_on_stdout(engine: Any, capfd: pytest.CaptureFixture[str]) -> None:
    engine.give(review=a_review(LEDGE))
    assert run(["review", engine.path, "--format", "json"]) == 1
    out, err = capfd.readouterr()
    assert json.loads(out) == review_json(a_review(LEDGE))
    assert list(json.loads(out)) == sorted(json.loads(out))
    assert err.splitlines() == ["soffit: reading box.step", "soffit: reviewing box.step"]


def test_sarif_states_every_finding() -> None:
    log = json.loads(review_sarif(a_review(NOTE, LEDGE)))
    assert log["version"] == "2.1.0"
    (one,) = log["runs"]
    rules = [rule["id"] for rule in one["tool"]["driver"]["rules"]]
    assert [r["level"] for r in one["results"]] == ["note", "error"]
    for result, finding in zip(one["results"], (NOTE, LEDGE), strict=True):
        assert rules[result["ruleIndex"]] == result["ruleId"] == finding.kind
        assert result["message"]["text"] == finding.message
        location = result["locations"][0]["physicalLocation"]["artifactLocation"]
        assert one["artifacts"][location["index"]]["location"]["uri"] == location["uri"]
    assert one["results"][1]["properties"]["reach_mm"] == 10.0


def test_review_text() -> None:
    text = "\n".join(line.text for line in review_lines(a_review(NOTE, LEDGE)))
    assert "box.step: 40.00 × 20.00 × 30.00 mm, unit mm from the file" in text
    assert "Over air: 200.0 mm² in 1 place." in text
    assert "reach 10.00" in text
    assert LEDGE.message in " ".join(text.split())
    assert "Clean" not in text
    assert "Clean: nothing" in review_lines(a_review())[-1].text


def test_resolution_text_says_first_what_is_open() -> None:
    left = OpenFinding(LEDGE, "the face is protected")
    text = [line.text for line in resolution_lines(a_resolution(open_=(left,)))]
    assert not any("Clean" in line for line in text)
    first = next(i for i, line in enumerate(text) if line.startswith("OPEN A1 air/ledge"))
    assert first < next(i for i, line in enumerate(text) if line.startswith("Over air: 200.0 mm²"))
    clean = [line.text for line in resolution_lines(a_resolution())]
    assert any(line.startswith("Clean") for line in clean)
    assert not any(line.startswith("OPEN") for line in clean)
    moved = [line.text for line in resolution_lines(a_resolution(moved_mm=0.5))]
    assert any(line.startswith("CHANGED protected face 2") for line in moved)
    assert not any("Clean" in line for line in moved)


def test_a_finding_in_the_written_file_is_never_hidden() -> None:
    result = replace(a_resolution(), after=a_review(LEDGE))
    assert result.open == ()
    text = [line.text for line in resolution_lines(result)]
    assert any(line.startswith("OPEN A1") for line in text)
    assert not any("Clean" in line for line in text)


def test_text_stays_within_80_columns() -> None:
    long = replace(
        LEDGE, kind="air/ceiling", z_mm=(1234.56, 1299.99), span_mm=1234.56, area_mm2=123456.7,
        faces=tuple(range(1, 60)), message="word " * 60, severity="marginal",
    )  # fmt: skip
    result = a_resolution(open_=(OpenFinding(long, "reason " * 30),))
    edit = replace(result.edits[0], faces=tuple(range(1000, 1040)), remedy="tangent-chamfer")
    lines = [*review_lines(a_review(long)), *resolution_lines(replace(result, edits=(edit,)))]
    assert max(len(line.text) for line in lines) <= 80


# --- the real thing, in real processes ------------------------------------------------------


def soffit(*arguments: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "utf-8"}
    command = [sys.executable, "-m", "soffit", *arguments]
    return subprocess.run(
        command, cwd=cwd, env=environment, capture_output=True, text=True, encoding="utf-8"
    )


def test_help_lists_the_commands(tmp_path: Path) -> None:
    done = soffit("--help", cwd=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    for command in ("review", "resolve", "orient", "explain", "demo", "processes"):
        assert f"\n  {command} " in done.stdout
    assert soffit(cwd=tmp_path).stdout == done.stdout


def test_processes_are_listed(tmp_path: Path) -> None:
    done = soffit("processes", cwd=tmp_path)
    assert done.returncode == 0
    assert "\x1b" not in done.stdout
    assert [line.split()[0] for line in done.stdout.splitlines()[1:7]] == [
        "abs-04", "asa-04", "pa12-04", "petg-04", "pla-04", "tpu-04",
    ]  # fmt: skip


def test_completion_offers_the_profiles(tmp_path: Path) -> None:
    environment = {
        **os.environ,
        "PYTHONPATH": str(ROOT),
        "_SOFFIT_COMPLETE": "complete_bash",
        "COMP_WORDS": "soffit review x.step --process p",
        "COMP_CWORD": "4",
    }
    done = subprocess.run(
        [sys.executable, "-m", "soffit"], cwd=tmp_path, env=environment,
        capture_output=True, text=True,
    )  # fmt: skip
    assert done.stdout.split() == ["pa12-04", "petg-04", "pla-04"]


@pytest.mark.parametrize(("begin", "offered"), [("air/l", ["air/ledge"]), ("tea", ["teardrop"])])
def test_completion_offers_kinds_and_remedies(begin: str, offered: list[str]) -> None:
    from soffit.cli.options import complete_topic

    assert complete_topic(begin) == offered


def test_every_kind_and_every_remedy_is_explained(capfd: pytest.CaptureFixture[str]) -> None:
    from soffit.findings.explain import kinds
    from soffit.remedies import NAMES, modules

    assert run(["explain"]) == 0
    listed = capfd.readouterr().out.splitlines()
    assert listed == [*kinds(), *(module.NAME for module in modules())]
    assert len(listed) == len(set(listed)) == len(kinds()) + len(NAMES)
    for topic in listed:
        assert run(["explain", topic]) == 0
        out = capfd.readouterr().out
        assert out.startswith(f"{topic}\n\n")
        assert "**Limits.**" in out or topic.startswith("file/")


def test_a_variant_is_explained_by_its_remedy(capfd: pytest.CaptureFixture[str]) -> None:
    for topic, shown in (("roof leaving a bridge", "roof"), ("bottom edge", "bottom edge")):
        assert run(["explain", topic]) == 0
        assert capfd.readouterr().out.splitlines()[0] == shown


def test_review_of_a_real_file(tmp_path: Path) -> None:
    done = soffit("review", str(EXAMPLE), "--format", "json", cwd=tmp_path)
    assert done.returncode == 1, done.stderr
    report = json.loads(done.stdout)
    validator("review-1.json").validate(report)
    assert "air/ledge" in [finding["kind"] for finding in report["findings"]]
    assert soffit("review", str(EXAMPLE), "--format", "json", cwd=tmp_path).stdout == done.stdout
    assert list(tmp_path.iterdir()) == []


def test_a_module_in_the_current_folder_is_not_run(tmp_path: Path) -> None:
    """A file beside the user's part that is named like one of our libraries."""
    (tmp_path / "numpy.py").write_text("raise SystemExit('wrong numpy')")
    done = soffit("review", str(EXAMPLE), "--up", "keep", cwd=tmp_path)
    assert "wrong numpy" not in done.stderr


def test_rubbish_is_refused_and_leaves_nothing(tmp_path: Path) -> None:
    (tmp_path / "bad.step").write_bytes(b"\0\1\2 rubbish" * 50)
    for command in (["review", "bad.step"], ["resolve", "bad.step", "--out", "out"]):
        done = soffit(*command, cwd=tmp_path)
        assert done.returncode == 2
        assert done.stdout == ""
        assert done.stderr.splitlines()[-1].startswith("soffit: ")
        assert [file.name for file in tmp_path.iterdir()] == ["bad.step"]


def test_whoever_looks_on_may_go_and_the_work_is_done() -> None:
    """Nobody reads the messages from the start on; the results are read."""
    reader, writer = os.pipe()
    os.close(reader)
    try:
        done = subprocess.run([sys.executable, "-m", "soffit", "features", str(EXAMPLE)],
                              stdout=subprocess.PIPE, stderr=writer, cwd=ROOT, timeout=120)
    finally:
        os.close(writer)
    assert done.returncode == 0
    assert b"hole" in done.stdout


def test_no_command_ends_without_a_word(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """A pipe that broke and is not that of the results is a defect; a stop is told."""
    broken = BrokenPipeError(errno.EPIPE, "a child")
    for error, code, said in ((broken, 3, "defect: BrokenPipeError: [Errno 32] a child"),
                              (KeyboardInterrupt(), 130, "stopped")):
        def fails(*_: object, error: BaseException = error, **__: object) -> None:
            raise error

        monkeypatch.setattr("soffit.process.load.available", fails)
        assert run(["processes"]) == code
        out, err = capfd.readouterr()
        assert said in err
        assert not out


# --- the supervisor -------------------------------------------------------------------------

SUPERVISE = """
import sys
from soffit.cli.supervisor import supervise
out, code = sys.argv[1:]
sys.exit(supervise(["resolve", "x.step", "--out", out], [sys.executable, "-c", code]))
"""
# Deaf to every polite signal, with a child of its own, half-way through writing.
DEAF = """
import os, pathlib, signal, subprocess, sys, tempfile, time
for s in (signal.SIGINT, signal.SIGTERM):
    signal.signal(s, signal.SIG_IGN)
pathlib.Path("out").mkdir()
staging = pathlib.Path(os.environ["SOFFIT_STAGING"])
staging.mkdir()
(staging / "half.step").write_text("half")
(pathlib.Path(tempfile.gettempdir()) / "scratch").write_text("half")
child = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"])
pathlib.Path("pids").write_text(f"{os.getpid()} {child.pid} {tempfile.gettempdir()}")
time.sleep(60)
"""


def start(folder: Path, code: str) -> subprocess.Popen[str]:
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    return subprocess.Popen(
        [sys.executable, "-c", SUPERVISE, str(folder / "out"), code],
        cwd=folder, env=environment, text=True,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip


def supervised(folder: Path, code: str) -> tuple[int, str]:
    with start(folder, code) as process:
        _, err = process.communicate(timeout=30)
    return process.returncode, err


@pytest.mark.skipif(sys.platform == "win32", reason="signals of another kind on Windows")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_stopped_within_a_second_and_nothing_left(tmp_path: Path, number: int) -> None:
    with start(tmp_path, DEAF) as process:
        pids = tmp_path / "pids"
        deadline = time.monotonic() + 20
        while not (pids.exists() and len(pids.read_text().split()) == 3):
            assert time.monotonic() < deadline, "the child did not start"
            time.sleep(0.02)
        worker, grandchild, scratch = pids.read_text().split()
        pids.unlink()
        assert len(list(tmp_path.iterdir())) == 2  # the output folder, still empty, and staging
        began = time.monotonic()
        process.send_signal(number)
        _, err = process.communicate(timeout=20)
        took_s = time.monotonic() - began
    assert process.returncode == 130
    assert took_s < 1.0
    assert err == "soffit: stopped; nothing was written\n"
    assert list(tmp_path.iterdir()) == []
    assert not Path(scratch).exists()
    for pid in (int(worker), int(grandchild)):
        assert gone(pid)


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux ties a child to its parent")
def test_the_worker_dies_with_a_supervisor_that_is_killed(tmp_path: Path) -> None:
    part = ROOT / "examples" / "latch_hook.step"
    command = [sys.executable, "-m", "soffit", "resolve", str(part), "--out", str(tmp_path / "out")]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.DEVNULL,
                          stderr=subprocess.PIPE, text=True) as process:
        assert process.stderr is not None
        assert "reading" in process.stderr.readline()  # the worker is at work
        children = Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text().split()
        process.kill()
        process.wait()
        assert len(children) == 1 and all(gone(int(child)) for child in children)


def gone(pid: int) -> bool:
    """Whether a process has ended; one that waits to be reaped has."""
    for _ in range(50):
        try:
            os.kill(pid, 0)
            state = Path(f"/proc/{pid}/stat")
            if state.exists() and state.read_text().rpartition(")")[2].split()[0] == "Z":
                return True
        except (ProcessLookupError, FileNotFoundError):
            return True
        time.sleep(0.02)
    return False


@pytest.mark.skipif(sys.platform == "win32", reason="signals of another kind on Windows")
@pytest.mark.parametrize(
    ("stage", "code", "says"),
    [
        ("reading arm.step", 2, "reading arm.step: the process was ended by SIGSEGV; the file may"),
        ("resolving arm.step", 3, "resolving arm.step: the process was ended by SIGSEGV; this is"),
        ("", 3, "starting: the process was ended by SIGSEGV; this is a defect of soffit"),
    ],
)
def test_a_crash_is_one_clear_line(tmp_path: Path, stage: str, code: int, says: str) -> None:
    crash = (
        f"import os, signal\nfrom soffit.cli.status import tell\n{stage!r} and tell({stage!r})\n"
        "os.kill(os.getpid(), signal.SIGSEGV)"
    )
    ended, err = supervised(tmp_path, crash)
    assert ended == code
    assert err.startswith(f"soffit: {says}")
    assert err.count("\n") == 1


def test_an_answer_counts_only_from_a_child_that_came_to_its_end(tmp_path: Path) -> None:
    told = "from soffit.cli.status import DONE, tell; tell(DONE); raise SystemExit({})"
    for code in (0, 1, 2, 3):
        assert supervised(tmp_path, told.format(code)) == (code, "")
    for code in (0, 1, 2, 3, 7):
        ended, err = supervised(tmp_path, f"raise SystemExit({code})")
        assert ended == 3
        assert f"ended with code {code}" in err


WRITTEN = {"production.step", "production.3mf", "production.stl", "recipe.toml", "report.json",
           "sheet.html", "sheet.pdf", "process.toml", "traveller.html", "traveller.pdf",
           "record.csv", "record.json"}


def test_the_demo_ends_clean_with_all_files(tmp_path: Path) -> None:
    assert commands.DEMO_PART.is_file()
    done = soffit("demo", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    (folder,) = tmp_path.iterdir()
    assert {f.name.partition(".")[2] for f in folder.iterdir()} == WRITTEN | {"changes.step"}
    report = json.loads((folder / "ledge_bracket.report.json").read_text(encoding="utf-8"))
    validator("resolve-1.json").validate(report)
    assert report["verdict"]["clean"]
    assert report["after"]["totals"]["over_air_mm2"] == 0
    assert report["before"]["totals"]["over_air_mm2"] == pytest.approx(1032.7, abs=0.1)


def test_what_stays_open_is_written_and_marked(tmp_path: Path) -> None:
    """The crown of a bearing seat that must not change: code 1, files, and the reason in each."""
    part = EXAMPLE.with_name("pillow_block.step")
    done = soffit("resolve", str(part), "--protect", "face near 35,9,10", "--out", "out",
                  cwd=tmp_path)
    assert done.returncode == 1, done.stderr
    assert "OPEN" in done.stdout
    folder = tmp_path / "out"
    assert {f.name.partition(".")[2] for f in folder.iterdir()} == WRITTEN
    report = json.loads((folder / "pillow_block.report.json").read_text(encoding="utf-8"))
    assert not report["verdict"]["clean"]
    assert report["verdict"]["protected_untouched"]
    assert report["verdict"]["open"]
    assert all("protected face" in left["reason"] for left in report["verdict"]["open"])
    assert "protected face" in (folder / "pillow_block.sheet.html").read_text(encoding="utf-8")
