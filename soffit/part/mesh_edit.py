"""Changes applied to a mesh part with the mesh kernel's booleans.

Every triangle of the result knows the face that it came from: faces of the part stay the
faces they were, what a tool leaves behind becomes new faces, one for each plane or smooth
region, with the edit's id, name and colour. The volume balance is checked after each
boolean, and an addition that hangs free of the part is refused.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

import manifold3d as m3
import numpy as np
from numpy.typing import NDArray

from soffit.errors import GeometryError
from soffit.part.manifold import require, to_manifold
from soffit.part.mesh_solid import evaluate, facet_normals, merged, neighbours, smooth_regions
from soffit.part.model import Change, Face, Floats, Ints, Mesh, Part, Surface, Vec3

# Colours of the sheet's palette, RGB 0..1: material added teal, material removed grey.
ADDED: Vec3 = (0.0, 121 / 255, 122 / 255)
REMOVED: Vec3 = (138 / 255, 138 / 255, 138 / 255)

# Volume balance: rounding of the kernel on parts of a metre grows with the volume
# (derived: 1e-5 of the volume, and 0.001 mm³ where that is nothing).
BALANCE_REL = 1e-5
BALANCE_MM3 = 1e-3

# Deviation from one plane that still reads as a plane (derived: the layer engine's grid).
FLAT_MM = 1e-4

# Planes whose normals and relative distances differ by less are one (derived: the kernel moves
# vertices by 1e-11 of the size; triangles of 1e-4 mm then lean by 1e-5 on 100 mm).
SAME_PLANE = 1e-5


def trial(solid: m3.Manifold, tool: m3.Manifold, op: Literal["add", "cut"]) -> m3.Manifold:
    """`solid` with `tool` added or cut, unchecked: for trying an option quickly."""
    return solid + tool if op == "add" else solid - tool


def apply_what_can(part: Part, changes: Sequence[Change]) -> tuple[Part, dict[int, str]]:
    """`part` with each change applied in turn, each solid meant for the part as given. Those that
    cannot be applied (the part's surface is not closed, no solid, a volume that does not balance,
    an addition that does not touch the part) are left out, and named by their index with the
    reason; the others take the names of the changes in order."""
    given = part
    refused: dict[int, str] = {}
    for k, change in enumerate(changes):
        try:
            tool = evaluate(change.solid, given).as_original()
            part = _apply_one(part, change.named(changes[k - len(refused)].edit), tool)
        except GeometryError as error:
            refused[k] = str(error)
    return part, refused


def _apply_one(part: Part, change: Change, tool: m3.Manifold) -> Part:
    doing = f"edit {change.edit} ({change.op} {change.name!r})"
    before = to_manifold(part.mesh)
    if before is None:
        raise GeometryError(f"{doing}: the part's surface is not closed; repair it first")
    if tool.volume() <= 0:
        raise GeometryError(f"{doing}: the solid is empty; drop the edit")
    after = require(trial(before, tool, change.op), doing)
    check_balance(before, tool, after, change.op, doing)
    if change.op == "add" and lumps(after) > lumps(before):
        raise GeometryError(f"{doing}: the addition does not touch the part; not applied")
    return _read_back(part, after, tool.original_id(), change)


def check_balance(
    before: m3.Manifold,
    tool: m3.Manifold,
    after: m3.Manifold,
    op: Literal["add", "cut"],
    doing: str,
) -> None:
    """Raise GeometryError where the volumes do not add up:
    V(after) = V(before) + V(tool) − V(common), or V(before) − V(common) for a cut."""
    common = (before ^ tool).volume()
    gain = tool.volume() - common if op == "add" else -common
    expected = before.volume() + gain
    error = after.volume() - expected
    if abs(error) > BALANCE_REL * abs(expected) + BALANCE_MM3:
        raise GeometryError(
            f"{doing}: volume is {after.volume():.4f} mm³ where {expected:.4f} mm³ was"
            f" expected ({error:+.4f}); not applied"
        )


def lumps(solid: m3.Manifold) -> int:
    """Number of separate pieces of material (closed voids are not counted)."""
    return sum(1 for piece in solid.decompose() if piece.volume() > 0)


def _read_back(part: Part, after: m3.Manifold, tool_id: int, change: Change) -> Part:
    out = after.to_mesh64()
    vertices, triangles = merged(out)
    face_of = np.asarray(out.face_id, dtype=np.int64)
    runs = np.asarray(out.run_index, dtype=np.int64) // 3
    new = np.repeat(np.asarray(out.run_original_id) == tool_id, np.diff(runs))
    normals = _true_normals(part, vertices, triangles, new)
    body_of = np.zeros(len(triangles), dtype=np.int64)
    old = np.array([0] + [face.body for face in part.faces])
    body_of[~new] = old[face_of[~new]]
    fresh = np.flatnonzero(new)
    region = smooth_regions(vertices, triangles[fresh])
    label = np.where(new, 0, face_of)
    label[fresh] = len(part.faces) + 1 + region
    body_of[fresh] = _bodies_beside(triangles, new, body_of)[fresh]
    return _with_faces(part, vertices, triangles, normals, label, body_of, change)


def _true_normals(
    part: Part, vertices: Floats, triangles: Ints, new: NDArray[np.bool_]
) -> Floats:
    """Normals of the result: of a new triangle its own, of an old one that of the true surface,
    as the triangle of the part had it that lies in the same plane."""
    facet = facet_normals(vertices, triangles)
    before = part.mesh
    old = np.flatnonzero(~new)
    if part.deflection_mm == 0.0 or not len(old):
        return facet
    # Built here: it takes a while to load, and a mesh file has no truer normals.
    from scipy.spatial import cKDTree

    centre = before.bounds.mean(axis=0)
    size = float(np.linalg.norm(np.ptp(before.bounds, axis=0)))

    def plane(normal: Floats, corner: Floats) -> Floats:
        away = np.einsum("ij,ij->i", normal, corner - centre) / size
        return np.column_stack([normal, away])

    theirs = facet_normals(before.vertices, before.triangles)
    tree = cKDTree(plane(theirs, before.corners[:, 0]))
    near, index = tree.query(plane(facet[old], vertices[triangles[old, 0]]))
    same = near < SAME_PLANE
    normals = facet.copy()
    normals[old[same]] = before.normals[index[same]]
    return normals


def _bodies_beside(triangles: Ints, new: NDArray[np.bool_], body_of: Ints) -> Ints:
    """Body for the new triangles: that of an old triangle that a connected one touches."""
    known = np.where(new, -1, body_of)
    a, b = neighbours(triangles)
    while True:
        reach = np.concatenate(
            [
                np.stack([a, b], axis=1)[(known[a] >= 0) & (known[b] < 0)],
                np.stack([b, a], axis=1)[(known[b] >= 0) & (known[a] < 0)],
            ]
        )
        if not len(reach):
            return np.maximum(known, 0)
        known[reach[:, 1]] = known[reach[:, 0]]


def _with_faces(
    part: Part,
    vertices: Floats,
    triangles: Ints,
    normals: Floats,
    label: Ints,
    body_of: Ints,
    change: Change,
) -> Part:
    """The part with faces renumbered 1..n: old ones in their order, then the new ones."""
    ids, numbers = np.unique(label, return_inverse=True)
    face_of = numbers.reshape(-1).astype(np.int64) + 1
    color = ADDED if change.op == "add" else REMOVED
    mesh = Mesh(vertices, triangles, face_of, normals, body_of)
    order = np.argsort(face_of, kind="stable")
    bounds = np.searchsorted(face_of[order], np.arange(1, len(ids) + 2))
    faces = []
    for number, was in enumerate(ids.tolist(), start=1):
        mine = order[bounds[number - 1] : bounds[number]]
        area = float(mesh.areas[mine].sum())
        if was > len(part.faces):
            surface = Surface.PLANE if _is_flat(mesh, mine) else Surface.REGION
            centre, normal = _summary(mesh, mine)
            face = Face(number, surface, int(body_of[mine[0]]), area, centre, normal)
            face = replace(face, name=change.name, edit=change.edit, color=color)
        else:
            face = replace(part.face(was), id=number)
            if abs(area - face.area_mm2) > 1e-9 * max(1.0, face.area_mm2):
                centre, normal = _summary(mesh, mine)
                face = replace(face, area_mm2=area, centroid=centre, normal=normal)
        faces.append(face)
    # A triangle without area takes its face's normal, so that none is left without one.
    thin = np.flatnonzero(~np.any(normals, axis=1))
    if len(thin):
        normals = normals.copy()
        normals[thin] = np.array([faces[i - 1].normal for i in face_of[thin].tolist()])
        mesh = replace(mesh, normals=normals)
    return replace(part, mesh=mesh, faces=tuple(faces))


def _is_flat(mesh: Mesh, index: Ints) -> bool:
    direction = mesh.cross[index].sum(axis=0)
    length = float(np.linalg.norm(direction))
    if length == 0:
        return False
    height = mesh.corners[index].reshape(-1, 3) @ (direction / length)
    return bool(np.ptp(height) <= FLAT_MM)


def _summary(mesh: Mesh, index: Ints) -> tuple[Vec3, Vec3]:
    """Centroid of the triangle nearest to the face's area centroid, and its normal."""
    areas = mesh.areas[index]
    centroids = mesh.corners[index].mean(axis=1)
    total = float(areas.sum())
    mean = areas @ centroids / total if total > 0 else centroids.mean(axis=0)
    distance = np.linalg.norm(centroids - mean, axis=1)
    nearest = int(np.argmin(np.where(areas >= 1e-6 * areas.max(), distance, np.inf)))
    direction = mesh.cross[index][nearest]
    length = float(np.linalg.norm(direction))
    normal = direction / length if length > 0 else np.array([0.0, 0.0, 1.0])
    x, y, z = centroids[nearest].tolist()
    u, v, w = normal.tolist()
    return (x, y, z), (u, v, w)
