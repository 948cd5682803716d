"""Which files are needed: those of the others are taken off the disk.

A job needs its files as received, its recipes and records, and the results that are shown, may be
again by undo and redo, or are seen by a customer's link. What a customer gave an answer to, and
what was measured, stays also when the job is removed.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from soffit.shop.runs import standing
from soffit.shop.store import now
from soffit.shop.tables import DONE, STOPPED, Answer, Job, Link, Record


def needed(session: Session) -> set[str]:
    """The hashes of the files that are needed; runs whose results nothing shows any more let go of
    theirs."""
    answered = set(session.scalars(select(Answer.run)))
    seen = set(session.scalars(select(Link.run).where(Link.revoked.is_(None),
                                                      Link.expires >= now())))
    kept = set(session.scalars(select(Record.sha256)))
    # Nobody decides meanwhile, or he might count on a result that is just let go.
    for job in session.scalars(select(Job).with_for_update()).all():
        at = standing(session, job)
        there = job.removed is None
        runs = at.needed | seen if there else set()
        if there:
            kept |= {revision.sha256 for revision in at.revisions}
            kept |= {sha256 for line in at.log for sha256 in _recipe(line.value)}
        for run in at.runs:
            if run.id in runs or run.id in answered:
                kept |= {one["sha256"] for one in run.results.values()}
            elif run.state == DONE:
                run.state, run.results = STOPPED, {}
                run.said = {**run.said, "superseded": True}
    return kept


def _recipe(value: dict[str, Any]) -> Iterator[str]:
    """The hash of the recipe that a line of the log speaks of, if it does."""
    for key in ("of", "recipe"):
        said = value.get(key)
        if isinstance(said, dict) and isinstance(said.get("sha256"), str):
            yield said["sha256"]
