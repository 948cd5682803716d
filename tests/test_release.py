"""The chain on one real file: resolved, written, read back, and the same twice."""

from __future__ import annotations

from pathlib import Path

import pytest

import soffit
from tests.shapes import EXAMPLES, resolved

ROLES = ("3mf", "changes_step", "process", "recipe", "record_csv", "record_json", "report",
         "sheet_html", "sheet_pdf", "step", "stl", "traveller_html", "traveller_pdf")
EXAMPLE = EXAMPLES / "ledge_bracket.step"


def test_ledge_bracket_is_released_clean_and_the_same_twice(tmp_path: Path) -> None:
    """The second time is worked out here and now, from the file."""
    first = resolved("ledge_bracket").write(tmp_path / "a")
    second = soffit.resolve(soffit.read(EXAMPLE), "pla-04").write(tmp_path / "b")
    assert first.before.over_air_mm2 > 1000
    assert first.clean
    assert first.after.over_air_mm2 == 0
    # Where the chamfer's front passes a screw hole of 4.5 mm, one strand spans what is left of
    # the hole: no facet there is too flat, yet it must be seen. Its chord is at most that of
    # a circle cut one step deep, 2·√(2rΔ) (derived).
    spans = [f.span_mm for f in first.after.findings if f.kind == "air/bridge"]
    assert len(spans) == 2
    assert all(s is not None and 0.4 < s < 2 * (2 * 2.25 * 0.2) ** 0.5 for s in spans)
    assert tuple(sorted(first.files)) == ROLES
    assert sorted(p.name for p in (tmp_path / "a").iterdir()) == sorted(
        Path(p).name for p in first.files.values()
    )
    for role in ("recipe", "report", "step", "changes_step", "stl", "3mf", "process",
                 "record_csv", "record_json"):
        one, two = Path(first.files[role]), Path(second.files[role])
        assert one.read_bytes() == two.read_bytes(), role
    assert Path(first.files["sheet_pdf"]).read_bytes().startswith(b"%PDF")


def test_cad_read_back_gained_what_the_edits_say(tmp_path: Path) -> None:
    """Volume balance on the written STEP; 0.2 % is what the chords of its bores may take."""
    result = resolved("ledge_bracket").write(tmp_path, revision="C", prepared_for="A demo & Sons")
    gained = soffit.read(result.files["step"]).mesh.volume_mm3 - result.received.mesh.volume_mm3
    assert gained == pytest.approx(sum(e.volume_mm3 for e in result.edits), rel=2e-3)
    html = Path(result.files["sheet_html"]).read_text(encoding="utf-8")
    assert "<dd>C</dd>" in html and "<dd>A demo &amp; Sons</dd>" in html
    assert "<dd>C</dd>" in Path(result.files["traveller_html"]).read_text(encoding="utf-8")
    assert "src=" not in html
    assert "@import" not in html
