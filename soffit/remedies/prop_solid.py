"""Mesh-kernel bodies as kernel-neutral solids: separate pieces, cavities, planar faces.

Triangles that lie in one plane become one face, so that the STEP file of a prop has the few
faces that a person would draw.
"""

from __future__ import annotations

import manifold3d as m3
import numpy as np
from scipy.spatial import cKDTree

from soffit.errors import GeometryError
from soffit.part.caps import without_caps
from soffit.part.model import Floats, Ints
from soffit.part.solid import Difference, Polyhedron, Solid, Union

# Points of a body nearer than this are one, mm (derived: ten thousand times above the rounding of
# the mesh kernel, a hundred times below what a nozzle can place; of nearer ones slivers are left
# that the B-rep kernel takes for edges).
WELD_MM = 1e-3
# Pieces and cavities smaller than this are not printed, mm³ (derived: half a bead's section by
# its width).
LEAST_MM3 = 0.01
# Triangles leaning by less than this are in one plane, and how far a corner may then lie out of
# it, mm (derived: half of what the B-rep kernel takes for flat).
FLAT_DEG, FLAT_MM = 0.05, 5e-7


def lumps(body: m3.Manifold) -> list[m3.Manifold]:
    """The separate pieces of a body, each with its own cavities, in a fixed order."""
    return [outer ^ body if voids else outer for outer, voids in _shells(body)]


def _shells(body: m3.Manifold) -> list[tuple[m3.Manifold, list[m3.Manifold]]]:
    """Each outer surface of a body with the surfaces of the cavities in it, which face inwards
    and so have a volume below zero."""
    pieces = sorted(body.decompose(), key=lambda b: np.round(b.bounding_box(), 6).tolist())
    outers = [p for p in pieces if p.volume() > LEAST_MM3]
    found: list[tuple[m3.Manifold, list[m3.Manifold]]] = [(p, []) for p in outers]
    for void in (p for p in pieces if p.volume() < -LEAST_MM3):
        around = [k for k, p in enumerate(outers) if _within(void, p)]
        if around:
            found[min(around, key=lambda k: outers[k].volume())][1].append(void)
    return found


def _within(inner: m3.Manifold, outer: m3.Manifold) -> bool:
    a, b = np.array(inner.bounding_box()), np.array(outer.bounding_box())
    return bool((a[:3] >= b[:3]).all() and (a[3:] <= b[3:]).all())


def as_solid(body: m3.Manifold) -> Solid:
    """A mesh-kernel solid as a kernel-neutral one, each separate piece by itself."""
    made: list[Solid] = []
    for outer, voids in _shells(body):
        solid: Solid = _polyhedron(outer, 1)
        hollow = [_polyhedron(v, -1) for v in voids]
        if hollow:
            solid = Difference(solid, hollow[0] if len(hollow) == 1 else Union(tuple(hollow)))
        made.append(solid)
    return made[0] if len(made) == 1 else Union(tuple(made))


def _polyhedron(shell: m3.Manifold, way: int) -> Polyhedron:
    """One closed surface with planar faces; `way` is −1 to turn it inside out."""
    from soffit.part.mesh_solid import arrays, evaluate

    vertices, triangles = arrays(shell.simplify(WELD_MM))
    triangles = without_caps(vertices, triangles)[:, ::way]
    # Where merging gives no closed surface, the triangles stay as the mesh kernel made them.
    try:
        made = _with_faces(*_welded(vertices, triangles))
        evaluate(made)
    except GeometryError:
        return Polyhedron(vertices, tuple(tuple(t) for t in triangles.tolist()))
    return made


def _welded(vertices: Floats, triangles: Ints) -> tuple[Floats, Ints]:
    """The surface with points that coincide but for rounding made one, and without the
    triangles that this closes; as it was where that would not leave a closed surface."""
    pairs = cKDTree(vertices).query_pairs(WELD_MM, output_type="ndarray")
    into = np.arange(len(vertices))
    for a, b in pairs[np.lexsort((pairs[:, 1], pairs[:, 0]))].tolist():
        into[into == into[b]] = into[a]
    made = into[triangles]
    keep = (made[:, 0] != made[:, 1]) & (made[:, 1] != made[:, 2]) & (made[:, 2] != made[:, 0])
    made = made[keep]
    sides = np.concatenate([made[:, [0, 1]], made[:, [1, 2]], made[:, [2, 0]]])
    there = {(a, b) for a, b in sides.tolist()}
    closed = len(there) == len(sides) and all((b, a) in there for a, b in there)
    return (vertices, made) if closed else (vertices, triangles)


def _with_faces(vertices: Floats, triangles: Ints) -> Polyhedron:
    from soffit.part.mesh_solid import smooth_regions

    region = smooth_regions(vertices, triangles, FLAT_DEG)
    loops: list[list[int]] = []
    order = np.argsort(region, kind="stable")
    for mine in np.split(triangles[order], np.cumsum(np.bincount(region))[:-1]):
        loop = _outline(mine) if len(mine) > 1 else None
        if loop is not None and _flat(vertices[loop]):
            loops.append(loop)
        else:
            loops += mine.tolist()
    uses = np.bincount([v for loop in loops for v in loop], minlength=len(vertices))
    tidy = [_straightened(vertices, loop, uses) for loop in loops]
    used, index = np.unique([v for loop in tidy for v in loop], return_inverse=True)
    ends = np.cumsum([len(loop) for loop in tidy])[:-1]
    return Polyhedron(vertices[used], tuple(tuple(a.tolist()) for a in np.split(index, ends)))


def _outline(triangles: Ints) -> list[int] | None:
    """The border of connected triangles as one loop; None where it has several or touches
    itself."""
    sides = {side for a, b, c in triangles.tolist() for side in ((a, b), (b, c), (c, a))}
    after = {a: b for a, b in sides if (b, a) not in sides}
    if len(after) != sum((b, a) not in sides for a, b in sides):
        return None
    start = min(after)
    loop = [start]
    while (here := after[loop[-1]]) != start:
        loop.append(here)
    return loop if len(loop) == len(after) else None


def _flat(corners: Floats) -> bool:
    p = corners - corners[0]
    normal = np.cross(p, np.roll(p, -1, axis=0)).sum(axis=0)
    size = float(np.linalg.norm(normal))
    if size <= 0.0:
        return False
    away = (corners - corners.mean(axis=0)) @ (normal / size)
    return float(np.abs(away).max()) <= FLAT_MM


def _straightened(vertices: Floats, loop: list[int], uses: Ints) -> list[int]:
    """A loop without the corners on a straight edge between two faces."""
    if len(loop) == 3 or bool((uses[loop] > 2).all()):
        return loop
    here = vertices[loop]
    a, b = here - np.roll(here, 1, axis=0), np.roll(here, -1, axis=0) - here
    size = np.linalg.norm(a, axis=1) * np.linalg.norm(b, axis=1)
    bend = np.linalg.norm(np.cross(a, b), axis=1) > 1e-7 * size
    keep = (uses[loop] > 2) | bend | (np.einsum("ij,ij->i", a, b) < 0.0)
    return [v for v, kept in zip(loop, keep.tolist(), strict=True) if kept]
