"""Findings and remedies as a person says them."""

from __future__ import annotations

from soffit.findings.model import Finding
from soffit.findings.words import angle
from soffit.remedies.model import Edit
from soffit.sheet.words import number

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


def kind_words(finding: Finding) -> str:
    """The kind of a finding as a person says it."""
    if finding.patch.pierced and finding.kind == "air/ceiling":
        return "Ceiling with a hole in it"
    if finding.kind in _KINDS:
        return _KINDS[finding.kind]
    group, _, name = finding.kind.partition("/")
    return f"{group.capitalize()}: {name.replace('-', ' ')}"


def remedy_words(remedy: str) -> str:
    """A remedy as a person says it."""
    if remedy in _REMEDIES:
        return _REMEDIES[remedy]
    words = remedy.replace("_", " ").replace("-", " ")
    return words[:1].upper() + words[1:]


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
