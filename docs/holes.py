"""Run of a horizontal hole against its diameter: the product's beside the closed form.

Writes docs/holes.md and draws docs/pictures/hole-run.svg. A hole is looked at in
`PHASES` heights within a layer, for where its crown lies between two layers decides how much of
it the closing bridge takes.
"""

from __future__ import annotations

import math
import tempfile
from pathlib import Path

import numpy as np

import soffit
from examples._cad import Drawing, box, cut, cylinder, write_step
from soffit.process.load import load_process
from soffit.sheet.figure import ADDED, AIR, INK, PAPER, SOFT

DIAMETERS = [2 + 0.5 * k for k in range(21)]
PHASES = 4
LENGTH_MM = 10.0


def closed_form(diameter: float, crown_mm: float, h: float, step: float) -> float:
    """Run of the layers of a hole, mm: cut at their middles, its half-width falls from w to w' in
    one layer; layers with w − w' > Δ in a row are one slope, whose run starts Δ past the first
    edge; what is then left open is closed by a bridge (derived)."""
    r = diameter / 2
    middle = crown_mm - r
    z = h * (np.arange(int(crown_mm / h) + 2) + 0.5)
    z = z[(z > middle) & (z < crown_mm)]
    half = np.sqrt(np.maximum(r * r - (z - middle) ** 2, 0.0))
    steps = half[:-1] - half[1:]
    wide = steps > step + 1e-4
    return float(max(0.0, steps[wide].sum() - step)) if wide.any() else 0.0


def product(diameter: float, crown_mm: float, folder: Path) -> float:
    """The same, as the review measures it on a STEP file."""
    side, r = diameter / 2 + 4, diameter / 2
    block = cut(box((-side, 0, 0), (side, LENGTH_MM, crown_mm + 3)),
                cylinder((0, -1, crown_mm - r), (0, 1, 0), r, LENGTH_MM + 2))
    path = folder / "hole.step"
    write_step(Drawing(block), path, "hole")
    found = soffit.review(soffit.read(path)).findings
    return max((f.reach_mm or 0.0 for f in found if f.kind == "air/slope"), default=0.0)


Row = tuple[float, tuple[float, float], tuple[float, float]]


def rows() -> list[Row]:
    """Diameter, and the least and largest run of all phases by the product and by the closed
    form."""
    process = load_process("pla-04")
    h, step = process.layer_mm, process.step_mm
    made = []
    with tempfile.TemporaryDirectory() as folder:
        for d in DIAMETERS:
            crowns = [h * math.ceil((d + 4) / h) + h * (k + 0.5) / PHASES for k in range(PHASES)]
            found = [product(d, c, Path(folder)) for c in crowns]
            form = [closed_form(d, c, h, step) for c in crowns]
            made.append((d, (min(found), max(found)), (min(form), max(form))))
    return made


def svg(table: list[Row], limit: float) -> str:
    """The curve as a drawing, 640 × 360."""
    left, top, wide, tall = 64, 24, 540, 280
    most_d, most_run = 12.0, 4.0

    def at(d: float, run: float) -> tuple[float, float]:
        return left + wide * d / most_d, top + tall * (1 - run / most_run)

    def text(x: float, y: float, words: str, anchor: str = "middle", fill: str = INK) -> str:
        return (f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="{fill}" '
                f'font-family="sans-serif" font-size="12">{words}</text>')

    out = ['<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 640 360" role="img">',
           "<title>Run of a horizontal hole against its diameter</title>",
           f'<rect width="640" height="360" fill="{PAPER}"/>']
    for d in range(0, 13, 2):
        x, y = at(d, 0)
        out.append(f'<path d="M{x:.1f},{y:.1f}v5" stroke="{INK}"/>' + text(x, y + 20, str(d)))
    for run in range(5):
        x, y = at(0, run)
        out.append(f'<path d="M{x:.1f},{y:.1f}h-5" stroke="{INK}"/>'
                   + text(x - 9, y + 4, str(run), "end"))
    (x0, y0), (x1, y1) = at(0, 0), at(most_d, most_run)
    out.append(f'<path d="M{x0:.1f},{y1:.1f}V{y0:.1f}H{x1:.1f}" fill="none" stroke="{INK}"/>')
    _, y = at(0, limit)
    out.append(f'<path d="M{x0:.1f},{y:.1f}H{x1:.1f}" stroke="{SOFT}" stroke-dasharray="6 4"/>')
    out.append(text(x1, y - 6, f"lip allowed, {limit:g} mm", "end", SOFT))
    for end in (0, 1):
        line = "L".join("{:.1f},{:.1f}".format(*at(d, form[end])) for d, _, form in table)
        out.append(f'<path d="M{line}" fill="none" stroke="{ADDED}" stroke-width="2"/>')
        out += ['<circle cx="{:.1f}" cy="{:.1f}" r="3.5" fill="{}"/>'.format(
            *at(d, run[end]), AIR) for d, run, _ in table]
    x, y = at(0.6, 3.7)
    out.append(f'<circle cx="{x:.1f}" cy="{y - 4:.1f}" r="3.5" fill="{AIR}"/>'
               + text(x + 12, y, "the product, on STEP files", "start"))
    out.append(f'<path d="M{x - 8:.1f},{y + 14:.1f}h16" stroke="{ADDED}" stroke-width="2"/>'
               + text(x + 12, y + 18, "closed form of the layers", "start"))
    out.append(text(left + wide / 2, 350, "diameter of the hole, mm"))
    out.append(f'<g transform="rotate(-90 20 {top + tall / 2})">'
               + text(20, top + tall / 2, "run, mm") + "</g>")
    return "\n".join([*out, "</svg>"]) + "\n"


def main(root: Path) -> None:
    """Write the page and the drawing."""
    table = rows()
    limit = load_process("pla-04").lip_mm
    (root / "docs" / "pictures" / "hole-run.svg").write_text(svg(table, limit), encoding="utf-8")
    lines = [
        "# Why small horizontal holes print and large ones do not", "",
        "Printed by `python3 run.py docs holes`, with the profile `pla-04`. Towards its crown a",
        "horizontal hole gets ever flatter. From where a layer steps out farther than the last can",
        "hold, the run grows, until what is left open is closed by one bridge. How much that is",
        "depends on where the crown lies between two layers: the least and the largest run of",
        f"{PHASES} heights within a layer stand beside the lip of {limit:g} mm.", "",
        "![run against diameter](pictures/hole-run.svg)", "",
        "| diameter, mm | run by the product, mm | closed form, mm | within the lip |",
        "|---|---|---|---|",
    ]
    for d, run, form in table:
        told = ("at every height" if run[1] <= limit + 1e-3 else
                "at some heights" if run[0] <= limit + 1e-3 else "no")
        lines.append(f"| {d:g} | {run[0]:.2f} to {run[1]:.2f} | {form[0]:.2f} to {form[1]:.2f} "
                     f"| {told} |")
    (root / "docs" / "holes.md").write_text("\n".join(lines) + "\n", encoding="utf-8")
