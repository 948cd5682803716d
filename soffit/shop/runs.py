"""Which work is due for a job, and which of what was done holds now.

A run says in `wanted` all that its result depends on. So a result holds for as long, and again as
soon, as the decisions come to the same: undo costs no work.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from soffit.shop.decisions import Folded, Start, Wanted, folded, reachable
from soffit.shop.names import file_name
from soffit.shop.store import now
from soffit.shop.tables import DONE, RUNNING, STOPPED, WAITING, Entry, Job, Revision, Run

SHAPING = ("review", "resolve")  # kinds of run that a newer decision makes pointless
_NOBODY_SAID = Wanted(process="", quantity=1).model_dump(mode="json")
_NO_RECIPE_SAID = Start(sha256="", file="", process="", quantity=1).model_dump(mode="json")


@dataclass(frozen=True)
class Standing:
    """A job as it stands: its revisions, the log of its decisions and its runs, oldest first."""

    job: Job
    revisions: Sequence[Revision]
    log: Sequence[Entry]
    runs: Sequence[Run]

    @cached_property
    def folded(self) -> Folded:
        """What the log comes to."""
        return folded(self._start, self.log)

    @property
    def needed(self) -> set[int]:
        """The runs that are shown, or may be again by undo and redo."""
        kinds = (*SHAPING, "orient")
        kept = {run.id for run in map(self.shown, kinds) if run is not None}
        wishes = {asked_for(self.wish(kind, wanted)) + kind
                  for wanted in reachable(self._start, self.log) for kind in kinds}
        return kept | {run.id for kind in kinds for run in self._of(kind)
                       if self._asked[run.id] + kind in wishes}

    @cached_property
    def _asked(self) -> dict[int, str]:
        """What each run was asked for."""
        return {run.id: asked_for(run.wanted) for run in self.runs}

    @property
    def _start(self) -> Wanted:
        return Wanted(process=self.job.process, quantity=self.job.quantity)

    @property
    def wanted(self) -> Wanted:
        """What is decided."""
        return self.folded.wanted

    @property
    def revision(self) -> Revision:
        """The newest."""
        return self.revisions[-1]

    @property
    def entry(self) -> int:
        """The last line of the log, 0 for none."""
        return self.log[-1].id if self.log else 0

    def wish(self, kind: str, wanted: Wanted | None = None) -> dict[str, Any]:
        """What a run of this kind would depend on now, or where something else is wanted."""
        revision, wanted = self.revision, wanted or self.wanted
        if kind == "review":  # of all that is decided it depends on these alone
            start = wanted.recipe
            wanted = Wanted(process=wanted.process, quantity=1, up=wanted.up, recipe=start)
        elif kind == "orient":
            wanted = Wanted(process=wanted.process, quantity=1)
        return {
            "sha256": revision.sha256, "name": file_name(revision.file), "unit": revision.unit,
            "recipe": wanted.recipe.sha256 if wanted.recipe else None,
            "wanted": wanted.model_dump(mode="json"),
        }

    def run_now(self, kind: str) -> Run | None:
        """The newest run of this kind that what is decided now asks for."""
        wish = asked_for(self.wish(kind))
        found = [r for r in self._of(kind)
                 if self._asked[r.id] == wish and not r.said.get("superseded")]
        return found[-1] if found else None

    def shown(self, kind: str) -> Run | None:
        """The run whose result is shown: that of now, else the newest done of this revision."""
        now_ = self.run_now(kind)
        if now_ is not None and now_.state == DONE:
            return now_
        done = [r for r in self._of(kind) if r.state == DONE]
        return done[-1] if done else None

    def _of(self, kind: str) -> Iterable[Run]:
        return [r for r in self.runs if r.kind == kind and r.revision == self.revision.number]

    @property
    def leading(self) -> Run | None:
        """The run that says what state the job is in: the one of now that comes last."""
        for kind in ("resolve", "review"):
            run = self.run_now(kind)
            if run is not None:
                return run
        return None


def asked_for(wish: dict[str, Any]) -> str:
    """A wish as text of one form, but for the aims of a way up. What an earlier version wrote may
    know less of what can be wanted, and means by it what nobody said."""
    wanted = {**_NOBODY_SAID, **wish["wanted"]}
    if wanted["recipe"] is not None:
        wanted["recipe"] = {**_NO_RECIPE_SAID, **wanted["recipe"]}
    one = [wish["sha256"], wish["name"], wish["unit"], wish["recipe"], wanted]
    return json.dumps(one, sort_keys=True)


def standing(session: Session, job: Job) -> Standing:
    """A job with all that belongs to it."""
    def rows(table: Any, order: Any) -> Any:
        return session.scalars(select(table).where(table.job == job.id).order_by(order)).all()

    return Standing(job, rows(Revision, Revision.number), rows(Entry, Entry.id), rows(Run, Run.id))


def plan(session: Session, job: Job, again: bool = False) -> list[int]:
    """Queue what is due for a job; `again`: also what failed or was stopped. Returns the runs that
    are pointless now and shall be stopped."""
    at = standing(session, job)
    kind = _due(at, again)
    if kind is None:
        return []
    wish = at.wish(kind)
    pointless = [r for r in at.runs if r.kind in SHAPING and r.state in (WAITING, RUNNING)
                 and (r.kind != kind or asked_for(r.wanted) != asked_for(wish))]
    stopped = [_supersede(run) for run in pointless]
    queue(session, at, kind, wish)
    return stopped


def queue(session: Session, at: Standing, kind: str, wish: dict[str, Any]) -> Run:
    """Put a run at the end of the queue."""
    run = Run(job=at.job.id, revision=at.revision.number, kind=kind, state=WAITING, entry=at.entry,
              wanted=wish, results={}, said={}, error=None, tries=0, created=now(), ended=None)
    session.add(run)
    session.flush()
    return run


def waiting(session: Session) -> int:
    """How many runs wait."""
    return session.scalar(select(func.count()).where(Run.state == WAITING)) or 0


def supersede(session: Session, job: Job) -> list[int]:
    """Stop what is under way for a job; returns those that may be running."""
    runs = session.scalars(select(Run).where(Run.job == job.id, Run.kind.in_(SHAPING),
                                             Run.state.in_((WAITING, RUNNING))))
    return [_supersede(run) for run in runs]


def _supersede(run: Run) -> int:
    run.state, run.ended, run.said = STOPPED, now(), {**run.said, "superseded": True}
    return run.id


def _due(at: Standing, again: bool) -> str | None:
    review = at.run_now("review")
    # Which way up "auto" comes to only the resolution finds out.
    reviewed = at.wanted.up == "auto" or (review is not None and review.state == DONE)
    kind = "resolve" if reviewed else "review"
    run = at.run_now(kind)
    if run is None:
        return kind
    idle = run.state not in (DONE, WAITING, RUNNING)
    return kind if again and idle else None
