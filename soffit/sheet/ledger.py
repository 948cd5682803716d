"""The rows of the change sheet in words and figures."""

from __future__ import annotations

import hashlib
import math
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

import manifold3d as m3
import numpy as np

from soffit.findings.model import Finding
from soffit.findings.words import angle
from soffit.part.model import Part
from soffit.part.words import plural
from soffit.plan.model import Resolution
from soffit.process.model import Process, Value
from soffit.production.figures import figure_rows
from soffit.production.risk import ppm_words, uncalibrated_words, words
from soffit.remedies.model import Edit
from soffit.sheet.model import (
    ChangeRow,
    FileRow,
    LimitRow,
    NoteRow,
    OpenRow,
    ProtectedRow,
    QuantityRow,
)
from soffit.sheet.words import THIN, number, sentence, thin

# Kinds as a person says them; others read as their own name.
_KINDS = {"air/ledge": "Ledge", "air/bridge": "Bridge", "air/ceiling": "Ceiling",
          "air/island": "Island", "air/slope": "Slope",
          "bed/edge": "Edge of the first layer", "bed/footprint": "Foot",
          "bed/topple": "Steadiness while it is built", "cool/small-layer": "Quick layers",
          "eject/captive": "Loose piece", "wall/gap": "Narrow gap",
          "wall/hole-size": "Small hole", "wall/thin": "Thin wall",
          "warp/corner": "Corner that may lift"}
_REMEDIES = {"fill": "Filled in", "chamfer": "Chamfer run below it", "wedge": "Wedge below it",
             "fillet": "Round ended by its tangent chamfer",
             "teardrop": "Crown cut to a teardrop",
             "steeper cut": "Underside cut steeper", "crown cut": "Crown cut to a roof",
             "drilled hole": "Hole left out, to be drilled", "membrane": "Membrane, one layer",
             "steps": "Squared-off layers", "prop": "Break-away prop",
             "prop leaning": "Break-away prop that leans", "prop of fins": "Break-away fins",
             "prop of gussets": "Break-away gussets"}

CAUTIONS = (
    "Checked for printing only. Whether the changed part is strong enough and safe in use is "
    "not checked: parts that carry load, and medical, food, electrical or pressure parts, need "
    "a qualified engineer and the rules that apply where they are used.",
    "Where something is snapped off, the edge left is sharp. Wear eye protection when breaking "
    "props off or tumbling parts.",
    "Machines that push parts off move without warning: guards, and the machine-safety rules "
    "of the place.",
    "Melted filament gives off fumes: ventilate.",
)


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


def open_rows(numbered: Iterable[Place]) -> tuple[OpenRow, ...]:
    """The places that stay open."""
    rows = []
    for place in numbered:
        if place.open_reason and place.finding is not None:
            finding, reason = place.finding, sentence(place.open_reason)
            if not finding.kind.startswith("air/"):  # there the measure says what is wrong
                reason = f"{sentence(finding.message)}. {reason}"
            spot = where(finding) if has_place(finding) else ""
            rows.append(OpenRow(place.number, kind_words(finding), spot, *measures(finding),
                                reason))
    return tuple(rows)


def change_rows(resolution: Resolution, numbered: Iterable[Place]) -> tuple[ChangeRow, ...]:
    """The changes to approve or decline."""
    rows = []
    for place in numbered:
        for k, edit in enumerate(place.edits):
            if place.finding is None:
                cause = "" if edit.by_hand else arose_from(edit, resolution)
                kind = f"Arose from {cause}" if cause else "Arose later"
                kind, spot = "Set by hand" if edit.by_hand else kind, edit_where(edit)
                measured = ("", "", "")
            else:
                kind, spot = kind_words(place.finding), where(place.finding)
                measured = measures(place.finding)
            sign = -1.0 if edit.op == "cut" else 1.0
            rows.append(ChangeRow(edit_number(place, k), edit.id, kind, spot, *measured,
                                  remedy_words(edit.remedy), edit.op, sentence(edit.why),
                                  sign * edit.volume_mm3, sentence(edit.after),
                                  *fails(resolution, edit)))
    return tuple(rows)


def fails(resolution: Resolution, edit: Edit) -> tuple[str, str]:
    """Of a million, how many fail at what an edit leaves, and how sure that is."""
    if resolution.risk is None:
        return "", ""
    own = [chance for chance in resolution.risk.chances if chance.edit == edit.id]
    sure = "" if all(chance.calibrated for chance in own) else "uncalibrated"
    return thin(ppm_words(resolution.risk.of_edit(edit.id))), sure


def risk_lines(resolution: Resolution) -> tuple[str, ...]:
    """What of a million parts fails, in sentences."""
    if resolution.risk is None:
        return ()
    told = (words(resolution.risk), uncalibrated_words(resolution.risk))
    return tuple(f"{thin(sentence(text))}." for text in told if text)


def arose_from(edit: Edit, resolution: Resolution) -> str:
    """Name of the earlier edit that left or brought about what `edit` cures: the one whose
    changed surface comes nearest to it, the later of two as near; "" where there is none."""
    earlier = resolution.edits[: [e.id for e in resolution.edits].index(edit.id)]
    produced = resolution.produced

    def distance_mm(other: Edit) -> float:
        faces = [f.id for f in produced.faces if f.edit == other.id]
        points = produced.mesh.corners[produced.triangles_of(faces)].reshape(-1, 3)
        # Edits change faces that later edits may take away; their own middle is still theirs.
        points = np.vstack([points, np.asarray(other.at_mm)])
        return float(np.linalg.norm(points - np.asarray(edit.at_mm), axis=1).min())

    return min(reversed(earlier), key=lambda e: round(distance_mm(e), 3)).id if earlier else ""


def note_rows(resolution: Resolution, numbered: Iterable[Place]) -> tuple[NoteRow, ...]:
    """Places that went with the changes of others, then what else the review says: places of
    one kind within their limit together, other notes, and what the produced part says of an
    unattended run; what is said of several places in the same words is one row."""
    numbered = tuple(numbered)
    rows = [NoteRow(p.number, f"{kind_words(p.finding)}, {where(p.finding)}",
                    "Gone with the changes made elsewhere; nothing was changed for it alone")
            for p in numbered if p.finding is not None and not p.edits and not p.open_reason]
    shown = {p.finding.id for p in numbered if p.finding is not None and p.received}
    rest = [f for f in resolution.before.findings if f.id not in shown]
    for kind in sorted({f.kind for f in rest if f.kind.startswith("air/")}):
        rows.append(_within([f for f in rest if f.kind == kind]))
    others = [f for f in rest if f.kind.startswith("file/")] + [*resolution.after.unattended]
    said = Counter((kind_words(f), sentence(f.message)) for f in others)
    rows += [NoteRow("", words, message if count == 1 else f"{message} ({count} places)")
             for (words, message), count in said.items()]
    return tuple(rows)


def _within(group: list[Finding]) -> NoteRow:
    """Places of one kind that the process prints as they are."""
    low, high = min(f.z_mm[0] for f in group), max(f.z_mm[1] for f in group)
    faces = tuple(sorted({n for f in group for n in f.faces}))
    worst = max(group, key=lambda f: (f.span_mm or f.reach_mm or 0.0))
    measure, unit, limit = measures(worst)
    count = f"{len(group)} places" if len(group) > 1 else "One place"
    allowed = f", {limit} allowed" if limit else ""
    measure = f"{measure} {unit}"
    return NoteRow("", kind_words(worst), f"{count} within the limit, {faces_words(faces)}z "
                   f"{heights((low, high))}; the largest has {measure}{allowed}")


def kind_words(finding: Finding) -> str:
    """The kind of a finding as a person says it."""
    if finding.patch.pierced and finding.kind == "air/ceiling":
        return "Ceiling with a hole in it"
    if finding.kind in _KINDS:
        return _KINDS[finding.kind]
    group, _, name = finding.kind.partition("/")
    return f"{group.capitalize()}: {name.replace('-', ' ')}"


def where(finding: Finding) -> str:
    """Faces and height of a finding, and for a slope its angle from both references."""
    words = f"{faces_words(finding.faces)}z {heights(finding.z_mm)}"
    if finding.kind == "air/slope" and finding.angle_deg is not None:
        words += f", {angle(finding.angle_deg)}"
    return words


def edit_where(edit: Edit) -> str:
    """Faces and height of an edit."""
    return f"{faces_words(edit.faces)}z {heights(edit.z_mm)}"


def faces_words(faces: tuple[int, ...]) -> str:
    """ "face 14, " or "faces 3, 7, 9 and 4 more, "; "" for none."""
    if not faces:
        return ""
    shown = ", ".join(str(f) for f in faces[:4])
    more = f" and {len(faces) - 4} more" if len(faces) > 4 else ""
    return f"face{'s' if len(faces) > 1 else ''} {shown}{more}, "


def heights(z_mm: tuple[float, float]) -> str:
    """One height, or a range, in mm."""
    low, high = z_mm
    return f"{low:.1f}" if high - low < 0.05 else f"{low:.1f} to {high:.1f}"


def measures(finding: Finding) -> tuple[str, str, str]:
    """What was measured, its unit and meaning, and what is allowed in the same unit; empty
    where nothing is measured."""
    by_span = finding.kind in ("air/bridge", "air/ceiling") and finding.span_mm is not None
    value = finding.span_mm if by_span else finding.reach_mm
    if value is None:
        if not finding.area_mm2:
            return "", "", ""
        return number(finding.area_mm2, 1), "mm² area", "none"
    word = "span" if by_span else "run" if finding.kind == "air/slope" else "reach"
    limit = "none" if finding.limit is None else f"{finding.limit:.1f}"
    return f"{value:.1f}", f"mm {word}", limit


def remedy_words(remedy: str) -> str:
    """A remedy as a person says it."""
    if remedy in _REMEDIES:
        return _REMEDIES[remedy]
    words = remedy.replace("_", " ").replace("-", " ")
    return words[:1].upper() + words[1:]


def protected_rows(resolution: Resolution) -> tuple[ProtectedRow, ...]:
    """Protected faces with their measured departure."""
    return tuple(ProtectedRow(f"face {p.face}", p.selector, p.deviation_mm, p.allowed_mm,
                              p.untouched) for p in resolution.protected)


def limit_rows(process: Process, *, props: bool) -> tuple[LimitRow, ...]:
    """The limits that places were judged by, and those that props were made by where there are
    any."""
    c, b, m, p = process.capability, process.bead, process.material, process.props

    def row(name: str, value: Value, unit: str, decimals: int) -> LimitRow:
        return LimitRow(name, f"{value.value:.{decimals}f}", unit, value.source, value.grade.value)

    steepest = c.angle_deg
    found = (
        row("Flat reach", c.lip_mm, "mm", 1),
        row("Bridge", c.bridge_mm, "mm", 1),
        row(
            f"Angle from the platform ({90 - steepest.value:.0f}° from vertical)", steepest, "°", 1
        ),
        row("Step, share of a line", c.overlap, "", 2),
        LimitRow("Step per layer", f"{process.step_mm:.2f}", "mm",
                 "the smaller of layer / tan angle and share · line", "derived"),
        row("Layer", b.layer_mm, "mm", 2),
        row("Line", b.line_mm, "mm", 2),
    )
    return found if not props else (
        *found,
        row("Drag of the nozzle", c.drag_n, "N", 1),
        row("Adhesion of a first layer", c.adhesion_mpa, "MPa", 2),
        row("Bond of layers, share of strength", m.layer_bond, "", 2),
        row("Give of a tip, share of a line", p.give_lines, "", 2),
        row("Clear of a prop", p.free_mm, "mm", 1),
        row("Widest contact of a prop", p.contact_mm, "mm", 1),
        row("Pull of a hand", p.pull_n, "N", 0),
        row("Pushed out, first layer", b.spread_mm, "mm", 2),
        row("Height of the pushing edge", process.ejection.edge_mm, "mm", 1),
        row("Hold of the cooled platform", process.ejection.released_mpa, "MPa", 2),
    )


_FILES = {"step": "production STEP", "3mf": "production 3MF", "stl": "production STL"}


def file_rows(resolution: Resolution, files: Mapping[str, Path]) -> tuple[FileRow, ...]:
    """The file as received, and the geometry written by role; else that which was proven."""
    rows = [FileRow("as received", resolution.received.source.sha256)]
    rows += [FileRow(words, hashlib.sha256(files[role].read_bytes()).hexdigest())
             for role, words in _FILES.items() if role in files]
    proven = FileRow("as produced", resolution.after.part.source.sha256)
    return tuple(rows if files else [*rows, proven])


def measured_rows(resolution: Resolution) -> tuple[QuantityRow, ...]:
    """Areas and volumes, before and after."""
    received, produced = resolution.received, resolution.produced
    density = resolution.before.process.material.density_g_cm3.value
    props_mm3 = float(sum(b.mesh.volume_mm3 for b in resolution.props))

    def solid(part: Part, extra: float) -> float:
        return (part.mesh.volume_mm3 + extra) * density / 1000.0

    before, after = resolution.before, resolution.after
    rows = [
        QuantityRow("Over air", "mm²", (number(before.over_air_mm2, 1),
                                        number(after.over_air_mm2, 1))),
        QuantityRow("Places over air", "", (str(len(before.air)), str(len(after.air)))),
        QuantityRow("Part volume", "mm³", (number(received.mesh.volume_mm3, 0),
                                                  number(produced.mesh.volume_mm3, 0))),
    ]
    if resolution.props:
        rows.append(QuantityRow("Prop volume", "mm³", (number(0.0, 0), number(props_mm3, 0))))
    rows.append(QuantityRow("Plastic if solid", "g", (
        number(solid(received, 0.0), 1), number(solid(produced, props_mm3), 1))))
    low, high = produced.mesh.bounds if len(produced.mesh.triangles) else np.zeros((2, 3))
    size_before = f"{THIN}×{THIN}".join(f"{v:.1f}" for v in received.size_mm)
    size_after = f"{THIN}×{THIN}".join(f"{v:.1f}" for v in (high - low).tolist())
    rows.append(QuantityRow("Size", "mm", (size_before, size_after)))
    return tuple(rows)


def estimate_rows(resolution: Resolution) -> tuple[QuantityRow, ...]:
    """Every figure of the estimate, one row, its three cases side by side."""
    return tuple(
        QuantityRow(row.words, row.unit, tuple("" if v is None else number(v, row.decimals)
                                               for v in row.values))
        for row in figure_rows(resolution.estimate))


def verdict(resolution: Resolution, still_open: int) -> str:
    """The outcome in a few words."""
    if resolution.clean and not still_open:
        return "nothing over air"
    words = []
    if still_open:
        words.append(f"{plural(still_open, 'place')} open")
    moved = sum(not p.untouched for p in resolution.protected)
    if moved:
        words.append(f"{plural(moved, 'protected face')} changed")
    return ", ".join(words) or "not clean"
