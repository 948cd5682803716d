"""Membrane: close a hole in a ceiling for one layer, and drill it out after printing.

**What it does.** Where a counterbore or a stepped bore opens downwards, the ceiling has a hole
in it, and the wall ring of that hole would be printed first, in the air. A disc one layer thick
(two where layers are thinner than 0.15 mm) set level with the ceiling closes the hole, so that
the ceiling is one plain bridge. After printing the disc is drilled or punched out, and the part
is what was drawn.

**How it is measured.** The hole is that part of the ceiling's inner outline which the ceiling's
own layer leaves open. A round one is closed by a true disc, any other by its outline; both reach
a hair (0.01 mm, derived: see `HAIR_MM`) into its wall, so that no two walls merely touch. The
disc lies from the exact height of the ceiling up to the top of its layer, so that it prints as
whole layers. The ceiling, taken as if it had no hole, must span no more than
`capability.bridge_mm` in its direction of least width.

**Example.** A counterbore of 11 mm over a hole of 5.5 mm: a disc 5.5 mm wide and 0.2 mm thick,
4.75 mm³; the ceiling of 11 mm bridges.

**Limits.** The work left after printing is stated with each disc. A membrane that nobody can
reach with a drill or a punch (a bent channel) stays in; then choose another remedy.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely

from soffit.findings.model import Finding
from soffit.findings.words import mm, within
from soffit.part.mesh_solid import evaluate
from soffit.part.model import Floats, Part, Surface
from soffit.part.solid import Cone, Prism, Solid, Union
from soffit.remedies.context import HAIR_MM, Context
from soffit.remedies.model import Option

NAME = "membrane"
# Beside the roof, and so the cheaper of the two: a pierced ceiling is nearly always a seat, for a
# screw's head or a ring, and slopes below it would fill that seat (common practice, no source).
RANK = 2

# Below this layer height one layer is too thin to bridge without tearing, so two are laid
# (from memory).
THIN_LAYER_MM = 0.15


@dataclass(frozen=True)
class Opening:
    """One hole in a ceiling: its plan outline and, where it is round, centre and radius."""

    outline: shapely.Polygon
    centre: tuple[float, float] | None
    radius_mm: float

    @property
    def width_mm(self) -> float:
        """Diameter, or the greatest width of a hole that is not round."""
        if self.centre is not None:
            return 2.0 * self.radius_mm
        ring = np.asarray(self.outline.exterior.coords)
        return float(np.linalg.norm(ring[:, None] - ring[None, :], axis=2).max())


def options(context: Context, finding: Finding) -> tuple[list[Option], list[str]]:
    """A membrane for every hole of a pierced ceiling."""
    if finding.kind != "air/ceiling":
        return [], []
    if not finding.patch.pierced:
        return [], ["membrane: only a ceiling with a hole in it can be closed by one"]
    process = context.process
    span = finding.span_mm or math.inf
    if not within(span, process.bridge_mm):
        return [], [
            f"membrane: closed, the ceiling spans {mm(span)}; "
            f"{mm(process.bridge_mm)} can be bridged"
        ]
    stack = context.stack
    z0 = finding.patch.z_mm[0]
    if finding.patch.z_mm[1] - z0 > 0.5 * process.layer_mm:
        return [], ["membrane: the ceiling is not level, so a flat disc cannot close its hole"]
    openings = find_openings(context, finding)
    if not openings:
        return [], ["membrane: the hole in the ceiling opens to its side and cannot be closed"]
    layers = 2 if process.layer_mm < THIN_LAYER_MM else 1
    top = min(finding.patch.layers[0] + layers, len(stack)) - 1
    z1 = float(stack.top_mm[top])
    discs = tuple(_disc(opening, z0, z1) for opening in openings)
    solid: Solid = discs[0] if len(discs) == 1 else Union(discs)
    added = evaluate(solid, context.part)
    volume = float((added - context.solid).volume() if context.solid else added.volume())
    widths = sorted({round(o.width_mm, 2) for o in openings})
    holes = " and ".join(f"{w:.4g} mm" for w in widths)
    count = "the membrane" if len(openings) == 1 else f"{len(openings)} membranes"
    return [
        Option(
            NAME, finding.id, "add", solid, RANK,
            f"a disc of {z1 - z0:.2f} mm closes the hole of {holes}, so that the ceiling is one "
            f"bridge of {mm(span)}",
            f"drill or punch out {count} of {holes} diameter",
            volume_mm3=volume,
        )
    ], []


def find_openings(context: Context, finding: Finding) -> list[Opening]:
    """The holes of a pierced ceiling, sorted by place; posts that hold it from below are not."""
    patch = finding.patch
    polygons = [shapely.Polygon(r) for r in patch.rings]
    inner = [p for p, r in zip(polygons, patch.rings, strict=True) if not _is_outer(r)]
    layer = patch.layers[0]
    region = [shapely.Polygon(r) for r in context.stack.regions[layer].to_polygons()]
    material: shapely.Geometry = shapely.Polygon()
    for piece in region:
        material = shapely.symmetric_difference(material, piece)
    found = []
    for hole in inner:
        void = shapely.difference(shapely.make_valid(hole), shapely.make_valid(material))
        for piece in shapely.get_parts(void):
            if isinstance(piece, shapely.Polygon) and not piece.buffer(-HAIR_MM).is_empty:
                found.append(_opening(context.part, shapely.orient_polygons(piece)))
    return sorted(found, key=lambda o: o.outline.bounds)


def _is_outer(ring: Floats) -> bool:
    x, y = (ring - ring[0]).T
    return float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) > 0.0


def _opening(part: Part, outline: shapely.Polygon) -> Opening:
    """The opening, round where a hole of the part says so.

    The outline runs inside the true circle by no more than the deflection.
    """
    ring = np.asarray(outline.exterior.coords)[:-1]
    blur = max(HAIR_MM, 2.0 * part.deflection_mm)
    for face in part.faces:
        if face.surface is not Surface.CYLINDER or not face.inward or face.axis_dir is None:
            continue
        if abs(face.axis_dir[2]) < 1.0 - 1e-9 or face.axis_point is None:
            continue
        radius = face.radius_mm or 0.0
        away = np.linalg.norm(ring - np.array(face.axis_point[:2]), axis=1)
        if np.abs(away - radius).max() <= blur:
            return Opening(outline, (face.axis_point[0], face.axis_point[1]), radius)
    return Opening(outline, None, 0.0)


def _disc(opening: Opening, z0: float, z1: float) -> Solid:
    if opening.centre is not None:
        radius = opening.radius_mm + HAIR_MM
        x, y = opening.centre
        return Cone((x, y, z0), (0.0, 0.0, 1.0), z1 - z0, radius, radius, outside=True)
    grown = shapely.orient_polygons(opening.outline.buffer(HAIR_MM, join_style="mitre"))
    rings = (np.asarray(grown.exterior.coords)[:-1],
             *(np.asarray(r.coords)[:-1] for r in grown.interiors))
    return Prism(rings, z0, z1)
