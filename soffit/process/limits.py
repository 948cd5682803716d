"""Limits as distributions: what a process can do varies from print to print.

A value that a place is compared with is a careful one. Beyond it lies the mean of what was seen on
coupons, with a standard deviation. A place whose demand is z deviations inside of the mean fails
with the normal tail Φ(−z); the limit at which a share p fails is mean ∓ z_p · deviation.

Where nobody measured a limit the profile's table `assumed` says how it is taken to vary: its
deviation is a share of it, and its mean lies so many deviations beyond. That is a guess, and
whatever is made of it is told as uncalibrated.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

from soffit.errors import ProcessError
from soffit.process.model import Distribution, Grade, Process, Value


@dataclass(frozen=True)
class Limit:
    """A value of a profile that is a limit: in which `table`, whether more of it is `harder`, and
    its `unit`."""

    table: str
    harder: bool
    unit: str

    @property
    def side(self) -> float:
        """1 where more is harder, else -1."""
        return 1.0 if self.harder else -1.0


LIMITS: dict[str, Limit] = {
    "angle_deg": Limit("capability", False, "°"),
    "lip_mm": Limit("capability", True, "mm"),
    "bridge_mm": Limit("capability", True, "mm"),
    "adhesion_mpa": Limit("capability", True, "MPa"),
    "give_lines": Limit("props", True, "lines"),
    "contact_mm": Limit("props", True, "mm"),
    "layer_bond": Limit("material", True, ""),
}

# Those that places and props are judged by and can be changed for; the bond between layers also
# says how a prop is snapped off, which a smaller one would make easier and not surer.
TIGHTENED = ("angle_deg", "lip_mm", "bridge_mm", "adhesion_mpa", "give_lines", "contact_mm")

# Steeper undersides are walls, which no limit is tightened to and none fails (common practice, no
# source).
STEEPEST_DEG = 80.0


def value_of(process: Process, name: str) -> Value:
    """The value of a limit."""
    found: Value = getattr(getattr(process, LIMITS[name].table), name)
    return found


def distribution_of(process: Process, name: str) -> Distribution:
    """How a limit varies: as measured, or else as assumed."""
    value = value_of(process, name)
    if value.distribution is not None:
        return value.distribution
    deviation = process.assumed.spread.value * value.value
    beyond = LIMITS[name].side * process.assumed.inside.value * deviation
    return Distribution(mean=value.value + beyond, deviation=deviation, count=0)


def z_of(found: Distribution, name: str, demand: float) -> float:
    """How many deviations a demand is inside of the mean of a limit; negative past it."""
    return LIMITS[name].side * (found.mean - demand) / found.deviation


def demand_at(found: Distribution, name: str, z: float) -> float:
    """The demand that is so many deviations inside of the mean."""
    return found.mean - LIMITS[name].side * z * found.deviation


def careful(value: float, name: str) -> float:
    """A value of a limit in four figures, rounded to the careful side; 0 where it is less."""
    if value <= 0.0:
        return 0.0
    figures, side = 3 - math.floor(math.log10(value)), LIMITS[name].side
    near = round(value, figures)
    return round(near - side * 10.0**-figures, figures) if side * (near - value) > 0.0 else near


def tightened(process: Process, share: float) -> Process:
    """The process with each limit so tight that no more than a share of prints fails at it; one
    that is as tight already stays as it is. Raises ProcessError where a limit varies so much that
    nothing would be left of it."""
    z = -NormalDist().inv_cdf(share)
    made = process
    for name in TIGHTENED:
        limit, value = LIMITS[name], value_of(process, name)
        found = distribution_of(process, name)
        due = careful(demand_at(found, name, z), name)
        if limit.side * (value.value - due) <= 0.0:
            continue
        if due <= 0.0 or (name == "angle_deg" and due >= STEEPEST_DEG):
            raise ProcessError(
                f"tightening {name} to {1e6 * share:.2g} of a million: it varies by "
                f"{found.deviation:.3g} about {found.mean:.4g}, so that nothing would be left of "
                "it; allow more to fail, or print more coupons")
        # With what it varies by, so that it is not assumed anew of the tighter one.
        new = Value(
            value=due, grade=Grade.DERIVED, distribution=found,
            source=f"{value.value:g} tightened, {z:.2f} deviations of {found.deviation:.3g} inside "
                   f"of a mean of {found.mean:.4g}"
                   f"{'' if found.measured else ' (uncalibrated)'}: {value.source}")
        table = getattr(made, limit.table).model_copy(update={name: new})
        made = made.model_copy(update={limit.table: table})
    return made
