"""Rain funnel: its wall flares at 35 degrees from the platform, flatter than holds."""

import math

from examples._cad import Drawing, cut, cylinder, lathe

RISE = math.tan(math.radians(35))


def draw() -> Drawing:
    """Spout, flaring bowl 3 mm thick and a straight rim with three screw holes in its foot."""
    z1 = 14.0
    z2 = z1 + 24 * RISE
    thick = 3 / math.cos(math.radians(35))
    bowl = lathe([(8, 0), (20, 0), (20, 4), (12, 4), (12, z1), (36, z2), (36, z2 + 10),
                  (33, z2 + 10), (33, z2 + thick - 3 * RISE), (9, z1 + thick - 3 * RISE),
                  (8, z1 + thick - 4 * RISE)], (0, 0))
    holes = [cylinder((15.5 * math.cos(a), 15.5 * math.sin(a), -1), (0, 0, 1), 1.6, 6)
             for a in (math.radians(120 * k) for k in range(3))]
    return Drawing(cut(bowl, *holes))
