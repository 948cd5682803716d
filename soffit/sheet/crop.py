"""What of a figure lies within a window."""

from __future__ import annotations

from dataclasses import replace

import manifold3d as m3
import shapely

from soffit.part.model import Floats
from soffit.sheet.figure import Area, Figure, Stroke
from soffit.sheet.sections import Box, rings_of


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
