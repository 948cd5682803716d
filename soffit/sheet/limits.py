"""The limits that a sheet goes by, each with its source and what that is worth, and the rates."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator

from soffit.findings import bed_topple, wall_gap, wall_hole_size, wall_thin, warp_corner
from soffit.process.model import Grade, Process, Value
from soffit.sheet.model import LimitRow

# Limits of checks that are no value of the process: kind, name, limit, unit, grade.
_FIXED = (
    (bed_topple.KIND, "Least tipping angle", bed_topple.LEAST_TIP_DEG, "°", Grade.COMMON_PRACTICE),
    (wall_gap.KIND, "Gap that stays open", wall_gap.CLEARANCE_MM, "mm", Grade.COMMON_PRACTICE),
    (wall_hole_size.KIND, "Least upright hole", wall_hole_size.LEAST_MM, "mm",
     Grade.COMMON_PRACTICE),
    (wall_thin.KIND, "Least wall", wall_thin.LINES, "lines", Grade.COMMON_PRACTICE),
    (warp_corner.KIND, "Lift of a corner", warp_corner.LIMIT_MM, "mm", Grade.FROM_MEMORY),
)
_WORTH = {Grade.COMMON_PRACTICE: "common practice, no source", Grade.FROM_MEMORY:
          "from memory, of low worth"}


def limit_rows(process: Process, *, props: bool, seen: Collection[str]) -> tuple[LimitRow, ...]:
    """The limits that places were judged by, those of what else was seen, by kind of finding, and
    those that props were made by where there are any."""
    return (*_of_air(process), *_of_seen(process, seen, props), *(_of_props(process) if props else
                                                                   ()))


def _row(name: str, value: Value, unit: str, decimals: int, *, of_props: bool = False) -> LimitRow:
    return LimitRow(name, f"{value.value:.{decimals}f}", unit, value.source, value.grade.value,
                    of_props)


def _of_air(process: Process) -> Iterator[LimitRow]:
    c, b = process.capability, process.bead
    yield _row("Flat reach", c.lip_mm, "mm", 1)
    yield _row("Bridge", c.bridge_mm, "mm", 1)
    yield _row(f"Angle from the platform ({90 - c.angle_deg.value:.0f}° from vertical)",
               c.angle_deg, "°", 1)
    yield _row("Step, share of a line", c.overlap, "", 2)
    yield LimitRow("Step per layer", f"{process.step_mm:.2f}", "mm",
                   "the smaller of layer / tan angle and share · line", "derived")
    yield _row("Layer", b.layer_mm, "mm", 2)
    yield _row("Line", b.line_mm, "mm", 2)


def _of_seen(process: Process, seen: Collection[str], props: bool) -> Iterator[LimitRow]:
    c = process.capability
    if "cool/small-layer" in seen:
        yield _row("Least time of a layer", process.motion.min_layer_time_s, "s", 0)
    if {"bed/footprint", "bed/topple"} & set(seen) and not props:
        yield _row("Drag of the nozzle", c.drag_n, "N", 1)
        yield _row("Adhesion of a first layer", c.adhesion_mpa, "MPa", 2)
    for kind, name, limit, unit, grade in _FIXED:
        if kind in seen:
            yield LimitRow(name, f"{limit:g}", unit, _WORTH[grade], grade.value)


def _of_props(process: Process) -> Iterator[LimitRow]:
    c, p = process.capability, process.props
    rows = (
        ("Drag of the nozzle", c.drag_n, "N", 1),
        ("Adhesion of a first layer", c.adhesion_mpa, "MPa", 2),
        ("Bond of layers, share of strength", process.material.layer_bond, "", 2),
        ("Give of a tip, share of a line", p.give_lines, "", 2),
        ("Clear of a prop", p.free_mm, "mm", 1),
        ("Widest contact of a prop", p.contact_mm, "mm", 1),
        ("Pull of a hand", p.pull_n, "N", 0),
        ("Pushed out, first layer", process.bead.spread_mm, "mm", 2),
        ("Height of the pushing edge", process.ejection.edge_mm, "mm", 1),
        ("Hold of the cooled platform", process.ejection.released_mpa, "MPa", 2),
    )
    yield from (_row(*row, of_props=True) for row in rows)


def rates_words(process: Process) -> str:
    """What the rates behind time and price are worth, in two sentences."""
    tables = (process.costs, process.cycle, process.failure)
    values: list[Value] = [value for table in tables for _, value in table]
    found = Counter(value.grade for value in (*values, process.material.price_per_kg))
    told = ", ".join(f"{found[grade]} {_RATES.get(grade, grade.value)}" for grade in Grade
                     if found[grade])
    return f"Prices are in the currency of the process. Its rates and times: {told}."


_RATES = {Grade.DEMO: "invented for a demo shop (enter your own)"}
