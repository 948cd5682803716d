"""What was found of a package, and of the record of a first article, as text."""

from __future__ import annotations

from collections.abc import Sequence

from soffit.cli.render_text import Line, _table, wrap
from soffit.part.words import plural
from soffit.production.capability import Reading
from soffit.production.record import Entry, Record
from soffit.sheet.verified import Verified


def verified_lines(found: Verified) -> list[Line]:
    """Whole, what each file says now, and whether the verdict stands."""
    up = ",".join(f"{value:.6g}" for value in found.up)
    lines = wrap(f"{found.package}: {len(found.files)} files, every byte as it was packed")
    lines += wrap(f"part {found.part}, unit {found.unit}; up {up}; process {found.process}")
    lines.append(Line(""))
    lines += _table(
        ("judged again", "over air mm²", "verdict"),
        [(one.file, f"{one.over_air_mm2:.1f}", "clean" if one.clean else
          f"not clean: {plural(one.stopping, 'place')}")
         for one in found.judged], right={1})
    if found.protected is None:
        said = "untouched" if found.protected_stated else "CHANGED"
        lines += wrap(f"Protected faces: {said}, as the report says; --received measures again")
    else:
        kept = sum(face.untouched for face in found.protected)
        told = f"{kept} of {len(found.protected)} untouched" if found.protected else "none"
        lines += wrap(f"Protected faces, measured again: {told}")
    lines.append(Line(""))
    if found.stands:
        words = "clean" if found.clean else "not clean"
        return [*lines, Line(f"The verdict stands: {words}.", "bold")]
    return [*lines, Line(f"The verdict does NOT stand: {'; '.join(found.departs)}.", "alarm")]


def record_lines(record: Record, known: Sequence[Reading], said: Sequence[str]) -> list[Line]:
    """What was altered and what is out first, then what was not measured, then what it says of the
    process."""
    lines = [Line(f"Record {record.number}: {len(record.of('in'))} within limits, "
                  f"{len(record.of('out'))} out, {len(record.of('not measured'))} not measured",
                  "bold")]
    for text in record.altered:
        lines += wrap(f"ALTERED {text}")
    for entry in record.of("out"):
        lines += wrap(f"OUT {entry.check.id}: {entry.check.what}: {_measured(entry)}")
    for entry in record.of("not measured"):
        lines += wrap(f"Not measured {entry.check.id}: {entry.check.what}")
    for one in known:
        ends = [f"{word} at {level:g}" for word, level in (
            ("held", one.held), ("failed", one.failed)) if level is not None]
        lines += wrap(f"{one.limit}: {', '.join(ends)}")
    for text in said:
        lines += wrap(text)
    end = ("The first article passes." if record.passed else
           "The record is NOT as it was written: take that and fill it in." if record.altered else
           "The first article does NOT pass." if record.of("out") else
           "The first article is not decided: measure the rest.")
    return [*lines, Line(end, "bold" if record.passed else "alarm")]


def _measured(entry: Entry) -> str:
    """What was measured, and by how much it is past its limit."""
    check, value = entry.check, entry.value
    if value is None:
        return f"{entry.measured}, where yes is due"
    if check.low is not None and value < check.low:
        return f"{value:g} {check.unit}, {round(check.low - value, 3):g} below {check.low:g}"
    assert check.high is not None
    return f"{value:g} {check.unit}, {round(value - check.high, 3):g} above {check.high:g}"
