"""What is decided about a part, as a log that is only added to.

Each line says one thing (`Decision`); undo and redo are lines as well. `folded` reads a log from
its start and says what holds now, what undo would take back and what redo would bring back. So a
process that is killed loses nothing that was answered, and nothing is ever half done.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Annotated, Any, Literal, Protocol

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from soffit.plan.wishes import JUST, Prefer, bars

# Own limits, far above what anybody would say of one part.
MOST = 200
_FAR_MM = 1e5
NEAR_MM = 1.0  # a finding that is asked for by its place may be so far from it


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


def _box(box: tuple[float, ...]) -> tuple[float, ...]:
    if not all(low < high for low, high in zip(box[:3], box[3:], strict=True)):
        raise ValueError("a box is x0, y0, z0, x1, y1, z1 with each first below its second")
    return box


def _way(up: Any) -> Any:
    if not isinstance(up, str) and not any(up):
        raise ValueError("a direction is x, y, z, not all 0")
    return up


Length = Annotated[float, Field(ge=-_FAR_MM, le=_FAR_MM)]
Box = Annotated[tuple[Length, Length, Length, Length, Length, Length], AfterValidator(_box)]
Point = tuple[Length, Length] | tuple[Length, Length, Length]
Spot = tuple[Length, Length] | tuple[Length, Length, Annotated[float, Field(gt=0.0, le=_FAR_MM)]]
Way = tuple[Length, Length, Length]
Up = Annotated[Literal["keep", "auto"] | Way, AfterValidator(_way)]
Words = Annotated[str, Field(min_length=1, max_length=200)]
Key = Annotated[str, Field(min_length=1, max_length=500)]
Selector = Annotated[int, Field(ge=1)] | Words
Place = Annotated[int, Field(ge=0, lt=MOST)]


class Choose(_Model):
    """An option for a finding, by its key, "FINDING/REMEDY" or "FINDING/REMEDY: WORDS"; None leaves
    it to the search again. `kind` and `at_mm` are those of the finding, by which it is found again.
    """

    finding: Words
    key: Key | None
    kind: Annotated[str, Field(max_length=40)] = ""
    at_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)

    @property
    def remedy(self) -> str:
        """What the key names: a remedy, and where it has several options there, words of one."""
        return (self.key or "").partition("/")[2]

    @property
    def named(self) -> str:
        """The same as the search takes it: that option and no variant of it."""
        return f"{JUST}{self.remedy}"

    def same_place(self, other: Choose) -> bool:
        """Whether both speak of the same finding, though its number may be another by now."""
        return self.kind == other.kind and near(self.at_mm, other.at_mm)


class Named(Choose):
    """An option for a finding that is not to be had there, or again."""

    key: Key


class Decision(_Model):
    """One decision: exactly one of these is given."""

    choose: Choose | None = None
    forbid_at: Named | None = None
    allow_at: Named | None = None
    forbid: Words | None = None
    allow: Words | None = None
    protect: Annotated[list[Selector], Field(min_length=1, max_length=MOST)] | None = None
    unprotect: Annotated[list[Selector], Field(min_length=1, max_length=MOST)] | None = None
    keep_out: Box | None = None
    drop_keep_out: Place | None = None
    prop_at: Point | None = None
    drop_prop_at: Place | None = None
    no_prop_at: Spot | None = None
    drop_no_prop_at: Place | None = None
    up: Up | None = None
    process: Words | None = None
    quantity: Annotated[int, Field(ge=1, le=1_000_000_000)] | None = None
    prefer: Prefer | None = None
    max_deviation_mm: Annotated[float, Field(ge=0.0, le=_FAR_MM)] | None = None
    target_ppm: Annotated[float, Field(gt=0.0, lt=1e6)] | None = None

    @model_validator(mode="after")
    def _one(self) -> Decision:
        if len(self.model_fields_set) != 1:
            raise ValueError("a decision says exactly one thing")
        if self.value is None and self.what not in ("max_deviation_mm", "target_ppm"):
            raise ValueError(f"{self.what} is null; give a value")
        return self

    @property
    def what(self) -> str:
        """Which of them it is."""
        return next(iter(self.model_fields_set))

    @property
    def value(self) -> Any:
        """What it says, as plain JSON."""
        return self.model_dump(mode="json")[self.what]


class Start(_Model):
    """A recipe that decisions start from: its hash and name, and what it says in short. Its edits,
    protected faces, rooms and places of props are found again by the search itself; what it prefers
    is taken over."""

    sha256: str
    file: str
    process: str
    quantity: int
    prefer: Prefer = "price"
    forbid: tuple[str, ...] = ()
    only: tuple[str, ...] = ()
    max_deviation_mm: float | None = None
    target_ppm: float | None = None
    protect: tuple[str, ...] = ()
    keep_out: int = 0
    edits: int = 0
    forbid_at: int = 0

    def wanted(self, process: str, quantity: int) -> Wanted:
        """What holds where nothing but this was said."""
        taken = ("prefer", "forbid", "only", "max_deviation_mm", "target_ppm")
        return Wanted(process=process, quantity=quantity, recipe=self,
                      **{key: getattr(self, key) for key in taken})


class Wanted(_Model):
    """All that holds at one moment. `recipe`: what the decisions start from, if anything;
    `released`, `left_open` and `allowed_at` are what of it no longer holds: selectors of protected
    faces, findings, and what they were not to get."""

    process: str
    quantity: int
    up: Literal["keep", "auto"] | Way = "keep"
    prefer: Prefer = "price"
    max_deviation_mm: float | None = None
    target_ppm: float | None = None
    choose: dict[str, Choose] = {}
    forbid_at: tuple[Choose, ...] = ()
    forbid: tuple[str, ...] = ()
    only: tuple[str, ...] = ()
    protect: tuple[str, ...] = ()
    keep_out: tuple[tuple[float, ...], ...] = ()
    prop_at: tuple[tuple[float, ...], ...] = ()
    no_prop_at: tuple[tuple[float, ...], ...] = ()
    recipe: Start | None = None
    released: tuple[str, ...] = ()
    left_open: tuple[Choose, ...] = ()
    allowed_at: tuple[Choose, ...] = ()

    @property
    def places(self) -> tuple[Choose, ...]:
        """All that is said of single findings."""
        return (*self.choose.values(), *self.forbid_at, *self.left_open, *self.allowed_at)


class Line(Protocol):
    """What `folded` reads of a line of the log."""

    @property
    def what(self) -> str: ...
    @property
    def value(self) -> dict[str, Any]: ...


@dataclass(frozen=True)
class Folded:
    """What holds, and the kind of decision that undo and redo would be about, None for none."""

    wanted: Wanted
    undo: str | None
    redo: str | None


def folded(start: Wanted, log: Iterable[Line]) -> Folded:
    """What a log comes to. `start`: what holds before its first line."""
    base, done, undone = _read(start, log)
    return Folded(_all(base, done), done[-1].what if done else None,
                  undone[-1].what if undone else None)


def reachable(start: Wanted, log: Iterable[Line]) -> list[Wanted]:
    """All that may hold again by undo and redo, and what holds."""
    base, done, undone = _read(start, log)
    found = [base]
    for line in (*done, *reversed(undone)):
        found.append(_all(found[-1], [line]))
    return found


def _read(start: Wanted, log: Iterable[Line]) -> tuple[Wanted, list[Line], list[Line]]:
    """What cannot be taken back any more, what can, and what can be brought back, the last first
    taken back."""
    base, done, undone = start, list[Line](), list[Line]()
    for line in log:
        if line.what == "undo":
            undone.append(done.pop())
        elif line.what == "redo":
            done.append(undone.pop())
        elif line.what == "revision":
            base, done, undone = _carried(_all(base, done), line.value), [], []
        else:
            done.append(line)
            undone.clear()
    return base, done, undone


def selectors(given: Iterable[int | str]) -> list[str]:
    """Faces by number or words as selectors, the spaces in them as one."""
    return [f"face {one}" if isinstance(one, int) else " ".join(one.split()) for one in given]


def _all(wanted: Wanted, lines: Iterable[Line]) -> Wanted:
    for line in lines:
        wanted = _after(wanted, line.what, line.value["of"])
    return wanted


def _carried(wanted: Wanted, value: dict[str, Any]) -> Wanted:
    """What holds on the next revision: what the recipe of the last one says, where there is one."""
    if value["recipe"] is not None:
        start = Start.model_validate(value["recipe"])
        return start.wanted(wanted.process, wanted.quantity)
    # Numbers of faces are those of the old file; words may still name something.
    words = tuple(p for p in wanted.protect if not p.removeprefix("face ").isdigit())
    lost: dict[str, Any] = {"choose": {}, "forbid_at": (), "keep_out": (), "prop_at": (),
                            "no_prop_at": (), "recipe": None, "released": (), "left_open": (),
                            "allowed_at": ()}
    return wanted.model_copy(update={**lost, "protect": words})


def _after(wanted: Wanted, what: str, value: Any) -> Wanted:
    """What holds after one decision."""
    now: dict[str, Any]
    if what == "choose":
        said = Choose.model_validate(value)
        rest = {f: c for f, c in wanted.choose.items() if f != said.finding}
        if said.key is None:
            left = (*_without(wanted.left_open, said), said) if wanted.recipe else ()
            now = {"choose": rest, "left_open": left}
        else:
            now = {"choose": {**rest, said.finding: said},
                   "forbid_at": tuple(f for f in wanted.forbid_at if not _bars(f, said))}
    elif what == "forbid_at":
        said = Choose.model_validate(value)
        now = {"forbid_at": (*_without(wanted.forbid_at, said), said),
               "choose": {f: c for f, c in wanted.choose.items() if not _bars(said, c)},
               "allowed_at": _without(wanted.allowed_at, said)}
    elif what == "allow_at":
        said = Choose.model_validate(value)
        now = {"forbid_at": _without(wanted.forbid_at, said)}
        if wanted.recipe:
            now["allowed_at"] = (*_without(wanted.allowed_at, said), said)
    elif what == "forbid":
        now = {"forbid": tuple(dict.fromkeys((*wanted.forbid, value)))}
    elif what == "allow":
        now = {"forbid": tuple(f for f in wanted.forbid if f != value)}
    elif what == "protect":
        named = selectors(value)
        now = {"protect": tuple(dict.fromkeys((*wanted.protect, *named))),
               "released": tuple(r for r in wanted.released if r not in named)}
    elif what == "unprotect":
        named = selectors(value)
        now = {"protect": tuple(p for p in wanted.protect if p not in named)}
        if wanted.recipe:
            now["released"] = tuple(dict.fromkeys((*wanted.released, *named)))
    elif what in ("keep_out", "prop_at", "no_prop_at"):
        now = {what: (*getattr(wanted, what), tuple(value))}
    elif what.startswith("drop_"):
        what = what.removeprefix("drop_")
        now = {what: tuple(v for k, v in enumerate(getattr(wanted, what)) if k != value)}
    elif what == "up":
        # What was said in the frame of the other way up says nothing in this one.
        now = {"up": value if isinstance(value, str) else tuple(value), "choose": {},
               "forbid_at": (), "keep_out": (), "prop_at": (), "no_prop_at": ()}
    elif what == "recipe":
        start = Start.model_validate(value)
        return start.wanted(start.process, start.quantity)
    else:
        now = {what: value}
    return wanted.model_copy(update=now)


def _without(said: tuple[Choose, ...], one: Choose) -> tuple[Choose, ...]:
    """What was said but for the same of the same finding."""
    return tuple(s for s in said if not (s.remedy == one.remedy and s.same_place(one)))


def _bars(forbidden: Choose, chosen: Choose) -> bool:
    """Whether what is forbidden at a finding is what was chosen there."""
    return forbidden.same_place(chosen) and bars(forbidden.named, chosen.named)


def near(a: tuple[float, float, float], b: tuple[float, float, float]) -> bool:
    """Whether two places of findings are one."""
    return math.dist(a, b) <= NEAR_MM
