"""One way up, cut in layers and measured, in full or roughly.

Roughly: in `ROUGH_LAYERS` thick layers, in which strips under one face are one slope and nobody
asks what spans them (`places.find_places`). That takes a small part of the time of a review and
tells which ways up are worth one: what a part costs is mostly near to what a review says, and may
be far more where strips are bridges.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import manifold3d as m3
import numpy as np

from soffit.findings.coarse import sure
from soffit.findings.review import reviewed
from soffit.layers.plastic import layers_mm3
from soffit.layers.stack import GRID_MM, cut_layers, layers_at_once, outline_of
from soffit.orient.cure import cure_of
from soffit.orient.depth import Depth
from soffit.orient.directions import Direction, Origin, hole_axes_of
from soffit.part.manifold import to_manifold
from soffit.part.model import Floats, Part, Vec3
from soffit.part.place import place
from soffit.process.cost import price_of
from soffit.process.deposit import print_time_s
from soffit.process.model import Process
from soffit.process.physics import peel_of

# Layers that a way up is measured in roughly (own choice: of 28 parts the best way up was
# found with 30 as with 60).
ROUGH_LAYERS = 30

# A corner within this of the surface without it is left out, mm (derived: a hundredth of the grid
# of the layers).
SAME_MM = 0.01 * GRID_MM

# A hole is upright within this angle (derived: over 50 mm it is then half a line off).
UPRIGHT_DEG = 0.25

# A face looks down where its normal leans down by more than this, the cosine (own choice: by 6°).
DOWN = 0.1


@dataclass(frozen=True)
class Aims:
    """What matters beside the cost: `load`, the direction in the part's present frame that it is
    pulled along, and `cosmetic`, the faces that are looked at."""

    load: Vec3 | None = None
    cosmetic: tuple[int, ...] = ()


@dataclass(frozen=True)
class Orientation:
    """One way up, in the part's present frame, and what its layers say.

    `plastic_mm3` and `time_s`: what the part takes as laid and what it takes to cure it beside, as
    estimated (`cure`); `price` of all that for one part, and `worth`, what it is worth to have no
    props; `cure_cost`, what of both the cure is. `pull_mpa`: at the rim of its foot, by the drag of
    the nozzle at its top; `holds_mpa`: what the foot bears. `upright`: round walls that stand
    upright, of `holes`. `strength`: the share of the plastic's strength that it has along the load,
    None without one. `rough_mm2`: area of the cosmetic faces that faces down or lies on the
    platform. `roughly`: whether what the layers say is of thick ones.
    """

    up: Vec3
    origin: Origin
    over_air_mm2: float
    places: int
    height_mm: float
    clean: bool
    footprint_mm2: float
    pull_mpa: float
    holds_mpa: float
    plastic_mm3: float
    time_s: float
    props: int
    price: float
    worth: float
    cure_cost: float
    upright: int
    holes: int
    strength: float | None
    rough_mm2: float
    roughly: bool = False

    @property
    def as_drawn(self) -> bool:
        """Whether the part stays as it is."""
        return self.origin == "as drawn"

    @property
    def stands(self) -> bool:
        """Whether its foot holds it."""
        return self.pull_mpa <= self.holds_mpa

    @property
    def cost(self) -> float:
        """Price and what it is worth to be without props."""
        return self.price + self.worth


@dataclass(frozen=True)
class Task:
    """What ways up are measured of."""

    part: Part
    process: Process
    aims: Aims = Aims()

    @cached_property
    def solid(self) -> m3.Manifold | None:
        """The part as the mesh kernel has it, None where it is not closed; with as few facets as
        say the same, since it is cut many times."""
        solid = to_manifold(self.part.mesh)
        return None if solid is None else solid.simplify(SAME_MM)

    @cached_property
    def depth(self) -> Depth:
        """Its surface, ready to be screened."""
        return Depth(self.part.mesh, self.process)

    def __reduce__(self) -> tuple[type[Task], tuple[Part, Process, Aims]]:
        """Without what the kernel holds, which stays in its process."""
        return Task, (self.part, self.process, self.aims)


def looked_at(
    task: Task, asked: tuple[Direction, bool] | Floats
) -> Orientation | tuple[Floats, Floats]:
    """What is asked for of a part: one way up as `measured` has it, or of many, (n, 3), what is
    above the part itself and the room below (`Depth.below`)."""
    return measured(task, asked) if isinstance(asked, tuple) else task.depth.below(asked)


def measured(task: Task, asked: tuple[Direction, bool]) -> Orientation:
    """A way up of a part as its layers are, by one review of them; or roughly."""
    part, process, aims = task.part, task.process, task.aims
    direction, roughly = asked
    placed = place(part, direction.up)
    height = placed.size_mm[2]
    count = layers_at_once(height, process, ROUGH_LAYERS) if roughly else 1
    thick = process.thicker(count) if count > 1 else process
    solid = task.solid
    if solid is not None:
        # Turned, not made anew, which for many facets takes longer than to cut it.
        solid = solid.transform((placed.placement @ np.linalg.inv(part.placement))[:3])
    stack = cut_layers(placed, thick, solid)
    found, _ = reviewed(placed, thick, stack=stack, roughly=roughly)
    if count > 1:
        found = replace(found, findings=tuple(f for f in found.findings if sure(f)))
    z = placed.mesh.vertices[:, 2][placed.mesh.triangles]
    resting = z.max(axis=1) < process.first_layer_mm
    foot = outline_of(stack.regions[0]) if len(stack) else ()
    laid = layers_mm3(stack, thick)
    plastic = float(laid.sum())
    # What a thick layer takes is laid in as many as it stands for.
    time = print_time_s(np.concatenate([laid[:1], np.repeat(laid[1:] / count, count)]), process)
    cure = cure_of(stack, found.air, process)
    upright, holes = _upright(part, direction.up)
    return Orientation(
        up=direction.up, origin=direction.origin, over_air_mm2=found.over_air_mm2,
        places=len(found.air), height_mm=height, clean=found.clean,
        footprint_mm2=float(part.mesh.areas[resting].sum()),
        pull_mpa=peel_of(foot, process.drag_n, height) if foot else math.inf,
        holds_mpa=process.capability.adhesion_mpa.value,
        plastic_mm3=plastic + cure.plastic_mm3,
        time_s=time + cure.machine_s, props=cure.props,
        price=price_of(process, plastic, time) + cure.price, worth=cure.worth,
        cure_cost=cure.price + cure.worth,
        upright=upright, holes=holes, strength=strength(direction.up, aims.load, process),
        rough_mm2=_rough(placed, aims.cosmetic), roughly=roughly)


def strength(up: Vec3, load: Vec3 | None, process: Process) -> float | None:
    """Share of the plastic's strength along a load: layers part where the pull across them,
    σ·cos², reaches their bond (largest normal stress on the plane of weakness; derived, shear is
    left out)."""
    if load is None:
        return None
    along = np.asarray(load) / np.linalg.norm(load)
    across = float(np.dot(along, up)) ** 2
    bond = process.material.layer_bond.value
    return 1.0 if across <= bond else bond / across


def _upright(part: Part, up: Vec3) -> tuple[int, int]:
    axes = hole_axes_of(part)
    if not len(axes):
        return 0, 0
    upright = np.abs(axes @ np.asarray(up)) > math.cos(math.radians(UPRIGHT_DEG))
    return int(upright.sum()), len(axes)


def _rough(placed: Part, faces: Sequence[int]) -> float:
    if not faces:
        return 0.0
    rows = placed.triangles_of(faces)
    down = placed.mesh.normals[rows, 2] < -DOWN
    return float(placed.mesh.areas[rows][down].sum())
