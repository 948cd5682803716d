"""The build as it grows: what stands by itself at each height, on what, and how steadily.

The checks of an unattended run look at the part as it is while it is made: a tower that is
tied to the rest only at its top stands alone until then. Layers are looked at where they
change, at most `MOST_LAYERS` of them, so that a check costs little beside the review.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import manifold3d as m3
import numpy as np
import shapely

from soffit.findings.model import Finding, Patch
from soffit.layers.stack import GRID_MM, LayerStack, components, outline_of, pressed_of
from soffit.part.model import Floats, Ints, Part, Severity
from soffit.part.topology import ring_area
from soffit.process.model import Process
from soffit.process.physics import second_moments

# Layers looked at, and the share by which the area changes from one to the next that is looked
# at too (derived: a hundred are 1 mm apart in a part 100 mm tall).
EVENLY = 100
MOST_LAYERS = 300
CHANGED = 0.02
# Features lower than this are none (trade: common practice, no source).
FEATURE_MM = 1.0
# Components of a layer smaller than this share of a line's square are none: what begins where an
# outline comes to a point (derived: as in a review, a bead cannot be laid on it).
SLIVER_SHARE = 0.25


@dataclass(frozen=True)
class Component:
    """One component of one layer that is looked at. `rings`: outer first, (n, 2) mm each.

    `below`: indices, in the layer looked at before, of what it lies on. `give`: how far one
    newton at its top bends it, times the modulus, 1/mm (a beam of changing section).
    """

    rings: tuple[Floats, ...]
    area_mm2: float
    centre: Floats
    least_mm4: float
    below: tuple[int, ...]
    give: float

    @property
    def polygon(self) -> shapely.Polygon:
        return shapely.Polygon(self.rings[0], list(self.rings[1:]))


@dataclass(frozen=True)
class Piece:
    """What stands by itself up to the layer looked at with index `upto`, because it ends there
    (`joins` false) or joins another piece in the next. `foot`: rings of its first layer; empty
    where it starts above the platform. `centre`: of its volume, (3,) mm."""

    upto: int
    joins: bool
    foot: tuple[Floats, ...]
    volume_mm3: float
    centre: Floats


@dataclass(frozen=True)
class Built:
    """A placed part, its process and its layers, as the checks look at them."""

    part: Part
    process: Process
    stack: LayerStack

    @cached_property
    def looked_at(self) -> tuple[int, ...]:
        """Layers that are looked at, lowest first: evenly spaced ones, and where the area
        changes."""
        count = len(self.stack)
        chosen = set(np.linspace(0, count - 1, min(count, EVENLY)).round().astype(int).tolist())
        areas = np.array([region.area() for region in self.stack.regions])
        change = np.abs(np.diff(areas)) / np.maximum(areas[1:], 1e-9)
        order = np.argsort(-change, kind="stable")
        for k in order[: (MOST_LAYERS - len(chosen)) // 2].tolist():
            if change[k] < CHANGED:
                break
            chosen |= {k, k + 1}
        return tuple(sorted(chosen))

    @cached_property
    def pressed(self) -> m3.CrossSection:
        """The first layer as it is once it is pressed out."""
        first, second = (self.stack.regions[min(k, len(self.stack) - 1)] for k in (0, 1))
        return pressed_of(first, second, self.process)

    @cached_property
    def layers(self) -> tuple[tuple[Component, ...], ...]:
        """Components of the layers that are looked at."""
        found: list[tuple[Component, ...]] = []
        regions: list[m3.CrossSection] = []
        sums: list[Floats] = []
        sliver = SLIVER_SHARE * self.process.line_mm**2
        for k, layer in enumerate(self.looked_at):
            region = self.pressed if layer == 0 else self.stack.regions[layer]
            here = [c for c in components(region) if c.area() > sliver]
            thick = self.top_mm(k) - (self.top_mm(k - 1) if k else 0.0)
            middle = self.top_mm(k) - 0.5 * thick
            made: list[Component] = []
            grown: list[Floats] = []
            for region in here:
                rings = outline_of(region)
                area, least, _, centre = second_moments(rings)
                below = tuple(j for j, r in enumerate(regions) if _touch(region, r))
                # It is held by the stiffest of what it lies on.
                base = min((sums[j] for j in below), key=lambda s: give_at(s, middle),
                           default=np.zeros(3))
                own = thick / max(least, 1e-9) * np.array([1.0, middle, middle**2])
                grown.append(base + own)
                made.append(Component(rings, area, centre, least, below,
                                      give_at(base + own, self.top_mm(k))))
            found.append(tuple(made))
            regions, sums = here, grown
        return tuple(found)

    def top_mm(self, k: int) -> float:
        """Upper side of the k-th layer that is looked at, mm."""
        return float(self.stack.top_mm[self.looked_at[k]])

    @cached_property
    def pieces(self) -> tuple[Piece, ...]:
        """All pieces, in the order in which they end or join another."""
        done: list[Piece] = []
        open_: list[_Growing] = []
        owner: list[_Growing] = []
        for k, pieces in enumerate(self.layers):
            thick = self.top_mm(k) - (self.top_mm(k - 1) if k else 0.0)
            mine: list[_Growing] = []
            for component in pieces:
                under = list(dict.fromkeys(id(owner[j].root) for j in component.below))
                roots = [next(g for g in open_ if id(g) == i) for i in under]
                if not roots:
                    grows = _Growing(component.rings if k == 0 else ())
                    open_.append(grows)
                else:
                    grows = roots[0]
                    if len(roots) > 1:
                        done += [g.piece(k - 1, True) for g in roots]
                        for other in roots[1:]:
                            grows.take(other)
                            open_.remove(other)
                grows.add(component, thick, self.top_mm(k) - 0.5 * thick)
                mine.append(grows)
            owner = mine
        last = len(self.layers) - 1
        return tuple(done + [g.piece(last, False) for g in open_])

    def finding(
        self,
        kind: str,
        severity: Severity,
        message: str,
        at_mm: Sequence[float],
        z_mm: tuple[float, float],
        *,
        limit: float | None = None,
        rings: tuple[Floats, ...] = (),
        faces: tuple[int, ...] = (),
    ) -> Finding:
        """A finding of one of the checks. `rings`: its outline in plan, if it has one."""
        x, y, z = (float(v) for v in at_mm)
        layers = (self.stack.layer_at(z_mm[0]), self.stack.layer_at(z_mm[1]))
        return Finding(
            id="", kind=kind, severity=severity, z_mm=z_mm, at_mm=(x, y, z),
            area_mm2=sum(ring_area(r) for r in rings), reach_mm=None, span_mm=None,
            angle_deg=None, limit=limit, faces=faces, message=message,
            patch=Patch(rings, (), np.empty(0, dtype=np.int64), z_mm, layers),
        )


class _Growing:
    """A piece while it grows."""

    def __init__(self, foot: tuple[Floats, ...]) -> None:
        self.foot = foot
        self.volume = 0.0
        self.moment = np.zeros(3)
        self.into: _Growing | None = None

    @property
    def root(self) -> _Growing:
        return self if self.into is None else self.into.root

    def add(self, component: Component, thick_mm: float, middle_mm: float) -> None:
        volume = component.area_mm2 * thick_mm
        self.volume += volume
        self.moment += volume * np.array([*component.centre, middle_mm])

    def take(self, other: _Growing) -> None:
        self.foot += other.foot
        self.volume += other.volume
        self.moment += other.moment
        other.into = self

    def piece(self, upto: int, joins: bool) -> Piece:
        return Piece(upto, joins, self.foot, self.volume, self.moment / max(self.volume, 1e-12))


@dataclass(frozen=True, eq=False)
class Strip:
    """Something narrow in plan, over a range of height: its outline where it is narrowest, a
    point of it, and its width."""

    rings: tuple[Floats, ...]
    at_mm: tuple[float, float]
    z_mm: tuple[float, float]
    wide_mm: float


def strips(
    built: Built, narrow: Callable[[m3.CrossSection, float], m3.CrossSection], least_mm2: float
) -> list[Strip]:
    """What `narrow` leaves of the layers looked at (their region and the line's width go in), in
    pieces of at least `least_mm2`, each once over its height."""
    seen: list[list[Strip]] = []
    for k, layer in enumerate(built.looked_at):
        low = built.top_mm(k - 1) if k else 0.0
        here = []
        for region in components(narrow(built.stack.regions[layer], built.process.line_mm)):
            area = region.area()
            if area < least_mm2:
                continue
            rings = outline_of(region)
            round_ = sum(float(shapely.length(shapely.LinearRing(r))) for r in rings)
            point = shapely.point_on_surface(shapely.Polygon(rings[0], list(rings[1:])))
            here.append(Strip(rings, (point.x, point.y), (low, built.top_mm(k)),
                              2.0 * area / round_))
        seen.append(here)
    return followed(seen)


def followed(seen: Sequence[Sequence[Strip]]) -> list[Strip]:
    """Strips of one layer after the other joined where one lies over the last; each is kept as
    it is where it is narrowest. What is lower than `FEATURE_MM` is the run-out of a slope."""
    done: list[Strip] = []
    open_: list[Strip] = []
    for here in seen:
        still: list[Strip] = []
        for strip in here:
            plan = shapely.Polygon(strip.rings[0])
            under = [o for o in open_ if shapely.Polygon(o.rings[0]).intersects(plan)]
            open_ = [o for o in open_ if o not in under]
            narrowest = min([strip, *under], key=lambda s: s.wide_mm)
            low = min(s.z_mm[0] for s in (strip, *under))
            still.append(replace(narrowest, z_mm=(low, strip.z_mm[1])))
        done += open_
        open_ = still
    whole = [s for s in done + open_ if s.z_mm[1] - s.z_mm[0] >= FEATURE_MM - 1e-6]
    return sorted(whole, key=lambda s: (s.z_mm, s.at_mm))


def give_at(sums: Floats, z_mm: float) -> float:
    """∫ (z − s)² / I ds of a beam held at its foot, from the sums of 1/I, s/I and s²/I (unit
    load at z; derived from the curvature M / (E I))."""
    return float(max(0.0, z_mm * z_mm * sums[0] - 2.0 * z_mm * sums[1] + sums[2]))


def platform_faces(part: Part) -> tuple[int, ...]:
    """Ids of the faces that lie on the platform."""
    return tuple(np.unique(part.mesh.face_of[on_platform(part)]).tolist())


def on_platform(part: Part) -> Ints:
    """Indices of the triangles that lie on the platform, (k,)."""
    low = part.mesh.vertices[:, 2] <= GRID_MM
    a, b, c = (low[part.mesh.triangles[:, k]] for k in range(3))
    return np.flatnonzero(a & b & c)


def _touch(a: m3.CrossSection, b: m3.CrossSection) -> bool:
    ax0, ay0, ax1, ay1 = a.bounds()
    bx0, by0, bx1, by1 = b.bounds()
    if ax0 > bx1 or bx0 > ax1 or ay0 > by1 or by0 > ay1:
        return False
    return bool((a ^ b).area() > GRID_MM)
