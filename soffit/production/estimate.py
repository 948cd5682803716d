"""What it takes to make the part: as received, with supports under every patch, resolved.

The same for all three, so that they compare: plastic and time as in `production.making`, price as
in `production.price`. A support fills a share of the room between a place over air and the first
material or platform below it, as the process says; it is peeled off by hand and its scar tumbled.
A part that prints over air as received has no price so: nobody can use it.
"""

from __future__ import annotations

import operator
from dataclasses import dataclass

from soffit.findings.room import support_layers_mm3
from soffit.layers.stack import LayerStack, cut_layers
from soffit.part.model import Floats
from soffit.part.scene import with_bodies
from soffit.plan.model import Resolution
from soffit.process.model import Process
from soffit.production.making import Making, cycle_s, full_cycle_s, making
from soffit.production.platform import Layout, layout, shadow_of
from soffit.production.price import Bill, price_at, yield_of
from soffit.production.risk import chances, share_good


def mass_g(volume_mm3: float, process: Process) -> float:
    """Mass of a solid volume, g."""
    return volume_mm3 * process.material.density_g_cm3.value / 1000.0


def estimate(result: Resolution) -> dict[str, dict[str, float]]:
    """Figures for "as_received", "slicer_supported" and "resolved".

    `plastic_*` includes supports or props, `thrown_away_g` is their share; `time_s` is printing,
    `machine_s` that and what a machine does beside it, `run_*` is for the quantity of `result`, and
    so is `price_each`, which a part that prints over air as received does not have.
    """
    process = result.before.process
    found = {}
    for name, case in cases(result).items():
        plastic_mm3 = float(case.made.plastic_mm3.sum())
        found[name] = {
            "plastic_mm3": plastic_mm3,
            "plastic_g": case.bill.plastic_g,
            "thrown_away_g": mass_g(case.extra_mm3, process),
            "time_s": float(case.made.time_s.sum()),
            "machine_s": case.bill.machine_s,
            "labour_s": case.bill.labour_s,
            "good_share": yield_of(case.bill, process),
            "run_plastic_kg": case.bill.plastic_g * result.quantity / 1000.0,
            "run_time_h": case.bill.machine_s * result.quantity / 3600.0,
        }
        if name != "as_received" or not result.before.air:
            found[name]["price_each"] = price_at(case.bill, result.quantity, process).each
    return found


@dataclass(frozen=True)
class Case:
    """One way to make a part: what it takes, its layers, how they are made, and how much of it is
    supports or props, mm³."""

    bill: Bill
    stack: LayerStack
    made: Making
    extra_mm3: float


@dataclass(frozen=True)
class Plate:
    """A platform full of resolved parts: how they stand, the share of one part in its time, s, and
    the area that holds each, mm²."""

    layout: Layout
    machine_s: float
    foot_mm2: float


def plate(case: Case, process: Process) -> Plate:
    """As many of a part made so, its props included, as fit on a platform."""
    stack = case.stack
    room = process.platform
    found = layout(shadow_of(stack.regions), room.width_mm.value, room.depth_mm.value,
                   room.gap_mm.value)
    count = max(1, len(found.spots))
    foot = float(stack.regions[0].area()) if len(stack) else 0.0
    return Plate(found, full_cycle_s(case.made, count, process), foot)


@dataclass(frozen=True)
class _Drawn:
    """Layers of the part as received and as resolved, how they are made, and what supports take in
    each layer, (n,) mm³. That takes nearly all of the time."""

    bare: LayerStack
    drawn: Making
    supports_mm3: Floats
    done: LayerStack
    made: Making


# What was drawn last, and of what: the estimate, the chart of prices and the quote ask in turn.
_last: list[tuple[tuple[object, ...], _Drawn]] = []


def _drawn(result: Resolution) -> _Drawn:
    """What of the two does not depend on what was proven of them; the last is kept."""
    process = result.before.process
    of = (result.before, result.received, result.produced, result.props)
    if not any(all(map(operator.is_, of, known)) for known, _ in _last):
        bare = cut_layers(result.received, process)
        supports = process.props.block_fill.value * support_layers_mm3(bare, result.before.air)
        done = cut_layers(with_bodies(result.produced, result.props), process)
        _last[:] = [(of, _Drawn(bare, making(bare, process), supports, done,
                                making(done, process)))]
    return _last[0][1]


def cases(result: Resolution) -> dict[str, Case]:
    """The part as received, with a slicer's supports, and resolved."""
    process = result.before.process
    costs, failure = process.costs, process.failure
    found = _drawn(result)
    peel_s = costs.peel_s_cm2.value * result.before.over_air_mm2 / 100.0
    props = float(sum(body.mesh.volume_mm3 for body in result.props))
    by_hand = [edit.cost.labour_s - costs.handle_s.value for edit in result.edits
               if edit.cost is not None and edit.cost.labour_s > 0.0]

    def case(
        stack: LayerStack, made: Making, extra_mm3: float, works_s: list[float],
        places_good: float, *, redesigned: bool = False, tumbled: bool = False,
    ) -> Case:
        bill = Bill(
            plastic_g=mass_g(float(made.plastic_mm3.sum()), process),
            machine_s=cycle_s(float(made.time_s.sum()), process),
            labour_s=sum(works_s) + (costs.handle_s.value if works_s else 0.0),
            layers=len(stack), places_good=places_good, tumbled=tumbled, redesigned=redesigned)
        return Case(bill, stack, made, extra_mm3)

    held = bool(result.before.air)
    as_drawn = share_good(chances(result.before))
    carried = (1.0 - 1e-6 * failure.support_ppm.value) ** len(result.before.air)
    return {
        "as_received": case(found.bare, found.drawn, 0.0, [], as_drawn),
        "slicer_supported": case(
            found.bare, found.drawn.supported(found.supports_mm3, process),
            float(found.supports_mm3.sum()), [peel_s] if held else [], as_drawn * carried,
            tumbled=held),
        "resolved": case(
            found.done, found.made, props, by_hand,
            share_good(chances(result.after, result.edits)), redesigned=bool(result.edits)),
    }
