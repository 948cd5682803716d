"""Measures of the B-rep itself: volume, area, and distance of points from its surface."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from OCP.BRep import BRep_Tool
from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeVertex
from OCP.BRepExtrema import BRepExtrema_DistShapeShape
from OCP.gp import gp_Pnt
from OCP.ShapeAnalysis import ShapeAnalysis_Surface
from OCP.TopoDS import TopoDS_Face

from soffit.errors import GeometryError
from soffit.part.brep.shapes import area_mm2, bounds, faces_of, from_bytes, solids_of, volume_mm3
from soffit.part.model import Floats

# The kernel's own tolerance for two points to be one: nearer than this is on the surface.
_ON_MM = 1e-7
# Relative error of volume integrals, per face: a thousandth of the balance that an edit must
# keep, at little cost (measured).
_INTEGRATION = 1e-7


def mass_properties(brep: bytes) -> tuple[float, float]:
    """Volume mm³ and surface area mm² of the solids."""
    shape = from_bytes(brep)
    return volume_mm3(shape, _INTEGRATION), area_mm2(shape)


def solid_volumes(brep: bytes) -> tuple[float, ...]:
    """Volume of each solid in order, mm³."""
    return tuple(volume_mm3(solid, _INTEGRATION) for solid in solids_of(from_bytes(brep)))


def largest_distances(
    before: bytes, samples: Sequence[tuple[int, Floats]], after: bytes, matrix: Floats
) -> dict[int, float]:
    """Largest distance of each face of `before` from the surface of `after`, mm.

    `samples`: face ids with points (k, 3) near the face, in the frame of `before`; each is
    first moved onto the true surface, and left out if it then lies beside the face (under a
    chord of its outline). `matrix` takes that frame to the one of `after`.
    """
    own = faces_of(from_bytes(before))
    surface = _Surface(faces_of(from_bytes(after)))
    found: dict[int, float] = {}
    for face_id, points in samples:
        face = own[face_id - 1]
        itself = _Surface([face])
        found[face_id] = 0.0
        for point in _onto(face, points):
            away = surface.distance(matrix[:3, :3] @ point + matrix[:3, 3])
            if away > max(_ON_MM, found[face_id]) and itself.distance(point) <= 10 * _ON_MM:
                found[face_id] = away
    return found


class _Surface:
    """Faces, each with its box, so that few are asked about each point."""

    def __init__(self, faces: Sequence[TopoDS_Face]) -> None:
        self._faces = faces
        self._boxes = np.array([bounds(face) for face in self._faces])

    def distance(self, point: Floats) -> float:
        """Distance of a point from the nearest face, mm."""
        low, high = self._boxes[:, 0], self._boxes[:, 1]
        outside = np.maximum(np.maximum(low - point, point - high), 0.0)
        at_least = np.linalg.norm(outside, axis=1)
        vertex = BRepBuilderAPI_MakeVertex(gp_Pnt(*point.tolist())).Vertex()
        best = np.inf
        for i in np.argsort(at_least, kind="stable").tolist():
            if at_least[i] >= best or best <= _ON_MM:
                break
            measure = BRepExtrema_DistShapeShape(vertex, self._faces[i])
            if measure.IsDone():
                best = min(best, float(measure.Value()))
        if not np.isfinite(best):
            raise GeometryError("measuring a distance: the B-rep kernel found no nearest point")
        return best


def _onto(face: TopoDS_Face, points: Floats) -> Floats:
    """The points moved to the nearest points of the surface that the face lies on."""
    surface = ShapeAnalysis_Surface(BRep_Tool.Surface_s(face))
    out = np.empty_like(points)
    for row, point in enumerate(points.tolist()):
        uv = surface.ValueOfUV(gp_Pnt(*point), _ON_MM)
        on = surface.Value(uv)
        out[row] = (on.X(), on.Y(), on.Z())
    return out
