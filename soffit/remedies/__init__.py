"""Remedies: one remedy, one file, from a finding to options that are solids to add, cut or prop.

Each module has `NAME`, `RANK` (place in the order of preference: fill 1, chamfer, roof, bottom
edge, fillet, membrane and stepped ceiling 2, teardrop, steeper cut, crown cut and drilled hole 3,
arch and what else leaves a bridge 4, prop 5), a docstring that is its manual, and
`options(context, finding)`, which returns the options that apply and, for each that does not, one
reason in words.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING

from shapely.errors import ShapelyError

from soffit.errors import GeometryError

if TYPE_CHECKING:
    from soffit.findings.model import Finding
    from soffit.remedies.context import Context
    from soffit.remedies.model import Option

CHANGES = ("fill", "chamfer", "roof", "bottom_edge", "fillet", "membrane", "stepped", "teardrop",
           "steeper", "crown", "drilled", "arch")
LAST_RESORT = ("prop",)
NAMES = (*CHANGES, *LAST_RESORT)

# Place in the order of preference of what leaves a bridge in the part.
LEAVES = 4

# What geometry that a remedy did not foresee ends in; its reason says so in these words.
_UNFIT = (ValueError, ArithmeticError, LookupError, ShapelyError, GeometryError)
FAILED = "it could not be worked out here, please report this part"


def modules(names: Sequence[str] = NAMES) -> tuple[ModuleType, ...]:
    """The remedy modules in the order of preference, imported on first use."""
    return tuple(import_module(f"soffit.remedies.{name}") for name in names)


def all_options(
    context: Context, finding: Finding, names: Sequence[str] = NAMES
) -> tuple[list[Option], list[str]]:
    """Every option of these remedies for one finding, cheapest first within the order of
    preference, each with its volume measured on the part, and the reasons why the other
    remedies do not apply."""
    from soffit.remedies.apart import JOINED, joins

    if context.solid is None:
        return [], ["the surface of the part is not closed, so nothing can be added or cut"]
    found: list[Option] = []
    reasons: list[str] = []
    for module in modules(names):
        try:
            options, why_not = module.options(context, finding)
            for option in options:
                if joins(context, option):
                    reasons.append(f"{option.remedy}: {JOINED}")
                else:
                    found.append(measured(context, option))
            reasons += why_not
        except _UNFIT as error:
            # One remedy that cannot make sense of a place must not cost the user all others.
            reasons.append(f"{module.NAME}: {FAILED} ({type(error).__name__}: {error})")
    found.sort(key=lambda option: (option.rank, round(option.volume_mm3, 6), option.remedy))
    return found, reasons


def measured(context: Context, option: Option) -> Option:
    """`option` with its volume, of the solid outside the part (add), inside it (cut) or whole
    (prop), mm³, and its cost."""
    from soffit.part.mesh_solid import evaluate
    from soffit.process.cost import cost_of
    from soffit.remedies.cost import laid_by, surface_change

    solid = evaluate(option.solid, context.part)
    if context.solid is not None and option.op == "add":
        solid = solid - context.solid
    elif context.solid is not None and option.op == "cut":
        solid = solid ^ context.solid
    changed, deviation = 0.0, 0.0
    if context.solid is not None and option.op != "prop":
        changed, deviation = surface_change(solid, context.names, context.part)
    cost = cost_of(
        context.process,
        plastic_mm3=laid_by(solid, option.op, context.stack, context.process),
        changed_mm2=changed, deviation_mm=deviation, props=option.breaks,
        works=1 if option.after and option.op != "prop" else 0, leaves=option.rank == LEAVES,
    )
    return replace(option, volume_mm3=float(solid.volume()), cost=cost)
