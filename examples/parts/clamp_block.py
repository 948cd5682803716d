"""Rod clamp: a 12 mm rod passage and two 4 mm clamping screws run horizontally."""

from examples._cad import Drawing, box, cut, cylinder, fillet, upright


def draw() -> Drawing:
    """Block with crossing holes and the slit that lets the clamp close."""
    block = fillet(box((0, 0, 0), (50, 30, 32)), 3, upright)
    rod = cylinder((18, -1, 16), (0, 1, 0), 6, 32)
    screws = [cylinder((-1, 8, 27), (1, 0, 0), 2, 52), cylinder((-1, 22, 27), (1, 0, 0), 2, 52)]
    slit = box((17, -1, 16), (19, 31, 33))
    cable = cylinder((38, -1, 13), (0, 1, 0), 6, 32)
    fixing = cylinder((45, 15, -1), (0, 0, 1), 1.6, 34)
    return Drawing(cut(block, rod, cable, slit, *screws, fixing))
