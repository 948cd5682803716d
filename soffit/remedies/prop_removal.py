"""How a body is taken off the part after it left the platform with it, or by itself."""

from __future__ import annotations

from dataclasses import dataclass

import manifold3d as m3

from soffit.remedies.context import Context
from soffit.remedies.prop_eject import Leaving, leaving
from soffit.remedies.prop_reach import reach
from soffit.remedies.prop_site import Refused
from soffit.remedies.prop_way import around, way_out


@dataclass(frozen=True)
class Removal:
    """The `way` on which a body leaves the part and where a `tool` gets at it, in words, and how it
    leaves the platform."""

    way: str
    tool: str
    leaving: Leaving


def removal(context: Context, body: m3.Manifold) -> Removal:
    """How a body is taken off. Raises Refused where it cannot be, or would stay on the platform."""
    about = around(context, body)
    way = way_out(context, about)
    if way is None:
        raise Refused("a prop here would be trapped: no straight way leads out")
    tool = reach(context, about)
    if tool is None:
        raise Refused(f"no tool of {context.process.props.tool_mm.value:g} mm gets at a prop here")
    left = leaving(context, body)
    if left is None:
        raise Refused("a prop here would stay on the platform when the part is pushed off")
    return Removal(way, tool, left)
