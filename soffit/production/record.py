"""The record of a first article: written to be filled in, taken back, held against its limits.

CSV for a spreadsheet, with one line a check, or JSON (`soffit.record/1`) for the software of a
gauge; the field to fill in is `measured`. What comes back may have been through a spreadsheet of
another country: semicolons and decimal commas are understood.

Whoever fills it in may change a limit, or leave out a check that fails. `form`, a hash of all
checks and their limits that is written with them, tells that something is not as it was; the record
as it was written tells what. Such a record does not pass, and says nothing of the process.

What a record says of the process goes on to `soffit capability fit`: of each limit the hardest
level that held and the first that failed. A coupon may have held to its end, or failed throughout.
The article's own bridges and lips are no such ladder: they end where the part ends, so that they
give a line only where both are known.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import Any, Literal

from soffit.errors import InputError
from soffit.part.write_mesh import write_whole
from soffit.plan.report_parts import loads
from soffit.process.limits import LIMITS
from soffit.production.capability import COLUMNS, LADDERS, Reading
from soffit.production.first_article import YES, Check

SCHEMA = "soffit.record/1"
NAMES = tuple(field.name for field in fields(Check))
NUMBERS = ("nominal", "low", "high")
# Larger than any record (derived: 1,000 checks of 1,000 characters).
MAX_BYTES = 1_000_000

State = Literal["in", "out", "not measured", "noted"]


@dataclass(frozen=True)
class Entry:
    """One check with what was measured, as a word; "" where nothing was."""

    check: Check
    measured: str = ""

    @property
    def value(self) -> float | None:
        """It as a number, None where it is none."""
        return _number(self.measured)

    @property
    def state(self) -> State:
        """Whether it is within its limits; "noted": it has none."""
        check = self.check
        if not self.measured:
            return "noted" if check.level in ("held", "failed") else "not measured"
        if check.unit == YES:
            return "in" if self.measured == "yes" else "out"
        if check.low is None and check.high is None:
            return "noted"
        value = self.value
        assert value is not None
        low = -math.inf if check.low is None else check.low
        high = math.inf if check.high is None else check.high
        return "in" if low <= value <= high else "out"


@dataclass(frozen=True)
class Record:
    """A record of one part: `number` is that of its change sheet; `altered`: in what it departs
    from the record as it was written, a sentence each."""

    number: str
    entries: tuple[Entry, ...]
    altered: tuple[str, ...] = ()

    def of(self, state: State) -> tuple[Entry, ...]:
        """The entries in this state."""
        return tuple(entry for entry in self.entries if entry.state == state)

    @property
    def passed(self) -> bool:
        """Whether all is measured, nothing is out, and it is as it was written."""
        return not (self.of("out") or self.of("not measured") or self.altered)


def record_csv(number: str, checks: Sequence[Check]) -> str:
    """A record to fill in, as CSV."""
    text = io.StringIO()
    rows = csv.writer(text, lineterminator="\n")
    rows.writerow(("record", *NAMES[:7], "measured", *NAMES[7:], "form"))
    form = form_of(checks)
    for check in checks:
        values = ["" if v is None else f"{v:g}" if isinstance(v, float) else v
                  for v in asdict(check).values()]
        rows.writerow((number, *values[:7], "", *values[7:], form))
    return text.getvalue()


def record_json(number: str, part: str, process: str, checks: Sequence[Check]) -> dict[str, Any]:
    """A record to fill in, as one JSON object."""
    return {"schema": SCHEMA, "record": number, "part": part, "process": process,
            "form": form_of(checks),
            "checks": [{**asdict(check), "measured": None} for check in checks]}


def form_of(checks: Iterable[Check]) -> str:
    """The first figures of a SHA-256 of what is measured and within what, in whatever order the
    lines are, and however a spreadsheet writes its numbers."""
    said = sorted((check.id, *_limits(check).values()) for check in checks)
    return f"sha256:{hashlib.sha256(json.dumps(said).encode()).hexdigest()[:16]}"


def _limits(check: Check) -> dict[str, str]:
    """What a check is held against, by field, each number to the figures that CSV has."""
    level = _number(check.level)
    found = {name: "" if (value := getattr(check, name)) is None else f"{value:g}"
             for name in NUMBERS}
    return {"unit": check.unit, **found, "limit": check.limit,
            "level": check.level if level is None else f"{level:g}"}


def read_record(path: Path, written: Record | None = None) -> Record:
    """A record that was filled in, CSV or JSON by what is in it; `written`: as it was before, which
    says in what it departs from that. Raises InputError, with the line or check, for what makes no
    sense, and where the two are of different parts."""
    found = parse_record(path, _text(path))
    if not any(entry.measured for entry in found.entries):
        raise InputError(f"reading {path}: nothing is filled in; write what was measured into the "
                         "column measured")
    if written is None:
        return found
    if written.number != found.number:
        raise InputError(f"reading {path}: it is record {found.number}, to be set against record "
                         f"{written.number}; give that of the same part")
    return replace(found, altered=tuple(_departs(found, written)))


def _departs(found: Record, written: Record) -> Iterator[str]:
    """In what a record departs from that which was written."""
    before = {entry.check.id: entry.check for entry in written.entries}
    after = {entry.check.id: entry.check for entry in found.entries}
    for name, check in before.items():
        if name not in after:
            yield f"{name}, {check.what}, is missing"
            continue
        now = _limits(after[name])
        yield from (f"{name}, {check.what}: {field} is {now[field] or 'empty'}, it was "
                    f"{was or 'empty'}"
                    for field, was in _limits(check).items() if was != now[field])
    yield from (f"{name}, {check.what}, was not in it" for name, check in after.items()
                if name not in before)


def read_form(path: Path) -> Record:
    """A record as it was written, before anything is filled in. Raises InputError for what is none,
    or was altered."""
    return parse_form(path, _text(path))


def parse_form(path: Path, text: str) -> Record:
    """The same of a text that was at `path`."""
    found = parse_record(path, text)
    if found.altered:
        raise InputError(f"reading {path}: {found.altered[0]}; take the file as it was written")
    return found


def _text(path: Path) -> str:
    try:
        if path.stat().st_size > MAX_BYTES:
            raise InputError(f"reading {path}: it is larger than {MAX_BYTES // 1000} kB; give a "
                             "record of a first article")
        return path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise InputError(f"reading {path}: {error.strerror or error}; give a record of a first "
                         "article") from None
    except UnicodeDecodeError:
        raise InputError(f"reading {path}: not UTF-8 text; save it as CSV UTF-8") from None


def parse_record(path: Path, text: str) -> Record:
    """The record in a text that was at `path`. Raises InputError for what makes no sense."""
    rows = _json_rows(path, text) if text.lstrip()[:1] == "{" else _csv_rows(path, text)
    numbers = {row["record"] for _, row in rows}
    if len(numbers) != 1 or "" in numbers:
        raise InputError(f"reading {path}: it is of {len(numbers)} records; give one")
    entries = tuple(_entry(path, where, row) for where, row in rows)
    ids = [entry.check.id for entry in entries]
    twice = sorted({one for one in ids if ids.count(one) > 1})
    if twice:
        raise InputError(f"reading {path}: check {twice[0]} is in it twice; leave one")
    forms = {row["form"] for _, row in rows}
    as_written = forms == {form_of(entry.check for entry in entries)}
    return Record(numbers.pop(), entries, () if as_written else (
        "its checks and limits are not those that were written",))


def _csv_rows(path: Path, text: str) -> list[tuple[str, dict[str, str]]]:
    first = text.partition("\n")[0]
    delimiter = max(",;\t", key=first.count)
    reader = csv.DictReader(io.StringIO(text), delimiter=delimiter, strict=True)
    try:
        rows = [(reader.line_num, row) for row in reader]
    except csv.Error as error:
        raise InputError(f"reading {path}: {error}; save it as CSV UTF-8") from None
    names = list(reader.fieldnames or ())
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise InputError(f"reading {path}: there are two columns {twice!r}; leave one")
    found = []
    for number, row in rows:
        missing = [name for name in ("record", *NAMES, "measured", "form") if name not in row]
        if missing:
            raise InputError(f"reading {path}: there is no column {missing[0]!r}; take the file as "
                             "it was written, and fill in the column measured")
        if None in row or None in row.values():
            raise InputError(f"reading {path}, line {number}: it has not as many fields as the "
                             "first line")
        if any(value.strip() for value in row.values()):
            found.append((f"line {number}", {k: v.strip() for k, v in row.items()}))
    if not found:
        raise InputError(f"reading {path}: there are no checks in it; take the file as it was "
                         "written")
    return found


def _json_rows(path: Path, text: str) -> list[tuple[str, dict[str, str]]]:
    try:
        data = loads(text)
    except ValueError as error:
        raise InputError(f"reading {path}: not valid JSON: {error}") from None
    if data.get("schema") != SCHEMA:
        raise InputError(f"reading {path}: its schema is {data.get('schema')!r}, {SCHEMA!r} is "
                         "read; take the file as it was written")
    checks = data.get("checks")
    if not isinstance(checks, list) or not checks or not all(isinstance(c, dict) for c in checks):
        raise InputError(f"reading {path}: there are no checks in it; take the file as it was "
                         "written")
    found = []
    for number, check in enumerate(checks, start=1):
        missing = [name for name in (*NAMES, "measured") if name not in check]
        if missing:
            raise InputError(f"reading {path}, check {number}: it has no {missing[0]!r}; take the "
                             "file as it was written")
        row = {name: _word(check[name]) for name in (*NAMES, "measured")}
        found.append((f"check {number}", {"record": _word(data.get("record")),
                                           "form": _word(data.get("form")), **row}))
    return found


def _word(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value).strip()


def _entry(path: Path, where: str, row: dict[str, str]) -> Entry:
    def wrong(what: str) -> InputError:
        return InputError(f"reading {path}, {where}: {what}")

    limits: dict[str, float | None] = {}
    for name in NUMBERS:
        limits[name] = _number(row[name])
        if row[name] and limits[name] is None:
            raise wrong(f"{name} is {row[name]!r}; take the file as it was written")
    level = row["level"]
    if row["limit"] and (row["limit"] not in LADDERS or (
            level not in ("held", "failed") and _number(level) is None)):
        raise wrong(f"limit {row['limit']!r} at level {level!r}; take the file as it was written")
    check = Check(row["id"], row["what"], row["how"], row["unit"], limits["nominal"],
                  limits["low"], limits["high"], row["source"], row["limit"], level)
    measured = row["measured"]
    if check.unit == YES:
        measured = measured.lower()
        if measured not in ("", "yes", "no"):
            raise wrong(f"{check.id} measured {row['measured']!r}; write yes or no")
    elif measured and _number(measured) is None:
        raise wrong(f"{check.id} measured {measured!r}; write a number in {check.unit}")
    return Entry(check, measured)


def _number(text: str) -> float | None:
    """A number with a decimal point or comma; None for anything else, also what is not finite."""
    if "_" in text:  # Python would skip it
        return None
    try:
        value = float(text.replace(",", ".").replace("\u2212", "-"))
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def readings(record: Record) -> tuple[tuple[Reading, ...], tuple[str, ...]]:
    """What a record says of the process, for `capability.fit`, and in words why there is no more:
    the article's own bridges and lips as one ladder, each coupon as another."""
    found: list[Reading] = []
    said: list[str] = []
    if record.altered:
        return (), ("nothing is taken of the process from a record that is not as it was written",)
    for limit in LADDERS:
        mine = [entry for entry in record.entries if entry.check.limit == limit and entry.measured]
        own = {state: [level for entry in mine if entry.state == state
                       and (level := _number(entry.check.level)) is not None]
               for state in ("in", "out")}
        coupon = {word: [value for entry in mine if entry.check.level == word
                         and (value := entry.value) is not None]
                  for word in ("held", "failed")}
        for what, held, failed in (("the article", own["in"], own["out"]),
                                   ("the coupon", coupon["held"], coupon["failed"])):
            if held or failed:
                one = _ladder(limit, what, held, failed)
                if isinstance(one, str):
                    said.append(one)
                else:
                    found.append(one)
    return tuple(found), tuple(said)


def _ladder(limit: str, what: str, held: Sequence[float], failed: Sequence[float]) -> Reading | str:
    """A ladder's line: the hardest level that held and the first that failed; in words why there
    is none."""
    harder = LIMITS[limit].harder
    hardest = (max if harder else min)(held) if held else None
    first = (min if harder else max)(failed) if failed else None
    if hardest is not None and first is not None and (
            hardest == first or (first > hardest) is not harder):
        return (f"{limit}: {what} held at {hardest:g} and failed at {first:g}; that gives no line, "
                "look again")
    if what == "the article" and first is None:
        return f"{limit}: all of the article held, up to {hardest:g}; that gives no line"
    if what == "the article" and hardest is None:
        return f"{limit}: none of the article held; that gives no line"
    return Reading(limit, hardest, first)


def add_results(found: Sequence[Reading], source: Path, out: Path) -> None:
    """Add readings to a CSV file of results, which is made where there is none. Each line names the
    record by its content, so that none is counted twice.

    Raises InputError where they are in it already, or where the file is another.
    """
    columns = (*COLUMNS, "from")
    mark = hashlib.sha256(source.read_bytes()).hexdigest()[:16]
    text = ",".join(columns) + "\n"
    if out.exists():
        try:
            text = out.read_text(encoding="utf-8-sig")
        except (OSError, UnicodeDecodeError) as error:
            raise InputError(f"writing to {out}: {error}; give another file") from None
        if text.partition("\n")[0].strip() != ",".join(columns):
            raise InputError(f"writing to {out}: it does not begin with {','.join(columns)}; give "
                             "another file")
        if any(line.split(",")[-1:] == [mark] for line in text.splitlines()):
            raise InputError(f"writing to {out}: {source} is in it already; nothing is counted "
                             "twice")
        if not text.endswith("\n"):
            text += "\n"
    text += "".join(f"{r.limit},{_level(r.held)},{_level(r.failed)},{mark}\n" for r in found)
    write_whole(out, text.encode())


def _level(value: float | None) -> str:
    return "" if value is None else f"{value:g}"
