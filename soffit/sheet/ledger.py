"""The rows of the change sheet's ledger: what stays open, what is changed, what else was seen."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

import numpy as np

from soffit.findings.model import Finding
from soffit.plan.model import Resolution
from soffit.production.risk import ppm_words
from soffit.remedies.model import Edit
from soffit.sheet.model import ChangeRow, NoteRow, OpenRow
from soffit.sheet.place_words import (
    edit_where,
    faces_words,
    heights,
    kind_words,
    measures,
    remedy_words,
    where,
)
from soffit.sheet.places import Place, edit_number, has_place
from soffit.sheet.words import number, sentence, thin


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
    density = resolution.before.process.material.density_g_cm3.value
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
                                  sign * edit.volume_mm3, *takes(edit, density),
                                  sentence(edit.after),
                                  *fails(resolution, edit)))
    return tuple(rows)


def takes(edit: Edit, density_g_cm3: float) -> tuple[str, str, str]:
    """What one part takes more for an edit: g of plastic as laid, s of machine and hand, price; ""
    where nobody reckoned that."""
    cost = edit.cost
    if cost is None:
        return "", "", ""
    return (number(cost.plastic_mm3 * density_g_cm3 / 1000.0, 2, signed=True),
            number(cost.machine_s + cost.labour_s, 0, signed=True),
            number(cost.price, 2, signed=True))


def fails(resolution: Resolution, edit: Edit) -> tuple[str, str]:
    """Of a million, how many fail at what an edit leaves, and how sure that is."""
    if resolution.risk is None:
        return "", ""
    own = [chance for chance in resolution.risk.chances if chance.edit == edit.id]
    sure = "" if all(chance.calibrated for chance in own) else "uncalibrated"
    return thin(ppm_words(resolution.risk.of_edit(edit.id))), sure


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


def undrawn_rows(edits: tuple[str, ...]) -> tuple[NoteRow, ...]:
    """What is said of edits of which no section is drawn."""
    if not edits:
        return ()
    return (NoteRow("", f"No section of {', '.join(edits)}", "One shows nothing of it, or there "
                    "are too many; the files hold it"),)


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
