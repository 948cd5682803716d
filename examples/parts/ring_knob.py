"""Adjusting knob: a ring 10 mm wide stands out all round its stem, over air."""

import math

from examples._cad import Drawing, cut, cylinder, lathe


def draw() -> Drawing:
    """Turned knob with a shaft bore, its flat, and six finger notches; off the origin."""
    knob = lathe([(0, 0), (12, 0), (12, 18), (22, 18), (22, 26), (10, 26),
                  (10, 30), (0, 30)], (-40, 25))
    bore = cylinder((-40, 25, -1), (0, 0, 1), 3.1, 21)
    bore_top = cylinder((-40, 25, 19), (0, 0, 1), 1.5, 12)
    notches = [cylinder((-40 + 24.5 * math.cos(a), 25 + 24.5 * math.sin(a), 17), (0, 0, 1), 4, 12)
               for a in (math.radians(60 * k) for k in range(6))]
    return Drawing(cut(knob, bore, bore_top, *notches))
