"""How many of a million parts fail although every place is within its limits.

A place asks something of a limit: a bridge its span, an underside its angle, a prop by how much its
tip gives. The limit varies from print to print, as its `process.limits` say, so the place fails
with the tail of a normal distribution (`production.tails`). Rates of different places are taken as
independent, 1 − Π(1 − p); with them fail so many layers, and props for other reasons, as the
profile's table `failure` counts.

Far tails are those of the model: coupons show where the middle of a limit lies and how wide it is,
not that it is normal out there.

What is past its limit is a finding, said as such, and not in these figures. Where nobody measured a
limit they rest on the profile's table `assumed`, and are told as uncalibrated.

**Props.** The tip of the weakest post gives so many lines of `give_lines`; its weakest section
bears so much of the bond between layers while it is printed, and when the platform lets go of it;
its widest contact on the part is as wide as it is, of what breaks off by hand. Each post counts as
if it were the worst.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace

import numpy as np

from soffit.findings.margins import FADES
from soffit.findings.model import Margin, Review
from soffit.layers.stack import layer_tops
from soffit.part.model import Part
from soffit.part.scene import with_bodies
from soffit.part.words import plural
from soffit.plan.model import Chance, Resolution, Risk, together_ppm
from soffit.process.limits import LIMITS, distribution_of, value_of, z_of
from soffit.process.model import Grade, Process
from soffit.production.tails import failing_ppm, process_capability, z_range
from soffit.remedies.model import Edit

# Rates that are smaller are left out, ppm (own choice: a thousand million parts show one).
LEAST_PPM = 1e-3

# So many of what fails most are named (own choice: what a reader takes in).
LARGEST = 3

# What a demand on a limit is, in words.
_WORDS: dict[str, Callable[[float], str]] = {
    "angle_deg": lambda v: f"underside at {v:.1f}°",
    "bridge_mm": lambda v: f"bridge of {v:.1f} mm",
    "lip_mm": lambda v: f"lip of {v:.2f} mm",
    "adhesion_mpa": lambda v: f"foot pulled at with {v:.2g} MPa",
    "contact_mm": lambda v: f"contact {v:.1f} mm wide that stays on",
    "give_lines": lambda v: f"tip that gives {v:.2f} of a line",
    "layer_bond": lambda v: f"section that takes {v:.2g} of the bond",
}


def risk(result: Resolution) -> Risk:
    """What of a resolved part fails, its layers included."""
    process = result.before.process
    height = float(with_bodies(result.produced, result.props).mesh.bounds[1, 2])
    layers = len(layer_tops(height, process))
    value = process.failure.layer_ppm
    found = [*chances(result.after, result.edits)]
    if layers and value.value:
        found.append(_counted(f"{layers:,} layers at the shop's rate", "layer_ppm",
                              together_ppm([value.value] * layers), process))
    return Risk(tuple(sorted(found, key=lambda c: (-c.ppm, c.what, c.z_mm or ()))),
                len(result.open), result.wishes.target_ppm)


def chances(review: Review, edits: Sequence[Edit] = ()) -> tuple[Chance, ...]:
    """What fails of the places of a review that are within their limits, and of the props of some
    edits."""
    process = review.process
    found = [_chance(margin, _edit_of(margin, review.part), process) for margin in review.margins]
    for edit in edits:
        if edit.prop is not None:
            found += [_chance(m, edit.id, process, times) for m, times in _of_prop(edit, process)]
            found.append(_counted(f"{edit.id} {edit.remedy} at the shop's rate", "prop_ppm",
                                  process.failure.prop_ppm.value, process, edit.id))
    return tuple(c for c in found if max((c.ppm, *(c.range_ppm or ()))) >= LEAST_PPM)


def share_good(found: Iterable[Chance]) -> float:
    """Share of the parts in which none of these happens."""
    return 1.0 - 1e-6 * together_ppm(chance.ppm for chance in found)


def _of_prop(edit: Edit, process: Process) -> list[tuple[Margin, int]]:
    """The margins of a prop, and how often each counts."""
    assert edit.prop is not None
    facts, bond = edit.prop, process.material.layer_bond.value
    posts = max(1, facts.posts)
    asked = [("give_lines", facts.give_mm / process.line_mm, posts),
             ("contact_mm", facts.foot_mm, posts),
             ("layer_bond", facts.leaving.share * bond, 1)]
    if facts.strength is not None:
        asked.append(("layer_bond", facts.strength.drag * bond, posts))
    return [(Margin(limit, demand, edit.remedy, edit.z_mm, edit.at_mm), times)
            for limit, demand, times in asked
            if z_of(distribution_of(process, limit), limit, demand) < FADES]


def _chance(margin: Margin, edit: str, process: Process, times: int = 1) -> Chance:
    """How often one place fails; a prop's in so many posts."""
    name = margin.limit
    varies = distribution_of(process, name)
    z = z_of(varies, name, margin.demand)
    ends = np.array([z, *(z_range(z, varies.count) if varies.measured else ())])
    rates = [together_ppm([rate] * times) for rate in failing_ppm(ends).tolist()]
    range_ppm = (min(rates[1:]), max(rates[1:])) if varies.measured else None
    return Chance(_words(margin, times), margin.z_mm, f"{LIMITS[name].table}.{name}",
                  margin.demand, value_of(process, name).value, z, process_capability(z), rates[0],
                  range_ppm, varies.measured, edit, margin.finding, margin.faces)


def _counted(what: str, name: str, ppm: float, process: Process, edit: str = "") -> Chance:
    """What fails so often as the profile counts."""
    grade = getattr(process.failure, name).grade
    return Chance(what, None, f"failure.{name}", None, None, None, None, ppm, None,
                  grade is Grade.MEASURED, edit)


def _words(margin: Margin, times: int) -> str:
    said = _WORDS[margin.limit](margin.demand)
    if margin.kind == "air/ceiling" and margin.limit == "bridge_mm":
        said = said.replace("bridge", "ceiling")
    elif margin.kind == "air/slope" and margin.limit == "lip_mm":
        said = f"slope too flat for {margin.demand:.2f} mm"
    return said if times == 1 else f"{times} × {said}"


def _edit_of(margin: Margin, part: Part) -> str:
    """The edit that made a surface, "" for the part's own."""
    made = [part.face(face).edit for face in margin.faces]
    return next((edit.split(" ")[0] for edit in made if edit), "")


def ppm_words(ppm: float) -> str:
    """A rate in a million with two figures or more, as a person reads it."""
    return f"{ppm:,.0f}" if ppm >= 99.95 else f"{ppm:.1f}" if ppm >= 0.95 else f"{ppm:.2g}"


def chance_words(chance: Chance) -> str:
    """What may fail, and where."""
    if chance.z_mm is None:
        return chance.what
    low, high = chance.z_mm
    at = f"{low:.1f}" if high - low < 0.05 else f"{low:.1f}–{high:.1f}"
    return f"{chance.what}, z {at}{f' ({chance.edit})' if chance.edit else ''}"


def alike(found: Sequence[Chance]) -> tuple[Chance, ...]:
    """The same with those of the same words as one, the greatest first."""
    groups: dict[str, list[Chance]] = {}
    for one in found:
        groups.setdefault(chance_words(one), []).append(one)
    joined = [_joined(group) if len(group) > 1 else group[0] for group in groups.values()]
    return tuple(sorted(joined, key=lambda c: -c.ppm))


def _joined(group: Sequence[Chance]) -> Chance:
    ranges = [one.range_ppm for one in group if one.range_ppm is not None]
    ends = None
    if len(ranges) == len(group):
        ends = (together_ppm(low for low, _ in ranges), together_ppm(high for _, high in ranges))
    return replace(group[0], what=f"{len(group)} × {group[0].what}", range_ppm=ends,
                   ppm=together_ppm(one.ppm for one in group),
                   faces=tuple(face for one in group for face in one.faces))


def total_words(found: Risk) -> str:
    """How many fail of all, how sure that is, and the yield."""
    told = [f"between {' and '.join(map(ppm_words, found.range_ppm))}" if found.range_ppm else "",
            "uncalibrated" if found.uncalibrated else ""]
    sure = "; ".join(text for text in told if text)
    return (f"{ppm_words(found.total_ppm)} of a million{f' ({sure})' if sure else ''}, yield "
            f"{100.0 * found.good_share:.3f} %")


def target_words(found: Risk) -> str:
    """What became of the target; "" where nothing was asked for."""
    if found.target_ppm is None:
        return ""
    came = "reached" if found.reached else "MISSED"
    return (f"target for its places {ppm_words(found.target_ppm)} of a million: {came} with "
            f"{ppm_words(found.places_ppm)}")


def words(found: Risk) -> str:
    """All of it in a few words: the total, the target, and what most of it is made up of."""
    most = "; ".join(f"{chance_words(c)}: {ppm_words(c.ppm)}"
                     for c in alike(found.chances)[:LARGEST])
    still = f"{plural(found.open, 'open place')} not counted"
    told = [total_words(found), still if found.open else "", target_words(found),
            f"most by {most}" if most else "nothing comes near its limit"]
    return "; ".join(text for text in told if text)


def uncalibrated_words(found: Risk) -> str:
    """What is behind figures that nobody measured; "" where all is."""
    if not found.uncalibrated:
        return ""
    return (f"Uncalibrated: nobody measured {', '.join(found.uncalibrated)}. What is assumed "
            "instead is in the profile; print coupons (soffit coupon), fit them (soffit capability "
            "fit), and count your rejects.")
