"""Split: a plane at which a part could be printed as two halves and glued; advice, no change.

**What it says.** Where a place stays over air, or only props help, the part cut through level with
that place may print without: the upper half stands on what was the underside, or either half is
turned over to stand on its cut. The plane, which way up each half prints, what is over air in each,
and the faces to be glued.

**How it is found.** Planes are tried at the lowest and the highest point of the place and where the
outline above it stops growing (the equator of a ball). Each half is cut by the mesh kernel and
reviewed as it stands and turned over; the way with less over air counts. A plane is advised where
neither half has the place over air any more; of several the one that leaves least in all, then
the one with fewer halves turned over, then the one with the largest joint.

**Pins.** Two locating pins of 3 mm diameter are advised where the glued face has room for them, a
diameter apart, with two lines of wall around (common practice, no source).

**Limits.** Only level planes are tried. What the joint carries is not worked out, and nothing is
glued: a half of several pieces needs as many joints.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import shapely

from soffit.errors import GeometryError
from soffit.findings.model import Finding, Review
from soffit.findings.review import review
from soffit.layers.stack import GRID_MM, plan_of
from soffit.part.edit import apply
from soffit.part.manifold import to_manifold
from soffit.part.mesh_edit import lumps
from soffit.part.model import Change, Floats, Part
from soffit.part.place import place
from soffit.part.solid import box
from soffit.remedies.anchor import polygon, rings_of
from soffit.remedies.context import HAIR_MM, Context

# Diameter of a locating pin, mm, and lines of wall around it (common practice, no source).
PIN_MM = 3.0
PIN_WALL_LINES = 2.0
# A half thinner than so many layers is none (common practice, no source).
LEAST_LAYERS = 2
# An outline grows where its area does by more than this share from one layer to the next (derived:
# rounding of a facetted outline).
GROWS_SHARE = 1e-6


@dataclass(frozen=True)
class GlueFace:
    """A face to be glued: `area_mm2`, its plan outline `rings` in the part's build frame (outer
    ones counter-clockwise, holes clockwise, (n, 2) each) and of how many pieces it is."""

    area_mm2: float
    pieces: int
    rings: tuple[Floats, ...] = field(compare=False, repr=False)

    @property
    def connected(self) -> bool:
        """Whether it is one connected piece."""
        return self.pieces == 1


@dataclass(frozen=True)
class Half:
    """One half: whether it prints turned over, of how many pieces it is, what of it prints over
    air that way, in mm² and in words, and its face at the plane."""

    turned_over: bool
    pieces: int
    over_air_mm2: float
    messages: tuple[str, ...]
    face: GlueFace


@dataclass(frozen=True)
class SplitAdvice:
    """A level plane at `z_mm` (build frame), the halves, the `joint` where both faces meet, and
    whether `pins` are advised."""

    finding: str
    z_mm: float
    lower: Half
    upper: Half
    joint: GlueFace
    pins: bool

    @property
    def over_air_mm2(self) -> float:
        """What both halves leave over air, mm²."""
        return self.lower.over_air_mm2 + self.upper.over_air_mm2

    @property
    def sentence(self) -> str:
        """The advice in one sentence."""
        turned = [name for name, half in (("lower", self.lower), ("upper", self.upper))
                  if half.turned_over]
        way = {0: "both as they stand", 1: f"the {''.join(turned)} one turned over",
               2: "both turned over"}[len(turned)]
        left = (f"leave {self.over_air_mm2:.1f} mm² over air" if self.over_air_mm2 > 0.0
                else "print without anything over air")
        faces = "one face" if self.joint.connected else f"{self.joint.pieces} faces"
        pins = ", with locating pins" if self.pins else ""
        return (f"Cut through at z = {self.z_mm:.2f} mm, two halves, {way}, {left}; they are glued "
                f"over {self.joint.area_mm2:.0f} mm² in {faces}{pins}.")


def advise(context: Context, finding: Finding) -> SplitAdvice | None:
    """Where to cut the part so that neither half has a place over air; None where no plane does."""
    if context.solid is None or not finding.patch.rings:
        return None
    found = [a for z in _planes(context, finding) if (a := _cut_at(context, finding, z))]
    return min(found, default=None, key=lambda a: (
        round(a.over_air_mm2, 3), a.lower.turned_over + a.upper.turned_over,
        -round(a.joint.area_mm2, 3), a.z_mm))


def _planes(context: Context, finding: Finding) -> list[float]:
    """Heights worth a try, lowest first."""
    stack = context.stack
    low, high = finding.patch.z_mm
    layer = stack.layer_at(high)
    while layer + 1 < len(stack) and (
        stack.regions[layer + 1].area() > (1.0 + GROWS_SHARE) * stack.regions[layer].area()
    ):
        layer += 1
    heights = sorted({round(z, 4): z for z in (low, high, float(stack.top_mm[layer]))}.values())
    least = LEAST_LAYERS * context.process.layer_mm
    top = float(context.part.mesh.bounds[1][2])
    return [z for z in heights if least <= z <= top - least]


def _cut_at(context: Context, finding: Finding, z_mm: float) -> SplitAdvice | None:
    """The advice for one plane; None where it does not help the place."""
    part = replace(context.part, brep=None)
    low, high = part.mesh.bounds
    (x0, y0, z0), (x1, y1, z1) = (low - 1.0).tolist(), (high + 1.0).tolist()
    above, below = box((x0, y0, z_mm), (x1, y1, z1)), box((x0, y0, z0), (x1, y1, z_mm))
    try:
        lower, upper = (apply(part, [Change("cut", room, "split", "split")])
                        for room in (above, below))
    except GeometryError:
        return None
    assert context.solid is not None  # `advise` asks with a solid only
    under, over = (plan_of(context.solid.slice(z)) for z in (z_mm - HAIR_MM, z_mm + HAIR_MM))
    joint = shapely.intersection(under, over)
    if joint.area <= GRID_MM:
        return None
    halves = [_half(context, finding, half, shift, face)
              for half, shift, face in ((lower, 0.0, under), (upper, z_mm, over))]
    if any(half is None for half in halves):
        return None
    first, second = (half for half in halves if half is not None)
    return SplitAdvice(finding.id, z_mm, first, second, _face(joint),
                       _room_for_pins(joint, context.process.line_mm))


def _half(
    context: Context, finding: Finding, half: Part, shift_mm: float, face: shapely.Geometry
) -> Half | None:
    """A half the way up that leaves less over air; `shift_mm`: how far it is set down as it
    stands. None where the place is over air either way."""
    ways = []
    for turned in (False, True):
        placed = place(half, (0.0, 0.0, -1.0) if turned else "keep")
        found = review(placed, context.process)
        # What faced down in the part faces up in a half that is turned over.
        if turned or not _still_there(found, finding, shift_mm):
            ways.append((round(found.over_air_mm2, 3), turned, found))
    if not ways:
        return None
    _, turned, found = min(ways, key=lambda way: way[:2])
    solid = to_manifold(half.mesh)
    return Half(turned, 1 if solid is None else lumps(solid), found.over_air_mm2,
                tuple(f.message for f in found.air), _face(face))


def _still_there(found: Review, finding: Finding, shift_mm: float) -> bool:
    """Whether a place of the whole part is over air in a half that stands as in the part."""
    low, high = (z - shift_mm for z in finding.patch.z_mm)
    region = polygon(finding.patch.rings)
    return any(
        f.z_mm[0] <= high + GRID_MM and f.z_mm[1] >= low - GRID_MM
        and polygon(f.patch.rings).intersection(region).area > GRID_MM
        for f in found.air
    )


def _face(region: shapely.Geometry) -> GlueFace:
    pieces = [p for p in shapely.get_parts(region)
              if p.geom_type == "Polygon" and p.area > GRID_MM]
    return GlueFace(float(sum(p.area for p in pieces)), len(pieces),
                    rings_of(shapely.union_all(pieces)))


def _room_for_pins(joint: shapely.Geometry, line_mm: float) -> bool:
    """Whether two pins find room in a face, their middles two diameters apart."""
    room = joint.buffer(-(0.5 * PIN_MM + PIN_WALL_LINES * line_mm))
    if room.is_empty:
        return False
    points = shapely.get_coordinates(room)
    far = np.linalg.norm(points[:, None] - points[None, :], axis=2).max()
    return bool(far >= 2.0 * PIN_MM)
