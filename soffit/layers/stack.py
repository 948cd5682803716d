"""The part cut in layers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import manifold3d as m3
import numpy as np
import shapely

from soffit.errors import InputError
from soffit.layers.slicer import slice_open_mesh
from soffit.part.manifold import to_manifold
from soffit.part.model import Floats, Part
from soffit.part.topology import ring_area
from soffit.process.model import Process

# Grid on which two cuts of one plane face agree: far above the 1e-8 mm of the polygon
# kernel, far below anything a nozzle does (derived).
GRID_MM = 1e-4

# A corner of an outline this near to the line between its neighbours is none: a cut has a corner
# where it crosses each edge of the mesh, and half of them or more only divide straight sides
# (derived: twice the grid of the polygon kernel, so that only rounding is taken away).
STRAIGHT_MM = 2e-8

# What is narrower than twice this is the rounding of the polygon kernel (derived: a hundred of
# its steps of 1e-8 mm).
ROUNDING_MM = 1e-6

# Regions joined at a time (measured: between 2 and 8 it makes no difference).
TOGETHER = 8

# Layers are cut this much above their middle: level faces are often drawn at exactly half a
# layer, and rounding must not decide which layer they are in (derived: far above the rounding of
# coordinates, a tenth of the grid).
ABOVE_MIDDLE_MM = 0.1 * GRID_MM

# A part of more layers is taken for one in the wrong unit (derived: 4 m at 0.2 mm, ten times the
# height of common build volumes).
MOST_LAYERS = 20_000

# Deflection assumed for a mesh file, whose maker's setting is unknown
# (common practice, no source: exports between 0.005 and 0.05 mm).
MESH_DEFLECTION_MM = 0.01


@dataclass(frozen=True)
class LayerStack:
    """Regions of a placed part, lowest first.

    `cut_mm` (n,): height at which each layer is cut, a hair above its middle. `top_mm` (n,):
    height of its upper side. `regions[i]` is the region of layer i as a kernel object. `step_mm` is
    how far a layer may step out; `slack_mm` the step that may be an artefact of
    tessellation: twice the deflection plus the polygon grid.
    """

    cut_mm: Floats
    top_mm: Floats
    regions: tuple[m3.CrossSection, ...]
    step_mm: float
    slack_mm: float

    def __len__(self) -> int:
        return len(self.regions)

    def __getitem__(self, layer: int) -> Layer:
        """One layer, counted from the platform, or from the top where negative. Raises IndexError
        past either end."""
        return Layer(self, range(len(self))[layer])

    def plan(self, layer: int) -> shapely.Geometry:
        """Region of a layer as prepared plan polygons; made when first asked for, then kept."""
        if layer not in self._plans:
            self._plans[layer] = plan_of(self.regions[layer])
        return self._plans[layer]

    @cached_property
    def _plans(self) -> dict[int, shapely.Geometry]:
        return {}

    def layer_at(self, z_mm: float) -> int:
        """Index of the layer whose body holds height `z_mm`, clipped to the stack."""
        return int(np.clip(np.searchsorted(self.top_mm, z_mm - GRID_MM), 0, len(self) - 1))

    def bottom_mm(self, layer: int) -> float:
        """Height of the lower side of a layer, mm."""
        return 0.0 if layer == 0 else float(self.top_mm[layer - 1])


@dataclass(frozen=True)
class Layer:
    """One layer of a stack, by its index."""

    stack: LayerStack
    index: int

    @property
    def region(self) -> m3.CrossSection:
        """What is drawn in it."""
        return self.stack.regions[self.index]

    @property
    def z_mm(self) -> tuple[float, float]:
        """Heights of its lower and upper side, mm."""
        return self.stack.bottom_mm(self.index), float(self.stack.top_mm[self.index])

    @property
    def area_mm2(self) -> float:
        """Area that it covers, mm²."""
        return float(self.region.area())

    def _repr_svg_(self) -> str:
        from soffit.sheet.notebook import layer_svg

        return layer_svg(self)


def tidy(region: m3.CrossSection) -> m3.CrossSection:
    """A difference of regions without outlines as thin as rounding. One of those may run the wrong
    way round, and where it is the outermost the kernel's offset goes the wrong way everywhere."""
    return region.simplify(STRAIGHT_MM)


def offset_of(
    region: m3.CrossSection, by_mm: float, join: m3.JoinType = m3.JoinType.Miter,
    limit: float = 2.0, segments: int = 0,
) -> m3.CrossSection:
    """A region grown by a distance, or shrunk where it is negative.

    The kernel takes the outline that reaches farthest up for an outer one. Where that is a hole
    that touches its outline there, or a sliver of rounding that runs the wrong way round, all is
    turned inside out and the answer has no area or less; the region upside down is then asked.
    """
    made = region.offset(by_mm, join, limit, segments)
    if region.is_empty() or made.area() > (region.area() if by_mm > 0.0 else 0.0):
        return made
    over = region.scale((-1.0, -1.0)).offset(by_mm, join, limit, segments).scale((-1.0, -1.0))
    return over if over.area() > 0.0 else m3.CrossSection()


def pressed_of(
    first: m3.CrossSection, second: m3.CrossSection, process: Process
) -> m3.CrossSection:
    """The first layer as it is once it is pressed out, where it is drawn smaller than the second so
    that it then is not wider than that."""
    wider = second - first
    if wider.is_empty():
        return first
    return first + (offset_of(first, process.bead.spread_mm.value) ^ wider)


def components(region: m3.CrossSection) -> list[m3.CrossSection]:
    """Connected parts of a region; none of an empty one, where the kernel gives an empty one."""
    if region.is_empty():
        return []
    parts: list[m3.CrossSection] = region.decompose()
    if len(parts) > 1 and any(part.area() < 0.0 for part in parts):
        # Of a ring as thin as rounding the kernel may give the outline and the hole apart.
        opened = offset_of(offset_of(tidy(region), -ROUNDING_MM), ROUNDING_MM)
        parts = [] if opened.is_empty() else opened.decompose()
    return parts


def union_of(parts: Sequence[m3.CrossSection]) -> m3.CrossSection:
    """All of them as one. Neighbours first: where hundreds of strips lie side by side, the edges
    between them are gone before they are many."""
    while len(parts) > 1:
        parts = [
            m3.CrossSection.batch_boolean(parts[k : k + TOGETHER], m3.OpType.Add)
            for k in range(0, len(parts), TOGETHER)
        ]
    return parts[0] if parts else m3.CrossSection()


def outline_of(component: m3.CrossSection) -> tuple[Floats, ...]:
    """Rings of one component of a region, the outer one first, (n, 2) mm each."""
    rings = [np.asarray(r, dtype=np.float64) for r in component.to_polygons()]
    return tuple(sorted(rings, key=ring_area, reverse=True))


def plan_of(region: m3.CrossSection) -> shapely.Geometry:
    """A region as prepared plan polygons."""
    outlines = [outline_of(component) for component in components(region)]
    polygons = [shapely.Polygon(rings[0], rings[1:]) for rings in outlines]
    plan = shapely.multipolygons(polygons) if polygons else shapely.MultiPolygon()
    shapely.prepare(plan)
    return plan


def layer_tops(height_mm: float, process: Process) -> Floats:
    """Heights of the upper sides of all layers of a part of this height, (n,) mm.

    A last layer thinner than half a layer is not printed (its middle lies above the part).
    """
    first, h = process.first_layer_mm, process.layer_mm
    more = max(0, int(np.floor((height_mm - first) / h + 0.5 - 1e-9)))
    return np.asarray(first + h * np.arange(more + 1), dtype=np.float64)


def layers_at_once(height_mm: float, process: Process, most: int) -> int:
    """Least number of layers (past the first) to take as one, so that a part of this height has
    no more than `most`; 1 for a part too tall to be cut at all."""
    if height_mm > MOST_LAYERS * process.layer_mm:
        return 1
    count = 1
    while len(layer_tops(height_mm, process.thicker(count))) > most:
        count += 1
    return count


def slack_of(part: Part) -> float:
    """Step that may be an artefact of tessellation, mm (derived: 2 × deflection + grid)."""
    return 2.0 * (part.deflection_mm or MESH_DEFLECTION_MM) + GRID_MM


def cut_layers(
    part: Part, process: Process, solid: m3.Manifold | None = None
) -> LayerStack:
    """Cut a placed part at the middle of each layer; corners on straight sides are left out.
    `solid`: its closed surface as the kernel has it, where that is known.

    Raises InputError for a part so tall that its unit must be wrong.
    """
    height = float(part.mesh.bounds[1, 2])
    if height > MOST_LAYERS * process.layer_mm:
        raise InputError(
            f"cutting {part.source.file}: it is {height:,.0f} mm tall, more than {MOST_LAYERS:,} "
            "layers; check the unit (--unit), or scale it in CAD"
        )
    tops = layer_tops(height, process)
    bottoms = np.concatenate([[0.0], tops[:-1]])
    cuts = 0.5 * (tops + bottoms) + ABOVE_MIDDLE_MM
    return LayerStack(cuts, tops, _regions(part, cuts, solid), process.step_mm, slack_of(part))


def cut_again(stack: LayerStack, part: Part, process: Process, layers: range) -> LayerStack | None:
    """The layers of a changed part that is as it was in all but `layers`; None if it has more
    layers now, or fewer."""
    if len(layer_tops(float(part.mesh.bounds[1, 2]), process)) != len(stack):
        return None
    regions = list(stack.regions)
    regions[layers.start : layers.stop] = _regions(part, stack.cut_mm[layers.start : layers.stop])
    return replace(stack, regions=tuple(regions))


def _regions(
    part: Part, cuts: Floats, solid: m3.Manifold | None = None
) -> tuple[m3.CrossSection, ...]:
    solid = to_manifold(part.mesh) if solid is None else solid
    if solid is None:
        regions = slice_open_mesh(part.mesh, cuts)
    else:
        regions = [solid.slice(z) for z in cuts.tolist()]
    return tuple(region.simplify(STRAIGHT_MM) for region in regions)
