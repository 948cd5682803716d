"""Instrument bracket: a shelf stands 18 mm out from the top of its wall, over air."""

from examples._cad import Drawing, box, cut, cylinder, fillet, fuse, middle, upright


def draw() -> Drawing:
    """Foot plate, upright wall and shelf; the shelf carries two screw holes."""
    foot = fillet(box((0, 0, 0), (60, 36, 4)), 5, lambda e: upright(e) and middle(e)[1] < 1)
    wall = box((0, 31, 0), (60, 36, 46))
    shelf = fillet(box((0, 13, 41), (60, 36, 46)), 6, lambda e: upright(e) and middle(e)[1] < 14)
    body = fuse(foot, wall, shelf)
    holes = [cylinder((x, y, z), (0, 0, 1), r, 8)
             for x, y, z, r in ((10, 10, -2, 2.75), (50, 10, -2, 2.75),
                                (14, 20, 40, 2.25), (46, 20, 40, 2.25))]
    return Drawing(cut(body, *holes))
