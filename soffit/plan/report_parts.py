"""What the reports of several commands have in common: numbers, parts, processes, findings."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any

from soffit.findings.model import Finding
from soffit.part.model import Part
from soffit.plan.model import Risk
from soffit.process.model import Process

DECIMALS = 6  # a nanometre; beyond the last figure of any kernel result (derived)


def dumps(report: dict[str, Any]) -> str:
    """The text of a report: sorted keys, two blanks, a newline at the end.

    Raises ValueError for a number that JSON does not have (NaN, infinity).
    """
    return json.dumps(report, indent=2, sort_keys=True, allow_nan=False) + "\n"


def loads(text: str) -> Any:
    """What JSON text holds. Raises ValueError for what is no JSON, for a number that JSON does not
    have, and for a key that is in one object twice: readers differ in which of the two counts."""
    try:
        return json.loads(text, object_pairs_hook=_each_once, parse_constant=_no_number)
    except RecursionError:
        raise ValueError("it is nested too deeply") from None


def _each_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        keys = [key for key, _ in pairs]
        twice = next(key for key in keys if keys.count(key) > 1)
        raise ValueError(f"key {twice!r} is in one object twice")
    return found


def _no_number(word: str) -> float:
    raise ValueError(f"{word} is no number")


def part_json(part: Part) -> dict[str, Any]:
    """What was read."""
    return {
        "file": part.source.file,
        "sha256": part.source.sha256,
        "unit": part.source.unit,
        "size_mm": numbers(part.size_mm),
        "volume_mm3": number(part.mesh.volume_mm3),
        "area_mm2": number(part.mesh.area_mm2),
        "bodies": part.bodies,
        "faces": len(part.faces),
        "triangles": len(part.mesh.triangles),
        "closed": bool(part.closed),
    }


def process_json(process: Process) -> dict[str, Any]:
    """By what it is made."""
    return {
        "name": process.name,
        "layer_mm": number(process.layer_mm),
        "first_layer_mm": number(process.first_layer_mm),
        "line_mm": number(process.line_mm),
        "angle_deg": number(process.angle_deg),
        "step_mm": number(process.step_mm),
        "lip_mm": number(process.lip_mm),
        "bridge_mm": number(process.bridge_mm),
    }


def finding_json(finding: Finding) -> dict[str, Any]:
    """One finding."""
    return {
        "id": finding.id,
        "kind": finding.kind,
        "severity": finding.severity,
        "z_mm": numbers(finding.z_mm),
        "at_mm": numbers(finding.at_mm),
        "area_mm2": number(finding.area_mm2),
        "reach_mm": optional(finding.reach_mm),
        "span_mm": optional(finding.span_mm),
        "angle_deg": optional(finding.angle_deg),
        "limit": optional(finding.limit),
        "faces": [int(face) for face in finding.faces],
        "message": finding.message,
    }


def risk_json(risk: Risk) -> dict[str, Any]:
    """How many of a million fail, and of what, the greatest first."""
    return {
        "total_ppm": number(risk.total_ppm),
        "range_ppm": None if risk.range_ppm is None else numbers(risk.range_ppm),
        "places_ppm": number(risk.places_ppm),
        "target_ppm": optional(risk.target_ppm),
        "good_share": number(risk.good_share),
        "uncalibrated": list(risk.uncalibrated),
        "chances": [{
            "what": one.what,
            "z_mm": None if one.z_mm is None else numbers(one.z_mm),
            "limit": one.limit,
            "demand": optional(one.demand),
            "allowed": optional(one.allowed),
            "z": optional(one.z),
            "cpk": optional(one.cpk),
            "ppm": number(one.ppm),
            "range_ppm": None if one.range_ppm is None else numbers(one.range_ppm),
            "calibrated": one.calibrated,
            "edit": one.edit,
            "finding": one.finding,
            "faces": list(one.faces),
        } for one in risk.chances],
    }


def number(value: float) -> float:
    """A number as reports have it."""
    # + 0.0 turns a rounded -0.0 into 0.0.
    return round(float(value), DECIMALS) + 0.0


def optional(value: float | None) -> float | None:
    """A number, or None."""
    return None if value is None else number(value)


def numbers(values: Iterable[float]) -> list[float]:
    """Numbers as reports have them."""
    return [number(value) for value in values]
