"""Mast spacer: four screw heads sit in counterbores that open downwards."""

from examples._cad import Drawing, box, cut, cylinder, fillet, fuse, upright


def draw() -> Drawing:
    """Square spacer with a raised collar, a mast bore and four counterbored screw holes."""
    body = fuse(fillet(box((0, 0, 0), (54, 54, 14)), 8, upright),
                cylinder((27, 27, 14), (0, 0, 1), 15, 12))
    tools = [cylinder((27, 27, -1), (0, 0, 1), 10, 28)]
    for x in (10, 44):
        for y in (10, 44):
            tools += [cylinder((x, y, -1), (0, 0, 1), 2.75, 16),
                      cylinder((x, y, -1), (0, 0, 1), 5.5, 7)]
    return Drawing(cut(body, *tools))
