"""What changed between two parts, as text of at most 80 columns."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable

import numpy as np

from soffit.cli.render_text import Line, _area, _count, _table, wrap
from soffit.findings.model import Finding, Review
from soffit.part.model import Face
from soffit.plan.compare import Comparison

# Lines of one table; what is more is counted (own choice: two screens).
MOST_ROWS = 60


def compare_lines(result: Comparison) -> list[Line]:
    """Both parts side by side, faces and findings that changed, and the sum of it."""
    a, b = result.a.part, result.b.part
    lines = wrap(f"{a.source.file} → {b.source.file}")
    lines += _table(("", "a", "b"), _figures(result.a, result.b), right={1, 2})
    lines.append(Line(""))
    if result.faces.whole_moved:
        lines += [*wrap(_whole(result)), Line("")]
    faces, findings = _face_rows(result), _finding_rows(result)
    if faces:
        head = ("face", "now", "what", "by mm", "area mm²", "radius mm", "surface")
        lines += _cut(_table(head, faces, right={3, 4, 5}), len(faces))
    if findings:
        head = ("finding", "now", "what", "kind", "by mm", "area mm²", "area now")
        lines += _cut(_table(head, findings, right={4, 5, 6}), len(findings))
    if any(row[2].endswith("?") for row in faces):
        lines += [*wrap("?: another face could as well be meant."), Line("")]
    return [*lines, *_sum(result)]


def _figures(a: Review, b: Review) -> list[tuple[str, str, str]]:
    def row(name: str, of: Iterable[str]) -> tuple[str, str, str]:
        one, two = of
        return name, one, two

    both = (a, b)
    return [
        row("size, mm", (" × ".join(f"{v:.2f}" for v in r.part.size_mm) for r in both)),
        row("volume, mm³", (f"{r.part.mesh.volume_mm3:.1f}" for r in both)),
        row("faces", (str(len(r.part.faces)) for r in both)),
        row("over air, mm²", (_area(r.over_air_mm2) for r in both)),
        row("places over air", (str(len(r.air)) for r in both)),
    ]


def _whole(result: Comparison) -> str:
    motion = result.faces.motion
    angle = math.degrees(math.acos(min(1.0, max(-1.0, (np.trace(motion[:3, :3]) - 1.0) / 2.0))))
    shift = ", ".join(f"{v:g}" for v in np.round(motion[:3, 3], 3) + 0.0)
    turned = f"turned by {angle:.4g}° and " if angle > 1e-6 else ""
    return (
        f"The part as a whole lies elsewhere in its file: {turned}shifted by {shift} mm. "
        "What follows is seen from the part."
    )


def _face_rows(result: Comparison) -> list[tuple[str, ...]]:
    def surface(face: Face) -> str:
        return f"{face.surface.value}{', inward' if face.inward else ''}"

    a, b = result.a.part, result.b.part
    rows: list[tuple[str, ...]] = []
    for pair in result.faces.pairs:
        if pair.status != "matched":
            doubt = "" if pair.sure else "?"
            radius = f"{pair.radius_change_mm:+.3f}" if pair.radius_change_mm else ""
            rows.append((str(pair.a), str(pair.b), pair.status + doubt, f"{pair.distance_mm:.3f}",
                         f"{pair.area_change_mm2:+.1f}", radius, surface(b.face(pair.b))))
    rows += [(str(f), "", "vanished", "", "", "", surface(a.face(f)))
             for f in result.faces.vanished]
    rows += [("", str(f), "new", "", "", "", surface(b.face(f))) for f in result.faces.new]
    return rows


def _finding_rows(result: Comparison) -> list[tuple[str, ...]]:
    def area(finding: Finding) -> str:
        return _area(finding.area_mm2) if finding.area_mm2 else ""

    a = {f.id: f for f in result.a.findings}
    b = {f.id: f for f in result.b.findings}
    found = result.findings
    rows: list[tuple[str, ...]] = []
    for pair in found.pairs:
        if pair.moved:
            rows.append((pair.a, pair.b, "changed", a[pair.a].kind, f"{pair.shift_mm:.2f}",
                         area(a[pair.a]), area(b[pair.b])))
    rows += [(one, ",".join(now), "unclear", a[one].kind, "", area(a[one]), "")
             for one, now in found.unclear]
    rows += [(one, "", "gone", a[one].kind, "", area(a[one]), "") for one in found.gone]
    rows += [("", one, "new", b[one].kind, "", "", area(b[one])) for one in found.new]
    return rows


def _cut(lines: list[Line], rows: int) -> list[Line]:
    """A table with what is beyond `MOST_ROWS` counted only."""
    if rows <= MOST_ROWS:
        return [*lines, Line("")]
    more = Line(f"… and {rows - MOST_ROWS} more; --format json has them all")
    return [*lines[: MOST_ROWS + 1], more, Line("")]


def _sum(result: Comparison) -> list[Line]:
    if not result.differs:
        return [Line("Nothing differs.", "bold")]
    faces = Counter(pair.status for pair in result.faces.pairs)
    findings = result.findings
    told = [
        f"{_count(len(result.a.part.faces), 'face')}: {faces['matched']} the same, "
        f"{faces['moved']} moved, {faces['resized']} resized, "
        f"{len(result.faces.vanished)} vanished, {len(result.faces.new)} new.",
        f"{_count(len(result.a.findings), 'finding')}: "
        f"{sum(not p.moved for p in findings.pairs)} the same, "
        f"{sum(p.moved for p in findings.pairs)} changed, {len(findings.unclear)} unclear, "
        f"{len(findings.gone)} gone, {len(findings.new)} new.",
    ]
    return [Line(line.text, "bold") for text in told for line in wrap(text)]
