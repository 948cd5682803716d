"""Booleans of the B-rep kernel with the checks that make their result worth having."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Literal

from OCP.BRepAlgoAPI import (
    BRepAlgoAPI_BooleanOperation,
    BRepAlgoAPI_Common,
    BRepAlgoAPI_Cut,
    BRepAlgoAPI_Fuse,
)
from OCP.BRepTools import BRepTools_History
from OCP.collections import List_TopoDS_Shape
from OCP.ShapeUpgrade import ShapeUpgrade_UnifySameDomain
from OCP.TopoDS import TopoDS_Shape

from soffit.errors import GeometryError
from soffit.part.brep.shapes import compound_of, solids_of
from soffit.part.brep.surfaces import SAME_MM, SAME_RAD

Op = Literal["add", "cut", "common"]
_ALGORITHMS: dict[Op, type[BRepAlgoAPI_BooleanOperation]] = {
    "add": BRepAlgoAPI_Fuse,
    "cut": BRepAlgoAPI_Cut,
    "common": BRepAlgoAPI_Common,
}
_WORDS: dict[Op, str] = {
    "add": "add solids",
    "cut": "subtract solids",
    "common": "intersect solids",
}


def empty() -> TopoDS_Shape:
    """A shape that holds no solid."""
    return compound_of([])


def combine(op: Op, shapes: Sequence[TopoDS_Shape], fuzzy_mm: float = 0.0) -> TopoDS_Shape:
    """The shapes united, intersected, or the first without the others; faces merged. What lies no
    farther apart than `fuzzy_mm` is one."""
    shapes = list(shapes)
    if op == "common" and any(not solids_of(s) for s in shapes):
        return empty()
    if op == "cut" and not solids_of(shapes[0]):
        return empty()
    shapes = [shapes[0], *(s for s in shapes[1:] if solids_of(s))] if shapes else []
    if op == "add":
        shapes = [s for s in shapes if solids_of(s)]
    if not shapes:
        return empty()
    if op == "add":
        result = _united(shapes, fuzzy_mm)
    else:
        result = shapes[0]
        for other in shapes[1:]:
            result, _ = boolean(op, [result], [other], fuzzy_mm)
    if len(shapes) > 1:
        result, _ = unified(result, ())
    return result


def _united(shapes: Sequence[TopoDS_Shape], fuzzy_mm: float) -> TopoDS_Shape:
    """Shapes united by halves: neighbours first, so that most booleans are small."""
    if len(shapes) == 1:
        return shapes[0]
    half = len(shapes) // 2
    halves = _united(shapes[:half], fuzzy_mm), _united(shapes[half:], fuzzy_mm)
    result, _ = boolean("add", halves[:1], halves[1:], fuzzy_mm)
    return result


def boolean(
    op: Op, shapes: Sequence[TopoDS_Shape], tools: Sequence[TopoDS_Shape], fuzzy_mm: float
) -> tuple[TopoDS_Shape, BRepTools_History]:
    """Result of one boolean and which face became which. Raises GeometryError on failure."""
    algorithm = _ALGORITHMS[op]()
    algorithm.SetArguments(_list(shapes))
    algorithm.SetTools(_list(tools))
    # Not in parallel: the order of faces would depend on the machine.
    algorithm.SetRunParallel(False)
    algorithm.SetNonDestructive(True)
    if fuzzy_mm > 0:
        algorithm.SetFuzzyValue(fuzzy_mm)
    algorithm.Build()
    if not algorithm.IsDone():
        raise GeometryError(f"{_WORDS[op]}: the B-rep kernel found no result")
    return algorithm.Shape(), algorithm.History()


def unified(
    shape: TopoDS_Shape, keep: Iterable[TopoDS_Shape]
) -> tuple[TopoDS_Shape, BRepTools_History]:
    """The shape with neighbouring faces on one surface merged, and edges on one curve, except
    across the edges and at the vertices in `keep`."""
    merge = ShapeUpgrade_UnifySameDomain(shape, True, True, False)
    merge.SetLinearTolerance(SAME_MM)
    merge.SetAngularTolerance(SAME_RAD)
    merge.SetSafeInputMode(True)
    for kept in keep:
        merge.KeepShape(kept)
    merge.Build()
    return merge.Shape(), merge.History()


def _list(shapes: Iterable[TopoDS_Shape]) -> List_TopoDS_Shape:
    found = List_TopoDS_Shape()
    for shape in shapes:
        found.Append(shape)
    return found
