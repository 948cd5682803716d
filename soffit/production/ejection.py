"""How the part leaves the platform: what the edge meets that pushes it off, and against what.

The edge is level and as long as the platform is wide, and moves over all of it at one height. It
meets whatever of the part or its props is first in its way there, in a section at that height.
The cooled platform holds them with no more than its adhesion times the area of the first layer
(derived; the profile says what height and adhesion are worth). How each prop leaves is known of
the prop (`remedies.prop_eject`).
"""

from __future__ import annotations

from dataclasses import replace

import manifold3d as m3
import numpy as np

from soffit.layers.stack import pressed_of, union_of
from soffit.part.manifold import to_manifold
from soffit.plan.model import Ejection, Push, Resolution
from soffit.process.model import Process
from soffit.remedies.prop_eject import PUSHES

# How the part itself is named beside the edits of its props.
PART = "part"

# What lies no farther behind what the edge meets first is met with it, mm (derived: half of what a
# first layer is pressed out).
WITH_MM = 0.1


def ejection(result: Resolution) -> Ejection:
    """How a resolved part leaves the platform."""
    process = result.before.process
    props = [edit.id for edit in result.edits if edit.op == "prop"]
    bodies = [(PART, result.produced.mesh),
              *zip(props, (body.mesh for body in result.props), strict=True)]
    height = process.ejection.edge_mm.value
    # What does not close has no section; the verdict says so.
    solids = [(name, solid) for name, mesh in bodies if (solid := to_manifold(mesh)) is not None]
    sections = [(name, solid.slice(height)) for name, solid in solids]
    first, second = (union_of([solid.slice(height) for _, solid in solids]) for height in (
        0.5 * process.first_layer_mm, process.first_layer_mm + 0.5 * process.layer_mm))
    foot = pressed_of(first, second, process)
    return Ejection(process.ejection.released_mpa.value * float(foot.area()),
                    tuple(replace(_push(way, sections), stay=tuple(
                        edit.id for edit in result.edits
                        if edit.prop is not None and way not in edit.prop.leaving.pushes))
                        for way in PUSHES))


def best(found: Ejection) -> Push | None:
    """The way on which the edge meets the part alone, and most of it, and no prop stays behind;
    None where there is none."""
    alone = [push for push in found.pushes if push.meets == (PART,) and not push.stay]
    return max(alone, key=lambda push: push.over_mm, default=None)


def words(found: Ejection, process: Process) -> str:
    """All of it in words."""
    edge = process.ejection.edge_mm.value
    told = []
    for push in found.pushes:
        what = " and ".join("the part" if name == PART else name for name in push.meets)
        what = what or "nothing: it passes over"
        over = f" over {push.over_mm:.1f} mm" if push.meets else ""
        stay = f" ({' and '.join(push.stay)} would stay behind)" if push.stay else ""
        told.append(f"{push.way} {what}{over}{stay}")
    one = best(found)
    advice = f"; push along {one.way}" if one is not None else ""
    return (f"an edge {edge:g} mm above the platform meets first, pushing along "
            f"{', '.join(told)}{advice}; the cooled platform holds it with no more than "
            f"{found.holds_n:.1f} N")


def advice(found: Ejection, process: Process) -> str:
    """What matters of it in words: the best way and the force."""
    edge, one = process.ejection.edge_mm.value, best(found)
    if one is None:
        told = (f"no axis to push along: an edge {edge:g} mm up meets a prop first, or "
                "the part goes past one")
    else:
        told = (f"push along {one.way}: an edge {edge:g} mm up meets the part over "
                f"{one.over_mm:.1f} mm")
    return f"{told}; {found.holds_n:.1f} N hold it at most"


def _push(way: str, sections: list[tuple[str, m3.CrossSection]]) -> Push:
    along = np.array(PUSHES[way])
    across = np.array([-along[1], along[0]])
    there = [(name, section) for name, section in sections if not section.is_empty()]
    points = [np.concatenate(section.to_polygons()) for _, section in there]
    if not there:
        return Push(way, (), 0.0)
    near = [float((one @ along).min()) for one in points]
    first = min(near)
    far = 1.0 + max(float(np.abs(one).max()) for one in points)
    corners = [(first + deep) * along + aside * across
               for deep, aside in ((0.0, -far), (WITH_MM, -far), (WITH_MM, far), (0.0, far))]
    strip = m3.CrossSection([np.array(corners)], m3.FillRule.NonZero)
    meets = [k for k, start in enumerate(near) if start <= first + WITH_MM]
    met = [ring @ across for k in meets for ring in (there[k][1] ^ strip).to_polygons()]
    over = float(np.ptp(np.concatenate(met))) if met else 0.0
    return Push(way, tuple(dict.fromkeys(there[k][0] for k in meets)), over)
