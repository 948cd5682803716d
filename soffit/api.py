"""The verbs behind `import soffit` and behind the commands: one path for both."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from soffit.errors import InputError
from soffit.process.load import load_process

if TYPE_CHECKING:
    from soffit.findings.model import Review
    from soffit.orient.result import WaysUp
    from soffit.part.features.model import Features
    from soffit.part.model import Part, Vec3
    from soffit.plan.by_hand import Spot
    from soffit.plan.compare import Comparison
    from soffit.plan.model import Resolution
    from soffit.process.model import Process
    from soffit.production.price import Tooled
    from soffit.production.quote import Quote
    from soffit.sheet.verified import Verified

Up = Literal["keep", "auto"] | tuple[float, float, float]
Box = tuple[float, float, float, float, float, float]
Progress = Callable[[str, int, int], None]


def read(source: Any, unit: str | None = None, repair: bool = False) -> Part:
    """The part in a STEP, STL, 3MF, OBJ or PLY file, or of a mesh or CAD-script object.

    `unit` (mm, cm, m, in, ft, um) is demanded where the file states none. With `repair` a mesh
    that is not closed is mended where that is possible, and the part says what was done.

    Raises FileError if it cannot be read as a part, UnitError if its unit is not known.
    """
    from soffit.part.read import read as read_part

    return read_part(source, unit=unit, repair=repair)


def place(part: Part, up: Literal["keep"] | Vec3 = "keep") -> Part:
    """The part standing on the platform with its direction `up` pointing up."""
    from soffit.part.place import place as place_part

    return place_part(part, up)


def ways_up(
    part: Part,
    process: str | Path | Process = "pla-04",
    *,
    load: Vec3 | None = None,
    face_up: str | None = None,
    cosmetic: Sequence[str] = (),
    every_room: bool = False,
    progress: Progress | None = None,
) -> WaysUp:
    """Which way up is best, of all directions; those worth weighing, each with a reason.

    Directions are in the part's present frame. `load`: along which the part is pulled. `face_up`:
    selector of a flat face that must point up; `cosmetic`: of faces that are looked at.
    `every_room`: whether the room of a support is measured for every direction, which changes no
    choice.

    Raises InputError for a load without direction, SelectorError for a selector that names nothing,
    or a face to point up that is not flat.
    """
    from soffit.orient.choose import search
    from soffit.orient.measure import Aims
    from soffit.orient.result import WaysUp
    from soffit.plan.protect import faces_of, flat_direction

    how = load_process(process)
    if load is not None:
        _along(part, "load", load)
    looked_at = faces_of(part, cosmetic, "--cosmetic")
    upwards = None if face_up is None else flat_direction(part, face_up, "--face-up")
    found = search(part, how, Aims(load, looked_at), upwards=upwards,
                   every_room=every_room, progress=progress)
    return WaysUp(part, how, found, load, face_up or "", tuple(cosmetic))


def choose_up(part: Part, process: str | Path | Process = "pla-04") -> Vec3:
    """The direction of the part that is best put upwards, in the part's own frame."""
    return ways_up(part, process).best.up


def review(
    part: Part,
    process: str | Path | Process = "pla-04",
    up: Up = "keep",
    *,
    fast: bool = False,
    progress: Progress | None = None,
) -> Review:
    """Every place of the part that would print over air, and all else that could fail.

    `process`: a profile's name, a TOML file or a `Process`. `up`: "keep" takes the part as it
    is drawn, "auto" chooses, a direction in the part's frame is turned upwards. `fast`: a
    coarse answer, in at most 100 layers (see `Review.coarse`).

    Raises ProcessError if there is no such process or a value in it is not allowed.
    """
    from soffit.findings.coarse import review_coarsely
    from soffit.findings.review import review as review_placed

    how = load_process(process)
    placed = place(part, _direction(part, how, up))
    if fast:
        return review_coarsely(placed, how, progress=progress)
    return review_placed(placed, how, unattended=True, progress=progress)


def features(
    part: Part, up: Up = "keep", *, process: str | Path | Process = "pla-04"
) -> Features:
    """Round holes, patterns of them and faces that may mate, with what each may be for.

    `resolve(protect=["features"])` keeps their faces. Positions are in the build frame; `process`
    is looked at for `up="auto"` alone. A part whose surface is not closed has none.
    """
    from soffit.part.features.recognise import recognise

    return recognise(place(part, _direction(part, load_process(process), up)))


def resolve(
    part: Part,
    process: str | Path | Process = "pla-04",
    *,
    up: Up = "keep",
    protect: Sequence[str] = (),
    keep_out: Sequence[Box | Part] = (),
    prefer: Literal["price", "plastic", "time", "looks"] = "price",
    forbid: Sequence[str] = (),
    only: Sequence[str] = (),
    demand: Mapping[str, str] | None = None,
    forbid_at: Mapping[str, Sequence[str]] | None = None,
    max_deviation_mm: float | None = None,
    prop_at: Sequence[tuple[float, ...]] = (),
    no_prop_at: Sequence[tuple[float, ...]] = (),
    recipe: str | Path | None = None,
    target_ppm: float | None = None,
    quantity: int = 1,
    progress: Progress | None = None,
) -> Resolution:
    """The part changed so that nothing prints over air; `write` on the result proves and writes it.

    `protect`: selectors of faces that must stay as they are. `keep_out`: what must stay free of
    added material: boxes (x0, y0, z0, x1, y1, z1) in the build frame, mm, and closed parts, read
    like any other, that stand beside this one in its file's frame.
    `up`: as of `review`; of "auto" the best few ways up are resolved until one comes clean without
    props.
    `prefer`: what is to be least, once as little as can be prints over air. `forbid`: remedies that
    are not used; `only`: those that are used, all where none is named; `demand`: for a finding of
    the review, by its id, the remedy that it gets; `forbid_at`: those that it does not get. Words
    of an option behind a name mean that one: "prop: 27 ridges on 20 posts". `max_deviation_mm`:
    farthest that a surface may move. `prop_at`: points x, y of the build frame, mm, under
    which a prop is set, below the lowest underside or, with a third number, the one nearest to that
    height. `no_prop_at`: points x, y around which no prop comes, within 4 mm or a third number.
    `recipe`: file of decisions taken on this part or an earlier revision; they are taken
    again wherever their place is found again. `target_ppm`: of how many in a million the places may
    fail, all together; limits are tightened until they do not.
    `progress` is called with what is being done, how much is done, how much there is.

    Raises ProcessError, SelectorError, or InputError for a value that is not allowed.
    """
    from dataclasses import replace

    from soffit.plan.recipe import load_recipe
    from soffit.plan.replay import up_of
    from soffit.plan.resolve import resolve as resolve_part
    from soffit.plan.way_up import resolve_best_way_up
    from soffit.plan.wishes import Wishes, singular
    from soffit.production.certainty import reach
    from soffit.production.ejection import ejection
    from soffit.production.estimate import estimate
    from soffit.production.risk import risk

    if quantity < 1:
        raise InputError(f"resolving {part.source.file}: quantity is {quantity}; give 1 or more")
    how = load_process(process)
    decided = None if recipe is None else load_recipe(recipe)
    if target_ppm is None and decided is not None:
        target_ppm = decided.choice.target_ppm
    options: dict[str, Any] = {
        "protect": list(protect),
        "keep_out": list(keep_out),
        "quantity": quantity,
        "wishes": Wishes(prefer, singular(forbid), tuple((demand or {}).items()),
                         max_deviation_mm, singular(only), tuple(_point(p) for p in prop_at),
                         tuple(_spot(p) for p in no_prop_at), target_ppm,
                         tuple((finding, name) for finding, names in (forbid_at or {}).items()
                               for name in names)),
        "progress": progress,
    }
    # What names findings or places of one way up is meant for the one with least over air.
    named = bool(protect or keep_out or demand or forbid_at or prop_at or no_prop_at or recipe)

    def resolved(by: Process) -> Resolution:
        found = ways_up(part, by, progress=progress) if up == "auto" else None

        def told(one: Resolution) -> Resolution:
            return replace(one, estimate=estimate(one), ejection=ejection(one), risk=risk(one),
                           ways_up=found)

        if found is not None and not named:
            result = resolve_best_way_up(part, by, found.worth_resolving, **options)
        else:
            upwards = found.best.up if found is not None else _direction(part, by, up)
            result = resolve_part(part, by, up=upwards, recipe=decided, **options)
        return replace(told(result), others=lambda: map(told, result.others()))

    if target_ppm is None:
        return resolved(how)
    drawn = review(part, how, up_of(decided, part) if up == "keep" and decided else up)
    return reach(target_ppm, how, drawn, resolved)


def quote(
    result: Resolution, quantities: Sequence[int], tooled: Tooled | None = None, *,
    machines: int | None = None, days: float | None = None,
) -> Quote:
    """What one part costs at each of these quantities: as received, with a slicer's supports, and
    resolved; line by line. `tooled`: a process with a tool that it is compared with. `machines`: on
    how many the run of the largest quantity is played, or `days`: within how many it is to be done.

    Raises InputError for a quantity below 1, or where both are given.
    """
    from soffit.production.quote import quote as price

    return price(result, quantities, tooled, machines=machines, days=days)


def compare(
    a: Part,
    b: Part,
    process: str | Path | Process = "pla-04",
    up: Up = "keep",
    *,
    progress: Progress | None = None,
) -> Comparison:
    """What changed from part `a` to its revision `b`: faces, and what is found on them.

    `up` is the direction of `a` that points upwards (see `review`); `b` stands in the same way up,
    also where it lies turned in its file.

    Raises ProcessError if there is no such process, InputError for a direction without length.
    """
    from soffit.plan.compare import compare as compare_parts

    how = load_process(process)
    return compare_parts(a, b, how, up=_direction(a, how, up), progress=progress)


def verify(
    package: str | Path, received: str | Path | None = None, *, progress: Progress | None = None
) -> Verified:
    """What a package says of itself, and what its geometry says now, judged again by the process
    and in the way up inside. `received`: the file as received, by which protected faces are
    measured again.

    Raises InputError where the package is not whole, or its files are not of one part.
    """
    from soffit.sheet.verify import verify as check

    return check(Path(package), None if received is None else Path(received), progress=progress)


def _point(numbers: Sequence[float]) -> Vec3:
    if len(numbers) not in (2, 3) or not all(map(math.isfinite, numbers)):
        raise InputError(f"setting a prop: {numbers!r} is no point; give x, y or x, y, z in mm")
    x, y, z = (*map(float, numbers), 0.0)[:3]
    return (x, y, z)


def _spot(numbers: Sequence[float]) -> Spot:
    from soffit.plan.by_hand import AROUND_MM

    if len(numbers) not in (2, 3) or not all(map(math.isfinite, numbers)):
        raise InputError(
            f"keeping props away: {numbers!r} is no place; give x, y or x, y, radius in mm")
    x, y, radius = (*map(float, numbers), AROUND_MM)[:3]
    return (x, y, radius)


def _direction(part: Part, process: Process, up: Up) -> Literal["keep"] | Vec3:
    if up == "keep":
        return "keep"
    if up == "auto":
        return choose_up(part, process)
    if isinstance(up, str) or len(up) != 3:
        raise InputError(
            f'orienting {part.source.file}: up is {up!r}; give "keep", "auto" or x,y,z'
        )
    length = _along(part, "up", up)
    x, y, z = (value / length for value in up)
    return (x, y, z)


def _along(part: Part, what: str, direction: Vec3) -> float:
    """The length of a direction."""
    length = math.hypot(*direction)
    if len(direction) != 3 or not (0.0 < length < math.inf):
        raise InputError(f"orienting {part.source.file}: {what} is {direction}, no direction; "
                         "give x,y,z, not all 0")
    return length
