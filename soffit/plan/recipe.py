"""The recipe: what was decided, in the frame of the customer's file, as TOML.

It starts with the decisions, one table each. The last table says what the part looked like when
they were taken: what was found on it and a description of each of its faces. Numbers of findings
and faces in the decisions are those of that table; by it a revision of the part is set against
this one (see `soffit.plan.replay`).
"""

from __future__ import annotations

import json
import tomllib
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError
from pydantic_core import ErrorDetails

from soffit.errors import InputError
from soffit.findings.model import Op
from soffit.part.model import Floats, Vec3
from soffit.plan.faces import FaceDescription, describe_faces
from soffit.plan.keep_out import TOUCH_MM3, BoxRoom, FileRoom
from soffit.plan.match_findings import FindingDescription, describe_findings
from soffit.plan.model import Resolution
from soffit.plan.wishes import Prefer
from soffit.process.text import toml_value

SCHEMA: Literal["soffit.recipe/2"] = "soffit.recipe/2"

# Faces of an edit that are put in words beside it (own choice: what a reader takes in).
_WORDED = 6


class _Model(BaseModel):
    model_config = ConfigDict(
        extra="forbid", frozen=True, allow_inf_nan=False, serialize_by_alias=True
    )


class RecipePart(_Model):
    """The file that the decisions were taken on."""

    file: str
    sha256: str
    unit: str


class RecipeProcess(_Model):
    """How it was to be made; `up` is a direction of the file's frame, `up_why` the reason where it
    was chosen."""

    name: str
    up: Vec3
    up_why: str = ""
    quantity: int = Field(ge=1)


class RecipeChoice(_Model):
    """What was preferred and what was not to be (see `soffit.plan.wishes`)."""

    prefer: Prefer = "price"
    forbid: tuple[str, ...] = ()
    only: tuple[str, ...] = ()
    max_deviation_mm: float | None = None
    target_ppm: float | None = Field(default=None, gt=0.0, lt=1e6)


class RecipeForbid(_Model):
    """What a finding was not to get: a remedy, or one option of it by its words (see
    `soffit.plan.variants`)."""

    finding: str
    remedy: str


class RecipeProtect(_Model):
    """A face that stays as it is, and the words that named it."""

    selector: str
    face: int


class RecipeKeepOut(_Model):
    """Room that nothing is added to: a box, by one corner and its three edges from there, or all
    bodies of another file, by its name and what it holds."""

    corner_mm: Vec3 | None = None
    edges_mm: tuple[Vec3, Vec3, Vec3] | None = None
    file: str = ""
    sha256: str = ""

    @property
    def room(self) -> BoxRoom | FileRoom | None:
        """The room; None where this is neither the one nor the other, or has no volume."""
        if self.file and self.sha256 and self.corner_mm is None and self.edges_mm is None:
            return FileRoom(self.file, self.sha256)
        if self.corner_mm is None or self.edges_mm is None or self.file or self.sha256:
            return None
        box = BoxRoom(self.corner_mm, self.edges_mm)
        return box if box.volume_mm3 > TOUCH_MM3 else None


class RecipeSpot(_Model):
    """A point at which a prop was set by hand, or around which none was to come."""

    at_mm: Vec3
    radius_mm: float = 0.0

    def in_frame(self, motion: Floats) -> Vec3:
        """The point under a rigid 4×4 motion, to a nanometre."""
        return _moved(self.at_mm, motion)


class RecipeEdit(_Model):
    """One decision. `finding` is "" where an earlier edit brought about what this one cures.
    `at_mm` is a point on it. `faces`: those that it touches."""

    id: str
    finding: str
    remedy: str
    op: Op
    at_mm: Vec3
    faces: tuple[int, ...]
    volume_mm3: float
    why: str
    after: str = ""


class RecipeReceived(_Model):
    """The part as received: what printed over air, and all its faces."""

    findings: tuple[FindingDescription, ...] = ()
    faces: tuple[FaceDescription, ...] = ()


class Recipe(_Model):
    """All decisions on one part, in the frame of its file, mm."""

    form: Literal["soffit.recipe/2"] = Field(alias="schema")
    part: RecipePart
    process: RecipeProcess
    choice: RecipeChoice = RecipeChoice()
    forbid_at: tuple[RecipeForbid, ...] = ()
    protect: tuple[RecipeProtect, ...] = ()
    keep_out: tuple[RecipeKeepOut, ...] = ()
    prop_at: tuple[RecipeSpot, ...] = ()
    no_prop_at: tuple[RecipeSpot, ...] = ()
    edit: tuple[RecipeEdit, ...] = ()
    received: RecipeReceived


def recipe_of(result: Resolution) -> Recipe:
    """What was decided in a resolution."""
    received, before = result.received, result.before
    back = np.asarray(np.linalg.inv(received.placement), dtype=np.float64)
    edits = []
    for edit in result.edits:
        edits.append(RecipeEdit(
            id=edit.id,
            finding=edit.finding,
            remedy=edit.remedy,
            op=edit.op,
            at_mm=_moved(edit.at_mm, back),
            faces=edit.faces,
            volume_mm3=_round(edit.volume_mm3),
            why=edit.why,
            after=edit.after,
        ))
    return Recipe(
        schema=SCHEMA,
        part=RecipePart(file=received.source.file, sha256=received.source.sha256,
                        unit=received.source.unit),
        process=RecipeProcess(name=before.process.name, up=before.up, up_why=result.up_why,
                              quantity=result.quantity),
        choice=RecipeChoice(prefer=result.wishes.prefer, forbid=tuple(sorted(result.wishes.forbid)),
                            only=tuple(sorted(result.wishes.only)),
                            max_deviation_mm=result.wishes.most_mm,
                            target_ppm=result.wishes.target_ppm),
        forbid_at=tuple(RecipeForbid(finding=finding, remedy=remedy)
                        for finding, remedy in sorted(result.wishes.forbid_at)),
        protect=tuple(RecipeProtect(selector=p.selector, face=p.face) for p in result.protected),
        keep_out=tuple(_kept_out(room) for room in result.keep_out),
        prop_at=tuple(RecipeSpot(at_mm=_moved(at, back)) for at in result.wishes.prop_at),
        no_prop_at=tuple(RecipeSpot(at_mm=_moved((x, y, 0.0), back), radius_mm=radius)
                         for x, y, radius in result.wishes.no_prop_at),
        edit=tuple(edits),
        received=RecipeReceived(
            findings=describe_findings(received, before.air), faces=describe_faces(received)
        ),
    )


def _kept_out(room: BoxRoom | FileRoom) -> RecipeKeepOut:
    if isinstance(room, FileRoom):
        return RecipeKeepOut(file=room.file, sha256=room.sha256)
    return RecipeKeepOut(corner_mm=room.corner_mm, edges_mm=room.edges_mm)


def recipe_toml(result: Resolution) -> str:
    """What was decided in a resolution, as TOML text."""
    return to_toml(recipe_of(result))


def to_toml(recipe: Recipe) -> str:
    """A recipe as TOML; the same recipe gives the same bytes."""
    lines = [f"schema = {toml_value(recipe.form)}"]
    lines += ["", "[part]", *_keys(recipe.part)]
    lines += ["", "[process]", *_keys(recipe.process)]
    if choice := _keys(recipe.choice):
        lines += ["", "[choice]", *choice]
    findings = {finding.id: finding for finding in recipe.received.findings}
    faces = {face.id: face for face in recipe.received.faces}
    for forbidden in recipe.forbid_at:
        lines += ["", "[[forbid_at]]", *_keys(forbidden)]
    for protect in recipe.protect:
        lines += ["", "[[protect]]", *_keys(protect), *_in_words([protect.face], faces)]
    for kept_out in recipe.keep_out:
        lines += ["", "[[keep_out]]", *_keys(kept_out)]
    for key, spots in (("prop_at", recipe.prop_at), ("no_prop_at", recipe.no_prop_at)):
        for spot in spots:
            lines += ["", f"[[{key}]]", *_keys(spot)]
    for edit in recipe.edit:
        lines += ["", "[[edit]]", *_keys(edit)]
        cured = findings.get(edit.finding)
        if cured is not None:
            at = ", ".join(f"{v:.2f}" for v in cured.at_mm)
            lines.append(f"# {cured.id}: {cured.kind}, {cured.area_mm2:.1f} mm² at {at}")
        lines += _in_words(edit.faces, faces)
    lines += ["", "# The part as received, by which a revision of it is recognised.", "[received]"]
    lines += _rows("findings", recipe.received.findings)
    lines += _rows("faces", recipe.received.faces)
    return "\n".join(lines) + "\n"


def load_recipe(path: str | Path) -> Recipe:
    """The recipe in a TOML file.

    Raises InputError if it cannot be read, is of another version, or does not hold together.
    """
    where = f"reading recipe {path}"
    try:
        data = tomllib.loads(Path(path).read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError(
            f"{where}: {error.strerror or type(error).__name__}; check the path"
        ) from None
    except UnicodeDecodeError:
        raise InputError(f"{where}: not UTF-8 text; save it as UTF-8") from None
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{where}: not valid TOML: {error}") from None
    form = data.get("schema")
    if form != SCHEMA:
        found = "it names no schema" if form is None else f"it is {form!r}"
        raise InputError(
            f"{where}: {found}, {SCHEMA!r} is read; write it again with `soffit resolve`"
        )
    try:
        # By way of JSON, so that strict mode still takes lists and the words of enumerations.
        recipe = Recipe.model_validate_json(json.dumps(data, default=str), strict=True)
    except ValidationError as error:
        raise InputError(f"{where}: {_say(error.errors()[0])}") from None
    for wrong in _loose_ends(recipe):
        raise InputError(f"{where}: {wrong}; take that entry out, or take the file as written")
    return recipe


def _loose_ends(recipe: Recipe) -> Iterator[str]:
    """Whatever an entry refers to that is not there, or is there twice."""
    for what, ids in (
        ("edit", [edit.id for edit in recipe.edit]),
        ("received.findings", [finding.id for finding in recipe.received.findings]),
        ("received.faces", [str(face.id) for face in recipe.received.faces]),
    ):
        twice = [one for one, times in Counter(ids).items() if times > 1]
        if twice:
            yield f"{what} has {twice[0]} twice"
    faces = {face.id for face in recipe.received.faces}
    findings = {finding.id for finding in recipe.received.findings}
    users: list[tuple[str, Sequence[int]]] = [
        (f"the protected face {p.selector!r}", (p.face,)) for p in recipe.protect
    ]
    users += [(f"edit {edit.id}", edit.faces) for edit in recipe.edit]
    users += [(f"finding {f.id}", f.faces) for f in recipe.received.findings]
    for who, used in users:
        for face in sorted(set(used) - faces):
            yield f"{who} speaks of face {face}, which received.faces does not describe"
    for number, kept_out in enumerate(recipe.keep_out, start=1):
        if kept_out.room is None:
            yield (f"keep_out {number} is neither a box that holds something (corner_mm, edges_mm) "
                   "nor a file (file, sha256)")
    for forbidden in recipe.forbid_at:
        if forbidden.finding not in findings:
            yield (f"forbid_at speaks of {forbidden.finding}, which received.findings does not "
                   "describe")
    for edit in recipe.edit:
        if edit.finding and edit.finding not in findings:
            yield f"edit {edit.id} cures {edit.finding}, which received.findings does not describe"


def _say(error: ErrorDetails) -> str:
    """One error of the validator in our words: key, value, what is allowed."""
    key = ".".join(str(step) for step in error["loc"])
    if error["type"] == "extra_forbidden":
        return f"unknown key {key}; take it out"
    if error["type"] == "missing":
        return f"{key} is missing; take the file as it was written"
    text = repr(error["input"])
    shown = text if len(text) <= 40 else text[:39] + "…"
    return f"{key} is {shown}; allowed: {error['msg'][0].lower()}{error['msg'][1:]}"


def _in_words(ids: Sequence[int], faces: dict[int, FaceDescription]) -> list[str]:
    """Comments that say which faces these are."""
    lines = []
    for face in [faces[one] for one in ids if one in faces][:_WORDED]:
        at = ", ".join(f"{v:.2f}" for v in face.at_mm)
        size = f", radius {face.radius_mm:.2f} mm" if face.radius_mm is not None else ""
        lines.append(
            f"# face {face.id}: {face.surface.value}, {face.area_mm2:.1f} mm² at {at}{size}"
        )
    if len(ids) > _WORDED:
        lines.append(f"# and {len(ids) - _WORDED} more")
    return lines


def _keys(model: BaseModel) -> list[str]:
    return [f"{key} = {toml_value(value)}" for key, value in _fields(model)]


def _rows(key: str, models: Iterable[BaseModel]) -> list[str]:
    """An array of tables, one a line."""
    rows = [
        "  { " + ", ".join(f"{k} = {toml_value(v)}" for k, v in _fields(model)) + " },"
        for model in models
    ]
    return [f"{key} = [", *rows, "]"] if rows else [f"{key} = []"]


def _fields(model: BaseModel) -> Iterable[tuple[str, Any]]:
    """What there is to write; what is as it is when nothing is said is left out."""
    return model.model_dump(mode="json", exclude_defaults=True).items()


def _moved(at_mm: Vec3, motion: Floats) -> Vec3:
    """A point under a rigid 4×4 motion, to a nanometre."""
    x, y, z = (motion[:3, :3] @ np.asarray(at_mm) + motion[:3, 3]).tolist()
    return (_round(x), _round(y), _round(z))


def _round(value: float) -> float:
    return round(float(value), 6) + 0.0
