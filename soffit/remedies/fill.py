"""Fill: make a closed-off pocket, gap or undercut solid.

**What it does.** Takes the room straight below a place, down to the next surface of the part
or to the platform, and makes it solid. Inside it prints as sparse infill, so it costs nearly
the same plastic and nothing is left over air. A hollow that nobody can reach is closed whole.

**When it is offered** (own rule, common practice, no source; a fill takes room away, so it is
chosen knowingly):

- the room is *closed off*: three quarters of its sides or more are the part's own walls, as in a
  blind pocket or a gap between ribs; or it is *shallow*: lower than a chamfer over its reach
  t would be, H < t·tan δc (derived), and closed on half of its sides or standing on the platform;
- it takes no more than a twentieth of the part's volume; a sealed hollow may be of any size;
- it closes no passage: neither the part, nor the part set on a plate, has fewer handles
  afterwards (genus of the surface);
- it is no round hole and no hexagon: a pin, a screw, a magnet or a nut may go there;
- its floor is level, and so is its ceiling unless walls close it all round.

**How it is measured.** Sides: along the outline of the place, one millimetre by one, whether
the layers between floor and ceiling have material there. The volume is that of the solid
added, outside of the part.

**Example.** A pocket of 6 × 8 mm, 5 mm deep, in a block of 32 cm³: 240 mm³, 0.75 %.

**Limits.** What the room is for, Soffit cannot know: protect a face of a pocket that is needed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import manifold3d as m3
import numpy as np
import shapely

from soffit.errors import GeometryError
from soffit.findings.model import Finding
from soffit.findings.words import mm
from soffit.layers.stack import GRID_MM
from soffit.part.mesh_solid import evaluate
from soffit.part.model import Floats, Surface
from soffit.part.solid import Drop, Fitted, Hull, Prism, Solid, box
from soffit.part.topology import ring_area
from soffit.remedies.anchor import polygon, rings_of
from soffit.remedies.context import HAIR_MM, Context
from soffit.remedies.model import Option
from soffit.remedies.probe import hits, reach_of

NAME = "fill"
RANK = 1

# Shares of a room's sides that must be walls, and of the part's volume that it may take
# (common practice, no source).
CLOSED_SHARE = 0.75
HALF_CLOSED_SHARE = 0.5
VOLUME_SHARE = 0.05

# How far the solid reaches into the walls, the floor and the ceiling, mm: more than any chord
# of a tessellation stands off, far less than a wall (derived: two deflections and more).
INTO_MM = 0.05

# The outline is looked at in steps of this, and this far outside of it, mm (derived: two lines
# and a half; an eighth of a line).
STEP_MM = 1.0
SKIN_MM = 0.05

# 4πA/P² of an outline from which it reads as round: a hexagon has 0.907, a square 0.785 (derived).
COMPACT = 0.9

# Two ways to measure one room agree within this share (derived: chords of round walls).
AGREE = 0.01

# Share by which the ceiling's whole face may be more than the place (from memory: the strip
# that the layer below still holds).
BESIDE_SHARE = 0.25


class _No(Exception):
    """Why a room is not filled; never leaves this module."""


@dataclass(frozen=True)
class Room:
    """The air below a place: its plan `region`, floor and ceiling, the share of its sides
    that are walls; `closed` where walls close it all round. `air_mm3`: what the layers say."""

    region: shapely.Geometry
    floor_mm: float
    ceiling_mm: float
    share: float
    closed: bool
    air_mm3: float

    @property
    def height_mm(self) -> float:
        """From floor to ceiling."""
        return self.ceiling_mm - self.floor_mm


def options(context: Context, finding: Finding) -> tuple[list[Option], list[str]]:
    """The fill of the room below a finding; or why there is none."""
    if not finding.kind.startswith("air/") or context.solid is None:
        return [], []
    try:
        solid, why = _filled(context, context.solid, finding)
    except (_No, GeometryError) as no:
        return [], [f"fill: {no}"]
    return [Option(NAME, finding.id, "add", solid, RANK, why)], []


def _filled(context: Context, solid: m3.Manifold, finding: Finding) -> tuple[Solid, str]:
    hollow = sealed_hollow(solid, finding)
    if hollow is not None:
        made = _stopper(context, solid, hollow)
        return made, (f"the sealed hollow of {-hollow.volume():.0f} mm³ is made solid; it prints "
                      "as infill")
    if finding.patch.pierced:
        raise _No("a hole goes on above the room, and would be closed")
    room = room_below(context, solid, finding)
    _check_worth(context, room, finding)
    _check_size(room.air_mm3, solid)
    made = _solid(context, solid, room, finding)
    new = evaluate(made, context.part) - solid
    _check_size(float(new.volume()), solid)
    if handles(solid + new) < handles(solid) or _on_a_plate(solid + new) < _on_a_plate(solid):
        raise _No("it would close a passage")
    where = "on the platform" if room.floor_mm <= GRID_MM else "below"
    return made, (f"the room {where}, {mm(room.height_mm)} high and closed on {room.share:.0%} of "
                  "its sides, is made solid; it prints as infill")


def _check_size(volume_mm3: float, solid: m3.Manifold) -> None:
    if volume_mm3 > VOLUME_SHARE * float(solid.volume()):
        raise _No(f"the room of {volume_mm3:.0f} mm³ is more than {VOLUME_SHARE:.0%} of the part")


def sealed_hollow(solid: m3.Manifold, finding: Finding) -> m3.Manifold | None:
    """The hollow without any opening that a finding lies in, turned inside out as the kernel
    gives it (its volume is negative); None where the air below has a way out."""
    x, y, z = finding.at_mm
    below = np.array([x, y, z - 2 * GRID_MM])
    for piece in solid.decompose():
        if piece.volume() >= 0:
            continue
        # A ray that leans, so that it does not run along a wall.
        lean = np.array([0.0123, 0.0371, 1.0])
        found = hits(piece, below, lean / np.linalg.norm(lean), reach_of(piece) + reach_of(solid))
        if len(found) % 2:
            return piece
    return None


def _stopper(context: Context, solid: m3.Manifold, hollow: m3.Manifold) -> Solid:
    """The simplest body that fills a hollow and ends within its walls."""
    low, high = np.array(hollow.bounding_box()).reshape(2, 3)
    grow = INTO_MM + 2 * context.part.deflection_mm
    corners = (low - grow).tolist(), (high + grow).tolist()
    points = np.asarray(hollow.to_mesh64().vert_properties)[:, :3]
    middle = 0.5 * (low + high)
    scale = 1.0 + grow / float((0.5 * (high - low)).min())
    for tool in (box((*corners[0],), (*corners[1],)), Hull(middle + scale * (points - middle))):
        new = evaluate(tool) - solid
        if abs(new.volume() + hollow.volume()) <= 1e-6 * -hollow.volume():
            return tool
    raise _No("the sealed hollow has no simple shape that its walls hold")


def room_below(context: Context, solid: m3.Manifold, finding: Finding) -> Room:
    """The room straight below a finding. Raises _No where its floor is not level."""
    stack = context.stack
    low, ceiling = finding.patch.z_mm
    region = polygon(finding.patch.rings)
    # Without the hair-thin spikes that rounding leaves along a wall.
    region = region.buffer(-HAIR_MM, join_style="mitre").buffer(HAIR_MM, join_style="mitre")
    if region.is_empty:
        raise _No("the place is too narrow")
    first = finding.patch.layers[0]
    floors = _floors(solid, region, low)
    floor, highest = float(floors.min()), float(floors.max())
    if highest - floor > 0.5 * context.process.layer_mm:
        raise _No(f"the floor below is not level: it lies {mm(floor)} to {mm(highest)} up")
    layers = [k for k in range(first) if stack.cut_mm[k] > floor]
    if not layers:
        raise _No("there is no room below it")
    around = [_hole_around(stack.regions[k], region) for k in layers]
    if all(a is not None for a in around):
        air = context.process.layer_mm * sum(float(shapely.area(a)) for a in around[1:])
        return Room(shapely.union_all([*around, region]), floor, ceiling, 1.0, True, air)
    if ceiling - low > 0.5 * context.process.layer_mm:
        raise _No("the room opens to its side and its ceiling is not level")
    share = float(np.mean([_walls(stack.plan(k), region) for k in layers]))
    air = float(shapely.area(region)) * (low - floor)
    return Room(region, floor, ceiling, share, False, air)


def _floors(solid: m3.Manifold, region: shapely.Geometry, ceiling_mm: float) -> Floats:
    """Heights of what lies straight below points all over a region, (n,) mm; 0 the platform."""
    x0, y0, x1, y1 = shapely.bounds(region).tolist()
    step = max(x1 - x0, y1 - y0) / 12
    gx, gy = np.meshgrid(np.arange(x0 + 0.5 * step, x1, step), np.arange(y0 + 0.5 * step, y1, step))
    points = np.column_stack([gx.ravel(), gy.ravel()])
    inner = region.buffer(-SKIN_MM)
    points = points[shapely.contains_xy(region if inner.is_empty else inner, *points.T)]
    one = region.representative_point()
    points = np.concatenate([points, [[one.x, one.y]]])
    # Leaning by a hair, so that it does not run through an edge between two facets.
    down = np.array([1.3e-5, 3.7e-5, -1.0])
    floors = []
    for x, y in points.tolist():
        start = np.array([x, y, ceiling_mm - 2 * GRID_MM])
        found = [h for h in hits(solid, start, down, ceiling_mm + 1.0) if h.entering]
        floors.append(ceiling_mm - 2 * GRID_MM - found[0].at_mm if found else 0.0)
    return np.asarray(np.maximum(floors, 0.0))


def _hole_around(layer: m3.CrossSection, region: shapely.Geometry) -> shapely.Geometry | None:
    """The hole of a layer that holds a region; None where the air there is open to outside."""
    one = region.representative_point()
    at = np.array([one.x, one.y])
    rings = [np.asarray(r) for r in layer.to_polygons()]
    near = [r for r in rings if (r.min(axis=0) <= at).all() and (r.max(axis=0) >= at).all()]
    holes = [shapely.Polygon(r) for r in near if ring_area(r) < 0]
    mine = [h for h in holes if h.contains(one)]
    if not mine:
        return None
    hole = min(mine, key=lambda h: h.area)
    # What stands in the hole, such as a post, is no part of the room.
    posts = [shapely.Polygon(r) for r in rings
             if hole.contains(shapely.Point(r[0])) and ring_area(r) > 0]
    hole = shapely.make_valid(hole)
    whole = hole.difference(shapely.make_valid(shapely.union_all(posts))) if posts else hole
    return next((p for p in shapely.get_parts(whole) if p.contains(one)), None)


def _walls(layer: shapely.Geometry, region: shapely.Geometry) -> float:
    """Share of a region's outline that has material of a layer right outside it."""
    inside = total = 0.0
    for ring in rings_of(region):
        a, b = _steps(shapely.LineString(np.concatenate([ring, ring[:1]])))
        length = np.maximum(np.linalg.norm(b - a, axis=1), 1e-12)
        along = (b - a) / length[:, None]
        out = 0.5 * (a + b) + SKIN_MM * np.column_stack([along[:, 1], -along[:, 0]])
        total += float(length.sum())
        inside += float(length[shapely.contains_xy(layer, out[:, 0], out[:, 1])].sum())
    return inside / total if total else 0.0


def _steps(line: shapely.LineString) -> tuple[Floats, Floats]:
    points = shapely.get_coordinates(shapely.segmentize(line, STEP_MM))
    return points[:-1], points[1:]


def _check_worth(context: Context, room: Room, finding: Finding) -> None:
    """Raise _No where the room is neither closed off nor shallow, or is a round hole."""
    if room.closed and _is_round(context, room):
        raise _No("the room is a hole for something round or hexagonal, which may go there")
    if room.share >= CLOSED_SHARE:
        return
    reach = finding.reach_mm if finding.reach_mm is not None and math.isfinite(
        finding.reach_mm) else 0.5 * (finding.span_mm or 0.0)
    if reach <= 0.0:
        reach = float(shapely.length(shapely.maximum_inscribed_circle(room.region)))
    chamfer = reach * math.tan(math.radians(context.process.angle_deg))
    stands = room.floor_mm <= GRID_MM
    shallow = room.height_mm + context.process.layer_mm < chamfer
    if not shallow:
        raise _No(f"the room is open on {1.0 - room.share:.0%} of its sides and "
                  f"{mm(room.height_mm)} high")
    if room.share < HALF_CLOSED_SHARE and not stands:
        raise _No(f"the gap of {mm(room.height_mm)} is open on {1.0 - room.share:.0%} of its "
                  "sides; it may be meant")


def _is_round(context: Context, room: Room) -> bool:
    """Whether more than half of a room's sides are hollow round faces, or its outline is as
    compact as a hexagon."""
    compact = 4.0 * math.pi * shapely.area(room.region) / shapely.length(room.region) ** 2
    if compact > COMPACT:
        return True
    outline = rings_of(room.region)[0]
    starts, ends = _steps(shapely.LineString(np.concatenate([outline, outline[:1]])))
    length = np.linalg.norm(ends - starts, axis=1)
    on = np.zeros(len(length), dtype=bool)
    slack = context.stack.slack_mm + SKIN_MM
    for face in context.part.faces:
        upright = face.axis_dir is not None and abs(face.axis_dir[2]) > 1.0 - 1e-9
        if face.surface is Surface.CYLINDER and face.inward and upright and face.axis_point:
            # With both ends: the middle of a straight side beside a rounding is near it too.
            near = [
                np.abs(np.linalg.norm(end - np.array(face.axis_point[:2]), axis=1)
                       - (face.radius_mm or 0.0)) < slack
                for end in (starts, ends)
            ]
            on |= near[0] & near[1]
    return bool(length[on].sum() > 0.5 * length.sum())


def _solid(context: Context, solid: m3.Manifold, room: Room, finding: Finding) -> Solid:
    """The room's body for either kernel: reaching into the walls, and for the B-rep the
    ceiling's own faces moved down, where they are the whole room."""
    stack = context.stack
    top, bottom = stack.layer_at(room.ceiling_mm), stack.layer_at(room.floor_mm + GRID_MM)
    between = range(bottom + 1, max(top, bottom + 2))
    grown = room.region.buffer(INTO_MM, join_style="mitre")
    walls = [stack.plan(k) for k in between if k < len(stack)]
    if not room.closed:
        for wall in walls:
            grown = grown.intersection(shapely.union(wall, room.region).buffer(
                GRID_MM, join_style="mitre").buffer(-GRID_MM, join_style="mitre"))
        grown = shapely.union(grown, room.region)
    parts = [p for p in shapely.get_parts(grown) if p.geom_type == "Polygon"]
    rings = rings_of(shapely.simplify(shapely.union_all(parts), 0.1 * GRID_MM))
    low = room.floor_mm - INTO_MM if room.floor_mm > GRID_MM else 0.0
    body = Prism(rings, low, room.ceiling_mm + INTO_MM)
    plain = Prism(rings_of(room.region), room.floor_mm, room.ceiling_mm)
    meant = float((evaluate(plain) - solid).volume())
    new = float((evaluate(body) - solid).volume())
    if new > (1.0 + AGREE) * meant + 1e-3:
        raise _No("its walls are too thin to close it cleanly")
    triangles = context.part.triangles_of(finding.faces)
    level = np.ptp(context.part.mesh.corners[triangles][:, :, 2]) < GRID_MM if len(triangles) \
        else False
    if level:
        drop = Drop(finding.faces, triangles, room.height_mm)
        swept = float((evaluate(drop, context.part) - solid).volume())
        # The face may go on over what holds the place: closing that gap too leaves no slit.
        if (1.0 - AGREE) * new <= swept <= (1.0 + BESIDE_SHARE) * new:
            return Fitted(body, (drop, body))
    return body


def handles(solid: m3.Manifold) -> int:
    """Number of handles of a solid's surface: its passages."""
    return sum(piece.genus() for piece in solid.decompose())


def _on_a_plate(solid: m3.Manifold) -> int:
    """Passages of a solid that stands on a plate: those that run along the platform count."""
    x0, y0, _, x1, y1, _ = solid.bounding_box()
    plate = box((x0 - 1.0, y0 - 1.0, -1.0), (x1 + 1.0, y1 + 1.0, GRID_MM))
    return handles(solid + evaluate(plate))
