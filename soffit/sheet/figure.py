"""Figures in millimetres of paper, and their SVG: the one form that page and PDF both show.

The origin is the lower left corner, y points up. Colour never stands alone: each kind of area
has a hatch of its own direction and density, each kind of line a width and dash.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal
from xml.sax.saxutils import escape

import numpy as np

from soffit.part.model import Floats
from soffit.sheet.lines import hatch

PAPER, INK, SOFT, RULE = "#fbfaf6", "#1c1c1c", "#5f5d58", "#b9b6ad"
AIR, ADDED, REMOVED, PROP, PROTECTED = "#7a3b9a", "#00797a", "#6d6d6d", "#b7791f", "#1f3a6e"

# The same faces on screen and paper; the first is the one that the PDF embeds.
FONTS = ("Libertinus Serif", "Linux Libertine O", "Palatino Linotype", "Palatino", "P052",
         "Noto Serif", "DejaVu Serif", "serif")


@dataclass(frozen=True)
class Pen:
    """Line width in mm (ISO 128-2: wide to narrow 2:1), colour and dash pattern in mm."""

    width_mm: float
    color: str
    dash: str = ""


PENS = {
    "visible": Pen(0.35, INK),
    "smooth": Pen(0.13, INK),
    "hidden": Pen(0.15, SOFT, "1.6 0.8"),
    "thin": Pen(0.18, INK),
    "fine": Pen(0.13, SOFT),
    "cut": Pen(0.5, INK),
    "axis": Pen(0.18, SOFT, "4 0.8 0.6 0.8"),
    "air": Pen(0.25, AIR),
    "air-edge": Pen(0.8, AIR),
    "air-hidden": Pen(0.25, AIR, "1 0.7"),
    "added": Pen(0.25, ADDED),
    "added-band": Pen(1.4, ADDED),
    "added-hidden": Pen(0.25, ADDED, "1 0.7"),
    "removed": Pen(0.25, REMOVED, "1.6 0.8"),
    "removed-hidden": Pen(0.25, REMOVED, "1 0.7"),
    "prop": Pen(0.3, PROP),
    "prop-hidden": Pen(0.25, PROP, "1 0.7"),
    "protected": Pen(0.6, PROTECTED),
}


@dataclass(frozen=True)
class Hatching:
    """How a kind of area is filled: hatch lines at `angles_deg`, and a pale ground."""

    color: str
    angles_deg: tuple[float, ...]
    pitch_mm: float
    width_mm: float
    ground: float


HATCHINGS = {
    "air": Hatching(AIR, (45.0,), 1.3, 0.18, 0.13),
    "added": Hatching(ADDED, (135.0,), 1.3, 0.18, 0.13),
    "removed": Hatching(REMOVED, (45.0, 135.0), 1.6, 0.13, 0.0),
    "prop": Hatching(PROP, (0.0,), 1.0, 0.18, 0.13),
    "material": Hatching(SOFT, (45.0,), 2.4, 0.13, 0.0),
    "solid-air": Hatching(AIR, (), 1.0, 0.2, 1.0),
    "paper": Hatching(PAPER, (), 1.0, 0.2, 1.0),
    "air-1": Hatching(AIR, (45.0,), 2.6, 0.13, 0.06),
    "air-2": Hatching(AIR, (45.0,), 1.3, 0.18, 0.2),
    "air-3": Hatching(AIR, (45.0, 135.0), 0.9, 0.2, 0.42),
}

AreaKind = Literal["air", "added", "removed", "prop", "material", "solid-air",
                   "paper", "air-1", "air-2", "air-3"]
Anchor = Literal["start", "middle", "end"]


@dataclass(frozen=True)
class Stroke:
    """A polyline (n, 2) drawn with one of `PENS`."""

    points: Floats
    pen: str


@dataclass(frozen=True)
class Area:
    """Rings (even-odd) filled as one of `HATCHINGS`; outlined where `edge` names a pen."""

    rings: tuple[Floats, ...]
    kind: AreaKind
    edge: str = ""


@dataclass(frozen=True)
class Label:
    """One line of text; x, y is its base line at `anchor`."""

    text: str
    x: float
    y: float
    size_mm: float = 2.6
    anchor: Anchor = "start"
    color: str = INK
    bold: bool = False


@dataclass(frozen=True)
class Balloon:
    """A numbered circle; its leader ends in a dot at the target, or a ring where that is hidden."""

    text: str
    x: float
    y: float
    radius_mm: float
    target: tuple[float, float]
    color: str
    hidden: bool = False


@dataclass(frozen=True)
class Figure:
    """A picture of `width_mm` by `height_mm` with a heading, a remark and a description."""

    key: str
    title: str
    remark: str
    alt: str
    width_mm: float
    height_mm: float
    areas: tuple[Area, ...] = ()
    strokes: tuple[Stroke, ...] = ()
    labels: tuple[Label, ...] = ()
    balloons: tuple[Balloon, ...] = ()

    def plus(self, *, areas: tuple[Area, ...] = (), strokes: tuple[Stroke, ...] = (),
             labels: tuple[Label, ...] = (), balloons: tuple[Balloon, ...] = ()) -> Figure:
        """The figure with more drawn on it."""
        return replace(self, areas=self.areas + areas, strokes=self.strokes + strokes,
                       labels=self.labels + labels, balloons=self.balloons + balloons)


def text_width_mm(text: str, size_mm: float) -> float:
    """Upper estimate of the width of a line of text, mm (derived: figures of the text face are
    0.465 em wide, its lower case 0.5 em on average; 0.55 em leaves room for a substitute)."""
    return 0.55 * size_mm * len(text)


def arrow(tip: Floats, direction: Floats, length_mm: float = 1.8) -> Floats:
    """Filled arrow head of a dimension as a ring (3, 2); `direction` is where it points."""
    unit = direction / np.linalg.norm(direction)
    normal = np.array([-unit[1], unit[0]]) * length_mm / 6.0
    back = tip - unit * length_mm
    return np.array([tip, back + normal, back - normal])


def to_svg(figure: Figure) -> str:
    """The figure as one SVG element, with its description for those who cannot see it."""
    h = figure.height_mm
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{_n(figure.width_mm)}mm" '
        f'height="{_n(h)}mm" viewBox="0 0 {_n(figure.width_mm)} {_n(h)}" role="img" '
        f'aria-labelledby="{figure.key}-t {figure.key}-d" stroke-linecap="round" '
        f'stroke-linejoin="round">',
        f'<title id="{figure.key}-t">{escape(figure.title)}</title>',
        f'<desc id="{figure.key}-d">{escape(figure.alt)}</desc>',
    ]
    for area in figure.areas:
        out.append(_area(area, h))
    for pen in sorted({s.pen for s in figure.strokes}, key=_pen_order):
        path = "".join(_path(s.points, h) for s in figure.strokes if s.pen == pen)
        out.append(f'<path d="{path}" {_stroke(PENS[pen])}/>')
    out.extend(_balloon(b, h) for b in figure.balloons)
    out.extend(_label(t, h) for t in figure.labels)
    out.append("</svg>")
    return "\n".join(out)


def _pen_order(pen: str) -> tuple[int, str]:
    """Hidden lines first, so that whatever is visible lies over them."""
    above = {"visible": 2, "air-edge": 3, "added-band": 4}
    return (0 if "hidden" in pen else above.get(pen, 1), pen)


def _n(value: float) -> str:
    text = f"{value:.3f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def _path(points: Floats, h: float, close: bool = False) -> str:
    rounded = [f"{_n(x)} {_n(h - y)}" for x, y in points.tolist()]
    return "M" + "L".join(rounded) + ("Z" if close else "")


def _stroke(pen: Pen) -> str:
    dash = f' stroke-dasharray="{pen.dash}" stroke-linecap="butt"' if pen.dash else ""
    return f'fill="none" stroke="{pen.color}" stroke-width="{_n(pen.width_mm)}"{dash}'


def _area(area: Area, h: float) -> str:
    style = HATCHINGS[area.kind]
    outline = "".join(_path(ring, h, close=True) for ring in area.rings)
    out = []
    if style.ground:
        out.append(f'<path d="{outline}" fill="{style.color}" fill-opacity="{_n(style.ground)}" '
                   f'fill-rule="evenodd"/>')
    lines = "".join(_path(s, h) for angle in style.angles_deg
                    for s in hatch(area.rings, style.pitch_mm, angle))
    if lines:
        out.append(f'<path d="{lines}" {_stroke(Pen(style.width_mm, style.color))}/>')
    if area.edge:
        out.append(f'<path d="{outline}" {_stroke(PENS[area.edge])}/>')
    return "".join(out)


def _balloon(b: Balloon, h: float) -> str:
    centre, target = np.array([b.x, b.y]), np.array(b.target)
    away = target - centre
    reach = float(np.linalg.norm(away))
    start = centre + away / max(reach, 1e-9) * b.radius_mm
    dash = ' stroke-dasharray="0.9 0.6"' if b.hidden else ""
    dot = (f'fill="#ffffff" stroke="{b.color}" stroke-width="0.2"' if b.hidden
           else f'fill="{b.color}"')
    leader = (f'<path d="{_path(np.array([start, target]), h)}" fill="none" stroke="{b.color}" '
              f'stroke-width="0.2"{dash}/>') if reach > b.radius_mm else ""
    size = b.radius_mm * (1.25 if len(b.text) < 3 else 0.95)
    return (f'<g class="balloon">{leader}'
            f'<circle cx="{_n(target[0])}" cy="{_n(h - target[1])}" r="0.55" {dot}/>'
            f'<circle cx="{_n(b.x)}" cy="{_n(h - b.y)}" r="{_n(b.radius_mm)}" fill="none" '
            f'stroke="{b.color}" stroke-width="0.3"/>'
            + _label(Label(b.text, b.x, b.y - 0.34 * size, size, "middle", b.color, True), h)
            + "</g>")


def _label(t: Label, h: float) -> str:
    weight = ' font-weight="700"' if t.bold else ""
    family = ", ".join(f"'{f}'" if " " in f else f for f in FONTS)
    return (f'<text x="{_n(t.x)}" y="{_n(h - t.y)}" font-size="{_n(t.size_mm)}" '
            f'text-anchor="{t.anchor}" fill="{t.color}" font-family="{family}"{weight}>'
            f'{escape(t.text)}</text>')
