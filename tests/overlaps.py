"""Faults of drawings and pages that an eye would see: overlaps, and what is cut off."""

from __future__ import annotations

import re

import numpy as np
import pymupdf

from soffit.part.model import Floats
from soffit.sheet.balloons import conflicts
from soffit.sheet.figure import HATCHINGS, PENS, Balloon, Figure, Label, text_width_mm
from soffit.sheet.model import Sheet
from soffit.sheet.paper import Paper, lying

MM = 72 / 25.4
# Lines drawn in these pens belong to what is written: dimensions, axes.
LIGHT = ("fine", "axis", "thin")
assert set(LIGHT) < set(PENS)


def sheet_faults(sheet: Sheet) -> list[str]:
    """Faults of every figure of a sheet."""
    figures = (*sheet.views, *sheet.sections, *sheet.price)
    return [f"{f.key}: {fault}" for f in figures for fault in figure_faults(f)]


def figure_faults(figure: Figure) -> list[str]:
    """Balloons that leave the figure or touch its drawing, each other, a word, or another's leader;
    words that leave the figure or lie over each other."""
    boxes = [box_of(label) for label in figure.labels]
    found = [f"{label.text!r} leaves the figure"
             for label, box in zip(figure.labels, boxes, strict=True)
             if box[0] < -0.5 or box[2] > figure.width_mm + 0.5
             or box[1] < -0.5 or box[3] > figure.height_mm + 0.5]
    for k, one in enumerate(boxes):
        found += [f"{figure.labels[k].text!r} over {figure.labels[j].text!r}"
                  for j in range(k + 1, len(boxes)) if _common(one, boxes[j]) > 0.1]
    lines = [s.points for s in figure.strokes if s.pen not in LIGHT]
    lines += [np.vstack([r, r[:1]]) for a in figure.areas if HATCHINGS[a.kind].ground < 1.0
              for r in a.rings]
    for k, b in enumerate(figure.balloons):
        if not (b.radius_mm <= b.x <= figure.width_mm - b.radius_mm
                and b.radius_mm <= b.y <= figure.height_mm - b.radius_mm):
            found.append(f"balloon {b.text} leaves the figure")
        found += [f"balloon {b.text} meets {other.text}" for other in figure.balloons[k + 1:]
                  if np.hypot(b.x - other.x, b.y - other.y) < b.radius_mm + other.radius_mm + 0.3]
        found += [f"balloon {b.text} meets {label.text!r}"
                  for label, box in zip(figure.labels, boxes, strict=True)
                  if _apart(b, box) < b.radius_mm]
        if lines and min(_to_line(b, line) for line in lines) < b.radius_mm + 0.2:
            found.append(f"balloon {b.text} meets the drawing")
    if figure.balloons:
        centres = np.array([(b.x, b.y) for b in figure.balloons])
        targets = np.array([b.target for b in figure.balloons])
        found += [f"leaders of {figure.balloons[i].text} and {figure.balloons[j].text}"
                  for i, j in conflicts(centres, targets, figure.balloons[0].radius_mm)]
    return found


def box_of(label: Label) -> tuple[float, float, float, float]:
    """Where a line of text has its ink, about: x0, y0, x1, y1 of the height of its figures."""
    # The face is 0.5 em wide on average, less than the room that is left for a substitute.
    wide = text_width_mm(label.text, label.size_mm) * 0.5 / 0.55
    left = label.x - {"start": 0.0, "middle": 0.5, "end": 1.0}[label.anchor] * wide
    return left, label.y, left + wide, label.y + 0.65 * label.size_mm


def _common(a: tuple[float, float, float, float], b: tuple[float, float, float, float]) -> float:
    """How far two boxes reach into each other, mm; below 0 where they do not."""
    return min(min(a[2], b[2]) - max(a[0], b[0]), min(a[3], b[3]) - max(a[1], b[1]))


def _apart(b: Balloon, box: tuple[float, float, float, float]) -> float:
    return float(np.hypot(max(box[0] - b.x, 0.0, b.x - box[2]),
                          max(box[1] - b.y, 0.0, b.y - box[3])))


def _to_line(b: Balloon, line: Floats) -> float:
    """Distance of the middle of a balloon from a polyline (n, 2)."""
    point = np.array([b.x, b.y])
    a, along = line[:-1], np.diff(line, axis=0)
    length = np.maximum((along * along).sum(axis=1), 1e-12)
    t = np.clip(((point - a) * along).sum(axis=1) / length, 0.0, 1.0)
    return float(np.linalg.norm(a + t[:, None] * along - point, axis=1).min(initial=np.inf))


def words_of(pdf: bytes) -> list[list[tuple[pymupdf.Rect, str]]]:
    """The words of each page with their boxes, points."""
    with pymupdf.open(stream=pdf, filetype="pdf") as document:
        return [[(pymupdf.Rect(w[:4]), w[4]) for w in page.get_text("words")]
                for page in document]


def inked(rect: pymupdf.Rect) -> tuple[float, float, float, float]:
    """The middle of a word's line box, where its small letters and figures stand."""
    return (rect.x0, rect.y0 + 0.28 * rect.height, rect.x1, rect.y1 - 0.28 * rect.height)


def frame_of(paper: Paper) -> pymupdf.Rect:
    """The frame of a sheet (ISO 5457: 20 mm on the left, 10 mm elsewhere)."""
    width, height = lying(paper)
    return pymupdf.Rect(20 * MM, 10 * MM, (width - 10) * MM, (height - 10) * MM)


def page_faults(pdf: bytes, paper: Paper = "a3") -> list[str]:
    """Words that leave the frame (but for the letters of its zones) or lie over each other."""
    found = []
    frame = frame_of(paper)
    for n, words in enumerate(words_of(pdf), start=1):
        found += [f"page {n}: {word!r} leaves the frame" for rect, word in words
                  if not frame.contains(rect)
                  and (frame.intersects(rect) or not re.fullmatch("[1-8A-F]", word))]
        box = np.array([inked(rect) for rect, _ in words]).reshape(-1, 4)
        low = np.maximum(box[:, None, :2], box[None, :, :2])
        high = np.minimum(box[:, None, 2:], box[None, :, 2:])
        over = np.triu((high - low > 0.3).all(axis=2), k=1)
        found += [f"page {n}: {words[i][1]!r} over {words[j][1]!r}" for i, j in np.argwhere(over)]
    return found
