"""Faces too small to pick taken out of a shape, their neighbours carried on until they meet.

Where the pieces of an edit, or an edit and the part, miss each other by a hundredth of a
millimetre, a boolean leaves faces that nobody drew. The kernel can do without a face: it extends
the surfaces around it. Surfaces stay what they are; only where they end moves, by less than the
face was wide.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from OCP.BRep import BRep_Tool
from OCP.BRepAlgoAPI import BRepAlgoAPI_Defeaturing
from OCP.BRepTools import BRepTools_History
from OCP.TopAbs import TopAbs_EDGE
from OCP.TopoDS import TopoDS_Edge, TopoDS_Face, TopoDS_Shape

from soffit.errors import GeometryError
from soffit.part.brep.quality import is_sliver
from soffit.part.brep.shapes import area_mm2, border_mm, edges_of, faces_of, map_of
from soffit.part.quality import SHORT_MM

# A face narrower than this in the mean, twice its area over its border, is a flaw of an edit: finer
# than any chord of a tessellation, far below a line's width (derived).
_NARROW_MM = 0.03

# Most faces that are taken out (own limit: the time grows with their square, and 29 took a minute).
MOST_FACES = 12


class Flaws(NamedTuple):
    """How many faces and edges that an edit made are too small; the faces count first."""

    slivers: int
    short_edges: int


@dataclass(frozen=True)
class Small:
    """What is too small of what an edit made: its faces, which of them are too small to pick, and
    its edges."""

    faces: tuple[TopoDS_Face, ...]
    slivers: tuple[TopoDS_Face, ...]
    edges: tuple[TopoDS_Edge, ...]

    @property
    def flaws(self) -> Flaws:
        """How many there are."""
        return Flaws(len(self.faces), len(self.edges))

    @property
    def mendable(self) -> bool:
        """Whether `without_slivers` may find a result."""
        return 0 < len(self.slivers) <= MOST_FACES


def small_of(made: TopoDS_Shape, own: TopoDS_Shape) -> Small:
    """What is too small of the faces that an edit made, and of their edges that are not among those
    of `own`, the customer's faces as they were."""
    slivers = tuple(face for face in faces_of(made) if is_sliver(face))
    narrow = tuple(face for face in faces_of(made) if is_sliver(face)
                   or 2 * area_mm2(face) < _NARROW_MM * border_mm(face))
    old = map_of(own, TopAbs_EDGE)
    short = tuple(edge for edge in edges_of(made) if not old.FindIndex(edge)
                  and not BRep_Tool.Degenerated_s(edge) and border_mm(edge) < SHORT_MM)
    return Small(narrow, slivers, short)


def without_slivers(
    shape: TopoDS_Shape, small: Small
) -> tuple[TopoDS_Shape, BRepTools_History]:
    """The shape without those of its faces that are too small to pick, and what became of each
    face; those that the kernel cannot do without stay. Raises GeometryError where there are none or
    too many, or it finds no result."""
    if not small.mendable:
        raise GeometryError(f"take out {len(small.slivers)} small faces: 1 to {MOST_FACES} can be")
    algorithm = BRepAlgoAPI_Defeaturing()
    algorithm.SetShape(shape)
    for face in small.slivers:
        algorithm.AddFaceToRemove(face)
    algorithm.SetRunParallel(False)
    algorithm.SetToFillHistory(True)
    algorithm.Build()
    if not algorithm.IsDone():
        raise GeometryError("take out small faces: the B-rep kernel found no result")
    return algorithm.Shape(), algorithm.History()
