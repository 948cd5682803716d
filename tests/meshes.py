"""Triangle meshes for tests, as arrays: vertices (n, 3) mm and triangles (m, 3), outside out."""

from __future__ import annotations

import numpy as np
import trimesh

from soffit.part.model import FileNote, Floats, Ints, Part
from soffit.part.read import read

Arrays = tuple[Floats, Ints]

_QUADS = ((0, 2, 6, 4), (1, 5, 7, 3), (0, 4, 5, 1), (2, 3, 7, 6), (0, 1, 3, 2), (4, 6, 7, 5))
"""Faces of a block, two facets each: low z, high z, low y, high y, low x, high x."""


def block(low: tuple[float, float, float], high: tuple[float, float, float]) -> Arrays:
    """A block of twelve facets; facets 2 and 3 are its top."""
    corners = np.array([[x, y, z] for x in (low[0], high[0]) for y in (low[1], high[1])
                        for z in (low[2], high[2])], np.float64)
    facets = [t for a, b, c, d in _QUADS for t in ((a, b, c), (a, c, d))]
    return corners, np.array(facets, np.int64)


def ball(radius: float = 10.0, finer: int = 3) -> Arrays:
    """A sphere of 20 · 4^finer facets."""
    made = trimesh.creation.icosphere(finer, radius)
    return np.array(made.vertices), np.array(made.faces, np.int64)


def joined(*meshes: Arrays) -> Arrays:
    """Meshes side by side in one pair of arrays."""
    start = np.cumsum([0, *(len(v) for v, _ in meshes)])
    return (np.concatenate([v for v, _ in meshes]),
            np.concatenate([t + s for (_, t), s in zip(meshes, start, strict=False)]))


def turned(mesh: Arrays) -> Arrays:
    """The mesh inside out."""
    return mesh[0], mesh[1][:, ::-1]


def without(mesh: Arrays, *facets: int) -> Arrays:
    """The mesh without some facets."""
    return mesh[0], np.delete(mesh[1], facets, axis=0)


def part_of(mesh: Arrays, repair: bool = False) -> Part:
    """The mesh as read."""
    return read(mesh, unit="mm", repair=repair)


def note_of(part: Part, kind: str, text: str = "") -> FileNote:
    """The one note of a kind with `text` in it."""
    found = [n for n in part.notes if n.kind == kind and text in n.message]
    assert len(found) == 1, [n.message for n in part.notes]
    return found[0]


def kinds(part: Part) -> set[str]:
    """Kinds of its notes."""
    return {note.kind for note in part.notes}
