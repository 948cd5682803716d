"""What a worker does: the verbs of the commands, on files that were sent in.

This is the only place of the desk where such a file is looked into. It runs as a process of its
own (`python -m soffit.shop.work`), with limits of memory and time, and can be killed at any moment:
what it writes lies in a folder that is thrown away, until the desk has taken the files from there.
"""

from __future__ import annotations

import dataclasses
import json
import math
import os
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from soffit import api
from soffit.errors import InputError, SoffitError, UnitError
from soffit.findings.model import Review
from soffit.part.model import Part
from soffit.part.serve import serve
from soffit.part.units import MM_PER_UNIT, plausible_unit
from soffit.part.write_mesh import write_whole
from soffit.plan.by_hand import AROUND_MM
from soffit.plan.faces import describe_faces
from soffit.plan.match_faces import match_faces
from soffit.plan.model import Resolution
from soffit.plan.recipe import Recipe, RecipeChoice, load_recipe, to_toml
from soffit.plan.replay import replay, up_of
from soffit.plan.report import features_json, review_json
from soffit.plan.report_parts import dumps, number, numbers
from soffit.plan.report_ways_up import ways_up_json
from soffit.plan.wishes import bars
from soffit.production.record import read_form, read_record
from soffit.production.report import quote_json
from soffit.sheet.figure import to_svg
from soffit.sheet.model import Sheet
from soffit.sheet.places import places
from soffit.sheet.release import write_release
from soffit.sheet.ways_up import write_screen, write_ways_up
from soffit.shop import geometry
from soffit.shop.decisions import Choose, Start, Wanted, near
from soffit.shop.task import Outcome, Task

QUANTITIES = (1, 1000, 100_000)  # of an estimate, as the command has them
_EACH_S = 0.1  # how often progress is written down

_read: dict[tuple[str, str | None], Part] = {}


class Halted(SoffitError):
    """The desk asked this work to stop."""


@dataclass
class Folder:
    """Where one piece of work tells how far it is, hears that it shall stop, and leaves files."""

    root: Path
    files: dict[str, str] = field(default_factory=dict)
    _told: float = 0.0
    _stage: str = ""

    def progress(self, stage: str, done: int = 0, total: int = 0) -> None:
        """Write down how far the work is. Raises Halted where it shall stop."""
        if (self.root / "stop").exists():
            raise Halted("stopped")
        if stage == self._stage and time.monotonic() - self._told < _EACH_S:
            return
        self._stage, self._told = stage, time.monotonic()
        write_whole(self.root / "progress", json.dumps([stage, done, total]).encode())

    @property
    def out(self) -> Path:
        """The folder of the files."""
        return self.root / "out"

    def keep(self, role: str, name: str, data: bytes | str) -> None:
        """Leave a file."""
        write_whole(self.out / name, data.encode() if isinstance(data, str) else data)
        self.files[role] = name

    def keep_json(self, role: str, report: dict[str, Any]) -> None:
        """Leave a report."""
        self.keep(role, f"{role}.json", dumps(report))


def work(task: Task) -> Outcome:
    """Carry out one task."""
    # Whatever writes temporary files does so where the desk cleans up.
    tempfile.tempdir = str(task.folder.parent)
    os.environ["TMPDIR"] = tempfile.tempdir
    folder = Folder(task.folder)
    folder.out.mkdir()
    folder.progress("read")
    try:
        part = _part(task)
    except UnitError:
        size = _part(replace(task, unit="mm")).size_mm
        sizes = {unit: numbers([v * f for v in size]) for unit, f in MM_PER_UNIT.items()}
        return Outcome({}, {"sizes_mm": sizes, "guess": plausible_unit(max(size))}, asking=True)
    verb = {"review": _review, "resolve": _resolve, "orient": _orient}[task.kind]
    return Outcome(folder.files, verb(task, part, folder))


def read_start(file: Path, name: str) -> Start:
    """What a recipe says in short. Raises InputError where it is none."""
    return start_of(load_recipe(file), name)


def start_of(recipe: Recipe, name: str) -> Start:
    """The same of one that was read; its hash is not known here."""
    choice = recipe.choice
    return Start(
        sha256="", file=name, process=recipe.process.name, quantity=recipe.process.quantity,
        prefer=choice.prefer, forbid=choice.forbid, only=choice.only,
        max_deviation_mm=choice.max_deviation_mm, target_ppm=choice.target_ppm,
        protect=tuple(p.selector for p in recipe.protect), keep_out=len(recipe.keep_out),
        edits=len(recipe.edit), forbid_at=len(recipe.forbid_at),
    )


def held_record(file: Path, forms: Sequence[Path]) -> dict[str, Any]:
    """A record of a first article, held against its limits, and in what it departs from that of
    the `forms` which it is. Raises InputError where it is none."""
    number = read_record(file).number
    written = next((form for form in map(read_form, forms) if form.number == number), None)
    found = read_record(file, written)
    rows = [{**dataclasses.asdict(entry.check), "measured": entry.measured, "state": entry.state}
            for entry in found.entries]
    return {"passed": found.passed, "rows": rows, "altered": list(found.altered)}


def _part(task: Task) -> Part:
    """The part, from memory where the last tasks had it too."""
    key = (task.sha256 + task.name, task.unit)
    if key not in _read:
        copy = task.folder / task.name  # its name tells the format, and is that of what is written
        copy.write_bytes(task.file.read_bytes())
        part = api.read(str(copy), unit=task.unit)
        while len(_read) > 1:
            _read.pop(next(iter(_read)))
        _read[key] = part
    return _read[key]


def _review(task: Task, part: Part, folder: Folder) -> dict[str, Any]:
    wanted, recipe = task.wanted, _recipe(task)
    folder.progress("review")
    up = up_of(recipe, part) if recipe is not None and wanted.up == "keep" else wanted.up
    review = api.review(part, wanted.process, up, progress=folder.progress)
    folder.keep_json("review", review_json(review))
    folder.keep("geometry-before", "before.bin", geometry.received(review))
    folder.progress("features")
    folder.keep_json("features", features_json(api.features(part, review.up,
                                                            process=wanted.process)))
    return {"clean": review.clean, "over_air_mm2": number(review.over_air_mm2)}


def _resolve(task: Task, part: Part, folder: Folder) -> dict[str, Any]:
    wanted, recipe = task.wanted, _recipe(task)
    there = _at_places(task, part, recipe, folder)
    recipe = there.recipe
    spots = _spots(recipe, part, wanted)
    file = None
    if recipe is not None:
        file = task.folder / "start.toml"
        file.write_text(to_toml(recipe), encoding="utf-8", newline="\n")
    folder.progress("resolve")
    result = api.resolve(
        part, wanted.process, up=wanted.up, protect=wanted.protect,
        keep_out=[box for box in wanted.keep_out if len(box) == 6], prefer=wanted.prefer,
        forbid=wanted.forbid, only=wanted.only, demand=there.demand,
        forbid_at=there.forbid,
        max_deviation_mm=wanted.max_deviation_mm, prop_at=spots[0], no_prop_at=spots[1],
        recipe=file, target_ppm=wanted.target_ppm, quantity=wanted.quantity,
        progress=folder.progress,
    )
    sheets: list[Sheet] = []
    result = write_release(result, folder.out, progress=folder.progress, show=sheets.append)
    folder.files.update({role: Path(path).name for role, path in result.files.items()})
    folder.keep("geometry-before", "before.bin", geometry.received(result.before))
    folder.keep("geometry-after", "after.bin", geometry.produced(result))
    quantities = sorted({*QUANTITIES, wanted.quantity})
    folder.keep_json("estimate", quote_json(api.quote(result, quantities)))
    _keep_sheet(sheets[-1], result, folder)
    made = load_recipe(result.files["recipe"])
    again = result.replay.decisions if result.replay is not None else ()
    barred = result.replay.forbidden if result.replay is not None else ()
    return {
        "clean": result.clean, "over_air_mm2": number(result.after.over_air_mm2),
        "protected_faces": [face.face for face in result.protected], "dropped": there.dropped,
        "demanded": sorted({*there.demand, *(d.finding_id for d in again if d.finding_id)}),
        "forbid_at": list(result.wishes.forbid_at),
        "recipe_forbid_at": [(f.finding_id, f.remedy) for f in barred if f.finding_id],
        "edits": [edit.id for edit in result.edits],
        "start": start_of(made, Path(result.files["recipe"]).name).model_dump(mode="json"),
    }


def _orient(task: Task, part: Part, folder: Folder) -> dict[str, Any]:
    aims = task.aims
    found = api.ways_up(part, task.wanted.process, load=aims.get("load"),
                        face_up=aims.get("face_up"), cosmetic=aims.get("cosmetic") or (),
                        every_room=True, progress=folder.progress)
    folder.progress("sheet")
    stem = Path(task.name).stem
    write_ways_up(found, folder.out / f"{stem}.ways-up.svg")
    write_screen(found, folder.out / f"{stem}.ways-up.csv")
    folder.files |= {"ways_up_svg": f"{stem}.ways-up.svg", "ways_up_csv": f"{stem}.ways-up.csv"}
    folder.keep_json("orient", ways_up_json(found))
    over = found.search.screen.over_mm2.tolist()
    screen = [[*numbers(d.up), number(area)]
              for d, area in zip(found.search.directions, over, strict=True)]
    folder.keep("screen", "screen.json", json.dumps(screen))
    return {}


def _recipe(task: Task) -> Recipe | None:
    """The recipe to start from, without the faces that are no longer protected; what it prefers has
    been taken over by `Wanted`."""
    if task.recipe is None:
        return None
    recipe, wanted = load_recipe(task.recipe), task.wanted
    return recipe.model_copy(update={
        "choice": RecipeChoice(),
        "protect": tuple(p for p in recipe.protect
                         if not {p.selector, f"face {p.face}"} & set(wanted.released)),
    })


@dataclass(frozen=True)
class _AtPlaces:
    """What is said of single findings: what they get and do not get, what could not be found again,
    and the recipe without what is taken back of it there."""

    demand: dict[str, str]
    forbid: dict[str, list[str]]
    dropped: list[str]
    recipe: Recipe | None


def _at_places(task: Task, part: Part, recipe: Recipe | None, folder: Folder) -> _AtPlaces:
    """What is said of single findings; each is found again by the kind and place of the one that it
    was said of."""
    wanted = task.wanted
    found = _AtPlaces({}, {}, [], recipe)
    if not wanted.places:
        return found
    if wanted.up == "auto":
        raise InputError("choosing an option: which way up the part stands is left open; choose a "
                         "way up first")
    folder.progress("review")
    up = up_of(recipe, part) if recipe is not None and wanted.up == "keep" else wanted.up
    review = api.review(part, wanted.process, up, progress=folder.progress)
    for choice in wanted.choose.values():
        there = _found_again(choice, review)
        if there is None or there in found.demand:
            found.dropped.append(f"{choice.finding}: {choice.remedy} was chosen, but nothing "
                                 "prints over air there any more")
        else:
            found.demand[there] = choice.named
    for choice in wanted.forbid_at:
        there = _found_again(choice, review)
        if there is not None:
            found.forbid.setdefault(there, []).append(choice.named)
    return replace(found, recipe=_taken_back(recipe, review, wanted)) if recipe else found


def _taken_back(recipe: Recipe, review: Review, wanted: Wanted) -> Recipe:
    """A recipe without the edits of findings that are left open, and with what is allowed again."""
    again = replay(recipe, review)
    open_ = {_found_again(choice, review) for choice in wanted.left_open} - {None}
    allowed = [(_found_again(choice, review), choice.named) for choice in wanted.allowed_at]
    left = {d.edit_id for d in again.decisions if d.finding_id in open_}
    return recipe.model_copy(update={
        "edit": tuple(e for e in recipe.edit if e.id not in left),
        "forbid_at": tuple(
            said for said, now in zip(recipe.forbid_at, again.forbidden, strict=True)
            if not any(now.finding_id == there and bars(said.remedy, named)
                       for there, named in allowed if there is not None)),
    })


def _found_again(choice: Choose, review: Review) -> str | None:
    there = [(math.dist(f.at_mm, choice.at_mm), f.id) for f in review.air
             if f.kind == choice.kind and near(f.at_mm, choice.at_mm)]
    return min(there)[1] if there else None


def _spots(recipe: Recipe | None, part: Part, wanted: Wanted
           ) -> tuple[Sequence[tuple[float, ...]], Sequence[tuple[float, ...]]]:
    """Where props are set and kept away: those of the recipe too, which counts alone where none is
    given."""
    if recipe is None or not (wanted.prop_at or wanted.no_prop_at):
        return wanted.prop_at, wanted.no_prop_at
    placed = api.place(part, up_of(recipe, part))
    faces = match_faces(recipe.received.faces, describe_faces(placed))
    motion = placed.placement @ faces.motion
    at = [spot.in_frame(motion) for spot in recipe.prop_at]
    away = [(*spot.in_frame(motion)[:2], spot.radius_mm or AROUND_MM)
            for spot in recipe.no_prop_at]
    return [*at, *wanted.prop_at], [*away, *wanted.no_prop_at]


def _keep_sheet(sheet: Sheet, result: Resolution, folder: Folder) -> None:
    """The rows of the change sheet as data, and its drawings each as one SVG."""
    figures = (*sheet.views, *sheet.sections, *sheet.ways_up, *sheet.price)
    rows = {f.name: getattr(sheet, f.name) for f in dataclasses.fields(sheet)
            if f.name not in ("views", "sections", "ways_up", "price")}
    text = {key: [dataclasses.asdict(v) if dataclasses.is_dataclass(v) else v for v in value]  # type: ignore[arg-type]
            if isinstance(value, tuple) else value for key, value in rows.items()}
    text["places"] = [
        {"number": p.number, "finding": p.finding.id if p.finding and p.received else "",
         "received": p.received, "edits": [e.id for e in p.edits]}
        for p in places(result)
    ]
    text["drawings"] = [{"id": f.key, "title": f.title} for f in figures]
    folder.keep("sheet", "sheet.json", json.dumps(text, sort_keys=True))
    for figure in figures:
        folder.keep(f"drawing/{figure.key}", f"{figure.key}.svg", to_svg(figure))


if __name__ == "__main__":
    sys.exit(serve(sys.argv[1:], "a worker of the desk"))
