"""Solids of a B-rep that run through each other, told as a note.

Of meshes the facets that cross are told; those of a B-rep cross by rounding wherever curved faces
touch. So the volume that two bodies share is asked, and how thick it is.
"""

from __future__ import annotations

import manifold3d as m3
import numpy as np

from soffit.part.manifold import to_manifold
from soffit.part.model import FileNote, Ints, Part
from soffit.part.scene import only

# What two bodies share counts where it is thicker than this many deflections on the mean: faces
# that touch along a curve are each off by one at most (derived, doubled).
THICK_DEFLECTIONS = 4.0

# Pairs of bodies with overlapping boxes that are looked at (own limit, for time: some
# milliseconds each).
MOST_PAIRS = 1000


def overlap_notes(part: Part) -> tuple[FileNote, ...]:
    """Which bodies of a part read from a B-rep overlap, as at most two notes."""
    pairs = _near(part) if part.bodies > 1 else np.empty((0, 2), np.int64)
    notes: list[FileNote] = []
    solids: dict[int, m3.Manifold | None] = {}
    shared: list[tuple[float, int, int, m3.Manifold]] = []
    for a, b in pairs[:MOST_PAIRS].tolist():
        for body in (a, b):
            if body not in solids:
                solids[body] = to_manifold(only(part.mesh, part.mesh.body_of == body))
        first, second = solids[a], solids[b]
        if first is None or second is None:
            continue
        both = first ^ second
        if not both.is_empty() and (
            2.0 * both.volume() > THICK_DEFLECTIONS * part.deflection_mm * both.surface_area()
        ):
            shared.append((both.volume(), a + 1, b + 1, both))
    if shared:
        volume, a, b, both = max(shared, key=lambda s: s[:3])
        x0, y0, z0, x1, y1, z1 = both.bounding_box()
        more = f", and {len(shared) - 1} more pair(s)" if len(shared) > 1 else ""
        notes.append(FileNote(
            "file/self-contact", "marginal",
            f"bodies {a} and {b} overlap by {volume:.4g} mm³{more}; what overlaps counts as solid "
            "once: join the bodies in CAD", len(shared),
            (0.5 * (x0 + x1), 0.5 * (y0 + y1), 0.5 * (z0 + z1))))
    if len(pairs) > MOST_PAIRS:
        notes.append(FileNote(
            "file/self-contact", "note", f"whether bodies overlap was looked at for the first "
            f"{MOST_PAIRS} of {len(pairs)} pairs that stand close"))
    return tuple(notes)


def _near(part: Part) -> Ints:
    """Pairs of bodies whose boxes overlap, (k, 2)."""
    corners, body = part.mesh.corners, part.mesh.body_of
    low = np.full((part.bodies, 3), np.inf)
    high = np.full((part.bodies, 3), -np.inf)
    np.minimum.at(low, body, corners.min(axis=1))
    np.maximum.at(high, body, corners.max(axis=1))
    near = ((low[:, None] < high[None]) & (low[None] < high[:, None])).all(axis=2)
    return np.argwhere(np.triu(near, 1))
