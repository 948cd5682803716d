"""Which way up, as a drawing: two maps of all directions and the ways up worth weighing.

The maps show half of the sphere of directions each, the part as drawn in the middle of the one and
on its head in the middle of the other, equal areas as equal areas (Lambert's azimuthal projection:
r = R·√(1 − cos θ), as in Snyder 1987, USGS PP 1395). The darker, the more would print over air with
that direction up. A way up that is drawn has a dot with the shade of its own area, as a flat face
that it rests on counts as soon as it leans.
"""

from __future__ import annotations

from pathlib import Path

import manifold3d as m3
import numpy as np
from scipy.spatial import cKDTree

from soffit.errors import InputError
from soffit.layers.stack import union_of
from soffit.orient.choose import Search
from soffit.orient.front import Named
from soffit.orient.result import WaysUp
from soffit.part.model import Floats, Part, Vec3
from soffit.part.place import place
from soffit.part.write_mesh import write_whole
from soffit.sheet.balloons import place_balloons
from soffit.sheet.drawings import best_view, common_fit, line_strokes
from soffit.sheet.figure import (
    INK,
    SOFT,
    Area,
    AreaKind,
    Balloon,
    Figure,
    Label,
    Stroke,
    text_width_mm,
    to_svg,
)
from soffit.sheet.project import project

WIDTH_MM, HEIGHT_MM = 270.0, 188.0
RADIUS_MM = 40.0
BALLOON_MM = 3.0
DOT_MM = 2.2
CELLS = 72  # across a map (own choice: half a line of text each)

# What the maps show, in lines beside them.
EXPLAINED = ("Each point of a map is a", "direction that may point up.",
             "A dot has the shade of its", "own way up: around it, the",
             "face that it stands on leans", "and is over air too.")

# More drawings than this are too small to be read (own choice).
MOST_DRAWN = 5

# Area over air, as a share of the most that any direction has, from which on a cell is darker.
LEVELS: tuple[tuple[float, AreaKind], ...] = (
    (0.05, "air-1"), (0.2, "air-2"), (0.5, "air-3"))


def write_ways_up(found: WaysUp, path: Path) -> None:
    """Write the drawing as SVG. Raises InputError where it cannot be written."""
    _write(to_svg(ways_up_figure(found)), path)


def _write(text: str, path: Path) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"writing {path}: {error.strerror or error}; give another folder with "
                         "--out") from error
    write_whole(path, text.encode())


def write_screen(found: WaysUp, path: Path) -> None:
    """Write what the screen found of each direction as CSV, mm. Raises InputError where it cannot
    be written."""
    screen = found.search.screen
    rows = ["up_x,up_y,up_z,origin,over_air_mm2,over_part_mm2,support_room_mm3,height_mm,rests_mm2"]
    columns = (screen.over_mm2, screen.shadowed_mm2, screen.room_mm3, screen.height_mm,
               screen.rests_mm2)
    for direction, *values in zip(found.search.directions, *columns, strict=True):
        numbers = ",".join("" if np.isnan(v) else f"{v:.3f}" for v in values)
        up = ",".join(f"{v:.6f}" for v in direction.up)
        rows.append(f"{up},{direction.origin},{numbers}")
    _write("\n".join(rows) + "\n", path)


def ways_up_figure(found: WaysUp) -> Figure:
    """The maps, and a drawing of each way up that has a name, numbered as they come."""
    search, part = found.search, found.part
    drawn = list(found.named[:MOST_DRAWN])
    figure = Figure(
        "ways-up", "Ways up",
        "Area over air by the direction that points up; each map shows half of all directions.",
        _described(search, drawn), WIDTH_MM, HEIGHT_MM)
    ups = np.array([d.up for d in search.directions])
    most = float(search.screen.over_mm2.max(initial=0.0))
    share = search.screen.over_mm2 / max(most, 1e-9)
    tree = cKDTree(ups)
    for side, x, words in ((1.0, 58.0, "as drawn in the middle"),
                           (-1.0, 160.0, "upside down in the middle")):
        figure = _map(figure, tree, share, drawn, side, np.array([x, HEIGHT_MM - 54.0]), words,
                      most)
    figure = _legend(figure, most)
    figure = figure.plus(labels=(Label("seen from below", 4.0, 80.0, 2.6, "start", SOFT),))
    wide = WIDTH_MM / max(len(drawn), 1)
    for k, one in enumerate(drawn):
        figure = _drawing(figure, one, part, str(k + 1), k * wide, wide)
    return figure


def at_disc(up: Vec3, side: float) -> Floats | None:
    """Where a direction lies on the map of its half, (2,) of a disc of radius 1; None on the
    other."""
    x, y, z = up
    if z * side < 0.0:
        return None
    flat = float(np.hypot(x, y))
    if flat < 1e-12:
        return np.zeros(2)
    return float(np.sqrt(max(0.0, 1.0 - side * z))) / flat * np.array([x, y])


def from_disc(points: Floats, side: float) -> Floats:
    """The directions at points (n, 2) of a disc of radius 1, (n, 3)."""
    square = (points**2).sum(axis=1)
    return np.column_stack([points * np.sqrt(np.maximum(2.0 - square, 0.0))[:, None],
                            side * (1.0 - square)])


def _map(
    figure: Figure, tree: cKDTree, share: Floats, drawn: list[Named], side: float, at: Floats,
    words: str, most: float,
) -> Figure:
    """One half of all directions, with balloons at the ways up that lie in it; `most`: the largest
    area of all, mm²."""
    step = 2.0 / CELLS
    line = -1.0 + step * (np.arange(CELLS) + 0.5)
    cells = np.array([(x, y) for y in line for x in line])
    cells = cells[(cells**2).sum(axis=1) <= 1.0]
    there = share[tree.query(from_disc(cells, side))[1]]
    disc = m3.CrossSection.circle(1.0, 120)
    areas = []
    for k, (low, kind) in enumerate(LEVELS):
        high = LEVELS[k + 1][0] if k + 1 < len(LEVELS) else np.inf
        mine = cells[(there >= low) & (there < high)]
        squares = [m3.CrossSection.square((step, step)).translate((x - step / 2, y - step / 2))
                   for x, y in mine.tolist()]
        region = union_of(squares) ^ disc
        if not region.is_empty():
            areas.append(Area(tuple(at + RADIUS_MM * np.asarray(r)
                                    for r in region.to_polygons()), kind))
    turn = np.linspace(0.0, 2.0 * np.pi, 121)
    circle = at + RADIUS_MM * np.column_stack([np.cos(turn), np.sin(turn)])
    labels = [Label(words, at[0], at[1] + RADIUS_MM + 8.0, 3.0, "middle", SOFT)]
    # A little to the side, as there may be a dot right there.
    for text, degrees in (("+x", 0.0), ("+y", 90.0), ("−x", 180.0), ("−y", 270.0)):
        aside = np.radians(degrees - 6.0)
        labels.append(Label(text, at[0] + np.cos(aside) * (RADIUS_MM + 3.0),
                            at[1] + np.sin(aside) * (RADIUS_MM + 3.0) - 1.0, 2.6, "middle", SOFT))
    marks = [(k, spot) for k, one in enumerate(drawn)
             if (spot := at_disc(one.orientation.up, side)) is not None]
    targets = np.array([at + RADIUS_MM * spot for _, spot in marks]).reshape(-1, 2)
    edge = RADIUS_MM + 12.0
    outline = disc.scale((RADIUS_MM + 4.5, RADIUS_MM + 4.5)).translate(tuple(at))
    centres = place_balloons(outline, targets, BALLOON_MM,
                             (at[0] - edge, at[1] - edge, at[0] + edge, at[1] + RADIUS_MM + 6.0))
    balloons = [Balloon(str(k + 1), float(c[0]), float(c[1]), BALLOON_MM,
                        (float(t[0]), float(t[1])), INK)
                for (k, _), c, t in zip(marks, centres, targets, strict=True)]
    rings = []
    for (k, _), target in zip(marks, targets, strict=True):
        ring = target + DOT_MM / RADIUS_MM * (circle - at)
        rings.append(Stroke(ring, "thin"))
        areas.append(Area((ring,), "paper"))
        shade = _shade(drawn[k].orientation.over_air_mm2 / max(most, 1e-9))
        if shade is not None:
            areas.append(Area((ring,), shade))
    return figure.plus(areas=tuple(areas), strokes=(Stroke(circle, "thin"), *rings),
                       labels=tuple(labels), balloons=tuple(balloons))


def _shade(share: float) -> AreaKind | None:
    """How an area over air is shaded that is such a share of the most."""
    return next((kind for low, kind in reversed(LEVELS) if share >= low), None)


def _legend(figure: Figure, most: float) -> Figure:
    """What the shades mean."""
    x, y = 216.0, HEIGHT_MM - 24.0
    labels = [Label("over air, mm²", x, y, 3.0)]
    areas: list[Area] = []
    strokes = []
    steps: list[tuple[float, AreaKind | None]] = [(0.0, None), *LEVELS]
    for k, (low, kind) in enumerate(steps):
        top = y - 4.0 - 9.0 * k
        box = np.array([[x, top - 6.0], [x + 9.0, top - 6.0], [x + 9.0, top], [x, top]])
        if kind is not None:
            areas.append(Area((box,), kind))
        strokes.append(Stroke(np.vstack([box, box[:1]]), "fine"))
        high = steps[k + 1][0] if k + 1 < len(steps) else 1.0
        labels.append(Label(f"{low * most:.0f} to {high * most:.0f}", x + 12.0, top - 4.2, 3.0))
    labels += [Label(line, x, y - 46.0 - 4.0 * k, 2.6, "start", SOFT)
               for k, line in enumerate(EXPLAINED)]
    return figure.plus(areas=tuple(areas), strokes=tuple(strokes), labels=tuple(labels))


def _drawing(
    figure: Figure, one: Named, part: Part, number: str, x: float, wide: float
) -> Figure:
    """A way up drawn small, with its name."""
    standing = place(part, one.orientation.up)
    drawing = project(standing, best_view(standing, ()))
    fit = common_fit((drawing,), wide, 58.0, 3.0)
    moved = tuple(Stroke(stroke.points + np.array([x, 20.0]), stroke.pen)
                  for stroke in line_strokes(drawing, fit, hidden=False))
    lines = _lines([number + "  " + one.told[0], *one.told[1:]], wide - 4.0)
    middle = x + 0.5 * wide
    labels = [Label(line, middle, 15.5 - 4.0 * k, 3.0, "middle", INK, True)
              for k, line in enumerate(lines)]
    up = ", ".join(f"{v:.3g}" for v in one.orientation.up)
    o = one.orientation
    about = "about " if o.roughly else ""
    told = (f"up {up}; {about}{o.over_air_mm2:.0f} mm² over air",
            f"{o.height_mm:.0f} mm high, {about}{o.time_s / 60.0:.0f} min, costs {o.price:.2f}")
    labels += [Label(line, middle, 15.5 - 4.0 * (len(lines) + k), 2.6, "middle", SOFT)
               for k, line in enumerate(told)]
    return figure.plus(strokes=moved, labels=tuple(labels))


def _lines(names: list[str], wide: float) -> list[str]:
    """Names one after the other, in as many lines as they take."""
    lines = [names[0]]
    for name in names[1:]:
        longer = f"{lines[-1]}, {name}"
        if text_width_mm(longer, 3.0) > wide:
            lines[-1] += ","
            lines.append(name)
        else:
            lines[-1] = longer
    return lines


def _described(search: Search, drawn: list[Named]) -> str:
    least = float(search.screen.over_mm2.min(initial=np.inf))
    most = float(search.screen.over_mm2.max(initial=0.0))
    ways = "; ".join(f"{k + 1}: {', '.join(one.told)}, {one.why}"
                     for k, one in enumerate(drawn))
    return (f"Of {len(search.directions):,} directions the area over air is {least:.0f} to "
            f"{most:.0f} mm². {ways}.")
