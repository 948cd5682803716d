"""Whether a decision speaks of what there is: processes, remedies, faces, findings, options."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from soffit.part.units import unit_named
from soffit.plan.variants import parted
from soffit.plan.wishes import covers
from soffit.process.load import available
from soffit.remedies import modules
from soffit.shop.decisions import MOST, Choose, Decision
from soffit.shop.errors import not_now, wrong
from soffit.shop.options import options_of
from soffit.shop.runs import Standing

if TYPE_CHECKING:
    from soffit.shop.desk import Desk


def known(process: str | None, unit: str | None) -> str | None:
    """The short name of a unit. Raises Refused where there is no such process, InputError where
    there is no such unit."""
    # By name alone: `load_process` would take a path as well.
    if process is not None and process not in available():
        raise wrong(f"there is no process {process!r}; there are {', '.join(available())}")
    return None if unit is None else unit_named(unit)


def checked(desk: Desk, at: Standing, decision: Decision) -> Any:
    """The value of a decision, if it speaks of what there is; raises Refused otherwise."""
    wanted, value, what = at.wanted, decision.value, decision.what
    if what == "process":
        known(value, None)
    elif what in ("forbid", "allow"):
        _remedy(value)
    elif what in ("keep_out", "prop_at", "no_prop_at"):
        if len(getattr(wanted, what)) >= MOST:
            raise not_now(f"there are {MOST} of these already; take some out")
    elif what.startswith("drop_"):
        held = getattr(wanted, what.removeprefix("drop_"))
        if value >= len(held):
            raise not_now(f"there are {len(held)} of these, counted from 0; there is none with "
                          f"number {value}")
    elif what in ("protect", "unprotect"):
        if len(wanted.protect) >= MOST:
            raise not_now(f"{MOST} faces are protected already; name them by words")
        report = desk.reviewed(at)
        faces = report["part"]["faces"] if report is not None else 0
        for face in (one for one in value if isinstance(one, int)):
            if report is not None and face > faces:
                raise wrong(f"there is no face {face}; the part has faces 1 to {faces}")
    elif what in ("choose", "forbid_at", "allow_at"):
        said = _at_its_place(desk, at, Choose.model_validate(value))
        if what == "choose" and said.key is not None:
            _allowed(at, said)
        if what == "forbid_at" and len(wanted.forbid_at) >= MOST:
            raise not_now(f"{MOST} options are forbidden already; forbid remedies for the whole "
                          "part")
        value = said.model_dump(mode="json")
    return value


def _at_its_place(desk: Desk, at: Standing, said: Choose) -> Choose:
    """What is said of a finding, with the place of that."""
    if at.wanted.up == "auto":
        raise not_now("which way up is left open; decide on the one that is shown first")
    finding = next((f for f in desk.findings(at) if f["id"] == said.finding), None)
    if finding is None:
        raise wrong(f"there is no finding {said.finding} over air now; look at the review")
    if said.key is not None:
        name, slash, remedy = said.key.partition("/")
        if name != said.finding or not slash:
            raise wrong(f"{said.key!r} is no option of {said.finding}; its key is {said.finding}/ "
                        "and the name of a remedy")
        plain, words = parted(remedy)
        _remedy(plain)
        keys = [row["key"] for row in options_of(desk.result, at, at.shown("resolve"))
                if row["finding"] == said.finding] if words else []
        if words and said.key not in keys:
            raise wrong(f"{said.key!r} is no option of {said.finding}; look at the options again")
    return said.model_copy(update={"kind": finding["kind"], "at_mm": tuple(finding["at_mm"])})


def _remedy(name: str) -> None:
    names = [module.NAME for module in modules()]
    if not any(covers(one, name) for one in names):
        raise wrong(f"there is no remedy {name!r}; there are {', '.join(names)}")


def _allowed(at: Standing, said: Choose) -> None:
    name = parted(said.remedy)[0]
    for forbidden in at.wanted.forbid:
        if covers(forbidden, name):
            raise not_now(f"{forbidden} is forbidden for the whole part; allow it first")
