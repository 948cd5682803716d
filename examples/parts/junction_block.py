"""Junction block: a terminal pocket 30 mm wide opens to the side, its roof is over air."""

from examples._cad import Drawing, box, cut, cylinder, direction, fillet, middle, upright


def draw() -> Drawing:
    """Block with a pocket in its front, wire passages from above and two fixing holes."""
    block = fillet(box((0, 0, 0), (64, 42, 34)), 4, upright)
    pocket = box((17, -1, 6), (47, 24, 26))
    pocket = fillet(pocket, 2, lambda e: upright(e) and middle(e)[1] > 20)
    wires = [cylinder((x, 14, 20), (0, 0, 1), 2.5, 20) for x in (24, 40)]
    fixings = [cylinder((x, 30, -1), (0, 0, 1), 2.25, 40) for x in (8.5, 55.5)]
    body = cut(block, pocket, *wires, *fixings)
    return Drawing(fillet(body, 1.5, lambda e: middle(e)[2] > 33.9
                          and abs(direction(e)[0]) > 0.99 and not 1 < middle(e)[1] < 41))
