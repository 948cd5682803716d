"""What becomes of the decisions of a recipe on the next revision of the part.

Nothing is applied here: each decision is found again, or it is said why it is not. A decision
goes with the finding that it cured, and that with its faces (see `match_faces`,
`match_findings`). Where more than one place could be meant none is taken.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from soffit.findings.model import Op, Review
from soffit.part.model import Floats, Part, Vec3
from soffit.plan.faces import describe_faces
from soffit.plan.keep_out import BoxRoom, FileRoom
from soffit.plan.match_faces import FaceMatch, match_faces
from soffit.plan.match_findings import (
    FindingDescription,
    FindingMatch,
    describe_findings,
    likeness,
    match_findings,
)
from soffit.plan.recipe import Recipe, RecipeEdit, RecipeForbid

Status = Literal["same", "moved", "vanished", "unclear"]
RoomStatus = Literal["same", "moved", "changed", "missing"]

# Directions nearer than this are one way up (derived: what a file rounds, far below what turns
# a surface past a limit).
_SAME_WAY = 1e-4


@dataclass(frozen=True)
class Decision:
    """What became of one edit. `finding_id`: the finding of the new review that it speaks of;
    None where there is none, and for an edit that cured what an earlier one brought about, which
    can only come up again once that one is made. `shift_mm`: how far it moved. `at_mm`: where
    it is to be looked for, in the build frame of the new part."""

    edit_id: str
    remedy: str
    op: Op
    status: Status
    finding_id: str | None
    shift_mm: float
    at_mm: Vec3
    why: str


@dataclass(frozen=True)
class Forbidden:
    """What became of a remedy that a finding was not to get. `finding_id`: the finding of the new
    review that it speaks of, None where there is none or more than one could be meant."""

    finding: str
    remedy: str
    status: Status
    finding_id: str | None
    why: str


@dataclass(frozen=True)
class KeptFace:
    """What became of a protected face. `face`: its id in the new part, None unless it is sure."""

    selector: str
    recipe_face: int
    status: Status
    face: int | None
    shift_mm: float


@dataclass(frozen=True)
class KeptRoom:
    """What became of a room that nothing was to be added to. `box`: where it is in the frame of
    the new part's file, where it is a box; else it is the file that `room` names, "same" where one
    with the same content was given again, "changed" where only its name was, else "missing"."""

    room: BoxRoom | FileRoom
    status: RoomStatus
    box: BoxRoom | None
    why: str

    @property
    def file(self) -> str | None:
        """The name of the file; None for a box."""
        return self.room.file if isinstance(self.room, FileRoom) else None


@dataclass(frozen=True)
class Replay:
    """A recipe set against a new review. `new`: findings over air that were not there before.
    `known`: those that were there, but that no edit names, as they went along with another or
    stayed open. `up` is the way up of the recipe in the frame of the new file, `same_way_up`
    whether the new review stands so."""

    decisions: tuple[Decision, ...]
    forbidden: tuple[Forbidden, ...]
    protected: tuple[KeptFace, ...]
    keep_out: tuple[KeptRoom, ...]
    new: tuple[str, ...]
    known: tuple[str, ...]
    up: Vec3
    same_way_up: bool
    faces: FaceMatch


def replay(
    recipe: Recipe, review: Review, given: Sequence[BoxRoom | FileRoom] = ()
) -> Replay:
    """Find the decisions of `recipe` again in the review of a revision, placed in its build
    frame. `given`: the rooms that are kept out this time in any case."""
    part = review.part
    faces = match_faces(recipe.received.faces, describe_faces(part))
    now = describe_findings(part, review.air)
    found = match_findings(recipe.received.findings, now, faces)
    decisions = tuple(
        _decide(edit, recipe, now, found, faces, part.placement) for edit in recipe.edit
    )
    named = {decision.finding_id for decision in decisions}
    unclear = {one for _, could_be in found.unclear for one in could_be}
    paired = {pair.b for pair in found.pairs}
    up = _way(recipe, faces)
    return Replay(
        decisions=decisions,
        forbidden=tuple(_forbidden(one, recipe, now, found, faces) for one in recipe.forbid_at),
        protected=tuple(_kept(p.selector, p.face, faces) for p in recipe.protect),
        keep_out=tuple(_room(k.room, faces, given) for k in recipe.keep_out if k.room),
        new=found.new,
        known=tuple(f.id for f in now if f.id in paired | unclear and f.id not in named),
        up=up,
        same_way_up=bool(np.linalg.norm(np.subtract(up, review.up)) < _SAME_WAY),
        faces=faces,
    )


def up_of(recipe: Recipe, part: Part) -> Vec3:
    """The way up of a recipe in the frame of a revision's file."""
    faces = match_faces(recipe.received.faces, describe_faces(part))
    return _way(recipe, faces)


def _way(recipe: Recipe, faces: FaceMatch) -> Vec3:
    x, y, z = (np.round(faces.motion[:3, :3] @ recipe.process.up, 9) + 0.0).tolist()
    return (x, y, z)


def _decide(
    edit: RecipeEdit,
    recipe: Recipe,
    now: tuple[FindingDescription, ...],
    found: FindingMatch,
    faces: FaceMatch,
    placement: Floats,
) -> Decision:
    if not edit.finding:
        return _follow_up(edit, faces, placement)
    old = next(f for f in recipe.received.findings if f.id == edit.finding)
    status, finding_id, why = _where(old, now, found, faces)
    shift = np.zeros(3)
    if finding_id is not None:
        new = next(f for f in now if f.id == finding_id)
        shift = np.asarray(new.at_mm) - _carried(old.at_mm, faces.motion)
    at = _carried(edit.at_mm, faces.motion) + shift
    return _decision(edit, status, finding_id, shift, at, placement, why)


def _forbidden(
    one: RecipeForbid, recipe: Recipe, now: tuple[FindingDescription, ...], found: FindingMatch,
    faces: FaceMatch,
) -> Forbidden:
    old = next(f for f in recipe.received.findings if f.id == one.finding)
    return Forbidden(one.finding, one.remedy, *_where(old, now, found, faces))


def _where(
    old: FindingDescription, now: tuple[FindingDescription, ...], found: FindingMatch,
    faces: FaceMatch,
) -> tuple[Status, str | None, str]:
    """What became of a finding, which one it is now, if it is sure, and why."""
    pair = next((p for p in found.pairs if p.a == old.id), None)
    could_be = dict(found.unclear).get(old.id, ())
    if pair is not None:
        new = next(f for f in now if f.id == pair.b)
        if pair.moved:
            return "moved", new.id, _how(old, new, pair.shift_mm)
        return "same", new.id, "it is where and what it was"
    if could_be:
        why = f"more than one place could be meant: {', '.join(could_be)}"
        if len(could_be) == 1:
            why = f"{could_be[0]} could be it, but so could another place of before"
        return "unclear", None, why
    other = next((f for f in now if f.id in found.new and likeness(old, f, faces) is not None),
                 None)
    if other is not None:
        return "unclear", None, f"there it is {other.kind} now ({other.id}), not {old.kind}"
    if not old.faces or any(f in faces.of for f in old.faces):
        return "vanished", None, "the faces are there, but nothing prints over air there"
    return "vanished", None, "the faces that it was found on are gone"


def _follow_up(edit: RecipeEdit, faces: FaceMatch, placement: Floats) -> Decision:
    """An edit that cured what an earlier one brought about goes with the faces that it touched."""
    pairs = [faces.of[f] for f in edit.faces if f in faces.of]
    at = _carried(edit.at_mm, faces.motion)
    if not pairs:
        gone = "the faces that it touched are gone"
        return _decision(edit, "vanished", None, np.zeros(3), at, placement, gone)
    if not all(pair.sure for pair in pairs):
        could = "more than one place could be meant"
        return _decision(edit, "unclear", None, np.zeros(3), at, placement, could)
    shift = np.asarray(max(pairs, key=lambda pair: pair.distance_mm).shift_mm)
    still = all(pair.status == "matched" for pair in pairs)
    return _decision(edit, "same" if still else "moved", None, shift, at + shift, placement,
                     "it follows from an earlier change, once that is made again")


def _decision(
    edit: RecipeEdit, status: Status, finding_id: str | None, shift: Floats, at: Floats,
    placement: Floats, why: str,
) -> Decision:
    x, y, z = (np.round(placement[:3, :3] @ at + placement[:3, 3], 6) + 0.0).tolist()
    far = round(float(np.linalg.norm(shift)), 6)
    return Decision(edit.id, edit.remedy, edit.op, status, finding_id, far, (x, y, z), why)


def _how(old: FindingDescription, new: FindingDescription, shift_mm: float) -> str:
    return (
        f"it moved by {shift_mm:.2f} mm, its area went from {old.area_mm2:.1f} "
        f"to {new.area_mm2:.1f} mm²"
    )


def _carried(at_mm: Vec3, motion: Floats) -> Floats:
    return np.asarray(motion[:3, :3] @ np.asarray(at_mm) + motion[:3, 3])


def _kept(selector: str, face: int, faces: FaceMatch) -> KeptFace:
    pair = faces.of.get(face)
    if pair is None:
        return KeptFace(selector, face, "vanished", None, 0.0)
    if not pair.sure:
        return KeptFace(selector, face, "unclear", None, pair.distance_mm)
    status: Status = "same" if pair.status == "matched" else "moved"
    return KeptFace(selector, face, status, pair.b, round(pair.distance_mm, 6))


def _room(
    room: BoxRoom | FileRoom, faces: FaceMatch, given: Sequence[BoxRoom | FileRoom]
) -> KeptRoom:
    if isinstance(room, BoxRoom):
        if not faces.whole_moved:
            return KeptRoom(room, "same", room, "the box stays where it was in the part's file")
        box = room.moved(faces.motion)
        far = float(np.linalg.norm(np.mean(box.points - room.points, axis=0)))
        return KeptRoom(room, "moved", box,
                        f"the box went along with the part, its middle by {far:.2f} mm")
    files = [k for k in given if isinstance(k, FileRoom)]
    if any(k.sha256 == room.sha256 for k in files):
        return KeptRoom(room, "same", None, "it was given again and counts where it stands")
    if any(k.file == room.file for k in files):
        return KeptRoom(room, "changed", None,
                        "a file of that name was given, of other content; that one counts")
    return KeptRoom(room, "missing", None,
                    "it is not kept out, as it was not given again; give it with --keep-out")
