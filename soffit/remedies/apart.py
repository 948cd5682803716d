"""Bodies that stand apart must stay so: a change may not weld what can move to what it stands by.

A file may hold several bodies that are printed together, and a prop is a body of its own. What
is added below one of them must not reach another, unless the two touch as they are.
"""

from __future__ import annotations

import itertools

import manifold3d as m3

from soffit.layers.stack import GRID_MM
from soffit.part.mesh_solid import evaluate
from soffit.remedies.context import Context
from soffit.remedies.model import Option

JOINED = "it would join bodies that stand apart"


def joins(context: Context, option: Option) -> bool:
    """Whether what an option adds touches two bodies that do not touch each other."""
    if option.op != "add" or context.solid is None or len(context.bodies) < 2:
        return False
    new = evaluate(option.solid, context.part) - context.solid
    for piece in new.decompose():
        met = [body for body in context.bodies if _touch(piece, body)]
        if any(not _touch(a, b) for a, b in itertools.combinations(met, 2)):
            return True
    return False


def _touch(one: m3.Manifold, other: m3.Manifold) -> bool:
    """Whether two solids come within the grid of the layers."""
    a, b = one.bounding_box(), other.bounding_box()
    if any(a[k] > b[k + 3] + GRID_MM or b[k] > a[k + 3] + GRID_MM for k in range(3)):
        return False
    return bool(one.min_gap(other, 2.0 * GRID_MM) <= GRID_MM)
