"""What each remedy does to a small invented part, before and after, by the product itself.

Writes docs/remedies.md and the pictures docs/pictures/remedy-NAME-before.svg, -after.svg and
-section.svg: two views and a section of the change sheet of a part whose every place was demanded
to get that remedy.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

from OCP.TopoDS import TopoDS_Shape

import soffit
from soffit.plan.model import Resolution
from soffit.remedies import modules
from soffit.remedies.explain import explain
from soffit.sheet.build import build_sheet
from soffit.sheet.figure import to_svg
from tests import shapes

# The smallest parts on which each remedy is seen whole; a bridge must be wider than 15 mm.
PARTS: dict[str, TopoDS_Shape] = {
    "fill": shapes.cut(shapes.box((-20, -20, 0), (20, 20, 16)),
                       shapes.box((-8.5, -8.5, -1), (8.5, 8.5, 3))),
    "chamfer": shapes.ledge(10, 20, 14),
    "roof": shapes.slot(18, 20, 16),
    "bottom edge": shapes.rounded_bottom(),
    "fillet": shapes.filleted_slot(),
    "membrane": shapes.counterbore(),
    "stepped ceiling": shapes.counterbore(),
    "teardrop": shapes.cross_hole(6, 20),
    "steeper cut": shapes.ramp(38, 7, 14),
    "crown cut": shapes.nut_seat(8, 14),
    "drilled hole": shapes.cross_hole(5, 14),
    "arch": shapes.slot(18, 20, 16),
    "prop": shapes.hanging_tongue(),
}


def resolved(name: str, folder: Path) -> Resolution:
    """The part of a remedy, each of its places changed by that remedy; raises SystemExit where
    something is left over air."""
    part = shapes.read(PARTS[name], folder, name.replace(" ", "-"))
    demand = {finding.id: name for finding in soffit.review(part).air}
    result = soffit.resolve(part, demand=demand)
    if not result.clean or not result.edits:
        raise SystemExit(f"docs/remedies.py: {name} does not cure its part")
    return result


def main(root: Path) -> None:
    """Draw the pictures again and write docs/remedies.md from them."""
    lines = ["# Remedies", "",
             "Written by `python3 run.py docs remedies`; the parts are invented, and each picture "
             "is a view or a section of the change sheet. The whole text of each is what "
             "`soffit explain REMEDY` prints.", ""]
    pictures = root / "docs" / "pictures"
    pictures.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        for module in modules():
            name = module.NAME
            result = resolved(name, Path(folder))
            shown = []
            sheet = build_sheet(result, title=name)
            for when, figure in (("before", sheet.views[0]), ("after", sheet.views[1]),
                                 ("section", sheet.sections[0])):
                path = pictures / f"remedy-{name.replace(' ', '-')}-{when}.svg"
                path.write_text(to_svg(figure), encoding="utf-8")
                print(path)
                shown.append(f"![{name}, {when}](pictures/{path.name})")
            _, first, what, *_ = (p.replace("\n", " ") for p in explain(name).split("\n\n"))
            said = [finding.message for finding in result.before.air]
            for edit in result.edits:
                then = f"; then {edit.after}" if edit.after else ""
                said.append(f"{edit.remedy}: {edit.why}{then}")
            lines += [f"## {name}", "", first, "", what, "",
                      "| as received | as produced | section |", "|---|---|---|",
                      f"| {' | '.join(shown)} |", "",
                      *(f"- {text}" for text in dict.fromkeys(said)), ""]
    target = root / "docs" / "remedies.md"
    target.write_text("\n".join(lines), encoding="utf-8")
    print(target)
