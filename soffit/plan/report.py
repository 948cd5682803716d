"""Reviews, resolutions, features and comparisons as JSON: `soffit.review/1`, `soffit.resolve/1`,
`soffit.features/1`, `soffit.compare/1`.

Lengths are mm, areas mm², volumes mm³, in the build frame. Numbers are rounded to six
decimals and keys are sorted, so that the same part gives the same bytes. The schemas are
published in docs/schema/.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from soffit.findings.model import Review
from soffit.part.features.model import Feature, Features, HolePattern, MatingFace
from soffit.part.model import Part
from soffit.part.quality import BrepQuality, QualityChange
from soffit.plan.compare import Comparison
from soffit.plan.model import Resolution
from soffit.plan.replay import Replay
from soffit.plan.report_parts import (
    finding_json,
    number,
    numbers,
    part_json,
    process_json,
    risk_json,
)
from soffit.plan.select_features import classes, selector_of
from soffit.process.cost import Cost
from soffit.remedies.model import PropFacts


def review_json(review: Review) -> dict[str, Any]:
    """A review as one JSON object."""
    report = {
        "schema": "soffit.review/1",
        "part": part_json(review.part),
        "process": process_json(review.process),
        "orientation": {
            "up": numbers(review.up),
            "placement": [numbers(row) for row in review.part.placement.tolist()],
        },
        "findings": [finding_json(finding) for finding in review.findings],
        "totals": {"over_air_mm2": number(review.over_air_mm2)},
    }
    if review.coarse is not None:
        report["coarse"] = {
            "layers_at_once": review.coarse.layers_at_once,
            "layer_mm": number(review.coarse.layer_mm),
            "step_mm": number(review.coarse.step_mm),
            "left_out": list(review.coarse.left_out),
            "message": review.coarse.message,
        }
    return report


def resolve_json(result: Resolution) -> dict[str, Any]:
    """A resolution as one JSON object; files are named without their folder."""
    report = {
        "schema": "soffit.resolve/1",
        "before": review_json(result.before),
        "after": review_json(result.after),
        "edits": [
            {
                "id": edit.id,
                "finding": edit.finding,
                "remedy": edit.remedy,
                "op": edit.op,
                "volume_mm3": number(edit.volume_mm3),
                "faces": list(edit.faces),
                "why": edit.why,
                "after": edit.after,
                "at_mm": numbers(edit.at_mm),
                "by_hand": edit.by_hand,
                **({} if edit.cost is None else {"cost": _cost(edit.cost)}),
                **({} if edit.prop is None else {"prop": _prop(edit.prop)}),
            }
            for edit in result.edits
        ],
        "options": [
            {
                "finding": row.finding,
                "remedy": row.remedy,
                "op": row.op,
                "volume_mm3": number(row.volume_mm3),
                "cost": _cost(row.cost),
                "safety": row.safety,
                "why": row.why,
                "outcome": row.outcome,
                "chosen": row.chosen,
                "variant": row.variant,
            }
            for row in result.options
        ],
        "alternatives": [
            {
                "words": row.words,
                "remedies": dict(row.remedies),
                "price": number(row.price),
                "plastic_mm3": number(row.plastic_mm3),
                "machine_s": number(row.machine_s),
                "labour_s": number(row.labour_s),
                "deviation_mm": number(row.deviation_mm),
                "changed_mm2": number(row.changed_mm2),
                "left_mm2": number(row.left_mm2),
                "chosen": row.chosen,
            }
            for row in result.alternatives
        ],
        "verdict": {
            "clean": result.clean,
            "open": [
                {"finding": finding_json(entry.finding), "reason": entry.reason}
                for entry in result.open
            ],
            "protected_untouched": all(face.untouched for face in result.protected),
        },
        "estimate": {
            case: {name: number(value) for name, value in figures.items()}
            for case, figures in result.estimate.items()
        },
        "files": {role: Path(path).name for role, path in result.files.items()},
        "proof": {
            "bodies": result.produced.bodies,
            "deflection_mm": number(result.received.deflection_mm),
        },
    }
    if result.ejection is not None:
        report["ejection"] = {
            "holds_n": number(result.ejection.holds_n),
            "pushes": [{"way": p.way, "meets": list(p.meets), "over_mm": number(p.over_mm),
                        "stay": list(p.stay)}
                       for p in result.ejection.pushes],
        }
    if result.risk is not None:
        report["risk"] = risk_json(result.risk)
    if result.replay is not None:
        report["replay"] = _replay(result.replay)
    if result.missing:
        report["missing"] = dict(result.missing)
    if result.quality is not None:
        report["quality"] = _quality_change(result.quality)
    return report


def features_json(found: Features) -> dict[str, Any]:
    """What was recognised on a part as one JSON object."""
    part = found.part
    return {
        "schema": "soffit.features/1",
        "part": part_json(part),
        "orientation": {"placement": [numbers(row) for row in part.placement.tolist()]},
        "features": [_feature(part, feature) for feature in found.all],
        "protected_faces": list(found.protected_faces),
    }


def compare_json(result: Comparison) -> dict[str, Any]:
    """A comparison as one JSON object: both reviews, and what became of what is in the first."""
    faces, findings = result.faces, result.findings
    return {
        "schema": "soffit.compare/1",
        "differs": result.differs,
        "a": review_json(result.a),
        "b": review_json(result.b),
        "motion": [numbers(row) for row in faces.motion.tolist()],
        "faces": {
            "pairs": [
                {
                    "a": pair.a,
                    "b": pair.b,
                    "status": pair.status,
                    "sure": pair.sure,
                    "shift_mm": numbers(pair.shift_mm),
                    "area_change_mm2": number(pair.area_change_mm2),
                    "radius_change_mm": number(pair.radius_change_mm),
                }
                for pair in faces.pairs
            ],
            "vanished": list(faces.vanished),
            "new": list(faces.new),
        },
        "findings": {
            "pairs": [
                {
                    "a": pair.a,
                    "b": pair.b,
                    "status": "changed" if pair.moved else "same",
                    "shift_mm": number(pair.shift_mm),
                    "area_change_mm2": number(pair.area_change_mm2),
                }
                for pair in findings.pairs
            ],
            "unclear": [{"a": one, "could_be": list(now)} for one, now in findings.unclear],
            "gone": list(findings.gone),
            "new": list(findings.new),
        },
    }


def _prop(facts: PropFacts) -> dict[str, Any]:
    return {
        "posts": facts.posts,
        "ridges": facts.ridges,
        "fins": facts.fins,
        "leans": facts.leans,
        "gussets": facts.gussets,
        "give_mm": number(facts.give_mm),
        "force_n": number(facts.force_n),
        "ways": list(facts.ways),
        "tools": list(facts.tools),
        "ejection": {
            "way": facts.leaving.way,
            "holds_n": number(facts.leaving.holds_n),
            "share": number(facts.leaving.share),
            "pushes": list(facts.leaving.pushes),
        },
        "strength": None if facts.strength is None else {
            "borne": number(facts.strength.borne),
            "by_foot": facts.strength.by_foot,
            "drag": number(facts.strength.drag),
            "buckles_n": number(facts.strength.buckles_n),
        },
        "contact_mm2": number(facts.contact_mm2),
        "baseline_mm3": number(facts.baseline_mm3),
        "baseline_contact_mm2": number(facts.place_mm2),
    }


def _feature(part: Part, feature: Feature) -> dict[str, Any]:
    entry: dict[str, Any] = {
        "id": feature.id,
        "faces": list(feature.faces),
        "at_mm": numbers(feature.at_mm),
        "classes": list(classes(feature)),
        "protect": feature.protect,
        "selector": selector_of(part, feature),
    }
    if isinstance(feature, MatingFace):
        return {**entry, "kind": "mating face", "normal": numbers(feature.normal),
                "area_mm2": number(feature.area_mm2), "patterns": list(feature.patterns)}
    entry["may_be"] = [
        {"use": r.use.value, "what": r.what, "nominal_mm": number(r.nominal_mm),
         "measured_mm": number(r.measured_mm), "confidence": r.confidence,
         "source": r.source, "grade": r.grade}
        for r in feature.may_be
    ]  # fmt: skip
    if isinstance(feature, HolePattern):
        return {**entry, "kind": "hole pattern", "shape": feature.shape,
                "size_mm": numbers(feature.size_mm), "holes": list(feature.holes)}
    sections = [
        {"enter_mm": number(s.enter_mm), "end_mm": number(s.end_mm),
         "depth_mm": number(s.depth_mm), "faces": list(s.faces)}
        for s in feature.sections
    ]  # fmt: skip
    return {**entry, "kind": "round hole", "axis": numbers(feature.axis),
            "diameter_mm": number(feature.diameter_mm), "depth_mm": number(feature.depth_mm),
            "through": feature.through, "sections": sections,
            "opens_into": sorted(mouth.face for mouth in feature.mouths)}


def _quality_change(change: QualityChange) -> dict[str, Any]:
    return {
        "before": _quality(change.before),
        "after": _quality(change.after),
        "props": None if change.props is None else _quality(change.props),
        "new": [
            {"kind": d.kind, "at_mm": numbers(d.at_mm), "size": number(d.size)}
            for d in change.new
        ],
        "faults": list(change.faults),
    }


def _quality(quality: BrepQuality) -> dict[str, Any]:
    return {
        "valid": quality.valid,
        "closed": quality.closed,
        "faces": quality.faces,
        "slivers": quality.slivers,
        "mergeable": quality.mergeable,
        "short_edges": quality.short_edges,
        "loose": quality.loose,
        "vertex_tolerance_mm": number(quality.vertex_tolerance_mm),
        "edge_tolerance_mm": number(quality.edge_tolerance_mm),
        "face_tolerance_mm": number(quality.face_tolerance_mm),
    }


def _replay(found: Replay) -> dict[str, Any]:
    return {
        "decisions": [
            {
                "edit": one.edit_id,
                "remedy": one.remedy,
                "status": one.status,
                "finding": one.finding_id,
                "shift_mm": number(one.shift_mm),
                "why": one.why,
            }
            for one in found.decisions
        ],
        "forbidden": [
            {"remedy": one.remedy, "status": one.status, "finding": one.finding_id, "why": one.why}
            for one in found.forbidden
        ],
        "protected": [
            {"selector": one.selector, "face": one.face, "status": one.status}
            for one in found.protected
        ],
        "keep_out": [
            {"file": one.file, "status": one.status, "why": one.why}
            for one in found.keep_out
        ],
        "new": list(found.new),
        "known": list(found.known),
    }


def _cost(cost: Cost) -> dict[str, float]:
    return {
        "price": number(cost.price),
        "plastic_mm3": number(cost.plastic_mm3),
        "machine_s": number(cost.machine_s),
        "labour_s": number(cost.labour_s),
        "deviation_mm": number(cost.deviation_mm),
        "changed_mm2": number(cost.changed_mm2),
    }
