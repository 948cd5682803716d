"""What is measured on the first article of a run, and within what it must lie.

- *Sizes* along x, y and z, and of round holes that no change touches: within the coarse class of
  ISO 2768-1, unless the drawing asks for more.
- *Undersides* of the changes, and the longest bridges and deepest lips that were left: no strand
  may hang by more than a layer. Each of the latter says something of what the process can do.
- *Props*: what is left of one is scraped down to a line. *Work by hand*: that it was done.
- *Coupons*, where some are printed with it: the last level that held and the first that failed.
"""

from __future__ import annotations

from dataclasses import dataclass

from soffit.findings.model import Finding
from soffit.part.features.recognise import recognise
from soffit.plan.model import Resolution
from soffit.process.limits import LIMITS
from soffit.process.model import Process
from soffit.production.capability import LADDERS

# Permissible deviations for linear sizes, class c: up to how many mm, and by how much (ISO
# 2768-1:1989, table 1, from memory).
COARSE = ((3.0, 0.2), (6.0, 0.3), (30.0, 0.5), (120.0, 0.8), (400.0, 1.2), (1000.0, 2.0),
          (2000.0, 3.0), (float("inf"), 4.0))
ISO_2768 = "ISO 2768-1, class c, unless the drawing asks for more"

# By what share the mass may be off (common practice, no source: flow and feedstock).
MASS_SHARE = 0.05

# So many of one sort are measured on one article, the worst first (common practice, no source).
MOST = 4

YES = "yes/no"


@dataclass(frozen=True)
class Check:
    """One thing to look at or measure: `how`, in which `unit`, within `low` and `high` where there
    are such. With unit `YES` the answer is "yes" where all is well. `limit` and `level`: which
    limit of the process it says something of, and at what level it stands, or "held" or "failed"
    where a level is what is written down."""

    id: str
    what: str
    how: str
    unit: str
    nominal: float | None
    low: float | None
    high: float | None
    source: str
    limit: str = ""
    level: str = ""


def first_article(result: Resolution) -> tuple[Check, ...]:
    """The checks of a resolution, those first that a part is rejected by."""
    process = result.after.process
    return (*_sizes(result), *_holes(result), *_mass(result), *_by_hand(result, process),
            *_protected(result), *_undersides(result, process), *_spans(result, process),
            *_coupons())


def coarse_mm(size_mm: float) -> float:
    """Permissible deviation of a linear size (see `COARSE`)."""
    return next(deviation for most, deviation in COARSE if size_mm <= most)


def _size(name: str, what: str, how: str, nominal: float) -> Check:
    nominal = round(nominal, 2)
    by = coarse_mm(nominal)
    return Check(name, what, how, "mm", nominal, max(0.0, round(nominal - by, 2)),
                 round(nominal + by, 2), ISO_2768)


def _sizes(result: Resolution) -> list[Check]:
    bare = ", props broken off" if result.props else ""
    return [_size(f"S{k}", f"Size along {axis}{bare}", "calliper", size)
            for k, (axis, size) in enumerate(zip("xyz", result.produced.size_mm, strict=True), 1)]


def _holes(result: Resolution) -> list[Check]:
    """Round holes that are as they were, by diameter, the narrowest first."""
    touched = {face for edit in result.edits for face in edit.faces}
    found: dict[float, int] = {}
    for hole in recognise(result.received).holes:
        if not touched & set(hole.faces):
            diameter = round(hole.diameter_mm, 2)
            found[diameter] = found.get(diameter, 0) + 1
    checks = []
    for k, (diameter, count) in enumerate(sorted(found.items())[:MOST], 1):
        several = f"s, the narrowest of {count}" if count > 1 else ""
        checks.append(_size(f"H{k}", f"Round hole{several}", "pin gauge", diameter))
    return checks


def _mass(result: Resolution) -> list[Check]:
    grams = result.estimate.get("resolved", {}).get("plastic_g")
    if grams is None:
        return []
    with_props = ", props on" if result.props else ""
    return [Check("M1", f"Mass as it leaves the platform{with_props}", "scales", "g",
                  round(grams, 2), round((1 - MASS_SHARE) * grams, 2),
                  round((1 + MASS_SHARE) * grams, 2),
                  f"estimate ± {100 * MASS_SHARE:g} %: common practice, no source")]


def _hangs(name: str, what: str, process: Process, limit: str = "", level: str = "") -> Check:
    return Check(name, f"Sag {what}", "feeler or scale", "mm", 0.0, 0.0,
                 round(process.layer_mm, 3), "one layer: common practice, no source", limit, level)


def _undersides(result: Resolution, process: Process) -> list[Check]:
    shown = [edit for edit in result.edits if edit.op != "prop" and not edit.after]
    return [_hangs(f"U{k}", f"below {edit.id}, {edit.remedy}", process)
            for k, edit in enumerate(shown[:2 * MOST], 1)]


def _spans(result: Resolution, process: Process) -> list[Check]:
    """The longest bridges and the deepest lips that the part has, each length once."""
    found: list[Check] = []
    for letter, word, limit in (("B", "bridge", "bridge_mm"), ("L", "lip", "lip_mm")):
        levels: dict[float, Finding] = {}
        for finding in result.after.findings:
            level = _level(finding, limit)
            if level:
                levels.setdefault(level, finding)
        for k, level in enumerate(sorted(levels, reverse=True)[:MOST], 1):
            at = levels[level].at_mm
            found.append(_hangs(f"{letter}{k}", f"of the {word} of {level:g} mm at x {at[0]:.1f}, "
                                f"y {at[1]:.1f}, z {at[2]:.1f}", process, limit, f"{level:g}"))
    return found


def _level(finding: Finding, limit: str) -> float:
    """How long a bridge or how deep a lip is, to a tenth; 0 for what is neither, or next to
    nothing."""
    if limit == "bridge_mm" and finding.kind in ("air/bridge", "air/ceiling"):
        return round(finding.span_mm or 0.0, 1)
    if limit == "lip_mm" and finding.kind == "air/ledge":
        return round(finding.reach_mm or 0.0, 1)
    return 0.0


def _by_hand(result: Resolution, process: Process) -> list[Check]:
    line = process.line_mm
    found = []
    props = [edit for edit in result.edits if edit.op == "prop"]
    for k, edit in enumerate(props, 1):
        found.append(Check(f"P{k}", f"What stands out where {edit.id} broke off", "feeler or scale",
                           "mm", 0.0, 0.0, round(line, 2),
                           "one line: common practice, no source"))
    works = [edit for edit in result.edits if edit.op != "prop" and edit.after]
    found += [Check(f"W{k}", f"{edit.id} drilled out, open and clean", "eye", YES, None, None,
                    None, "as the change sheet says") for k, edit in enumerate(works, 1)]
    return found


def _protected(result: Resolution) -> list[Check]:
    return [Check(f"F{k}", f"Face {face.face}, protected: fits its mate or gauge", "mate or gauge",
                  YES, None, None, None, "the drawing")
            for k, face in enumerate(result.protected[:MOST], 1)]


def _coupons() -> list[Check]:
    """What is read off ladders of `soffit coupon`, if any were printed."""
    words = {"angle_deg": "overhangs", "lip_mm": "lips", "bridge_mm": "bridges",
             "give_lines": "tips", "contact_mm": "feet"}
    return [Check(f"C{k}{letter}", f"Coupon of {words[limit]}, {said}",
                  "read off, if one was printed", LIMITS[limit].unit, None, None, None, "optional",
                  limit, level)
            for k, limit in enumerate(LADDERS, 1)
            for letter, level, said in (("a", "held", "last level that held"),
                                        ("b", "failed", "first level that failed"))]
