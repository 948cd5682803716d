"""The options of the resolution that is shown, each with the key that it is chosen or forbidden by.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from soffit.plan.variants import WORDS, variants
from soffit.plan.wishes import bars, meant
from soffit.shop.runs import Standing
from soffit.shop.tables import DONE, Run

Result = Callable[[Run, str], Any]


@dataclass(frozen=True)
class _Row:
    remedy: str
    why: str
    volume_mm3: float


def options_of(result: Result, at: Standing, resolve: Run | None) -> list[dict[str, Any]]:
    """The options of a resolution; `result` reads a report of a run. A finding for which one was
    demanded has no other there: those of an earlier resolution of the same, in which it was open,
    are put to it. So an option has the same key whatever else was decided."""
    if resolve is None:
        return []
    report = result(resolve, "report")
    rows, before = [*report["options"], *_earlier(result, at, resolve, report)], report["before"]
    found: list[dict[str, Any]] = []
    for finding in dict.fromkeys(f["id"] for f in before["findings"]):
        own = [row for row in rows if row["finding"] == finding]
        own.sort(key=lambda row: (row["cost"]["price"], row["remedy"]))
        told = [_Row(row["remedy"], row["why"], row["volume_mm3"]) for row in own]
        barred = _forbidden(at, resolve, finding, told)
        by_key: dict[str, dict[str, Any]] = {}
        for k, (row, words) in enumerate(zip(own, variants(told), strict=True)):
            key = f"{finding}/{row['remedy']}" + (f"{WORDS}{words}" if words else "")
            if key not in by_key or row["chosen"]:  # of two that nothing tells apart one is enough
                by_key[key] = {**row, "key": key, "variant": words, "forbidden": k in barred}
        found += by_key.values()
    return found


def _earlier(result: Result, at: Standing, resolve: Run, report: dict[str, Any]
             ) -> list[dict[str, Any]]:
    """Options of earlier resolutions for findings that now have only the one that was demanded."""
    asked = set(resolve.said["demanded"])
    there = {_identity(row) for row in report["options"]}
    runs = [r for r in at.runs if r.kind == "resolve" and r.state == DONE
            and r.revision == resolve.revision and r.id != resolve.id]
    found = []
    for run in reversed(runs):
        open_then = asked - set(run.said["demanded"])
        if not open_then:
            continue
        other = result(run, "report")
        if other["before"] != report["before"]:
            continue
        found += [{**row, "chosen": False, "outcome": "not chosen"} for row in other["options"]
                  if row["finding"] in open_then and _identity(row) not in there]
        asked -= open_then
    return found


def _identity(row: dict[str, Any]) -> tuple[str, str, str]:
    return (row["finding"], row["remedy"], row["why"])


def _forbidden(at: Standing, resolve: Run, finding: str, rows: list[_Row]) -> set[int]:
    """Which options of a finding are forbidden there, by what is decided now; where that is what
    the resolution was made for, it knows better what its findings are called."""
    wanted = at.wanted
    if resolve is at.run_now("resolve"):
        names = [name for f, name in resolve.said.get("forbid_at", ()) if f == finding]
    else:
        names = [c.named for c in wanted.forbid_at if c.finding == finding]
        names += [name for f, name in resolve.said.get("recipe_forbid_at", ()) if f == finding
                  and not any(c.finding == finding and bars(name, c.named)
                              for c in wanted.allowed_at)]
    return {k for name in names for k in meant(name, rows)}
