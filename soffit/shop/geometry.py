"""Meshes for the page: a header that says what each face is, and the numbers as they lie in memory.

    uint32 N          length of the header, little-endian as all numbers here
    N bytes           JSON in UTF-8, filled with spaces so that 4 + N is a multiple of 4
    float32 (n, 3)    vertices, mm, in the build frame
    uint32 (m, 3)     triangles, counter-clockwise seen from outside
    uint32 (m)        the face of each triangle, from 1
"""

from __future__ import annotations

import json
import struct
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from soffit.findings.model import Finding, Review
from soffit.part.model import Part
from soffit.part.scene import with_bodies
from soffit.plan.model import Resolution
from soffit.plan.report_parts import number, numbers

SCHEMA = "soffit.geometry/1"


def received(review: Review) -> bytes:
    """The part as received, with its places over air."""
    part = review.part
    return _packed("before", part, [_face(part, f.id, f.id, None, None) for f in part.faces],
                   _marks(review.air))


def produced(result: Resolution) -> bytes:
    """The part as produced, its props after it, with what remains over air."""
    part = result.produced
    ops = {edit.id: edit.op for edit in result.edits}
    faces = [_face(part, f.id, f.origin, f.edit, ops.get(f.edit or "")) for f in part.faces]
    scene = with_bodies(part, result.props)
    of_prop = {part.bodies + k: edit.id for k, edit in
               enumerate(e for e in result.edits if e.op == "prop")}
    for face in scene.faces[len(part.faces):]:
        faces.append(_face(scene, face.id, None, of_prop.get(face.body), "prop"))
    return _packed("after", scene, faces, _marks(result.after.air, triangles=False))


def _face(part: Part, face_id: int, origin: int | None, edit: str | None, op: str | None
          ) -> dict[str, Any]:
    face = part.face(face_id)
    return {"id": face_id, "surface": face.surface.value, "area_mm2": number(face.area_mm2),
            "origin": origin, "edit": edit, "op": op, "name": face.name}


def _marks(findings: Iterable[Finding], triangles: bool = True) -> list[dict[str, Any]]:
    """Where findings lie. Those of a file read back speak of its triangles, not of the part's."""
    return [
        {"id": f.id, "kind": f.kind, "z_mm": numbers(f.z_mm),
         "rings": [[numbers(point) for point in ring.tolist()] for ring in f.patch.rings],
         "triangles": f.patch.triangles.tolist() if triangles else []}
        for f in findings
    ]


def _packed(state: str, part: Part, faces: list[dict[str, Any]], marks: list[dict[str, Any]]
            ) -> bytes:
    mesh = part.mesh
    head: Mapping[str, Any] = {
        "schema": SCHEMA, "state": state, "vertices": len(mesh.vertices),
        "triangles": len(mesh.triangles), "faces": faces, "marks": marks,
        "placement": [numbers(row) for row in part.placement.tolist()],
        "deflection_mm": number(part.deflection_mm),
    }
    text = json.dumps(head, sort_keys=True, ensure_ascii=False, allow_nan=False).encode()
    text += b" " * (-(4 + len(text)) % 4)
    return b"".join((
        struct.pack("<I", len(text)), text,
        (mesh.vertices + 0.0).astype("<f4").tobytes(),
        mesh.triangles.astype("<u4").tobytes(), np.asarray(mesh.face_of).astype("<u4").tobytes(),
    ))
