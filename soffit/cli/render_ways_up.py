"""The ways up of a part, as text of at most 80 columns."""

from __future__ import annotations

from soffit.cli.render_text import Line, _area, _table, part_lines, wrap
from soffit.orient.measure import Orientation
from soffit.orient.result import WaysUp

# Ways up that are listed (own choice: half a screen).
MOST_ROWS = 12


def ways_up_lines(found: WaysUp) -> list[Line]:
    """The best direction, those worth weighing with the reason for each, and all finalists."""
    what = "Asked for" if found.face_up else "Best up"
    lines = [*part_lines(found.part), Line(f"{what}: --up {up_words(found.best)}", "bold"),
             Line("")]
    for one in found.named:
        names = ", ".join(one.told)
        lines += wrap(f"{up_words(one.orientation)}: {names}; {one.why}.")
    rows = [
        (up_words(o), f"~{o.over_air_mm2:.0f}" if o.roughly else _area(o.over_air_mm2),
         about(o, str(o.places)),
         f"{o.height_mm:.1f}", about(o, f"{o.time_s / 60.0:.0f}"),
         about(o, f"{o.plastic_mm3 / 1000.0:.1f}"), about(o, f"{o.price:.2f}"),
         "yes" if o.stands else "no")
        for o in found.finalists[:MOST_ROWS]
    ]
    head = ("up", "over mm²", "places", "z mm", "min", "cm³", "price", "stands")
    lines += [Line(""), *_table(head, rows, right={1, 2, 3, 4, 5, 6}), Line("")]
    rough = sum(o.roughly for o in found.finalists)
    roughly = f", {rough} of them in thick ones, roughly (~)" if rough else ""
    return lines + wrap(
        f"{len(found.search.directions):,} directions looked at, {len(found.finalists)} cut in "
        f"layers{roughly}. min, cm³ and price are of one part with what is over air cured, as "
        "estimated from the findings; soffit resolve works it out.")


def about(o: Orientation, figure: str) -> str:
    """A figure that layers decide, marked where they are thick ones."""
    return f"~{figure}" if o.roughly else figure


def up_words(o: Orientation) -> str:
    """A direction as `--up` takes it."""
    return ",".join(f"{value:.4g}" for value in o.up)
