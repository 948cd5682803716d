"""Skid foot: its bottom edge is rounded and its flange joins the stem through a fillet."""

from examples._cad import Drawing, box, cut, cylinder, direction, fillet, fuse, middle, upright


def draw() -> Drawing:
    """Rounded foot block, stem, and a flange above with a 5 mm fillet under each long side."""
    foot = fillet(box((-30, -20, 0), (30, 20, 12)), 4, lambda e: middle(e)[2] < 0.1
                  and abs(direction(e)[0]) > 0.99)
    stem = box((-30, -10, 12), (30, 10, 34))
    flange = fillet(box((-30, -18, 34), (30, 18, 39)), 5, upright)
    body = fuse(foot, stem, flange)
    body = fillet(body, 5, lambda e: abs(middle(e)[2] - 34) < 0.1
                  and abs(direction(e)[0]) > 0.99 and abs(abs(middle(e)[1]) - 10) < 0.1)
    holes = [cylinder((x, 0, -1), (0, 0, 1), 2.75, 45) for x in (-20, 20)]
    return Drawing(cut(body, *holes))
