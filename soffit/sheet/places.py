"""The numbered places of a resolution: what balloons, rows and drawings are about."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import manifold3d as m3

from soffit.findings.model import Finding
from soffit.plan.model import Resolution
from soffit.remedies.model import Edit


@dataclass(frozen=True)
class Place:
    """One numbered place: the finding it is (None where only an edit names it), its edits, and
    why it is still open ("" where it is not). `received` says that the finding's triangles are
    those of the part as received; else of the file read back. `left`: the finding of the file
    read back that this open place is."""

    number: str
    finding: Finding | None
    edits: tuple[Edit, ...]
    open_reason: str
    received: bool
    left: Finding | None = None


def places(resolution: Resolution) -> tuple[Place, ...]:
    """Number the places: open ones first, then those that were changed, from the platform up."""
    before = {f.id: f for f in resolution.before.findings}
    edits: dict[str, list[Edit]] = {}
    for edit in resolution.edits:
        edits.setdefault(edit.finding, []).append(edit)
    found: list[Place] = []
    taken: set[str] = set()

    def add(finding: Finding | None, own: Iterable[Edit], reason: str, received: bool,
            left: Finding | None = None) -> None:
        found.append(Place(str(len(found) + 1), finding, tuple(own), reason, received, left))

    still = [(o.finding, o.reason or "no reason was recorded") for o in resolution.open]
    still += [(f, "found in the written file after all changes")
              for f in resolution.after.stopping
              if not any(_same(f, listed) for listed, _ in still)]
    for finding, reason in still:
        # What was there before and still is: shown with its own triangles, numbered once.
        name = next((n for n, f in before.items()
                     if n not in taken and n not in edits and _same(f, finding)), None)
        if name is None:
            add(finding, (), reason, False, finding)
        else:
            taken.add(name)
            add(before[name], (), reason, True, finding)
    for name, finding in before.items():
        over = finding.kind.startswith("air/") and finding.severity != "note"
        if name not in taken and (over or name in edits):
            add(finding, edits.get(name, ()), "", True)
    for name, own in edits.items():
        if name not in before:
            for edit in own:
                add(None, (edit,), "", False)
    return tuple(found)


def _same(a: Finding, b: Finding) -> bool:
    """Whether two findings are one place: they overlap in plan at nearly the same height."""
    if a == b:
        return True
    if a.kind != b.kind or a.z_mm[0] > b.z_mm[1] + 0.3 or b.z_mm[0] > a.z_mm[1] + 0.3:
        return False
    if not a.patch.rings or not b.patch.rings:
        return math.dist(a.at_mm, b.at_mm) < 0.5
    plans = [m3.CrossSection(list(f.patch.rings), m3.FillRule.EvenOdd) for f in (a, b)]
    return bool((plans[0] ^ plans[1]).area() > 0.25 * min(p.area() for p in plans))


def has_place(finding: Finding) -> bool:
    """Whether a finding lies somewhere on the part, and is not about the whole of it."""
    return finding.kind.startswith("air/") or bool(finding.faces or finding.patch.rings)


def number_of(finding: Finding, numbered: Iterable[Place]) -> str:
    """Number of the place that a finding of either review is, "" for none."""
    return next((p.number for p in numbered if p.finding is not None
                 and (p.open_reason or p.received) and _same(p.finding, finding)), "")


def edit_number(place: Place, index: int) -> str:
    """Number of one of a place's edits: "3", or "3a", "3b" where there are several."""
    if len(place.edits) == 1:
        return place.number
    return f"{place.number}{chr(ord('a') + index % 26)}"
