"""Vane bearing carrier: the arm is over air; the bearing seat, coloured, must stay as it is."""

from examples._cad import Drawing, Rgb, box, cut, cylinder, fillet, fuse, middle, upright

SEAT: Rgb = (0.12, 0.23, 0.43)


def draw() -> Drawing:
    """Wall plate with an arm that carries a 22 mm bearing in a seat open to above."""
    wall = fillet(box((0, 0, 0), (6, 44, 54)), 2, lambda e: upright(e) and middle(e)[0] < 1)
    foot = fillet(box((0, 0, 0), (30, 44, 5)), 5, lambda e: upright(e) and middle(e)[0] > 29)
    arm = box((0, 6, 42), (22, 38, 54))
    boss = cylinder((22, 22, 42), (0, 0, 1), 16, 12)
    body = fuse(wall, foot, arm, boss)
    seat = cylinder((22, 22, 47), (0, 0, 1), 11, 8)
    bore = cylinder((22, 22, 41), (0, 0, 1), 8, 8)
    screws = [cylinder((-1, y, 26), (1, 0, 0), 2.25, 8) for y in (8, 36)]
    return Drawing(cut(body, seat, bore, *screws), (((33, 22, 50), SEAT),))
