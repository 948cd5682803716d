"""What changed between two parts: as data, as text, as JSON, and by the exit code."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from OCP.TopoDS import TopoDS_Shape

import soffit
from examples._cad import Drawing, write_step
from soffit.cli.entry import computes
from soffit.cli.render_compare import compare_lines
from soffit.cli.run import run
from soffit.part.write_mesh import write_stl
from soffit.plan.report import compare_json
from soffit.plan.report_parts import dumps
from tests.shapes import box, cut, cylinder, fuse, ledge, move, turn
from tests.test_cli import validator


def with_bore(depth: float = 10.0, x: float = -3.0, radius: float = 2.0) -> TopoDS_Shape:
    """The ledge of the other tests, 10 × 20, with an upright bore in its wall."""
    return cut(ledge(depth), cylinder((x, 5, -1), (0, 0, 1), radius, 30))


@pytest.fixture
def file(tmp_path: Path) -> Any:
    def write(name: str, shape: TopoDS_Shape) -> Path:
        path = tmp_path / f"{name}.step"
        write_step(Drawing(shape), path, name)
        return path

    return write


def compared(a: Path, b: Path, **options: Any) -> soffit.Comparison:
    return soffit.compare(soffit.read(a), soffit.read(b), **options)


def text(result: soffit.Comparison) -> str:
    lines = [line.text for line in compare_lines(result)]
    assert max(map(len, lines)) <= 80
    return "\n".join(lines)


def test_a_part_does_not_differ_from_itself(file: Any) -> None:
    one = file("one", with_bore())
    result = compared(one, one)
    assert not result.differs
    assert [(p.a, p.b, p.moved) for p in result.findings.pairs] == [
        (f.id, f.id, False) for f in result.a.findings]
    assert text(result).endswith("Nothing differs.")


def test_a_deeper_shelf_is_a_resized_face_and_a_changed_finding(file: Any) -> None:
    result = compared(file("a", with_bore(10)), file("b", with_bore(13)))
    (under,) = [f.id for f in result.a.part.faces if f.normal[2] < -0.9 and f.centroid[2] > 1]
    pair = result.faces.of[under]
    # 10 × 20 becomes 13 × 20, its centre goes by half of the difference.
    assert (pair.status, pair.sure) == ("resized", True)
    assert pair.area_change_mm2 == pytest.approx(60.0)
    assert pair.shift_mm == pytest.approx((1.5, 0.0, 0.0))
    changed = [p for p in result.findings.pairs if p.moved]
    (was,) = result.a.air
    assert [(p.a, p.area_change_mm2) for p in changed if p.a == was.id] == [
        (was.id, pytest.approx(60.0))]
    end = [p for p in result.faces.pairs if p.status == "moved"]
    assert [p.shift_mm for p in end] == [pytest.approx((3.0, 0.0, 0.0))]
    said = text(result)
    assert re.search(r"over air, mm²\s+200\.0\s+260\.0", said)
    assert re.search(rf"{was.id} .*changed\s+air/ledge\s+1\.50\s+200\.0\s+260\.0", said)


def test_there_and_back_tell_the_same(file: Any) -> None:
    a = file("a", with_bore())
    b = file("b", fuse(ledge(), box((-20, 4, 0), (-6, 9, 6))))
    there, back = compared(a, b), compared(b, a)
    assert there.faces.vanished == back.faces.new
    assert there.faces.new == back.faces.vanished
    assert len(there.faces.vanished) == 1  # the bore
    assert there.findings.gone == back.findings.new
    assert {(p.a, p.b) for p in there.faces.pairs} == {(p.b, p.a) for p in back.faces.pairs}


def test_a_bore_that_is_wider_says_by_how_much(file: Any) -> None:
    result = compared(file("a", with_bore()), file("b", with_bore(radius=2.25)))
    widened = [p for p in result.faces.pairs if p.radius_change_mm]
    assert [p.radius_change_mm for p in widened] == [pytest.approx(0.25)]
    assert "+0.250" in text(result)


@pytest.mark.parametrize("axis", [(1, 0, 0), (0, 1, 0), (0, 0, 1)])
def test_a_part_turned_in_its_file_stands_the_same_way_up(
    file: Any, axis: tuple[float, float, float]
) -> None:
    shape = with_bore()
    result = compared(file("a", shape), file("b", move(turn(shape, 90, axis), (7, -8, 9))))
    assert result.faces.whole_moved
    assert result.differs
    assert {p.status for p in result.faces.pairs} == {"matched"}
    assert result.b.over_air_mm2 == pytest.approx(result.a.over_air_mm2, abs=1e-3)
    assert result.b.part.size_mm[2] == pytest.approx(result.a.part.size_mm[2], abs=1e-6)
    assert not any(p.moved for p in result.findings.pairs)
    assert not (result.findings.gone or result.findings.new or result.findings.unclear)
    assert "turned by 90°" in text(result)


def test_a_way_up_that_is_given_is_turned_along(file: Any) -> None:
    shape = with_bore()
    a, b = file("a", shape), file("b", turn(shape, 90, (1, 0, 0)))
    result = compared(a, b, up=(0.0, 1.0, 0.0))
    # 90° about x takes y to z.
    assert result.a.up == (0.0, 1.0, 0.0)
    assert result.b.up == pytest.approx((0.0, 0.0, 1.0))
    assert result.a.over_air_mm2 == pytest.approx(result.b.over_air_mm2, abs=1e-3)


def test_json_fits_its_schema_and_refuses_what_is_none(file: Any) -> None:
    shelf = box((-20, 4, 0), (-6, 9, 6))
    report = compare_json(compared(file("a", with_bore()), file("b", fuse(ledge(13), shelf))))
    check = validator("compare-1.json")
    check.validate(report)
    assert "-0.0," not in dumps(report)
    assert report["differs"] is True
    assert np.array(report["motion"]) == pytest.approx(np.eye(4))
    for broken in (
        {**report, "schema": "soffit.compare/2"},
        {**report, "more": 1},
        {key: value for key, value in report.items() if key != "motion"},
        {**report, "faces": {**report["faces"], "new": [0]}},
    ):
        assert not check.is_valid(broken)


def test_the_command_answers_by_its_exit_code(
    file: Any, capfd: pytest.CaptureFixture[str]
) -> None:
    a, b = str(file("a", ledge(10))), str(file("b", ledge(12)))
    assert run(["compare", a, a]) == 0
    out, err = capfd.readouterr()
    assert out.endswith("Nothing differs.\n")
    assert "reading a.step" in err
    assert run(["compare", a, b, "--format", "json"]) == 1
    first = capfd.readouterr().out
    assert json.loads(first)["schema"] == "soffit.compare/1"
    assert run(["compare", a, b, "--format", "json"]) == 1
    assert capfd.readouterr().out == first
    assert computes(["compare", a, b])


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["{a}"], "Missing argument 'B'"),
        (["{a}", "nowhere.step"], "reading nowhere.step: there is no such file"),
        (["{a}", "{mesh}"], "unit"),
        (["{a}", "{a}", "--up", "sideways"], "give keep, auto, or a direction"),
        (["{a}", "{a}", "--format", "sarif"], "'json'"),
    ],
)
def test_a_wrong_call_is_code_2(
    file: Any, tmp_path: Path, capfd: pytest.CaptureFixture[str], arguments: list[str], says: str
) -> None:
    a = file("a", ledge())
    write_stl(soffit.read(a).mesh, tmp_path / "m.stl")
    names = {"{a}": str(a), "{mesh}": str(tmp_path / "m.stl")}
    assert run(["compare", *(names.get(word, word) for word in arguments)]) == 2
    out, err = capfd.readouterr()
    assert out == ""
    assert says in err.splitlines()[-1]


def test_help_says_what_the_exit_codes_mean(capfd: pytest.CaptureFixture[str]) -> None:
    assert run(["compare", "--help"]) == 0
    assert "0 nothing differs, 1 something does" in " ".join(capfd.readouterr().out.split())
