"""What the change sheet says beside the ledger: figures, faces, files, cautions."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from soffit.part.model import Part
from soffit.part.words import plural
from soffit.plan.model import Resolution
from soffit.production.figures import figure_rows
from soffit.production.risk import uncalibrated_words, words
from soffit.sheet.model import AlternativeRow, FileRow, ProtectedRow, QuantityRow
from soffit.sheet.words import THIN, number, sentence, thin

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


def alternative_rows(resolution: Resolution) -> tuple[AlternativeRow, ...]:
    """The few best sets of changes, the chosen one first; none where there is nothing to choose."""
    if len(resolution.alternatives) < 2:
        return ()
    density = resolution.before.process.material.density_g_cm3.value
    return tuple(AlternativeRow(
        sentence(a.words), ", ".join(f"{count} {name}" for name, count in a.remedies),
        (number(a.price, 2), number(a.plastic_mm3 * density / 1000.0, 2), number(a.machine_s, 0),
         number(a.labour_s, 0), number(a.deviation_mm, 1), number(a.left_mm2, 1)), a.chosen)
        for a in resolution.alternatives)


def risk_lines(resolution: Resolution) -> tuple[str, ...]:
    """What of a million parts fails, in sentences."""
    if resolution.risk is None:
        return ()
    told = (words(resolution.risk), uncalibrated_words(resolution.risk))
    return tuple(f"{thin(sentence(text))}." for text in told if text)


def protected_rows(resolution: Resolution) -> tuple[ProtectedRow, ...]:
    """Protected faces with their measured departure."""
    return tuple(ProtectedRow(f"face {p.face}", p.selector, p.deviation_mm, p.allowed_mm,
                              p.untouched) for p in resolution.protected)


_FILES = {"step": "production STEP", "3mf": "production 3MF", "stl": "production STL"}


def file_rows(resolution: Resolution, files: Mapping[str, Path]) -> tuple[FileRow, ...]:
    """The file as received, and the geometry written by role; else that which was proven."""
    rows = [FileRow("as received", resolution.received.source.sha256)]
    rows += [FileRow(words, hashlib.sha256(files[role].read_bytes()).hexdigest())
             for role, words in _FILES.items() if role in files]
    proven = FileRow("as produced", resolution.after.part.source.sha256)
    return tuple(rows if files else [*rows, proven])
