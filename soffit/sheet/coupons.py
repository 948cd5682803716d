"""All test coupons in one drawing."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from soffit.part.place import place
from soffit.part.step import draw
from soffit.production.coupon import Coupon
from soffit.sheet.drawings import common_fit, line_strokes
from soffit.sheet.figure import Figure, Label, Stroke
from soffit.sheet.project import project
from soffit.sheet.view import View

WIDTH_MM, HEIGHT_MM, ACROSS = 90.0, 76.0, 3

# From above, so that the engraved levels are seen.
VIEW = View("seen from above", (0.6, -0.7, 0.75))


def coupons_figure(found: Sequence[Coupon]) -> Figure:
    """Each coupon with its name, as large as its place allows."""
    down = -(-len(found) // ACROSS)
    figure = Figure("coupons", "Test coupons", VIEW.name,
                    f"Line drawings of {', '.join(c.title.lower() for c in found)}.",
                    ACROSS * WIDTH_MM, down * HEIGHT_MM)
    for k, coupon in enumerate(found):
        corner = np.array([k % ACROSS * WIDTH_MM, (down - 1 - k // ACROSS) * HEIGHT_MM])
        drawing = project(place(draw(coupon.solid, coupon.name), "keep"), VIEW)
        fit = common_fit((drawing,), WIDTH_MM, HEIGHT_MM - 8.0, 4.0)
        figure = figure.plus(
            strokes=tuple(Stroke(stroke.points + corner + (0.0, 8.0), stroke.pen)
                          for stroke in line_strokes(drawing, fit, hidden=False)),
            labels=(Label(coupon.title, corner[0] + 0.5 * WIDTH_MM, corner[1] + 4.0, 3.2,
                          "middle"),))
    return figure
