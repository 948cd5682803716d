"""Turn a part so that a direction points up and set it on the platform."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

import numpy as np

from soffit.errors import InputError
from soffit.part.model import Face, Floats, Part, Vec3, vec3


def rotation_to_up(up: Vec3) -> Floats:
    """Shortest rotation that turns `up` to +z, (3, 3); straight down turns about x."""
    v = np.asarray(up, dtype=np.float64)
    length = float(np.linalg.norm(v))
    if not np.isfinite(length) or length < 1e-9:
        raise InputError(f"--up {up}: no direction; give three numbers, not all zero")
    x, y, z = v / length
    if z < -1 + 1e-12:
        return np.diag([1.0, -1.0, -1.0])
    # Rodrigues' formula for the axis (y, -x, 0), written out (derived).
    k = 1.0 / (1.0 + z)
    return np.array([[1 - x * x * k, -x * y * k, -x], [-x * y * k, 1 - y * y * k, -y], [x, y, z]])


def place(part: Part, up: Vec3 | Literal["keep"] = "keep") -> Part:
    """`part` with `up` (in its present frame) turned to +z and its lowest point at z = 0.

    x and y are left as they are for "keep"; a turned part keeps its origin. Raises
    InputError for a direction without length.
    """
    turn = np.eye(3) if up == "keep" else rotation_to_up(up)
    vertices = part.mesh.vertices @ turn.T
    used = vertices[part.mesh.triangles.ravel(), 2]
    shift = np.array([0.0, 0.0, -float(used.min()) if len(used) else 0.0])
    step = np.eye(4)
    step[:3, :3] = turn
    step[:3, 3] = shift
    return transform(part, step)


def transform(part: Part, step: Floats) -> Part:
    """`part` moved by the rigid 4×4 `step`; its B-rep bytes stay, its placement follows."""
    turn, shift = step[:3, :3], step[:3, 3]
    mesh = replace(
        part.mesh,
        vertices=part.mesh.vertices @ turn.T + shift,
        normals=part.mesh.normals @ turn.T,
    )
    return replace(
        part,
        mesh=mesh,
        faces=_moved(part.faces, turn, shift),
        placement=step @ part.placement,
    )


def in_file(part: Part, point: Vec3) -> Vec3:
    """A point of the build frame in the file's frame, mm: the same whichever way up."""
    turn, shift = part.placement[:3, :3], part.placement[:3, 3]
    return vec3(turn.T @ (np.asarray(point) - shift))


def _moved(faces: Sequence[Face], turn: Floats, shift: Floats) -> tuple[Face, ...]:
    """Faces by the same step, all at once."""
    def turned(vectors: Sequence[Vec3], shift: Floats | None = None) -> list[Vec3]:
        rows = np.array(vectors, dtype=np.float64).reshape(-1, 3) @ turn.T
        return [(x, y, z) for x, y, z in (rows if shift is None else rows + shift).tolist()]

    nowhere = (0.0, 0.0, 0.0)
    moved = zip(
        faces, turned([f.centroid for f in faces], shift), turned([f.normal for f in faces]),
        turned([f.axis_point or nowhere for f in faces], shift),
        turned([f.axis_dir or nowhere for f in faces]), strict=True)
    return tuple(
        replace(face, centroid=centroid, normal=normal,
                axis_point=None if face.axis_point is None else point,
                axis_dir=None if face.axis_dir is None else direction)
        for face, centroid, normal, point, direction in moved)
