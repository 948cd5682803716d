"""Latch: a tongue hangs from the arm and starts in mid-air, 14 mm above the platform."""

from examples._cad import Drawing, box, cut, cylinder, fillet, fuse, middle, sweep, upright


def draw() -> Drawing:
    """Base plate, post with a sloping arm, and the tongue with its catch below the arm."""
    base = fillet(box((0, 0, 0), (36, 24, 5)), 4, upright)
    post = box((4, 4, 0), (14, 20, 44))
    arm = sweep([(4, 4, 44), (14, 4, 32), (40, 4, 38), (62, 4, 38), (62, 4, 44)], (0, 16, 0))
    tongue = box((54, 4, 14), (60, 20, 40))
    tongue = fillet(tongue, 2, lambda e: upright(e) and middle(e)[0] > 59)
    catch = sweep([(54, 4, 14), (54, 4, 22), (50, 4, 18), (50, 4, 14)], (0, 16, 0))
    body = fuse(base, post, arm, tongue, catch)
    holes = [cylinder((28, 12, -1), (0, 0, 1), 2.25, 7)]
    return Drawing(cut(body, *holes))
