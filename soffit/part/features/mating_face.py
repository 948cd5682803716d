"""Flat faces that a pattern of holes opens into: what is bolted on may lie there.

Each side of a plate that its holes open into is a candidate, but for a side where the holes
are widened for the heads of screws.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from soffit.part.features.hole_pattern import Plane, planes
from soffit.part.features.model import HolePattern, MatingFace, RoundHole
from soffit.part.model import Part, Vec3
from soffit.part.place import in_file


def find_mating_faces(part: Part, holes: tuple[RoundHole, ...],
                      patterns: tuple[HolePattern, ...]) -> tuple[MatingFace, ...]:
    """Every candidate, by height, y and x of its centroid in the file's frame."""
    found = []
    for plane in planes(part, holes):
        mine = [p for p in patterns if all(hole in plane.faces for hole in p.holes)]
        if mine:
            found.append(_mating(part, plane, mine))
    found.sort(key=lambda m: (*(round(v, 3) for v in in_file(part, m.at_mm)[::-1]), m.faces))
    return tuple(replace(m, id=f"M{k}") for k, m in enumerate(found, 1))


def _mating(part: Part, plane: Plane, patterns: list[HolePattern]) -> MatingFace:
    faces = sorted({plane.faces[hole] for p in patterns for hole in p.holes})
    areas = np.array([part.face(face).area_mm2 for face in faces])
    middle = areas @ np.array([part.face(face).centroid for face in faces]) / areas.sum()
    at: Vec3 = tuple(middle.tolist())
    normal: Vec3 = tuple(plane.normal.tolist())
    return MatingFace("", tuple(faces), at, normal, float(areas.sum()),
                      tuple(p.id for p in patterns))
