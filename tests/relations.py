"""Changes to a mesh that must not change its findings, and how two reviews are compared.

Findings are paired by kind, place and height; places of the changed mesh are brought back to the
frame of the plain one.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from soffit.findings.model import Finding, Review
from soffit.layers.stack import GRID_MM
from soffit.part.health import examine
from soffit.part.model import Floats, Mesh, Part, Source
from soffit.part.place import place
from soffit.part.raw import weld_exact
from soffit.part.regions import facet_normals, segment
from soffit.part.units import MM_PER_UNIT
from tests.meshes import Arrays, joined

# How far an outline may move: the polygon grid on either side (derived).
OUTLINE_MM = 2 * GRID_MM
# Heights: rounding of coordinates 1e4 mm off, and of inches.
HEIGHT_MM = 1e-6

Back = Callable[[Floats], Floats]


@dataclass(frozen=True)
class Relation:
    """A change: what it makes of the arrays, the unit they are read in, and how a point in plan,
    (n, 2) mm, goes back to the frame of the mesh before. `moves_mm`, `lifts_mm`: how far it may
    move an outline, and a height. `more_corners`: whether it gives outlines more corners."""

    change: Callable[[Arrays], Arrays]
    back: Back
    unit: str = "mm"
    more_corners: bool = False
    moves_mm: float = OUTLINE_MM
    lifts_mm: float = HEIGHT_MM

    def reach_off(self, finding: Finding) -> float:
        """How far its reach may differ: the outline is asked at its corners and at the quarters of
        its edges, so no point of it is farther from one asked than an eighth of its longest edge,
        and neither is its distance. Without new corners the same points are asked."""
        if not self.more_corners:
            return 0.0
        return max((float(np.linalg.norm(np.roll(r, -1, axis=0) - r, axis=1).max())
                    for r in finding.patch.rings), default=0.0) / 8.0


def _same(points: Floats) -> Floats:
    return points


TURN_DEG = 33.7
"""An odd angle: no facet, edge or strand of a usual part lies along it."""
FAR_MM = np.array([1.0e4 + 1 / 3, -1.2e4 - 1 / 7, 0.9e4])
"""Far off: 64-bit numbers step by 2e-12 mm there."""


def _turn(degrees: float) -> Floats:
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    return np.array([[c, -s], [s, c]])


def _turned(mesh: Arrays) -> Arrays:
    vertices = mesh[0].copy()
    vertices[:, :2] = vertices[:, :2] @ _turn(TURN_DEG).T
    return vertices, mesh[1]


def _mirrored(mesh: Arrays) -> Arrays:
    return mesh[0] * [-1.0, 1.0, 1.0], mesh[1][:, ::-1]


def refined(mesh: Arrays) -> Arrays:
    """Each facet cut in four at the middles of its sides: the same surface."""
    vertices, triangles = mesh
    sides = np.sort(triangles[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1)
    unique, which = np.unique(sides, axis=0, return_inverse=True)
    m = len(vertices) + which.reshape(-1, 3)
    a, b, c = triangles.T
    fine = np.stack([np.stack([a, m[:, 0], m[:, 2]], 1), np.stack([b, m[:, 1], m[:, 0]], 1),
                     np.stack([c, m[:, 2], m[:, 1]], 1), m], axis=1).reshape(-1, 3)
    return np.concatenate([vertices, vertices[unique].mean(axis=1)]), fine


def _shuffled(mesh: Arrays) -> Arrays:
    """Facets in another order, each begun at another corner, corners in another order."""
    rng = np.random.default_rng(20)
    order = rng.permutation(len(mesh[1]))
    triangles = mesh[1][order]
    turn = rng.integers(0, 3, len(triangles))
    triangles = triangles[np.arange(len(triangles))[:, None], (np.arange(3) + turn[:, None]) % 3]
    number = rng.permutation(len(mesh[0]))
    vertices = np.empty_like(mesh[0])
    vertices[number] = mesh[0]
    return vertices, number[triangles]


RELATIONS: dict[str, Relation] = {
    "turned": Relation(_turned, lambda p: p @ _turn(TURN_DEG)),
    "mirrored": Relation(_mirrored, lambda p: p * [-1.0, 1.0]),
    "far off": Relation(lambda m: (m[0] + FAR_MM, m[1]), lambda p: p - FAR_MM[:2]),
    "doubled": Relation(lambda m: joined(m, m), _same),
    "refined": Relation(refined, _same, more_corners=True),
    "reversed": Relation(lambda m: (m[0], m[1][::-1]), _same),
    "shuffled": Relation(_shuffled, _same),
    "inches": Relation(lambda m: (m[0] / 25.4, m[1]), _same, "in"),
}


def made(mesh: Arrays, unit: str = "mm") -> Part:
    """The mesh read as any other, contacts left out for time, and set on the platform."""
    vertices, triangles = weld_exact(mesh[0] * MM_PER_UNIT[unit], mesh[1])
    health = examine(vertices, triangles, contacts=False)
    kept, body_of = health.settle(triangles)
    face_of, faces = segment(vertices, kept, body_of)
    shape = Mesh(vertices, kept, face_of, facet_normals(vertices, kept), body_of)
    part = Part(Source("mesh", "arrays", "", unit, "object"), shape, faces,
                int(body_of.max()) + 1, health.closed, health.notes)
    return place(part, "keep")


# These name one of several equal places: which is chance, that there is one is not.
NO_PLACE = ("cool/small-layer", "warp/corner")


def differences(plain: Review, changed: Review, relation: Relation) -> list[str]:
    """What is in one review and not in the other, in words; [] if they are the same."""
    left = [f for f in changed.findings if not f.kind.startswith("file/")]
    said = []
    for one in plain.findings:
        if one.kind.startswith("file/"):
            continue
        other = next((f for f in left if _same_place(one, f, relation)), None)
        if other is None:
            said.append(f"gone: {_words(one)}")
            continue
        left.remove(other)
        if not _same_measures(one, other, relation):
            said.append(f"changed: {_words(one)} to {_words(other)}")
    return said + [f"new: {_words(f)}" for f in left]


def _same_place(one: Finding, other: Finding, relation: Relation) -> bool:
    if one.kind != other.kind or np.abs(
            np.subtract(one.z_mm, other.z_mm)).max() > relation.lifts_mm:
        return False
    if abs(one.area_mm2 - other.area_mm2) > _area_off(one, relation):
        return False
    if one.kind in NO_PLACE:
        return True
    # The middle of an area A moves by no more than the share of A that its rim is, times its size.
    here, there = _middle(one), relation.back(_middle(other)[None])[0]
    size = max((float(np.ptp(r, axis=0).max()) for r in one.patch.rings), default=0.0)
    off = relation.moves_mm + size * _area_off(one, relation) / max(one.area_mm2, 1e-9)
    return bool(np.linalg.norm(here - there) <= off)


def _same_measures(one: Finding, other: Finding, relation: Relation) -> bool:
    """Reach and span alike, and the severity too unless the measure is that near to its limit."""
    strips = 1 + one.patch.layers[1] - one.patch.layers[0]
    near_limit = False
    for name, off in (("reach_mm", relation.moves_mm * strips + relation.reach_off(one)),
                      ("span_mm", 2 * relation.moves_mm)):
        a, b = getattr(one, name), getattr(other, name)
        if (a is None) != (b is None) or (a is not None and abs(a - b) > off):
            return False
        if a is not None and one.limit is not None:
            near_limit |= abs(a - one.limit - 1e-3) <= off
    return one.severity == other.severity or near_limit


def _area_off(finding: Finding, relation: Relation) -> float:
    """How much its area may differ: its outline, and those of its strips, times what each may
    move."""
    strips = 1 + finding.patch.layers[1] - finding.patch.layers[0]
    round_ = sum(float(np.linalg.norm(np.roll(r, -1, axis=0) - r, axis=1).sum())
                 for r in finding.patch.rings)
    return 1e-6 + relation.moves_mm * round_ * strips


def _middle(finding: Finding) -> Floats:
    """Middle of its area in plan, (2,) mm; where it has no outline, its place."""
    rings = finding.patch.rings
    if not rings:
        return np.array(finding.at_mm[:2])
    origin = rings[0].mean(axis=0)
    area, moment = 0.0, np.zeros(2)
    for ring in rings:
        here = ring - origin
        after = np.roll(here, -1, axis=0)
        cross = here[:, 0] * after[:, 1] - after[:, 0] * here[:, 1]
        area += 0.5 * float(cross.sum())
        moment += ((here + after) * cross[:, None]).sum(axis=0) / 6.0
    return np.asarray(origin + moment / area)


def _words(f: Finding) -> str:
    return (f"{f.kind} {f.severity} z {f.z_mm[0]:.4f}–{f.z_mm[1]:.4f} area {f.area_mm2:.4f} "
            f"reach {f.reach_mm} span {f.span_mm} at {np.round(_middle(f), 3).tolist()}")
