"""Faces that must stay as they are, and how the user names them.

A selector is one of
    face 14                              by its id, as `soffit review` prints it
    face near 0,0,12 facing +z           the face nearest to a point of the file's frame that
                                         faces a direction (±x, ±y, ±z or three numbers)
    face near 0,0,12                     the face nearest to a point
    colour #1f3a6e                       every face that the STEP file paints in this colour
    features, bearing seats, …           those of what was recognised, see `plan/select_features.py`
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable

import numpy as np
import trimesh

from soffit.errors import SelectorError
from soffit.part.deviation import comes_near, face_points
from soffit.part.model import Floats, Mesh, Part, Vec3, vec3
from soffit.plan.select_features import NAMES, feature_faces, names_features

_NUMBER = r"[-+]?\d*\.?\d+(?:[eE][-+]?\d+)?"
_TRIPLE = rf"({_NUMBER}),({_NUMBER}),({_NUMBER})"
_BY_ID = re.compile(r"face\s+(\d+)$")
_NEAR = re.compile(rf"face\s+near\s+{_TRIPLE}(?:\s+facing\s+(?:([-+][xyz])|{_TRIPLE}))?$")
_COLOUR = re.compile(r"colou?r\s+#([0-9a-f]{6})$")
_AXES = {"x": 0, "y": 1, "z": 2}

# Faces whose normal there is within this of the direction asked for (from memory).
FACING_DEG = 30.0

# A face is flat whose normals are within this of their mean (derived: far above rounding).
FLAT_DEG = 0.5

# A body this near to a face touches it (derived: an eighth of a line, far below the gap that
# keeps two bodies apart in print).
TOUCH_MM = 0.05

# Colours differ by rounding to 8 bits and by conversion between colour spaces (derived: two steps).
COLOUR_STEP = 2.5 / 255


def select_faces(part: Part, selector: str) -> tuple[int, ...]:
    """Ids of the faces that a selector names; points and directions are in the file's frame, mm.

    Raises SelectorError if it cannot be parsed or names none.
    """
    text = " ".join(selector.strip().lower().split())
    text = re.sub(r"\s*,\s*", ",", text)
    if by_id := _BY_ID.match(text):
        face_id = int(by_id[1])
        if not 1 <= face_id <= len(part.faces):
            raise SelectorError(
                f"--protect '{selector}': the part has faces 1 to {len(part.faces)}; "
                "`soffit review` prints them"
            )
        return (face_id,)
    if near := _NEAR.match(text):
        return (_nearest(part, selector, near),)
    if colour := _COLOUR.match(text):
        return _coloured(part, selector, colour[1])
    if names_features(text):
        return feature_faces(part, selector, text)
    raise SelectorError(
        f"--protect '{selector}': not understood; write 'face 14', "
        "'face near 0,0,12 facing +z', 'colour #1f3a6e', 'features' or what "
        f"`soffit features` prints ({', '.join(NAMES)})"
    )


def faces_of(part: Part, selectors: Iterable[str], option: str) -> tuple[int, ...]:
    """Ids of the faces that selectors of an option name, ascending, each once.

    Raises SelectorError, as `select_faces`, naming the option."""
    found: set[int] = set()
    for selector in selectors:
        try:
            found.update(select_faces(part, selector))
        except SelectorError as error:
            raise SelectorError(str(error).replace("--protect", option, 1)) from error
    return tuple(sorted(found))


def flat_direction(part: Part, selector: str, option: str) -> Vec3:
    """Outwards of the flat face that a selector of an option names.

    Raises SelectorError where it names none, or faces that do not look the same way."""
    rows = part.triangles_of(faces_of(part, [selector], option))
    normals, areas = part.mesh.normals[rows], part.mesh.areas[rows]
    mean = areas @ normals
    mean = mean / max(float(np.linalg.norm(mean)), 1e-12)
    if (normals[areas > 0.0] @ mean < math.cos(math.radians(FLAT_DEG))).any():
        raise SelectorError(f"{option} '{selector}': it is not flat, so that it has no one "
                            "direction; name a flat face, or turn the part with --up x,y,z")
    return vec3(mean)


def touched_face(part: Part, face_ids: Iterable[int], body: Mesh) -> int | None:
    """The first of these faces of the part as received that a body beside it touches, where a
    tip or a foot would leave its mark; None if it keeps clear of all."""
    points = body.vertices[np.unique(body.triangles)]
    for face in sorted(face_ids):
        corners = part.mesh.corners[part.triangles_of([face])]
        # A foot may cover all of a small face with none of its own corners on it.
        if comes_near(points, corners, TOUCH_MM) or comes_near(
            face_points(part, face), body.corners, TOUCH_MM
        ):
            return face
    return None


def _nearest(part: Part, selector: str, near: re.Match[str]) -> int:
    turn = part.placement[:3, :3]
    point = turn @ np.array([float(near[k]) for k in (1, 2, 3)]) + part.placement[:3, 3]
    allowed = np.ones(len(part.mesh.triangles), dtype=bool)
    if near[4] or near[5]:
        wanted = turn @ _direction(near, selector)
        allowed = part.mesh.normals @ wanted > math.cos(math.radians(FACING_DEG))
        if not allowed.any():
            raise SelectorError(f"--protect '{selector}': no face of the part faces that way")
    chosen = np.flatnonzero(allowed)
    nearest_to: Callable[[Floats, Floats], Floats] = trimesh.triangles.closest_point
    closest = nearest_to(
        part.mesh.corners[chosen], np.broadcast_to(point, (len(chosen), 3))
    )
    distance = np.linalg.norm(closest - point, axis=1)
    return int(part.mesh.face_of[chosen[int(np.argmin(distance))]])


def _direction(near: re.Match[str], selector: str) -> Floats:
    if near[4]:
        direction = np.zeros(3)
        direction[_AXES[near[4][1]]] = -1.0 if near[4][0] == "-" else 1.0
        return direction
    direction = np.array([float(near[k]) for k in (5, 6, 7)])
    length = float(np.linalg.norm(direction))
    if length == 0:
        raise SelectorError(f"--protect '{selector}': the direction has no length")
    return direction / length


def _coloured(part: Part, selector: str, wanted: str) -> tuple[int, ...]:
    rgb = np.array([int(wanted[k : k + 2], 16) / 255 for k in (0, 2, 4)])
    faces = tuple(
        face.id
        for face in part.faces
        if face.color is not None and np.abs(np.asarray(face.color) - rgb).max() <= COLOUR_STEP
    )
    if not faces:
        colours = sorted(
            {"#" + "".join(f"{round(c * 255):02x}" for c in f.color) for f in part.faces if f.color}
        )
        there = ", ".join(colours) if colours else "no face has a colour"
        raise SelectorError(f"--protect '{selector}': no face is painted so; in the file: {there}")
    return faces
