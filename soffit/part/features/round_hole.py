"""Round holes: bores on one axis joined with their counterbores, countersinks and drill tips.

A stack is open at an end where, along its axis, no floor within the hole itself is met. One
that is open nowhere is a void, and one whose axis runs in material is a groove round a boss:
neither is a hole. What opens into a larger round hole on the same axis is a step of it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import manifold3d as m3
import numpy as np

from soffit.part.features.bore import COAXIAL_MM, Axis, Bore, bores
from soffit.part.features.model import Mouth, RoundHole, Section
from soffit.part.manifold import to_manifold
from soffit.part.model import Floats, Part, Surface, Vec3
from soffit.part.place import in_file
from soffit.part.topology import edges_of

# Flat faces lean by less from square to the axis (own limit: rounding of a file).
_SQUARE = 0.9998

# A cone at the mouth that is wider than this many bores takes a screw's head, a narrower one is
# a broken edge (from memory: heads of countersunk screws are about two diameters wide).
HEAD_RATIO = 1.6

# The axis is looked along at this share of the radius beside it, as facets of floors and tips
# often meet in the axis itself (own choice).
_ASIDE = np.array([0.0131, 0.0071])


@dataclass(frozen=True)
class _Hit:
    t: float
    entering: bool
    face: int


class _Surroundings:
    """What is asked again and again about one part."""

    def __init__(self, part: Part, solid: m3.Manifold) -> None:
        self.part, self.solid = part, solid
        # A ray cast names the kernel's own triangle, which knows its face.
        self._face_of = np.asarray(solid.to_mesh64().face_id)
        edges = edges_of(part.mesh.triangles)
        two = edges.count == 2
        start = edges.start[two]
        pairs = part.mesh.face_of[np.column_stack([edges.facet[start], edges.facet[start + 1]])]
        pairs = np.unique(np.sort(pairs[pairs[:, 0] != pairs[:, 1]], axis=1), axis=0)
        self.beside: dict[int, set[int]] = {}
        for a, b in pairs.tolist():
            self.beside.setdefault(a, set()).add(b)
            self.beside.setdefault(b, set()).add(a)

    def neighbours(self, faces: Iterable[int]) -> list[int]:
        """Faces that share an edge with these and are none of them, sorted."""
        own = set(faces)
        found = {other for face in own for other in self.beside.get(face, ())}
        return sorted(found - own)

    def corners(self, face: int) -> Floats:
        """Corner points of a face, (k, 3)."""
        return self.part.mesh.corners[self.part.mesh.of_face(face)].reshape(-1, 3)

    def along(self, axis: Axis, radius: float) -> list[_Hit]:
        """Every passage of a line beside the axis through the surface, upwards."""
        low, high = self.part.mesh.bounds
        reach = float(np.linalg.norm(high - low)) + 1.0
        middle = axis.at(float(axis.height(0.5 * (low + high))))
        start = middle + axis.across @ (_ASIDE * radius) - reach * axis.along
        base = float(axis.height(start))
        found = self.solid.ray_cast(tuple(start.tolist()),
                                    tuple((start + 2.0 * reach * axis.along).tolist()))
        return [_Hit(base + 2.0 * reach * h.distance, float(np.dot(h.normal, axis.along)) < 0,
                     int(self._face_of[h.face_id])) for h in found]


def find_round_holes(part: Part) -> tuple[RoundHole, ...]:
    """Every round hole of a part, by height, y and x of its middle in the file's frame; none where
    its surface is not closed, as it cannot be told there what is inside."""
    solid = to_manifold(part.mesh) if part.closed else None
    on_axes = bores(part) if solid is not None else []
    if solid is None or not on_axes:
        return ()
    around = _Surroundings(part, solid)
    found = []
    for axis, stretches in on_axes:
        narrowest = min(bore.widest for bore in stretches)
        hits = around.along(axis, narrowest)
        for stack in _stacks(part, stretches, hits):
            hole = _hole(around, axis, stack, hits)
            if hole is not None:
                found.append(hole)
    found.sort(key=lambda h: (*(round(v, 3) for v in in_file(part, h.at_mm)[::-1]), h.faces))
    return tuple(replace(hole, id=f"H{k}") for k, hole in enumerate(found, 1))


def _inside(hits: list[_Hit], t: float) -> bool:
    return sum(1 if h.entering else -1 for h in hits if h.t < t) > 0


def _blur(part: Part) -> float:
    return max(COAXIAL_MM, 2.0 * part.deflection_mm)


def _stacks(part: Part, stretches: list[Bore], hits: list[_Hit]) -> list[list[Bore]]:
    """Stretches that follow on one another with nothing between, low ones first."""
    blur = _blur(part)
    kept = [a for a in stretches if not any(
        b.widest < a.widest and min(a.high, b.high) - max(a.low, b.low) > 2 * blur
        for b in stretches)]  # a groove round a tube lies round a narrower bore
    stacks: list[list[Bore]] = []
    for bore in kept:
        last = stacks[-1][-1] if stacks else None
        if last is not None:
            gap = bore.low - last.high
            # A rounded shoulder takes no more height than the radius steps.
            step = abs(bore.r_low - last.r_high)
            free = not _inside(hits, 0.5 * (bore.low + last.high))
            if gap <= blur or (gap <= step + blur and free):
                # The rounding belongs to the wider one.
                if last.r_high > bore.r_low:
                    stacks[-1][-1] = replace(last, high=bore.low)
                    stacks[-1].append(bore)
                else:
                    stacks[-1].append(replace(bore, low=last.high))
                continue
        stacks.append([bore])
    return [stack for stack in stacks if any(not bore.tapered for bore in stack)]


def _hole(around: _Surroundings, axis: Axis, stack: list[Bore], hits: list[_Hit]
          ) -> RoundHole | None:
    part = around.part
    blur = _blur(part)
    low, high = stack[0].low, stack[-1].high
    narrow = min((b for b in stack if not b.tapered), key=lambda b: b.widest)
    if _inside(hits, 0.5 * (narrow.low + narrow.high)):
        return None
    widest = max(b.widest for b in stack)

    def within(face: int) -> bool:
        corners = around.corners(face)
        return bool(axis.away(corners).max() <= widest + blur)

    walls = {face for bore in stack for face in bore.faces}

    def shuts(face: int, t: float) -> bool:
        """Whether a face closes the end at `t`: of a stack that ends in a tip it is the tip; a
        ball's floor lies a radius beyond the wall."""
        if face in walls:
            return True
        return face > 0 and within(face) and float(
            np.abs(axis.height(around.corners(face)) - t).min()) <= widest

    floors = [next((h.face for h in hits if h.entering and h.t >= high - blur), 0),
              next((h.face for h in reversed(hits) if not h.entering and h.t <= low + blur), 0)]
    closed = [shuts(face, t) for face, t in zip(floors, (high, low), strict=True)]
    if all(closed):
        return None
    faces = walls | {face for face, shut in zip(floors, closed, strict=True) if shut}
    for _ in range(2):
        for face in around.neighbours(faces):
            t = axis.height(around.corners(face))
            if within(face) and t.min() >= low - blur and t.max() <= high + blur:
                faces.add(face)
    through = not any(closed)
    ends = (stack[0].r_low, stack[-1].r_high)
    upward = closed[0] or (through and ends[0] >= ends[1] - 1e-6)
    inwards = axis.along if upward else -axis.along
    ordered = stack if upward else stack[::-1]
    sections = tuple(
        Section(2.0 * (b.r_low if upward else b.r_high), 2.0 * (b.r_high if upward else b.r_low),
                b.high - b.low, b.faces) for b in ordered)
    mouths = []
    for at_top, shut in ((True, closed[0]), (False, closed[1])):
        if not shut:
            end = stack[-1] if at_top else stack[0]
            headed = (end.r_high if at_top else end.r_low) > narrow.widest * (
                HEAD_RATIO if end.tapered else 1.0 + 1e-6)
            normal = axis.along if at_top else -axis.along
            level = end.high if at_top else end.low
            mouths += [Mouth(face, at_top == upward, headed)
                       for face in _mouth(around, axis, faces, normal, level, widest)]
    middle = axis.at(0.5 * (low + high))
    return RoundHole("", tuple(sorted(faces)), _vec(middle), _vec(inwards), through, sections,
                     tuple(mouths))


def _mouth(around: _Surroundings, axis: Axis, faces: set[int], normal: Floats, level: float,
           radius: float) -> list[int]:
    """Flat faces square to the axis round an open end, also behind a rounded rim."""
    beside = around.neighbours(faces)
    rim = [face for face in beside if around.part.face(face).surface is not Surface.PLANE
           and axis.away(around.corners(face)).max() <= 2.0 * radius]
    found = []
    for face in sorted({*beside, *around.neighbours({*faces, *rim})}):
        what = around.part.face(face)
        t = axis.height(around.corners(face))
        if (face not in faces and what.surface is Surface.PLANE
                and float(np.dot(what.normal, normal)) > _SQUARE
                and abs(float(t.mean()) - level) <= radius):
            found.append(face)
    return found


def _vec(values: Floats) -> Vec3:
    x, y, z = values.tolist()
    return (x + 0.0, y + 0.0, z + 0.0)
