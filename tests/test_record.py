"""The record of a first article: written, filled in, and held against its limits."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

import soffit
from soffit.cli.run import run
from soffit.errors import InputError
from soffit.process.load import load_process
from soffit.production.capability import Reading, fit, read_results
from soffit.production.first_article import Check, coarse_mm, first_article
from soffit.production.record import (
    Entry,
    Record,
    add_results,
    read_form,
    read_record,
    readings,
    record_csv,
    record_json,
)
from tests.shapes import counterbore, ledge, read
from tests.test_sheet import SCHEMAS, bracket_result

NUMBER = "0123abcd-4567cdef"


def checks() -> dict[str, Check]:
    return {check.id: check for check in first_article(bracket_result())}


def test_sizes_are_within_the_coarse_class() -> None:
    """ISO 2768-1:1989, table 1, class c, from memory: 0.2 to 3 mm, 0.3 to 6, 0.5 to 30, 0.8 to 120,
    1.2 to 400, 2 to 1000."""
    assert [coarse_mm(size) for size in (2, 3, 3.01, 6, 30, 31, 120, 400, 1000)] == [
        0.2, 0.2, 0.3, 0.3, 0.5, 0.8, 0.8, 1.2, 2.0]
    result = bracket_result()
    for name, size in zip(("S1", "S2", "S3"), result.produced.size_mm, strict=True):
        check = checks()[name]
        assert check.nominal == pytest.approx(size, abs=0.005)
        assert check.high == pytest.approx(size + coarse_mm(size), abs=0.006)
        assert check.low == pytest.approx(size - coarse_mm(size), abs=0.006)


def test_only_holes_that_no_change_touches_are_gauged() -> None:
    """The bracket has two holes of 4.5 and two of 5.5 mm; the chamfer opens into some face of one
    pair at most, which then is no round hole any more."""
    found = checks()
    assert {c.nominal for i, c in found.items() if i[0] == "H"} <= {4.5, 5.5}
    untouched = replace(bracket_result(), edits=())
    assert {c.nominal for c in first_article(untouched) if c.id[0] == "H"} == {4.5, 5.5}
    every = tuple(range(1, len(bracket_result().received.faces) + 1))
    edits = (replace(bracket_result().edits[0], faces=every),)
    assert not [c for c in first_article(replace(untouched, edits=edits)) if c.id[0] == "H"]


def test_what_hangs_may_hang_by_a_layer_and_says_at_what_level() -> None:
    found = checks()
    process = load_process("pla-04")
    bridges = [c for c in found.values() if c.limit == "bridge_mm" and c.id[0] == "B"]
    spans = {round(f.span_mm or 0.0, 1) for f in bracket_result().after.findings
             if f.kind == "air/bridge"}
    assert spans and {float(c.level) for c in bridges} == {s for s in spans if s}
    for check in (*bridges, found["U1"]):
        assert (check.low, check.high) == (0.0, process.layer_mm)
    assert found["M1"].nominal == pytest.approx(
        bracket_result().estimate["resolved"]["plastic_g"], abs=0.005)


def test_a_membrane_is_asked_for_and_a_prop_is_scraped_to_a_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("soffit.plan.wishes.CHANGES", ("membrane",))
    result = soffit.resolve(read(counterbore(6, 3, 6), tmp_path), "pla-04")
    (work,) = [c for c in first_article(result) if c.id[0] == "W"]
    assert work.what == "E1 drilled out, open and clean"
    assert work.unit == "yes/no"
    props = soffit.resolve(read(ledge(6, 8, 8), tmp_path), "pla-04", only=["props"])
    (stub,) = [c for c in first_article(props) if c.id[0] == "P"]
    assert (stub.low, stub.high) == (0.0, 0.4)  # a line of the profile, common practice


def test_json_fits_its_schema_and_both_forms_hold_the_same(tmp_path: Path) -> None:
    found = tuple(checks().values())
    data = json.loads(json.dumps(record_json(NUMBER, "a.step", "pla-04", found)))
    schema = json.loads((SCHEMAS / "record-1.json").read_text(encoding="utf-8"))
    Draft202012Validator(schema).validate(data)
    rows = list(csv.DictReader(io.StringIO(record_csv(NUMBER, found))))
    assert [r["id"] for r in rows] == [c["id"] for c in data["checks"]]
    for path, text in ((tmp_path / "r.csv", filled(found, {"S1": "60.0"})),
                       (tmp_path / "r.json", _json_with(data, "S1", 60.0))):
        path.write_text(text, encoding="utf-8")
        record = read_record(path)
        assert tuple(e.check for e in record.entries) == tuple(
            replace(c, nominal=_f(c.nominal), low=_f(c.low), high=_f(c.high)) for c in found)
        assert record.number == NUMBER


def _f(value: float | None) -> float | None:
    return None if value is None else float(value)


def _json_with(data: dict[str, object], name: str, value: object) -> str:
    checks = data["checks"]
    assert isinstance(checks, list)
    return json.dumps({**data, "checks": [
        {**c, "measured": value} if c["id"] == name else c for c in checks]})


def filled(found: tuple[Check, ...], values: dict[str, str], delimiter: str = ",") -> str:
    """A record with these answers, as a spreadsheet writes it."""
    text = io.StringIO()
    rows = list(csv.DictReader(io.StringIO(record_csv(NUMBER, found))))
    out = csv.DictWriter(text, rows[0].keys(), delimiter=delimiter)
    out.writeheader()
    for row in rows:
        row["measured"] = values.get(row["id"], "")
        if delimiter == ";":
            row = {k: v.replace(".", ",") if k in ("nominal", "low", "high") else v
                   for k, v in row.items()}
        out.writerow(row)
    return "\ufeff" + text.getvalue()


SIZE = Check("S1", "Size", "calliper", "mm", 10.0, 9.5, 10.5, "demo")
BORE = Check("W1", "Bore open", "eye", "yes/no", None, None, None, "demo")
SPAN = Check("B1", "Sag", "scale", "mm", 0.0, 0.0, 0.2, "demo", "bridge_mm", "12")
LONG = replace(SPAN, id="B2", level="20")
HELD = Check("C1a", "held", "read", "°", None, None, None, "demo", "angle_deg", "held")
FAILED = replace(HELD, id="C1b", level="failed")
ALL = (SIZE, BORE, SPAN, LONG, HELD, FAILED)


def record_of(tmp_path: Path, values: dict[str, str], delimiter: str = ",") -> Record:
    path = tmp_path / "r.csv"
    path.write_text(filled(ALL, values, delimiter), encoding="utf-8")
    return read_record(path)


@pytest.mark.parametrize("delimiter", [",", ";"])
def test_limits_count_as_within_and_the_next_figure_as_out(tmp_path: Path, delimiter: str) -> None:
    comma = "," if delimiter == ";" else "."
    fine = {"S1": f"10{comma}5", "W1": "Yes", "B1": f"0{comma}2", "B2": "0"}
    record = record_of(tmp_path, fine, delimiter)
    assert record.passed and len(record.of("in")) == 4
    record = record_of(tmp_path, fine | {"S1": f"10{comma}501", "W1": "no"}, delimiter)
    assert [e.check.id for e in record.of("out")] == ["S1", "W1"]
    record = record_of(tmp_path, {"S1": f"9{comma}5"}, delimiter)
    assert not record.passed
    assert [e.check.id for e in record.of("not measured")] == ["W1", "B1", "B2"]


def test_what_it_says_of_the_process_is_what_capability_reads(tmp_path: Path) -> None:
    """The bridge of 12 mm holds, that of 20 mm sags: the limit lies between. The coupon of
    overhangs held at 40 and failed at 35 degrees."""
    record = record_of(tmp_path, {"S1": "10", "W1": "yes", "B1": "0.1", "B2": "0.9",
                                  "C1a": "40", "C1b": "35"})
    known, said = readings(record)
    assert known == (Reading("angle_deg", 40.0, 35.0), Reading("bridge_mm", 12.0, 20.0))
    assert not said
    out = tmp_path / "results.csv"
    add_results(known, tmp_path / "r.csv", out)
    other = tmp_path / "other.csv"
    other.write_text(filled(ALL, {"B1": "0.0", "B2": "2.0"}), encoding="utf-8")
    add_results(readings(read_record(other))[0], other, out)
    assert read_results(out) == [*known, Reading("bridge_mm", 12.0, 20.0)]
    (bridge,) = fit([r for r in read_results(out) if r.limit == "bridge_mm"])  # both 12 to 20
    assert bridge.mean == pytest.approx(16.0)
    with pytest.raises(InputError, match="is in it already"):
        add_results(known, tmp_path / "r.csv", out)


def test_what_gives_no_line_is_said(tmp_path: Path) -> None:
    known, said = readings(record_of(tmp_path, {"B1": "0.1", "B2": "0.2", "C1b": "35"}))
    assert known == (Reading("angle_deg", None, 35.0),)  # a ladder that failed throughout
    assert said == ("bridge_mm: all of the article held, up to 20; that gives no line",)
    add_results(known, tmp_path / "r.csv", tmp_path / "results.csv")
    assert read_results(tmp_path / "results.csv") == list(known)
    _, said = readings(record_of(tmp_path, {"B1": "0.9", "B2": "0.1"}))
    assert "look again" in said[0]


@pytest.mark.parametrize(("text", "said"), [
    ("", "no column|no checks"),
    ("{", "not valid JSON"),
    ('{"schema": "soffit.record/1", "record": "a", "record": "b"}', "is in one object twice"),
    ('{"schema": "soffit.record/1", "checks": [{"low": NaN}]}', "NaN is no number"),
    (filled(ALL, {"S1": "10"}).replace("form", "from", 1), "no column 'form'"),
    ('{"schema": "soffit.record/9"}', "'soffit.record/1' is read"),
    ('{"schema": "soffit.record/1", "checks": [1]}', "no checks"),
    ('{"schema": "soffit.record/1", "checks": [{"id": "a"}]}', "check 1: it has no 'what'"),
    ("a,b\n1,2\n", "no column 'record'"),
    (filled(ALL, {}), "nothing is filled in"),
    (filled(ALL, {"S1": "ten"}), "line 2: S1 measured 'ten'; write a number in mm"),
    (filled(ALL, {"S1": "nan"}), "S1 measured 'nan'"),
    (filled(ALL, {"S1": "1_0"}), "S1 measured '1_0'"),
    (filled(ALL, {"S1": "1,010.5"}), "S1 measured '1,010.5'; write a number in mm"),
    (filled(ALL, {"S1": "10"}).replace("measured", "record", 1), "two columns 'record'"),
    (filled(ALL, {"W1": "maybe"}), "write yes or no"),
    (filled((SIZE, SIZE), {"S1": "10"}), "S1 is in it twice"),
    (filled((replace(SPAN, level="far"),), {"B1": "1"}), "level 'far'"),
    (filled(ALL, {"S1": "10"}).replace(NUMBER, "x", 1), "2 records"),
])
def test_records_that_make_no_sense_end_in_one_clear_line(
    text: str, said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "r.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=said):
        read_record(path)
    assert run(["record", str(path)]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1


@pytest.mark.parametrize(("change", "told"), [
    (lambda t: t.replace("10.5", "11.5"), "S1, Size: high is 11.5, it was 10.5"),
    (lambda t: t.replace(",9.5,", ",,"), "S1, Size: low is empty, it was 9.5"),
    (lambda t: "\n".join(x for x in t.split("\n") if not x.startswith(f"{NUMBER},B2")),
     "B2, Sag, is missing"),
    (lambda t: t.replace(",yes/no,", ",mm,").replace("yes", "1"),
     "W1, Bore open: unit is mm, it was yes/no"),
    (lambda t: t.replace("bridge_mm,20", "bridge_mm,14"), "B2, Sag: level is 14, it was 20"),
])
def test_a_record_whose_limits_were_altered_does_not_pass(
    change: Callable[[str], str], told: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """By the hash that was written with it; what was altered is told by the record as written."""
    fine = filled(ALL, {"S1": "10", "W1": "yes", "B1": "0.1", "B2": "0.3", "C1b": "35"})
    path, blank = tmp_path / "r.csv", tmp_path / "blank.json"
    blank.write_text(json.dumps(record_json(NUMBER, "a.step", "pla-04", ALL)), encoding="utf-8")
    path.write_text(fine, encoding="utf-8")
    assert not read_record(path).altered and not read_record(path, read_form(blank)).altered
    assert change(fine) != fine
    path.write_text(change(fine), encoding="utf-8")
    found = read_record(path)
    assert found.altered and not replace(found, entries=found.entries[:2]).passed
    assert readings(found)[0] == () and readings(replace(found, altered=()))[0] != ()
    assert read_record(path, read_form(blank)).altered == (told,)
    assert run(["record", str(path), "--written", str(blank)]) == 1
    shown = capsys.readouterr().out
    assert f"ALTERED {told}" in shown and "NOT as it was written" in shown
    with pytest.raises(InputError, match="not those that were written"):
        read_form(path)


def test_sorted_by_a_spreadsheet_it_is_as_it_was_and_another_parts_is_refused(
    tmp_path: Path
) -> None:
    path = tmp_path / "r.csv"
    lines = filled(ALL, {"S1": "10"}, ";").splitlines()
    path.write_text("\n".join([lines[0], *lines[:0:-1]]), encoding="utf-8")
    assert not read_record(path).altered
    with pytest.raises(InputError, match="set against record another"):
        read_record(path, Record("another", ()))


def test_command_says_what_is_out_and_by_how_much(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, out = tmp_path / "r.csv", tmp_path / "results.csv"
    path.write_text(filled(ALL, {"S1": "10.8", "W1": "yes", "B1": "0.1", "B2": "0.3"}),
                    encoding="utf-8")
    assert run(["record", str(path), "--out", str(out)]) == 1
    told = capsys.readouterr().out
    assert "OUT S1: Size: 10.8 mm, 0.3 above 10.5" in told
    assert "does NOT pass" in told
    assert len(read_results(out)) == 1
    path.write_text(filled(ALL[:2], {"S1": "10", "W1": "yes"}), encoding="utf-8")
    assert run(["record", str(path)]) == 0
    assert Entry(SIZE, "9").state == "out"
