"""What the user prefers, forbids and demands of remedies."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal, get_args

from soffit.errors import InputError
from soffit.part.model import Vec3
from soffit.plan.by_hand import Spot
from soffit.plan.variants import Described, alike, parted
from soffit.process.cost import Cost
from soffit.remedies import CHANGES, LAST_RESORT, modules
from soffit.remedies.model import Option

Prefer = Literal["price", "plastic", "time", "looks"]
PREFERENCES: tuple[Prefer, ...] = get_args(Prefer)

# Before the name of a remedy that a place is to get, or not: that one and no variant of it.
JUST = "just "

# What is not preferred decides between equals, by this share of its price (derived: far below what
# differs in plastic, seconds or area, far above rounding).
TIE = 1e-4
# The fewer changes the better, if all else is equal (derived: below what prices differ by, above
# what the sizes of changes count for between equals).
EACH = 1e-4


@dataclass(frozen=True)
class Wishes:
    """`prefer`: what is to be least. `forbid`: remedies never used. `demand`: for a finding of the
    part as received, by its id, the remedy that it gets; `forbid_at`: those that it does not get.
    `most_mm`: largest deviation of the new surface from the surface as it was, None for any.
    `only`: the remedies that are used, all where it is empty. `prop_at`: points of the build frame,
    mm, under which a prop is set; `no_prop_at`: points in plan and how far around them none may
    come (see `plan.by_hand`). A remedy's name stands for all its variants: "chamfer" also for
    "chamfer leaving a lip"; for a finding "just chamfer" does not, and words behind the name mean
    one of its options: "prop: 27 ridges on 20 posts" (see `plan.variants`). `target_ppm`: how many
    in a million may fail at their places, None where nobody asks; the limits are tightened for it
    before anything is looked for (see `production.certainty`)."""

    prefer: Prefer = "price"
    forbid: frozenset[str] = frozenset()
    demand: tuple[tuple[str, str], ...] = ()
    most_mm: float | None = None
    only: frozenset[str] = frozenset()
    prop_at: tuple[Vec3, ...] = ()
    no_prop_at: tuple[Spot, ...] = ()
    target_ppm: float | None = None
    forbid_at: tuple[tuple[str, str], ...] = ()

    @property
    def asked(self) -> tuple[str, ...]:
        """The modules of the remedies that a place is asked about, props last where others are."""
        changes = tuple(name for name in CHANGES if self._uses(name))
        return changes or tuple(name for name in LAST_RESORT if self._uses(name))

    @property
    def forbids_props(self) -> bool:
        """Whether no prop is ever to be used."""
        return not all(self._uses(name) for name in LAST_RESORT) or any(
            covers(name, "prop") for name in self.forbid)

    def _uses(self, module: str) -> bool:
        (remedy,) = (m.NAME for m in modules([module]))
        return not self.only or any(
            covers(name, remedy) or covers(remedy, name) for name in self.only)

    def weight(self, cost: Cost) -> float:
        """What a cost counts for, at least 0."""
        price = max(0.0, cost.price) + cost.avoid
        of = {
            "price": price,
            "plastic": cost.plastic_mm3 / 1000.0,
            "time": cost.machine_s + cost.labour_s,
            "looks": cost.changed_mm2,
        }
        return max(0.0, of[self.prefer]) + TIE * price + EACH

    def refuses(self, option: Option) -> str | None:
        """Why an option is not wanted, or None."""
        if any(means(name, option.remedy) for name in self.forbid):
            return "forbidden"
        if self.only and not any(covers(name, option.remedy) for name in self.only):
            return "not among those to be used"
        deviation = option.cost.deviation_mm if option.cost is not None else 0.0
        if self.most_mm is not None and deviation > self.most_mm:
            return (f"it would move the surface by {deviation:.2f} mm, more than the "
                    f"{self.most_mm:g} mm allowed")
        return None

    def demanded(self, finding_id: str) -> str | None:
        """The remedy that a finding is to get, or None."""
        return next((remedy for finding, remedy in self.demand if finding == finding_id), None)

    def at(self, finding_id: str) -> Wishes:
        """What holds for one finding: what is forbidden there, as far as it is said by the names of
        remedies alone, as if it were so everywhere."""
        there = {name for f, name in self.forbid_at if f == finding_id and not parted(name)[1]}
        return replace(self, forbid=self.forbid | there, forbid_at=())

    def barred(self, finding_id: str, options: Sequence[Described], near: bool = True) -> set[int]:
        """Which options of a finding are forbidden there. `near` as of `variants.alike`."""
        names = [name for finding, name in self.forbid_at if finding == finding_id]
        return {k for name in names for k in meant(name, options, near)}


def covers(name: str, remedy: str) -> bool:
    """Whether a remedy is one of this name or a variant of it."""
    return remedy == name or remedy.startswith(f"{name} ")


def means(named: str, remedy: str) -> bool:
    """Whether a remedy is one of this name, or a variant where that does not say "just"."""
    name = named.removeprefix(JUST)
    return remedy == name if name != named else covers(name, remedy)


def meant(named: str, options: Sequence[Described], near: bool = True) -> list[int]:
    """Which of the options of a place a name means, with the words behind it."""
    name, words = parted(named)
    found = [k for k, option in enumerate(options) if means(name, option.remedy)]
    return [found[k] for k in alike(words, [options[k] for k in found], near)] if words else found


def bars(forbidden: str, named: str) -> bool:
    """Whether what is forbidden by a name is what another one names, with the words behind it."""
    return forbidden == named or (not parted(forbidden)[1] and means(forbidden, _plain(named)))


def demanded_of(named: str, options: Sequence[Described]) -> list[int]:
    """Which of the options of a place are such as is demanded; variants stand in for "just" a
    remedy that is not among them, all of a remedy for words that none of them has."""
    name, _ = parted(named)
    return (meant(named, options) or meant(name, options)
            or meant(name.removeprefix(JUST), options))


def singular(names: Sequence[str]) -> frozenset[str]:
    """Names of remedies, also where they are given in the plural: "props"."""
    known = {module.NAME for module in modules()}
    return frozenset(name[:-1] if name[-1:] == "s" and name[:-1] in known else name
                     for name in names)


def checked(wishes: Wishes) -> Wishes:
    """`wishes` if they name remedies that there are; raises InputError otherwise."""
    known = [module.NAME for module in modules()]
    if wishes.prefer not in PREFERENCES:
        raise InputError(
            f"choosing remedies: prefer is {wishes.prefer!r}; give {', '.join(PREFERENCES)}")
    named = (*sorted(wishes.forbid), *sorted(wishes.only),
             *(_plain(remedy)
               for _, remedy in (*wishes.demand, *wishes.forbid_at)))
    for name in named:
        if not any(covers(there, name) for there in known):
            raise InputError(
                f"choosing remedies: there is no remedy {name!r}; there are {', '.join(known)}")
    for finding, forbidden in wishes.forbid_at:
        demanded = wishes.demanded(finding)
        if demanded is not None and bars(forbidden, demanded):
            raise InputError(f"choosing remedies: {forbidden} is demanded for {finding} and "
                             "forbidden there; do one or the other")
    if any(radius <= 0.0 for _, _, radius in wishes.no_prop_at):
        raise InputError("keeping props away: the distance is not above 0; give x,y,radius in mm")
    if wishes.prop_at and wishes.forbids_props:
        raise InputError("setting a prop: props are forbidden; do one or the other")
    if wishes.most_mm is not None and not wishes.most_mm >= 0.0:
        raise InputError(f"choosing remedies: the largest deviation is {wishes.most_mm:g} mm; "
                         "give 0 or more")
    return wishes


def _plain(named: str) -> str:
    """The name of a remedy alone."""
    return parted(named.removeprefix(JUST))[0]
