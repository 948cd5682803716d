"""Each face's descent through an edit: where it came from, and what else is the edit's own."""

from __future__ import annotations

from collections.abc import Sequence

from OCP.BRep import BRep_Tool
from OCP.BRepTools import BRepTools_History
from OCP.collections import IndexedMap_TopoDS_Shape_TopTools_ShapeMapHasher as ShapeMap
from OCP.TopAbs import TopAbs_EDGE, TopAbs_FACE, TopAbs_VERTEX
from OCP.TopoDS import TopoDS_Edge, TopoDS_Face, TopoDS_Shape

from soffit.errors import GeometryError
from soffit.part.brep.assemble import Tag
from soffit.part.brep.mend import Small, small_of
from soffit.part.brep.shapes import (
    area_mm2,
    compound_of,
    edges_of,
    faces_of,
    images_of,
    items,
    map_of,
)


class Descent:
    """Which face of the result comes from which of `faces`, those of the solids that are changed;
    `tags` are theirs, `new` each tool and the tag of every face that it makes."""

    def __init__(
        self, faces: list[TopoDS_Face], tags: list[Tag], new: Sequence[tuple[TopoDS_Shape, Tag]]
    ) -> None:
        self._faces, self._tags, self._new = faces, tags, new

    def tags(self, after: Sequence[TopoDS_Shape], history: BRepTools_History) -> list[Tag]:
        """Tag of each face of the result: of the largest face that it is made from, if any, else of
        the tool. Raises GeometryError where several tools leave that open."""
        found = map_of(compound_of(after), TopAbs_FACE)
        best: dict[int, tuple[float, int]] = {}
        for order, face in enumerate(self._faces):
            size = area_mm2(face)
            for index in _places(face, found, history):
                if size > best.get(index, (-1.0, 0))[0]:
                    best[index] = (size, order)
        made: dict[int, Tag] = {}
        if len(self._new) > 1:
            for tool, tag in self._new:
                for face in faces_of(tool):
                    made |= dict.fromkeys(_places(face, found, history), tag)
        tags: list[Tag] = []
        for index in range(1, found.Extent() + 1):
            if index in best:
                tags.append(self._tags[best[index][1]])
            elif len(self._new) > 1 and index not in made:
                raise GeometryError("which change made a face cannot be told")
            else:
                tags.append(made.get(index, self._new[0][1]))
        return tags

    def small(self, after: Sequence[TopoDS_Shape]) -> Small:
        """What is too small of the faces of the result that are not the customer's own as they
        were."""
        own = compound_of(self._faces)
        theirs = map_of(own, TopAbs_FACE)
        made = compound_of(f for f in faces_of(compound_of(after)) if not theirs.FindIndex(f))
        return small_of(made, own)

    def to_keep(
        self, result: TopoDS_Shape, history: BRepTools_History
    ) -> list[TopoDS_Shape]:
        """Edges and vertices away from what the edit made, which a merge must not touch: how the
        customer divided surfaces and edges is theirs, and merging moves them within tolerance."""
        faces = map_of(result, TopAbs_FACE)
        old = {i for face in self._faces for i in _places(face, faces, history)}
        made = compound_of(f for i, f in enumerate(items(faces), start=1) if i not in old)
        own = compound_of(self._faces)
        kept: list[TopoDS_Shape] = []
        for kind in (TopAbs_EDGE, TopAbs_VERTEX):
            fresh, there = map_of(made, kind), map_of(result, kind)
            # What the boolean drew across a face of the customer's is not theirs.
            theirs = {i for s in items(map_of(own, kind)) for i in _places(s, there, history)}
            kept += [s for i, s in enumerate(items(there), start=1)
                     if i in theirs and not fresh.FindIndex(s)]
        # Where a round face closes on itself is no border that anybody drew.
        seams = map_of(compound_of(_seams(result)), TopAbs_EDGE)
        return [s for s in kept if not seams.FindIndex(s)]


def _seams(shape: TopoDS_Shape) -> list[TopoDS_Edge]:
    return [e for f in faces_of(shape) for e in edges_of(f) if BRep_Tool.IsClosed_s(e, f)]


def _places(shape: TopoDS_Shape, there: ShapeMap, history: BRepTools_History) -> list[int]:
    """Where in a result is what became of a face, an edge or a vertex."""
    # Most are there as they were; to ask the history of each takes long.
    index = there.FindIndex(shape)
    if index:
        return [index]
    return [i for image in images_of(shape, history) if (i := there.FindIndex(image))]
