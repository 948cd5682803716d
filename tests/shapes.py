"""Shapes for tests, drawn with the verbs of the examples and read back through STEP.

Builders return a kernel solid standing on z = 0; `read` makes the placed `Part` of it that
every test works on, by way of a real file.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from pathlib import Path

from OCP.TopoDS import TopoDS_Shape

import soffit
from examples._cad import (
    Drawing,
    box,
    cut,
    cylinder,
    fillet,
    fuse,
    lathe,
    middle,
    move,
    sphere,
    sweep,
    turn,
    write_step,
)
from soffit.part.model import Part
from soffit.part.place import place
from soffit.part.step import DEFLECTION_MM, read_step
from soffit.plan.model import Resolution
from soffit.process.load import load_process
from soffit.process.model import Process
from tests.shared import once


def read(shape: TopoDS_Shape, folder: Path, name: str = "shape",
         deflection_mm: float = DEFLECTION_MM) -> Part:
    """The shape written as STEP into `folder`, read back and set on the platform."""
    path = folder / f"{name}.step"
    write_step(Drawing(shape), path, name)
    return place(read_step(path, deflection_mm=deflection_mm), "keep")


def process_with(layer_mm: float = 0.2, angle_deg: float = 45.0, **others: float) -> Process:
    """The PLA profile with another layer height, limit angle or any other value by the name that it
    has in its table, first layer alike."""
    base = load_process("pla-04")

    def changed(table: str, **values: float) -> object:
        old = getattr(base, table)
        return old.model_copy(update={
            key: getattr(old, key).model_copy(update={"value": value})
            for key, value in values.items()})

    tables: dict[str, dict[str, float]] = {
        "bead": {"layer_mm": layer_mm, "first_layer_mm": layer_mm},
        "capability": {"angle_deg": angle_deg}}
    for key, value in others.items():
        table, = (name for name in type(base).model_fields if hasattr(getattr(base, name), key))
        tables.setdefault(table, {})[key] = value
    return base.model_copy(update={
        table: changed(table, **values) for table, values in tables.items()})


EXAMPLES = Path(__file__).resolve().parent.parent / "examples"

# What the customer demands of two of the examples, as examples/README.md says.
PROTECTED = {
    "bearing_carrier": ["face near 33,22,50"],
    "pillow_block": ["face near 35,9,10"],
}


@cache
def example(name: str) -> Part:
    """An example as received, on the platform."""
    mesh = EXAMPLES / f"{name}.stl"
    part = soffit.read(mesh, unit="mm") if mesh.is_file() else soffit.read(
        EXAMPLES / f"{name}.step")
    return place(part, "keep")


@cache
def resolved(name: str) -> Resolution:
    """An example resolved with the PLA profile; worked out once for all tests of a run."""
    return once(f"resolved-{name}", lambda: resolved_afresh(name))


def resolved_afresh(name: str) -> Resolution:
    """`resolved`, worked out here and now."""
    result = soffit.resolve(example(name), "pla-04", protect=PROTECTED.get(name, []))
    # As it can be kept: there are no other ways up where the way up is given.
    assert not list(result.others())
    return replace(result, others=tuple)


def ledge(depth: float = 10, width: float = 20, under: float = 14) -> TopoDS_Shape:
    """Wall 6 thick with a shelf `depth` out at z = `under`; the shelf is 4 thick."""
    wall = box((-6, 0, 0), (0, width, under + 4))
    return fuse(wall, box((-6, 0, under), (depth, width, under + 4)))


def tee() -> TopoDS_Shape:
    """T: stem 6 x 8 x 10 below a bar 26 x 8 x 4."""
    return fuse(box((10, 0, 0), (16, 8, 10)), box((0, 0, 10), (26, 8, 14)))


def slot(span: float = 12, length: float = 20, height: float = 16) -> TopoDS_Shape:
    """Tunnel `span` wide and `height` high along y, with a roof 4 thick."""
    return cut(box((-5, 0, 0), (span + 5, length, height + 4)),
               box((0, -1, -1), (span, length + 1, height)))


def filleted_slot(span: float = 14, radius: float = 5, length: float = 16,
                  height: float = 14) -> TopoDS_Shape:
    """Tunnel along y whose ceiling goes over into both walls by fillets."""
    return fillet(slot(span, length, height), radius, lambda e: abs(middle(e)[2] - height) < 1e-6
                  and min(abs(middle(e)[0]), abs(middle(e)[0] - span)) < 1e-6)


def blind_box(a: float = 10, b: float = 20, height: float = 12) -> TopoDS_Shape:
    """Block with a pocket a x b open to below, its ceiling at z = `height`."""
    return cut(box((-5, -5, 0), (a + 5, b + 5, height + 4)),
               box((0, 0, -1), (a, b, height)))


def blind_round(radius: float = 5, height: float = 12) -> TopoDS_Shape:
    """Block with a round pocket open to below, its ceiling at z = `height`."""
    return cut(box((-10, -10, 0), (10, 10, height + 4)),
               cylinder((0, 0, -1), (0, 0, 1), radius, height + 1))


def counterbore(wide: float = 6, narrow: float = 3, depth: float = 6) -> TopoDS_Shape:
    """Plate 30 x 30 x 12 with a bore and a counterbore from below; radii, mm."""
    return cut(box((-15, -15, 0), (15, 15, 12)),
               cylinder((0, 0, -1), (0, 0, 1), narrow, 14),
               cylinder((0, 0, -1), (0, 0, 1), wide, depth + 1))


def cross_hole(radius: float, crown: float, length: float = 20) -> TopoDS_Shape:
    """Block with a horizontal hole along y whose crown is at z = `crown`."""
    side = radius + 5
    return cut(box((-side, 0, 0), (side, length, crown + 5)),
               cylinder((0, -1, crown - radius), (0, 1, 0), radius, length + 2))


def nut_seat(across: float = 8, length: float = 10, above: float = 6) -> TopoDS_Shape:
    """A block with a six-sided hole lying along y, a corner up, `across` between its flats."""
    half, corner = across / 2, across / math.sqrt(3)
    z = 4 + corner
    hole = sweep([(x, -1, z + y) for x, y in (
        (0, corner), (-half, corner / 2), (-half, -corner / 2), (0, -corner), (half, -corner / 2),
        (half, corner / 2))], (0, length + 2, 0))
    return cut(box((-half - 5, 0, 0), (half + 5, length, z + corner + above)), hole)


def ball(radius: float = 10) -> TopoDS_Shape:
    """Sphere that stands on its pole."""
    return sphere((0, 0, radius), radius)


def log(radius: float = 10, length: float = 50) -> TopoDS_Shape:
    """Cylinder lying along x on the platform."""
    return cylinder((0, 0, radius), (1, 0, 0), radius, length)


def cone_on_apex(from_axis_deg: float, height: float = 15) -> TopoDS_Shape:
    """Cone with its apex on the platform."""
    return lathe([(0, 0), (height * math.tan(math.radians(from_axis_deg)), height), (0, height)],
                 (0, 0))


def rounded_bottom(radius: float = 5, length: float = 30) -> TopoDS_Shape:
    """Block 40 x length x 15 whose two bottom edges along y are rounded."""
    return fillet(box((-20, 0, 0), (20, length, 15)), radius,
                  lambda e: middle(e)[2] < 0.1 and abs(abs(middle(e)[0]) - 20) < 0.1)


def hanging_tongue() -> TopoDS_Shape:
    """Post, arm at z = 16 to 20, and a tongue 4 x 8 that hangs from it down to z = 6."""
    return fuse(box((0, 0, 0), (6, 8, 20)), box((0, 0, 16), (24, 8, 20)),
                box((20, 0, 6), (24, 8, 18)))


def ramp(angle_deg: float, run: float = 12, width: float = 10) -> TopoDS_Shape:
    """Wall with an underside that starts at z = 4 and rises at `angle_deg` from the platform."""
    rise = run * math.tan(math.radians(angle_deg))
    arm = sweep([(0, 0, 4), (run, 0, 4 + rise), (run, 0, 8 + rise), (0, 0, 8 + rise)],
                (0, width, 0))
    return fuse(box((-6, 0, 0), (0, width, 8 + rise)), arm)


def frustum(lean_deg: float, foot: float = 12, height: float = 10) -> TopoDS_Shape:
    """Bar on its smaller side, leaning out on two sides by `lean_deg` from vertical."""
    half, out = foot / 2, height * math.tan(math.radians(lean_deg))
    return sweep([(-half, 0, 0), (half, 0, 0), (half + out, 0, height),
                  (-half - out, 0, height)], (0, foot, 0))


def flange(size: float = 1.0) -> TopoDS_Shape:
    """Shaft of radius 3 with a flange of radius 8 from z = 10 to 14, times `size`."""
    ring = [(0, 0), (3, 0), (3, 10), (8, 10), (8, 14), (0, 14)]
    return lathe([(x * size, z * size) for x, z in ring], (0, 0))


def twin_holes() -> TopoDS_Shape:
    """Block 28 x 8 x 17 with two horizontal holes of radius 4 side by side."""
    return cut(box((-14, 0, 0), (14, 8, 17)), cylinder((-7, -1, 8), (0, 1, 0), 4, 10),
               cylinder((7, -1, 8), (0, 1, 0), 4, 10))


def rooted_ledge(radius: float = 3) -> TopoDS_Shape:
    """Ledge 10 deep whose corner with its wall is rounded."""
    return fillet(ledge(), radius,
                  lambda e: abs(middle(e)[0]) < 1e-6 and abs(middle(e)[2] - 14) < 1e-6)


def mixed() -> TopoDS_Shape:
    """One shape with a ledge, a tunnel, a tongue and a blind pocket, without symmetry."""
    body = fuse(slot(20, 24, 12), box((15, 4, 13), (40, 20, 16)), box((34, 6, 5), (38, 16, 14)),
                box((-14, 2, 10), (0, 11, 16)))
    return cut(body, cylinder((22.5, 12, -1), (0, 0, 1), 1.8, 9))


__all__ = [
    "EXAMPLES", "PROTECTED", "ball", "blind_box", "blind_round", "box", "cone_on_apex",
    "counterbore", "cross_hole", "cut", "cylinder", "example", "fillet", "filleted_slot",
    "flange", "frustum", "fuse", "hanging_tongue", "ledge", "log", "middle", "mixed", "move",
    "process_with", "ramp", "read", "resolved", "rooted_ledge", "rounded_bottom", "slot", "tee",
    "turn", "twin_holes",
]
