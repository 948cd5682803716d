"""How parts, layers, findings, reviews and resolutions show themselves in a notebook.

Their `_repr_svg_` and `_repr_html_` ask here only when a notebook asks them. Drawings are made from
the mesh, so that no kernel is started, and all text is shown as it is, never as markup.
"""

from __future__ import annotations

from dataclasses import replace
from html import escape

import numpy as np

from soffit.findings.cores import MITRE_LIMIT
from soffit.findings.model import Finding, Review
from soffit.layers.stack import Layer, offset_of
from soffit.part.model import Part
from soffit.plan.model import Resolution
from soffit.sheet import ledger, tables
from soffit.sheet.balloons import CLEARANCE_MM
from soffit.sheet.build import before_and_after
from soffit.sheet.drawings import (
    balloon_radius,
    best_view,
    common_fit,
    dimension,
    dimension_text,
    fit_of,
    line_strokes,
    pictorial,
)
from soffit.sheet.figure import SOFT, Area, Figure, Label, Stroke, to_svg
from soffit.sheet.marks import numbered_and_rest, place_mark
from soffit.sheet.place_words import heights, measures
from soffit.sheet.places import has_place, places
from soffit.sheet.project import project
from soffit.sheet.sections import rings_of
from soffit.sheet.words import number

WIDTH_MM, HEIGHT_MM = 110.0, 84.0
_FOOT_MM = 10.0


def part_svg(part: Part) -> str:
    """The part as seen from below, with its size."""
    drawing = project(_meshed(part), best_view(part, ()))
    fit = fit_of(drawing.bounds[0], drawing.bounds[1], WIDTH_MM, HEIGHT_MM - _FOOT_MM, 2.0)
    moved = tuple(Stroke(s.points + np.array([0.0, _FOOT_MM]), s.pen)
                  for s in line_strokes(drawing, fit, hidden=False))
    size = " × ".join(f"{v:.2f}" for v in part.size_mm)
    words = f"{part.source.file}: {size} mm"
    figure = Figure(f"part-{part.source.sha256[:8]}", "Part", "", f"Line drawing of {words}.",
                    WIDTH_MM, HEIGHT_MM)
    return to_svg(figure.plus(strokes=moved, labels=(Label(words, 2.0, 3.0, 3.2),)))


def layer_svg(layer: Layer) -> str:
    """One layer from above: what is drawn hatched, the layer below dashed, what steps out too far
    over it in violet."""
    stack, region = layer.stack, layer.region
    below = stack.regions[layer.index - 1] if layer.index else None
    shown = [r for r in (region, below) if r is not None and not r.is_empty()]
    words = (f"layer {layer.index}, z {layer.z_mm[0]:.2f} to {layer.z_mm[1]:.2f} mm, "
             f"{layer.area_mm2:.1f} mm²")
    figure = Figure(f"layer-{layer.index}", "Layer", "", f"Outline of {words}.", WIDTH_MM,
                    HEIGHT_MM)
    figure = figure.plus(labels=(Label(words, 2.0, 3.0, 3.2),))
    if not shown:
        return to_svg(figure)
    bounds = np.array([r.bounds() for r in shown])
    fit = fit_of(bounds[:, :2].min(axis=0), bounds[:, 2:].max(axis=0), WIDTH_MM,
                 HEIGHT_MM - _FOOT_MM, 3.0)
    fit = replace(fit, dy=fit.dy + _FOOT_MM)
    areas = [Area(fit.rings(rings_of(region)), "material", "visible")]
    strokes: list[Stroke] = []
    if below is not None:
        over = region - offset_of(below, stack.step_mm + stack.slack_mm, limit=MITRE_LIMIT)
        if not over.is_empty():
            areas.append(Area(fit.rings(rings_of(over)), "air", "air"))
        strokes = [Stroke(fit.points(np.vstack([r, r[:1]])), "hidden") for r in rings_of(below)]
    return to_svg(figure.plus(areas=tuple(areas), strokes=tuple(strokes)))


def finding_html(finding: Finding) -> str:
    """What was found, in words and figures, and its place from above."""
    rows = [("kind", finding.kind), ("severity", finding.severity),
            ("z, mm", heights(finding.z_mm))]
    measure, unit, limit = measures(finding)
    if measure:
        unit, _, word = unit.partition(" ")
        rows.append((word, f"{measure} {unit} (limit {limit or 'none'})"))
    if finding.faces:
        rows.append(("faces", ", ".join(map(str, finding.faces[:8]))))
    text = "".join(f"<tr><th style='text-align:left'>{escape(name)}</th>"
                   f"<td style='text-align:left'>{escape(value)}</td></tr>" for name, value in rows)
    return (f"<div><strong>{escape(finding.id)}</strong> {escape(finding.message)}"
            f"<table>{text}</table>{_plan(finding)}</div>")


def _plan(finding: Finding) -> str:
    """The place of a finding from above, held along its thick edges; "" where it has none."""
    rings, anchors = finding.patch.rings, finding.patch.anchors
    if not rings:
        return ""
    every = np.concatenate(rings)
    low, high = every.min(axis=0), every.max(axis=0)
    fit = fit_of(low, np.maximum(high, low + 1e-3), 70.0, 50.0, 8.0)
    figure = Figure(f"finding-{finding.id}", finding.id, "",
                    f"Outline of {finding.id} from above, {finding.area_mm2:.1f} mm².", 70.0, 50.0)
    strokes = [Stroke(fit.points(line), "cut") for line in anchors if len(line) > 1]
    figure = figure.plus(areas=(Area(fit.rings(rings), "air", "air"),), strokes=tuple(strokes))
    a, b = fit.points(np.array([low, [high[0], low[1]]]))
    return _shown(dimension(figure, a, b, float(a[1]) - 4.5,
                            dimension_text(float(high[0] - low[0])), SOFT))


def review_html(review: Review) -> str:
    """The verdict, the part from below with its places numbered, and a line for each."""
    part = _meshed(review.part)
    marks = tuple(place_mark(f.id, f, part) for f in review.air if has_place(f))
    drawing = project(part, best_view(part, marks))
    margin = CLEARANCE_MM + 2.0 * balloon_radius(len(marks)) + 1.0
    figure = Figure("review", "As received", "seen from below",
                    f"Line drawing from below; {len(marks)} places print over air.",
                    WIDTH_MM, HEIGHT_MM)
    drawn = pictorial(figure, drawing, common_fit((drawing,), WIDTH_MM, HEIGHT_MM, margin),
                      *numbered_and_rest(marks), part, ())
    words = "clean" if review.clean else f"{review.over_air_mm2:.1f} mm² over air"
    rows = "".join(_row((f.id, f.kind, f.severity, f.message)) for f in review.findings)
    return (f"<div><strong>{escape(part.source.file)}: {words}</strong>{_shown(drawn)}"
            f"<table>{rows}</table></div>")


def resolution_html(result: Resolution) -> str:
    """The verdict, the part before and after, and a line for each change."""
    numbered = places(result)
    opened = ledger.open_rows(numbered)
    drawn = "".join(map(_shown, before_and_after(result, numbered)))
    rows = [_row((r.number, r.place, r.reason, "open")) for r in opened]
    rows += [_row((r.number, r.change, r.why, f"{number(r.volume_mm3, 1, signed=True)} mm³"))
             for r in ledger.change_rows(result, numbered)]
    verdict = tables.verdict(result, len(opened))
    return (f"<div><strong>{escape(result.received.source.file)}: {escape(verdict)}</strong>"
            f"<div style='display:flex'>{drawn}</div>"
            f"<table>{''.join(rows)}</table></div>")


def _shown(figure: Figure) -> str:
    """A drawing that gives way where the page is narrower."""
    drawn = to_svg(figure).replace("<svg ", "<svg style='max-width:100%;height:auto' ", 1)
    return f"<div style='flex:1'>{drawn}</div>"


def _row(cells: tuple[str, ...]) -> str:
    shown = "".join(f"<td style='text-align:left'>{escape(cell)}</td>" for cell in cells)
    return f"<tr>{shown}</tr>"


def _meshed(part: Part) -> Part:
    """The part without its B-rep: it is drawn alike, and at once."""
    return replace(part, brep=None)
