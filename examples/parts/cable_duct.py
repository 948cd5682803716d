"""Cable duct, open below and at both ends: its roof spans 40 mm between the walls."""

from examples._cad import Drawing, box, cut, cylinder, fillet, fuse, middle, upright


def draw() -> Drawing:
    """U section 46 mm wide, 28 mm high, 3 mm thick, with two screw lugs."""
    shell = box((0, 0, 0), (70, 46, 28))
    shell = fillet(shell, 2, lambda e: middle(e)[2] > 27 and abs(middle(e)[0] - 35) < 1)
    shell = cut(shell, box((-1, 3, -1), (71, 43, 25)))
    lugs = fuse(box((25, -14, 0), (45, 3, 4)), box((25, 43, 0), (45, 60, 4)))
    ends = fillet(lugs, 6, lambda e: upright(e) and not 0 < middle(e)[1] < 46)
    body = fuse(shell, ends)
    holes = [cylinder((35, y, -1), (0, 0, 1), 2.25, 6) for y in (-7, 53)]
    return Drawing(cut(body, *holes))
