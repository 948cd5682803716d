"""Test coupons: ladders of one limit each, with the levels engraved, to be printed and read off.

Every level stands by itself, so that one that fails spoils no other. Levels are engraved in top
faces, where nothing hangs, by digits of seven strokes two lines wide.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce
from operator import or_
from pathlib import Path

import numpy as np

from soffit.errors import InputError
from soffit.part.solid import Cone, Extrusion, Solid, box
from soffit.part.step import draw, write_step
from soffit.part.write_mesh import write_3mf, write_stl, write_whole
from soffit.process.model import Process
from soffit.production.capability import COLUMNS

# A digit: width, height, stroke and depth, mm (own choice: strokes of two lines of 0.4 mm).
DIGIT_W, DIGIT_H, STROKE, DEPTH = 2.6, 4.4, 0.8, 0.6
STEP_X = DIGIT_W + 0.9

# Which strokes a digit has: top, middle, bottom, upper left and right (Q, W), lower left and right.
_STROKES = {"0": "tbQWqw", "1": "Ww", "2": "tmbWq", "3": "tmbWw", "4": "mQWw", "5": "tmbQw",
            "6": "tmbQqw", "7": "tWw", "8": "tmbQWqw", "9": "tmbQWw"}


@dataclass(frozen=True)
class Coupon:
    """One ladder: `limit` is what a profile calls what it is for, "" where it is for the eye alone;
    `levels` in the order of the y axis; `how` it is read."""

    name: str
    title: str
    limit: str
    levels: tuple[float, ...]
    how: str
    solid: Solid


def coupons(process: Process) -> tuple[Coupon, ...]:
    """All coupons, those that hang on the material for that of a process."""
    return (overhangs(), bridges(), lips(), tips(process), feet(), holes(), walls(), clearances())


def overhangs(
    levels: Sequence[float] = (60, 55, 50, 45, 40, 35, 30, 25, 20)
) -> Coupon:
    """Tongues that lean out of a wall, ever flatter."""
    reach, wide, pitch, thick, low = 12.0, 8.0, 11.0, 3.0, 4.0
    top = low + reach * math.tan(math.radians(max(levels))) + thick
    made: list[Solid] = [box((-9, 0, 0), (0, pitch * len(levels), top))]
    labels: list[Solid] = []
    for k, angle in enumerate(levels):
        rise = reach * math.tan(math.radians(angle))
        side = np.array([(-1.0, low - math.tan(math.radians(angle))), (reach, low + rise),
                         (reach, low + rise + thick), (-1.0, low + rise + thick)])
        y = k * pitch + 0.5 * (pitch - wide)
        polygon = np.column_stack([side[:, 0], np.full(4, y), side[:, 1]])
        made.append(Extrusion(polygon, (0.0, wide, 0.0)))
        labels += engraved(f"{angle:g}", -8.2, k * pitch + 3.3, top)
    return Coupon(
        "overhangs", "Overhangs", "angle_deg", tuple(levels),
        "held: the flattest angle whose underside is as smooth as that before; failed: the next.",
        _all(made) - _all(labels))


def bridges(levels: Sequence[float] = (5, 8, 10, 12, 15, 18, 20, 25, 30, 40)) -> Coupon:
    """Beams from a wall to posts ever farther off."""
    wide, pitch, low, thick = 5.0, 8.0, 6.0, 1.6
    made: list[Solid] = [box((-10, 0, 0), (0, pitch * len(levels), low + thick))]
    labels: list[Solid] = []
    for k, span in enumerate(levels):
        y = k * pitch + 0.5 * (pitch - wide)
        made.append(box((span, y, 0), (span + 5, y + wide, low + thick)))
        made.append(box((-1, y, low), (span + 1, y + wide, low + thick)))
        labels += engraved(f"{span:g}", -9.0, k * pitch + 1.8, low + thick)
    # A sole keeps the posts where they are.
    made.append(box((-10, 0, 0), (max(levels) + 5, pitch * len(levels), 0.8)))
    return Coupon(
        "bridges", "Bridges", "bridge_mm", tuple(levels),
        "held: the longest beam whose strands all hang by no more than a layer; failed: the next.",
        _all(made) - _all(labels))


def lips(
    levels: Sequence[float] = (0.4, 0.6, 0.8, 1.0, 1.2, 1.4, 1.6, 2.0, 2.4, 3.0)
) -> Coupon:
    """Flat ledges, ever deeper."""
    wide, pitch, low, thick = 8.0, 11.0, 5.0, 2.0
    made: list[Solid] = [box((-13, 0, 0), (0, pitch * len(levels), low + thick))]
    labels: list[Solid] = []
    for k, reach in enumerate(levels):
        y = k * pitch + 0.5 * (pitch - wide)
        made.append(box((-1, y, low), (reach, y + wide, low + thick)))
        labels += engraved(f"{reach:g}", -11.6, k * pitch + 3.3, low + thick)
    return Coupon(
        "lips", "Lips", "lip_mm", tuple(levels),
        "held: the deepest ledge whose edge does not hang or curl; failed: the next.",
        _all(made) - _all(labels))


def tips(
    process: Process, levels: Sequence[float] = (0.1, 0.2, 0.3, 0.4, 0.6, 0.8, 1.0, 1.3, 1.6)
) -> Coupon:
    """Square posts of one height, ever slimmer, by how much the nozzle bends their top, in lines:
    F H³ / (3 E I) with I = w⁴ / 12, so w = (4 F H³ / (E δ))^¼ (derived, a beam held below)."""
    high, pitch, plate = 25.0, 9.0, 1.6
    bends = 4.0 * process.drag_n * high**3 / (1000.0 * process.material.modulus_gpa.value)
    wide = [(bends / (level * process.line_mm)) ** 0.25 for level in levels]
    pitch = max(pitch, 1.5 * wide[0])
    made: list[Solid] = [box((-13, 0, 0), (wide[0] + 3, pitch * len(levels), plate))]
    labels: list[Solid] = []
    for k, (level, w) in enumerate(zip(levels, wide, strict=True)):
        y = (k + 0.5) * pitch
        made.append(box((1, y - 0.5 * w, plate - 0.5), (1 + w, y + 0.5 * w, plate + high)))
        labels += engraved(f"{level:g}", -11.6, y - 2.2, plate)
    return Coupon(
        "tips", f"Slim tips, {process.material.name}", "give_lines", tuple(levels),
        "held: the slimmest post whose top is as sharp as that before; failed: the next.",
        _all(made) - _all(labels))


def feet(
    levels: Sequence[float] = (0.6, 0.8, 1.0, 1.2, 1.6, 2.0, 2.4, 3.0, 3.6, 4.4)
) -> Coupon:
    """Posts that stand on a plate by contacts 8 mm long, ever wider; above they widen at 45°."""
    wide, long, high, pitch, plate = 5.0, 8.0, 20.0, 12.0, 1.6
    made: list[Solid] = [box((-13, 0, 0), (wide + 3, pitch * len(levels), plate))]
    labels: list[Solid] = []
    for k, contact in enumerate(levels):
        y, rise = k * pitch + 0.5 * (pitch - long), 0.5 * (wide - contact)
        half = np.array([(contact, -0.5), (contact, 0.0), (wide, rise), (wide, high)])
        side = np.concatenate([half, half[::-1] * (-1.0, 1.0)])
        polygon = np.column_stack([
            1.0 + 0.5 * (wide + side[:, 0]), np.full(len(side), y), plate + side[:, 1]])
        made.append(Extrusion(polygon, (0.0, long, 0.0)))
        labels += engraved(f"{contact:g}", -11.6, (k + 0.5) * pitch - 2.2, plate)
    return Coupon(
        "feet", "Feet of props", "contact_mm", tuple(levels),
        "held: the widest contact off which the post breaks by hand and leaves no crater; failed: "
        "the next. One that came off while it was printed does not count.",
        _all(made) - _all(labels))


def holes(levels: Sequence[float] = (2, 3, 4, 5, 6, 8, 10, 12)) -> Coupon:
    """Level holes through a block, ever larger."""
    thick, side = 8.0, 3.0
    high = max(levels) + 2 * side
    x = side
    cuts: list[Solid] = []
    for size in levels:
        x += 0.5 * max(size, 8.0)
        cuts.append(Cone((x, -1.0, 0.5 * high), (0.0, 1.0, 0.0), thick + 2.0, 0.5 * size,
                         0.5 * size, outside=True))
        cuts += engraved(f"{size:g}", x - 3.2, 1.8, high)
        x += 0.5 * max(size, 8.0) + side
    return Coupon("holes", "Level holes", "", tuple(levels),
                  "measure the height of each hole; write down what its ceiling took away.",
                  box((0, 0, 0), (x, thick, high)) - _all(cuts))


def walls(levels: Sequence[float] = (0.4, 0.6, 0.8, 1.0, 1.2, 1.6, 2.0)) -> Coupon:
    """Upright walls, ever thicker, on a plate."""
    pitch, long, high, plate = 9.0, 14.0, 10.0, 1.6
    made: list[Solid] = [box((-13, 0, 0), (long + 1, pitch * len(levels), plate))]
    labels: list[Solid] = []
    for k, thick in enumerate(levels):
        y = (k + 0.5) * pitch
        made.append(box((0, y - 0.5 * thick, plate - 0.5), (long, y + 0.5 * thick, plate + high)))
        labels += engraved(f"{thick:g}", -11.6, y - 2.2, plate)
    return Coupon("walls", "Thin walls", "", tuple(levels),
                  "write down the thinnest wall that is whole and stands straight.",
                  _all(made) - _all(labels))


def clearances(levels: Sequence[float] = (0.1, 0.15, 0.2, 0.25, 0.3, 0.4, 0.5)) -> Coupon:
    """Pins in square holes, ever looser; each pin is a body of its own."""
    side, pitch, high, frame = 8.0, 15.0, 6.0, 16.0
    plate: Solid = box((-frame, 0, 0), (side + 5, pitch * len(levels), high))
    cuts: list[Solid] = []
    pins: list[Solid] = []
    for k, gap in enumerate(levels):
        y = (k + 0.5) * pitch
        half = 0.5 * side
        cuts.append(box((-gap, y - half - gap, -1), (side + gap, y + half + gap, high + 1)))
        pins.append(box((0, y - half, 0), (side, y + half, high + 3)))
        cuts += engraved(f"{gap:g}", -frame + 0.8, y - 2.2, high)
    return Coupon("clearances", "Clearances", "", tuple(levels),
                  "write down the smallest gap at which the pin can be pushed out by hand.",
                  _all([plate - _all(cuts), *pins]))


def write_coupons(folder: Path, process: Process, names: Sequence[str] = ()) -> list[Path]:
    """Write coupons, all where none is named, each as STEP, 3MF and STL, and a file for what is
    read off them; one that is there already is left as it is. Raises InputError for a name that
    there is not, or where a file cannot be written."""
    known = {coupon.name: coupon for coupon in coupons(process)}
    unknown = [name for name in names if name not in known]
    if unknown:
        raise InputError(f"drawing coupons: there is no coupon {unknown[0]!r}; there are "
                         f"{', '.join(known)}")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"writing to {folder}: {error.strerror}; give another folder with --out"
                         ) from None
    written = []
    for name in names or known:
        part = draw(known[name].solid, name)
        step, mf, stl = (folder / f"{name}.{kind}" for kind in ("step", "3mf", "stl"))
        write_step(part, (), step, product=known[name].title)
        write_3mf([(known[name].title, part.mesh)], mf)
        write_stl(part.mesh, stl)
        written += [step, mf, stl]
    results = folder / "results.csv"
    if not results.exists():
        write_whole(results, f"{','.join((*COLUMNS, 'machine', 'date', 'note'))}\n".encode())
        written.append(results)
    return written


def engraved(text: str, x: float, y: float, z: float) -> list[Solid]:
    """What is cut out of a top face at height z for a number that starts at x, y."""
    made: list[Solid] = []
    half = 0.5 * (DIGIT_H - STROKE)
    for sign in text:
        if sign == ".":
            made.append(box((x, y, z - DEPTH), (x + STROKE, y + STROKE, z + 1)))
            x += 2.0 * STROKE
            continue
        right, middle, top = x + DIGIT_W, y + half, y + DIGIT_H
        strokes = {
            "t": (x, top - STROKE, right, top), "m": (x, middle, right, middle + STROKE),
            "b": (x, y, right, y + STROKE),
            "Q": (x, middle, x + STROKE, top), "W": (right - STROKE, middle, right, top),
            "q": (x, y, x + STROKE, middle + STROKE),
            "w": (right - STROKE, y, right, middle + STROKE)}
        made += [box((x0, y0, z - DEPTH), (x1, y1, z + 1))
                 for x0, y0, x1, y1 in (strokes[name] for name in _STROKES[sign])]
        x += STEP_X
    return made


def _all(solids: Sequence[Solid]) -> Solid:
    return reduce(or_, solids)
