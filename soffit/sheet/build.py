"""Make the change sheet of a resolution."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import shapely

from soffit.findings.model import NO_PATCH
from soffit.part.model import Floats, Vec3
from soffit.plan.model import Resolution
from soffit.production.ejection import advice
from soffit.remedies.model import Edit
from soffit.sheet import ledger, tables
from soffit.sheet.balloons import CLEARANCE_MM
from soffit.sheet.crop import trimmed
from soffit.sheet.drawings import (
    Elevations,
    balloon_radius,
    best_view,
    common_fit,
    elevation_figure,
    flat_edges,
    pictorial,
)
from soffit.sheet.figure import Figure
from soffit.sheet.limits import limit_rows, rates_words
from soffit.sheet.marks import edit_mark, numbered_and_rest, place_mark, triangles_of
from soffit.sheet.model import Sheet, made_by, sheet_number, versions
from soffit.sheet.places import Place, edit_number, has_place, number_of, places
from soffit.sheet.price_chart import price_chart
from soffit.sheet.profile import Bar
from soffit.sheet.project import project
from soffit.sheet.section_figure import section_figure
from soffit.sheet.sections import across, cut_at, traces, where_to_cut
from soffit.sheet.view import FRONT, RIGHT, View
from soffit.sheet.ways_up import ways_up_figure
from soffit.sheet.words import short_hash

VIEW_W_MM, VIEW_H_MM = 120.0, 106.0
ELEVATION_W_MM = 136.0
# More sections than this nobody reads (own choice); which are left out is told.
MAX_SECTIONS = 96


def build_sheet(resolution: Resolution, *, title: str, revision: str = "",
                prepared_for: str = "", date: datetime.date | None = None,
                files: Mapping[str, Path] | None = None) -> Sheet:
    """Everything that the page and the PDF show about `resolution`.

    `title` names the part. `date` is the date of issue, today where it is not given; give it
    for output that is the same on every day. `files`: the geometry as written, by
    role. Raises KernelError only where the mesh kernel, too, cannot draw the part.
    """
    numbered = places(resolution)
    opened = ledger.open_rows(numbered)
    process = resolution.before.process
    received = resolution.received.source
    up = resolution.before.up
    sections, undrawn = _sections(resolution, numbered)
    return Sheet(
        title=title,
        number=sheet_number(received.sha256, resolution.after.part.source.sha256),
        made_by=made_by(),
        file=received.file,
        revision=revision,
        prepared_for=prepared_for,
        date=(date or datetime.date.today()).isoformat(),
        process=process.title,
        quantity=resolution.quantity,
        verdict=tables.verdict(resolution, len(opened)),
        clean=resolution.clean and not opened,
        received_hash=short_hash(received.sha256),
        produced_hash=short_hash(resolution.after.part.source.sha256),
        orientation=f"up {directions(up)}",
        up_why=resolution.up_why,
        ejection="" if resolution.ejection is None else advice(resolution.ejection, process),
        risk=tables.risk_lines(resolution),
        views=(*trimmed(*before_and_after(resolution, numbered)),
               *trimmed(_elevation(resolution, numbered))),
        sections=sections,
        ways_up=_ways_up(resolution),
        price=(price_chart(resolution),) if resolution.estimate else (),
        open=opened,
        changes=ledger.change_rows(resolution, numbered),
        notes=(*ledger.note_rows(resolution, numbered), *ledger.undrawn_rows(undrawn)),
        protected=tables.protected_rows(resolution),
        limits=limit_rows(process, props=bool(resolution.props),
                          seen={finding.kind for finding in resolution.after.unattended}),
        rates=rates_words(process) if resolution.estimate else "",
        measured=tables.measured_rows(resolution),
        estimate=tables.estimate_rows(resolution),
        alternatives=tables.alternative_rows(resolution),
        files=tables.file_rows(resolution, files or {}),
        versions=versions(),
        cautions=tables.CAUTIONS,
    )


def _ways_up(resolution: Resolution) -> tuple[Figure, ...]:
    """The maps of all ways up, where one was chosen, in the frame of the file."""
    if resolution.ways_up is None:
        return ()
    figure = ways_up_figure(resolution.ways_up)
    return (replace(figure, remark=f"Taken: {resolution.up_why}."),)


def directions(up: Vec3) -> str:
    """A direction as three short numbers."""
    return ", ".join(f"{v:.2f}".rstrip("0").rstrip(".") for v in up)


def before_and_after(resolution: Resolution, numbered: tuple[Place, ...]) -> tuple[Figure, ...]:
    """The part as received and as produced, seen from below, its places and changes numbered."""
    received, produced = resolution.received, resolution.produced
    before_marks = tuple(place_mark(p.number, p.finding, received) for p in numbered
                         if p.finding is not None and p.received and has_place(p.finding))
    after_marks = tuple(place_mark(p.number, p.left, resolution.after.part)
                        for p in numbered if p.left is not None and has_place(p.left))
    after_marks += tuple(edit_mark(edit_number(p, k), e, resolution)
                         for p in numbered for k, e in enumerate(p.edits))
    view = best_view(received, before_marks)
    drawings = (project(received, view), project(produced, view, resolution.props))
    most = max(len(before_marks), len(after_marks))
    margin = CLEARANCE_MM + 2.0 * balloon_radius(most) + 1.0
    fit = common_fit(drawings, VIEW_W_MM, VIEW_H_MM, margin)
    protected = tuple(p.face for p in resolution.protected)
    kept = tuple(f.id for f in produced.faces if f.origin in set(protected))
    before = Figure("as-received", "As received", view.name,
                    f"Line drawing of the part as received, seen from below; "
                    f"{len(before_marks)} numbered places print over air.",
                    VIEW_W_MM, VIEW_H_MM)
    after = Figure("as-produced", "As produced", "same view",
                   f"The same view of the part as produced; {len(after_marks)} numbered changes.",
                   VIEW_W_MM, VIEW_H_MM)
    return (
        pictorial(before, drawings[0], fit, *numbered_and_rest(before_marks), received, protected),
        pictorial(after, drawings[1], fit, *numbered_and_rest(after_marks), produced, kept),
    )


def _elevation(resolution: Resolution, numbered: tuple[Place, ...]) -> Figure:
    view = _elevation_view(numbered)
    received, produced = resolution.received, resolution.produced
    before, after = (tuple(Bar(number_of(f, numbered), f.z_mm, f.area_mm2)
                           for f in review.air)
                     for review in (resolution.before, resolution.after))
    flat = 0.02 * received.size_mm[2]
    edges = tuple(flat_edges(triangles_of(received, f), view, flat) for f in resolution.before.air)
    over = resolution.before.over_air_mm2
    remains = resolution.after.over_air_mm2
    figure = Figure("by-height", "Over air, by height", "",
                    f"{view.name} before and after, and the area over air at each height: "
                    f"{over:.0f} square millimetres before, {remains:.0f} after.",
                    ELEVATION_W_MM, VIEW_H_MM)
    drawings = (project(received, view), project(produced, view, resolution.props))
    return elevation_figure(figure, Elevations(*drawings, before, after, edges))


def _elevation_view(numbered: tuple[Place, ...]) -> View:
    """Front or right, whichever sees more of the places across what holds them."""
    x = y = 0.0
    for place in numbered:
        if place.finding is not None and place.finding.patch.rings:
            along = across(place.finding.patch)
            x += place.finding.area_mm2 * abs(float(along[0]))
            y += place.finding.area_mm2 * abs(float(along[1]))
    return FRONT if x >= 0.8 * y else RIGHT


def _sections(resolution: Resolution, numbered: tuple[Place, ...]
              ) -> tuple[tuple[Figure, ...], tuple[str, ...]]:
    """A section through each change, and the names of the edits of which none is drawn."""
    found: list[Figure] = []
    undrawn: list[str] = []
    for place in numbered:
        for k, edit in enumerate(place.edits):
            figure = None
            if len(found) < MAX_SECTIONS:
                figure = _section(resolution, place, edit_number(place, k), edit, len(found))
            if figure is None:
                undrawn.append(edit.id)
            else:
                found += trimmed(figure)
    return tuple(found), tuple(undrawn)


def _section(resolution: Resolution, place: Place, number: str, edit: Edit, index: int
             ) -> Figure | None:
    mark = edit_mark(number, edit, resolution)
    patch, point = NO_PATCH, np.asarray(edit.at_mm, dtype=np.float64)
    if place.finding is not None and place.received and place.finding.patch.rings:
        patch = place.finding.patch
        point = _inside(patch.rings, place.finding.at_mm)
    direction = across(patch)
    point = where_to_cut(resolution.received.mesh, resolution.produced.mesh, resolution.props,
                         direction, point, mark.corners_mm)
    # What the change reaches along the section: its own faces, else only its heights.
    span = (mark.corners_mm[:, :, :2] @ direction) if len(mark.corners_mm) else np.array(
        [point[:2] @ direction])
    focus = (float(span.min()), edit.z_mm[0], float(span.max()), edit.z_mm[1])
    found = cut_at(resolution.received.mesh, resolution.produced.mesh, resolution.props, direction,
                   point, patch)
    if found is None:
        return None
    made = traces(mark.corners_mm, direction, point)
    return section_figure(f"section-{index + 1}", number, found, edit.op, focus, made)


def _inside(rings: tuple[Floats, ...], at_mm: Vec3) -> Floats:
    """The middle of the largest outline of a patch; where that lies outside, `at_mm`."""
    polygon = max((shapely.Polygon(r) for r in rings), key=lambda p: p.area)
    centre = polygon.centroid
    inner = centre if polygon.contains(centre) else shapely.Point(at_mm[:2])
    # Half a thousandth aside: symmetric parts have seams and vertices exactly in the middle.
    return np.array([inner.x + 5e-4, inner.y + 5e-4, at_mm[2]])
