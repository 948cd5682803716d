"""What of a figure lies within a window, and figures without what is empty above and below."""

from __future__ import annotations

from dataclasses import replace

import manifold3d as m3
import numpy as np
import shapely

from soffit.part.model import Floats
from soffit.sheet.figure import Area, Figure, Stroke
from soffit.sheet.sections import Box, rings_of

# How far a line of text reaches above and below its base line, of its size (derived: text face).
ASCENT, DESCENT = 0.75, 0.25
# What is left around what is drawn, mm: more than the widest pen.
EDGE_MM = 0.6


def cropped(figure: Figure) -> Figure:
    """A figure without what lies outside of it; labels and balloons as they are."""
    room = (0.0, 0.0, figure.width_mm, figure.height_mm)
    window = m3.CrossSection.square(room[2:])
    areas = ((area, rings_of(m3.CrossSection(list(area.rings), m3.FillRule.EvenOdd) ^ window))
             for area in figure.areas)
    return replace(
        figure,
        areas=tuple(Area(rings, area.kind, area.edge) for area, rings in areas if rings),
        strokes=tuple(Stroke(piece, stroke.pen) for stroke in figure.strokes
                      for piece in clipped(shapely.LineString(stroke.points), room)))


def clipped(line: shapely.LineString, window: Box) -> list[Floats]:
    """The pieces of a line within a window, a hair of it more."""
    hit = line.intersection(shapely.box(*window).buffer(1e-6))
    return [shapely.get_coordinates(g) for g in getattr(hit, "geoms", [hit])
            if not g.is_empty and g.geom_type in ("LineString", "LinearRing")]


def trimmed(*figures: Figure) -> tuple[Figure, ...]:
    """Figures of one height, as low as what is drawn in them allows, by the same at each end."""
    drawn = [_reach(figure) for figure in figures]
    low = max(0.0, min(y0 for y0, _ in drawn))
    high = min(figures[0].height_mm, max(y1 for _, y1 in drawn))
    return tuple(_lowered(figure, low, high - low) for figure in figures)


def _reach(figure: Figure) -> tuple[float, float]:
    """From where to where something is drawn, upwards, mm."""
    found = [(float(ring[:, 1].min()), float(ring[:, 1].max())) for area in figure.areas
             for ring in area.rings]
    found += [(float(s.points[:, 1].min()), float(s.points[:, 1].max())) for s in figure.strokes]
    found += [(b.y - b.radius_mm, b.y + b.radius_mm) for b in figure.balloons]
    found += [(label.y - DESCENT * label.size_mm, label.y + ASCENT * label.size_mm)
              for label in figure.labels]
    if not found:
        return 0.0, figure.height_mm
    return min(low for low, _ in found) - EDGE_MM, max(high for _, high in found) + EDGE_MM


def _lowered(figure: Figure, by: float, height_mm: float) -> Figure:
    down = np.array([0.0, by])
    return replace(
        figure, height_mm=height_mm,
        areas=tuple(replace(a, rings=tuple(r - down for r in a.rings)) for a in figure.areas),
        strokes=tuple(replace(s, points=s.points - down) for s in figure.strokes),
        labels=tuple(replace(label, y=label.y - by) for label in figure.labels),
        balloons=tuple(replace(b, y=b.y - by, target=(b.target[0], b.target[1] - by))
                       for b in figure.balloons))
