"""Pillow block: the crown of its horizontal bearing seat is over air and must not change."""

from examples._cad import Drawing, Rgb, box, cut, cylinder, fillet, fuse, middle, upright

SEAT: Rgb = (0.12, 0.23, 0.43)


def draw() -> Drawing:
    """Foot with two screw holes and a block with a 22 mm bearing seat lying across it."""
    foot = fillet(box((0, 0, 0), (70, 18, 6)), 5, lambda e: upright(e))
    block = box((19, 0, 0), (51, 18, 38))
    block = fillet(block, 6, lambda e: middle(e)[2] > 37.9 and abs(middle(e)[1] - 9) < 0.1)
    seat = cylinder((35, -1, 21), (0, 1, 0), 11, 20)
    screws = [cylinder((x, 9, -1), (0, 0, 1), 2.75, 8) for x in (9, 61)]
    return Drawing(cut(fuse(foot, block), seat, *screws), (((35, 9, 10), SEAT),))
