"""Lamp base: a blind pocket 24 x 36 mm opens downwards, its ceiling is held all round."""

from examples._cad import Drawing, box, cut, cylinder, fillet, fuse, move, upright


def draw() -> Drawing:
    """Rounded block with a driver pocket below and a round socket above; off the origin."""
    block = fillet(box((0, 0, 0), (48, 60, 22)), 6, upright)
    ring = cylinder((24, 30, 22), (0, 0, 1), 17, 10)
    body = fuse(block, ring)
    pocket = fillet(box((12, 12, -1), (36, 48, 15)), 3, upright)
    socket = cylinder((24, 30, 20), (0, 0, 1), 14, 13)
    holes = [cylinder((x, y, -1), (0, 0, 1), 1.75, 24) for x in (6, 42) for y in (6, 54)]
    return Drawing(move(cut(body, pocket, socket, *holes), (140, -85, 0)))
