"""A review as SARIF 2.1.0 (OASIS), for tools that collect findings of many kinds.

A part has no lines, so a result points at the file, names its faces as logical locations and
carries its measures as properties.
"""

from __future__ import annotations

import json
from typing import Any
from urllib.parse import quote

import soffit
from soffit.findings.model import Finding, Review
from soffit.plan.report import review_json

LEVELS = {"blocker": "error", "marginal": "warning", "note": "note"}


def review_sarif(review: Review) -> str:
    """The SARIF log, as JSON text."""
    report = review_json(review)
    measures = report["findings"]
    kinds = sorted({finding.kind for finding in review.findings})
    uri = quote(review.part.source.file.replace("\\", "/"))
    log = {
        "version": "2.1.0",
        "runs": [
            {
                "tool": {
                    "driver": {
                        "name": "Soffit",
                        "semanticVersion": soffit.__version__,
                        "rules": [{"id": kind} for kind in kinds],
                    }
                },
                "artifacts": [
                    {
                        "location": {"uri": uri},
                        "hashes": {"sha-256": review.part.source.sha256},
                    }
                ],
                "results": [
                    _result(finding, measure, kinds.index(finding.kind), uri)
                    for finding, measure in zip(review.findings, measures, strict=True)
                ],
                "columnKind": "unicodeCodePoints",
                # Only a coarse answer has it.
                **({"properties": {"coarse": report["coarse"]}} if review.coarse else {}),
            }
        ],
    }
    return json.dumps(log, indent=2, sort_keys=True, allow_nan=False) + "\n"


def _result(finding: Finding, measure: dict[str, Any], rule: int, uri: str) -> dict[str, Any]:
    shown_elsewhere = ("id", "kind", "severity", "message")
    return {
        "ruleId": finding.kind,
        "ruleIndex": rule,
        "level": LEVELS[finding.severity],
        "message": {"text": finding.message},
        "locations": [
            {
                "physicalLocation": {"artifactLocation": {"uri": uri, "index": 0}},
                "logicalLocations": [
                    {"name": f"face {face}", "kind": "element"} for face in finding.faces
                ],
            }
        ],
        "properties": {
            "finding": finding.id,
            **{key: value for key, value in measure.items() if key not in shown_elsewhere},
        },
    }
