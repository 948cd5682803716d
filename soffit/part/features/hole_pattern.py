"""Patterns of equal parallel holes: circles, rectangles, grids, lines and pairs.

Holes count as equal where all their steps are, and as one pattern where they open into one
plane. Each hole of such a group is used once: the figure with most holes first. What remains
without a figure is no pattern.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from soffit.part.features.model import HolePattern, RoundHole, Shape
from soffit.part.features.sizes import flange_readings
from soffit.part.fits import across
from soffit.part.model import Floats, Part

# Holes may lie so far from their figure, and differ so much in diameter (own limits: rounding of
# drawings in hundredths).
OFF_MM = 0.1
EQUAL_MM = 0.02

# Planes are one if their normals and heights agree to this (own limits).
_PARALLEL = 1e-3
_LEVEL_MM = 0.05

# More equal holes in one plane are a sieve and not where something is bolted on (own limit).
MOST_HOLES = 40


@dataclass(frozen=True)
class Plane:
    """Flat faces in one plane, with the holes that open into them. `normal` (3,) outward."""

    normal: Floats
    level: float
    faces: dict[str, int]


@dataclass(frozen=True)
class _Figure:
    shape: Shape
    members: tuple[int, ...]
    size_mm: tuple[float, ...]


def planes(part: Part, holes: Iterable[RoundHole]) -> list[Plane]:
    """The planes that holes open into, as far as a mating part may lie there: not those that a
    screw's head is let into."""
    found: list[Plane] = []
    for hole in holes:
        for mouth in hole.mouths:
            if mouth.headed and hole.through:
                continue
            face = part.face(mouth.face)
            normal = np.array(face.normal)
            level = float(np.dot(part.mesh.corners[part.mesh.of_face(face.id)][0, 0], normal))
            for plane in found:
                if (float(np.abs(plane.normal - normal).max()) <= _PARALLEL
                        and abs(plane.level - level) <= _LEVEL_MM):
                    plane.faces[hole.id] = face.id
                    break
            else:
                found.append(Plane(normal, level, {hole.id: face.id}))
    return found


def find_patterns(part: Part, holes: tuple[RoundHole, ...]) -> tuple[HolePattern, ...]:
    """Every pattern of holes; the same holes seen from both sides are one."""
    by_id = {hole.id: hole for hole in holes}
    made: dict[tuple[str, ...], HolePattern] = {}
    for plane in planes(part, holes):
        group_of = [by_id[k] for k in plane.faces]
        for group in _equal(group_of):
            if not 2 <= len(group) <= MOST_HOLES:
                continue
            plan = np.column_stack(across(plane.normal))
            points = np.array([hole.at_mm for hole in group]) @ plan
            for figure in _figures(points):
                mine = [group[k] for k in figure.members]
                ids = tuple(hole.id for hole in mine)
                if ids in made:
                    continue
                faces = sorted({face for hole in mine for face in hole.faces})
                made[ids] = HolePattern(
                    "", tuple(faces), mine[0].at_mm, figure.shape, ids, figure.size_mm,
                    flange_readings(figure.shape, figure.size_mm, mine[0]))
    ordered = sorted(made.values(), key=lambda p: [int(h[1:]) for h in p.holes])
    return tuple(replace(p, id=f"P{k}") for k, p in enumerate(ordered, 1))


def _equal(holes: list[RoundHole]) -> list[list[RoundHole]]:
    """Groups of holes with the same sections, whichever end counts as the opening."""
    groups: list[list[RoundHole]] = []
    for hole in holes:
        for group in groups:
            if group[0].through == hole.through and _same_sections(group[0], hole):
                group.append(hole)
                break
        else:
            groups.append([hole])
    return groups


def _same_sections(one: RoundHole, other: RoundHole) -> bool:
    if len(one.sections) != len(other.sections):
        return False
    return all(abs(a.enter_mm - b.enter_mm) <= EQUAL_MM and abs(a.end_mm - b.end_mm) <= EQUAL_MM
               for a, b in zip(one.sections, other.sections, strict=True))


def _figures(points: Floats) -> list[_Figure]:
    """Figures of points (n, 2), each point in one at most."""
    if len(points) == 2:
        return [_Figure("pair", (0, 1), (float(np.linalg.norm(points[1] - points[0])),))]
    rectangles = _rectangles(points)
    offers = [*_circles(points), *rectangles, *_grids(points, rectangles), *_lines(points)]
    offers.sort(key=lambda f: (-len(f.members), [round(-s, 3) for s in f.size_mm], f.members))
    taken: set[int] = set()
    chosen = []
    for figure in offers:
        if not taken & set(figure.members):
            taken |= set(figure.members)
            chosen.append(figure)
    return chosen


def _circles(points: Floats) -> list[_Figure]:
    """Three, five or more points at equal steps round a circle; four make a rectangle."""
    found: dict[tuple[int, ...], _Figure] = {}
    for triple in itertools.combinations(range(len(points)), 3):
        a, b, c = points[list(triple)]
        system = 2.0 * np.array([b - a, c - a])
        scale = float(np.abs(system).max()) ** 2
        if abs(float(np.linalg.det(system))) < 1e-6 * scale:
            continue
        centre = np.linalg.solve(system, [b @ b - a @ a, c @ c - a @ a])
        away = np.linalg.norm(points - centre, axis=1)
        radius = float(away[list(triple)].mean())
        members = tuple(np.flatnonzero(np.abs(away - radius) <= OFF_MM).tolist())
        count = len(members)
        if count < 3 or count == 4 or members in found:
            continue
        spokes = points[list(members)] - centre
        turn = np.sort(np.arctan2(spokes[:, 1], spokes[:, 0]))
        steps = np.diff(np.append(turn, turn[0] + 2.0 * math.pi))
        if float(np.abs(steps - 2.0 * math.pi / count).max()) * radius <= OFF_MM:
            found[members] = _Figure("circle", members, (2.0 * radius,))
    return list(found.values())


def _rectangles(points: Floats) -> list[_Figure]:
    """Four points whose two diagonals are equal and halve each other."""
    pairs = list(itertools.combinations(range(len(points)), 2))
    first, second = points[[a for a, _ in pairs]], points[[b for _, b in pairs]]
    middle, length = 0.5 * (first + second), np.linalg.norm(second - first, axis=1)
    found = []
    for k, (a, b) in enumerate(pairs):
        same = (np.linalg.norm(middle - middle[k], axis=1) <= OFF_MM) & (
            np.abs(length - length[k]) <= OFF_MM)
        for m in np.flatnonzero(same).tolist():
            c, d = pairs[m]
            if m <= k or {a, b} & {c, d}:
                continue
            sides = sorted((float(np.linalg.norm(points[a] - points[c])),
                            float(np.linalg.norm(points[a] - points[d]))), reverse=True)
            if sides[1] > 2.0 * OFF_MM:
                found.append(_Figure("rectangle", tuple(sorted((a, b, c, d))), tuple(sides)))
    return found


def _grids(points: Floats, rectangles: list[_Figure]) -> list[_Figure]:
    """All points, where they stand in rows and columns at even pitches."""
    if len(points) <= 4 or not rectangles:
        return []
    largest = max(rectangles, key=lambda f: (round(f.size_mm[0] * f.size_mm[1], 3), f.members))
    a, *others = largest.members
    sides = sorted((points[k] - points[a] for k in others), key=lambda v: float(v @ v))[:2]
    pitches, count = [], 1
    for side in sides:
        length = float(np.linalg.norm(side))
        at = np.sort((points - points[a]) @ side / length)
        levels = at[np.diff(at, prepend=-math.inf) > 2.0 * OFF_MM]
        pitch = length / max(len(levels) - 1, 1)
        if np.abs(levels - pitch * np.arange(len(levels))).max() > OFF_MM:
            return []
        pitches.append(pitch)
        count *= len(levels)
    # Each place is taken: as many points as places, and no two on one.
    if count != len(points):
        return []
    pitches.sort(reverse=True)
    return [_Figure("grid", tuple(range(len(points))), tuple(pitches))]


def _lines(points: Floats) -> list[_Figure]:
    """Three or more points in a row at one pitch."""
    found: dict[tuple[int, ...], _Figure] = {}
    for a, b in itertools.permutations(range(len(points)), 2):
        step = points[b] - points[a]
        row = [a, b]
        while True:
            away = np.linalg.norm(points - (points[row[-1]] + step), axis=1)
            after = int(away.argmin())
            if away[after] > OFF_MM or after in row:
                break
            row.append(after)
        members = tuple(sorted(row))
        if len(row) >= 3 and members not in found:
            pitch = float(np.linalg.norm(points[row[-1]] - points[row[0]])) / (len(row) - 1)
            found[members] = _Figure("line", members, (pitch,))
    return list(found.values())
