"""Logger rack: an upper tray reaches 62 mm out over the lower one, further than it is high."""

from examples._cad import Drawing, box, cut, cylinder, fillet, fuse, middle, upright


def draw() -> Drawing:
    """Lower tray, back wall and upper tray with a cable slot; both trays stay usable."""
    lower = fillet(box((0, 0, 0), (70, 56, 4)), 6, lambda e: upright(e) and middle(e)[0] > 60)
    wall = box((0, 0, 0), (5, 56, 34))
    upper = fillet(box((0, 0, 30), (67, 56, 34)), 6, lambda e: upright(e) and middle(e)[0] > 60)
    body = fuse(lower, wall, upper)
    slot = fillet(box((40, 22, 29), (52, 34, 35)), 3, upright)
    screws = [cylinder((58, y, -1), (0, 0, 1), 2.25, 6) for y in (10, 46)]
    passage = cylinder((-1, 28, 16), (1, 0, 0), 3, 8)
    return Drawing(cut(body, slot, passage, *screws))
