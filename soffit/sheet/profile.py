"""The height profile: what hangs in the air, drawn outward at its true height like a bore log."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from soffit.part.model import Floats
from soffit.sheet.figure import AIR, SOFT, Area, Figure, Label, Stroke, text_width_mm

# A flat ceiling has no height; it is drawn this thick, mm of paper (common practice, no source).
MIN_BAR_MM = 1.3
LABEL_MM = 2.5


@dataclass(frozen=True)
class Bar:
    """One place over air: its number, height range and area."""

    number: str
    z_mm: tuple[float, float]
    area_mm2: float


def spread(wanted: Floats, pitch: float, low: float, high: float) -> Floats:
    """Positions as near to `wanted` (n,), ascending, as a distance of `pitch` between
    neighbours and the limits allow (least squares, pool-adjacent-violators).

    Raises ValueError where n positions do not fit between the limits.
    """
    n = len(wanted)
    if n and (n - 1) * pitch > high - low + 1e-9:
        raise ValueError(f"{n} labels of {pitch} mm do not fit in {high - low} mm")
    # With the pitch taken off, "at least a pitch apart" is "does not fall".
    ladder = np.arange(n) * pitch
    blocks: list[tuple[float, int]] = []
    for value in (wanted - ladder).tolist():
        blocks.append((value, 1))
        while len(blocks) > 1 and blocks[-2][0] > blocks[-1][0]:
            (v0, n0), (v1, n1) = blocks[-2:]
            blocks[-2:] = [((v0 * n0 + v1 * n1) / (n0 + n1), n0 + n1)]
    flat = np.concatenate([np.full(k, v) for v, k in blocks]) if blocks else np.empty(0)
    top = high - (n - 1) * pitch if n else high
    placed: Floats = np.clip(flat, low, top) + ladder
    return placed


def lanes(bars: tuple[Bar, ...], thick_mm: float) -> list[float]:
    """Where each bar starts outward, mm², so that bars at one height follow each other."""
    starts: list[float] = []
    for k, bar in enumerate(bars):
        start = 0.0
        for j in range(k):
            near = (bar.z_mm[0] < bars[j].z_mm[1] + thick_mm
                    and bars[j].z_mm[0] < bar.z_mm[1] + thick_mm)
            if near:
                start = max(start, starts[j] + bars[j].area_mm2)
        starts.append(start)
    return starts


def add_profile(figure: Figure, x: float, y: float, scale: float, height_mm: float,
                room_mm: float, before: tuple[Bar, ...], after: tuple[Bar, ...],
                like: tuple[Bar, ...] = ()) -> Figure:
    """Draw axis, bars and labels; the axis stands at `x`, z = 0 at `y`.

    `scale`: mm of paper per mm. `height_mm`: height of the part. `room_mm`: width for bars and
    labels. Bars of the part as received are hatched outlines, what is left is solid. Of more
    labels than fit, those of the largest areas are kept and the rest are counted. `like`: bars
    of another profile that is drawn to the same scale of areas.
    """
    top = y + height_mm * scale
    step = tick_step(height_mm, scale)
    strokes = [Stroke(np.array([[x, y], [x, top]]), "thin")]
    labels = []
    for k in range(int(height_mm / step + 1e-6) + 1):
        level = y + k * step * scale
        strokes.append(Stroke(np.array([[x - 1.0, level], [x, level]]), "thin"))
        labels.append(Label(f"{k * step:g}", x - 1.5, level - 0.8, 2.3, "end", SOFT))
    areas: list[Area] = []
    thick = MIN_BAR_MM / scale
    every = (before, after, like)
    widest = max([s + b.area_mm2 for group in every
                  for s, b in zip(lanes(group, thick), group, strict=True)], default=0.0)
    words = [f"{b.number} {area_text(b.area_mm2)}" for group in every for b in group]
    text_room = max([text_width_mm(w, LABEL_MM) for w in words], default=0.0)
    reach = max(room_mm - text_room - 6.0, 5.0)
    per_mm2 = reach / widest if widest else 0.0
    for group, solid in ((before, False), (after, True)):
        for start, bar in zip(lanes(group, thick), group, strict=True):
            low, high = _extent(bar, y, scale)
            left, right = x + start * per_mm2, x + (start + bar.area_mm2) * per_mm2
            ring = np.array([[left, low], [right, low], [right, high], [left, high]])
            areas.append(Area((ring,), "solid-air" if solid else "air", "air"))
    figure = figure.plus(areas=tuple(areas), strokes=tuple(strokes), labels=tuple(labels))
    if not before and not after:
        return figure.plus(labels=(Label("nothing over air", x + 2.0, y + 1.2, LABEL_MM, "start",
                                         SOFT),))
    # What is left is named where nothing else stands for it.
    known = {b.number for b in before}
    shown = before + tuple(b for b in after if b.number not in known or not b.number)
    return _labelled(figure, x, y, scale, top, reach, per_mm2, shown, thick)


def area_text(area_mm2: float) -> str:
    """An area with as many figures as a reader needs."""
    text = f"{area_mm2:,.0f}" if area_mm2 >= 100 else f"{area_mm2:.1f}"
    return text.replace(",", "\u202f") + " mm²"


def tick_step(height_mm: float, scale: float) -> float:
    """Distance of ticks, mm: 1, 2 or 5 times a power of ten, at least 5 mm apart on paper."""
    for power in range(-2, 6):
        for digit in (1.0, 2.0, 5.0):
            step = float(digit * 10.0**power)
            if step * scale >= 5.0:
                return step
    return height_mm


def _extent(bar: Bar, y: float, scale: float) -> tuple[float, float]:
    low, high = y + bar.z_mm[0] * scale, y + bar.z_mm[1] * scale
    short = max(MIN_BAR_MM - (high - low), 0.0) / 2.0
    return low - short, high + short


def _labelled(figure: Figure, x: float, y: float, scale: float, top: float, reach: float,
              per_mm2: float, bars: tuple[Bar, ...], thick: float) -> Figure:
    pitch = LABEL_MM * 1.3
    low, high = y, max(top, y + pitch)
    room = int((high - low) / pitch) + 1
    by_size = sorted(range(len(bars)), key=lambda k: (-bars[k].area_mm2, k))
    chosen = by_size if len(bars) <= room else by_size[: max(room - 1, 0)]
    kept = sorted(chosen, key=lambda k: (sum(bars[k].z_mm), k))
    starts = lanes(bars, thick)
    middles = np.array([y + scale * sum(bars[k].z_mm) / 2.0 for k in kept])
    spare = pitch if len(bars) > room else 0.0
    at = spread(middles, pitch, low + spare, high)
    column = x + reach + 3.0
    indent = 1.2 + max([text_width_mm(b.number, LABEL_MM) for b in bars], default=0.0)
    labels, strokes = [], []
    for k, middle, level in zip(kept, middles.tolist(), at.tolist(), strict=True):
        end = x + (starts[k] + bars[k].area_mm2) * per_mm2
        strokes.append(Stroke(np.array([[end + 0.3, middle], [max(end + 0.3, column - 2.2), middle],
                                        [column - 0.6, level]]), "fine"))
        base = level - 0.35 * LABEL_MM
        labels += [Label(bars[k].number, column, base, LABEL_MM, "start", AIR, True),
                   Label(area_text(bars[k].area_mm2), column + indent, base, LABEL_MM)]
    if spare:
        rest = [k for k in range(len(bars)) if k not in chosen]
        text = f"and {len(rest)} more, {area_text(sum(bars[k].area_mm2 for k in rest))}"
        labels.append(Label(text, column, low - 0.35 * LABEL_MM, LABEL_MM, "start", AIR))
    return figure.plus(strokes=tuple(strokes), labels=tuple(labels))
