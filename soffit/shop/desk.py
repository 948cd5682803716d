"""Everything that can be done with the jobs of a desk. Each is one transaction; what follows from
it is queued in the same one."""

from __future__ import annotations

import hashlib
import secrets
import tempfile
import threading
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from soffit.errors import SoffitError
from soffit.part.child import Child, TooLarge
from soffit.part.units import unit_named
from soffit.shop.blobs import Blobs
from soffit.shop.bus import Bus
from soffit.shop.checked import checked, known
from soffit.shop.decisions import Decision, Start
from soffit.shop.errors import Refused, not_found, not_now, wrong
from soffit.shop.home import Home
from soffit.shop.limits import Limits
from soffit.shop.names import shown_name
from soffit.shop.runs import Standing, plan, queue, standing, supersede, waiting
from soffit.shop.store import Store, now, open_store
from soffit.shop.sweep import needed
from soffit.shop.tables import (
    ASKING,
    DONE,
    RUNNING,
    STOPPED,
    WAITING,
    Entry,
    Job,
    Record,
    Revision,
    Run,
)
from soffit.shop.workers import Gone, Late, Workers, call

_FORMS = 8  # of the newest resolutions that a record may be of (own choice)
_MOST_LINES = 20_000  # of the log of one job (own choice)


class Desk:
    """The jobs of one folder, and who works on them."""

    def __init__(self, home: Home, limits: Limits | None = None) -> None:
        self.home, self.limits = home, limits or Limits()
        self.store: Store = open_store(home.database, home.root)
        self.blobs = Blobs(home.files)
        self.bus = Bus(self.limits.listeners)
        self.workers = Workers(self.store, self.blobs, home.scratch, self.bus, self.limits,
                               _follow, self._changed)
        self._reader: Child | None = None
        self._reading = threading.Lock()
        self._readers = threading.BoundedSemaphore(self.limits.readers)

    def start(self) -> None:
        """Begin to work off the queue, once the files that nothing needs are gone."""
        self.sweep()
        self.workers.start()

    def sweep(self) -> bool:
        """Take away the files that nothing needs; the rows let go of them first. False where files
        were being added all the time: they go the next time."""
        return self.blobs.sweep(self._needed)

    def close(self) -> None:
        """Stop within a second; what was under way is taken up again next time."""
        self.bus.close()
        if self._reader is not None:
            self._reader.kill()
        self.workers.stop()
        self.store.close()
        self.home.close()

    # --- jobs ----------------------------------------------------------------------------------

    def add_job(self, name: str, sha256: str, size: int, unit: str | None, process: str,
                quantity: int) -> str:
        """A new job of a file that is kept already; returns its id."""
        stated = known(process, unit)
        with self.store.begin() as session:
            self._room(session)
            job = Job(id=secrets.token_hex(8), name=shown_name(name), created=now(), changed=now(),
                      process=process, quantity=quantity, removed=None)
            session.add(job)
            session.flush()
            session.add(Revision(job=job.id, number=1, file=job.name, sha256=sha256, size=size,
                                 unit=stated, created=now()))
            session.flush()
            plan(session, job)
        self._changed(job.id, ())
        return job.id

    def add_revision(self, job_id: str, name: str, sha256: str, size: int, unit: str | None
                     ) -> None:
        """A new file for a job; what was decided is taken again as far as it is found again."""
        stated = known(None, unit)
        with self.store.begin() as session:
            self._room(session)
            job = job_of(session, job_id)
            at = standing(session, job)
            made = at.shown("resolve")
            start = None
            if made is not None:
                start = {**made.said["start"], "sha256": made.results["recipe"]["sha256"]}
            number = at.revision.number + 1
            session.add(Revision(job=job.id, number=number, file=shown_name(name), sha256=sha256,
                                 size=size, unit=stated, created=now()))
            session.add(_line(job, number, "revision", {"recipe": start}))
            session.flush()
            halted = [*supersede(session, job), *plan(session, job)]
            job.changed = now()
        self._changed(job_id, halted)

    def remove(self, job_id: str) -> None:
        """Take a job out of sight and stop what is under way for it. Its rows stay; its files go,
        but for what was measured and what a customer gave an answer to."""
        with self.store.begin() as session:
            job = job_of(session, job_id)
            job.removed = now()
            halted = [*supersede(session, job), *self._stop(session, job)]
        self._changed(job_id, halted)
        self.sweep()

    def state_unit(self, job_id: str, unit: str) -> None:
        """Say which unit the numbers of a file are in that does not say it."""
        with self.store.begin() as session:
            job = job_of(session, job_id)
            at = standing(session, job)
            if at.leading is None or at.leading.state != ASKING:
                raise not_now("nobody asks for the unit of this file; give a new revision if it is "
                              "wrong")
            at.revision.unit = unit_named(unit)
            job.changed = now()
            session.flush()
            halted = plan(session, job)
        self._changed(job_id, halted)

    def cancel(self, job_id: str) -> None:
        """Stop all that waits or is under way for a job."""
        with self.store.begin() as session:
            halted = self._stop(session, job_of(session, job_id))
            if not halted:
                raise not_now("nothing is under way for this job")
        self._changed(job_id, halted)

    def retry(self, job_id: str) -> None:
        """Begin again what failed or was stopped."""
        with self.store.begin() as session:
            self._room(session)
            job = job_of(session, job_id)
            before = len(standing(session, job).runs)
            halted = plan(session, job, again=True)
            if len(standing(session, job).runs) == before:
                raise not_now("nothing failed or was stopped; there is nothing to begin again")
        self._changed(job_id, halted)

    def orient(self, job_id: str, aims: dict[str, Any]) -> None:
        """Look for the best way up."""
        with self.store.begin() as session:
            self._room(session)
            job = job_of(session, job_id)
            at = standing(session, job)
            run = at.run_now("orient")
            if run is None or run.state not in (WAITING, RUNNING, DONE) or (
                    run.wanted.get("aims") != aims):
                queue(session, at, "orient", {**at.wish("orient"), "aims": aims})
        self._changed(job_id, ())

    # --- decisions -----------------------------------------------------------------------------

    def decide(self, job_id: str, decision: Decision) -> None:
        """Write down a decision; what follows from it is queued."""
        with self.store.begin() as session:
            job = job_of(session, job_id)
            at = standing(session, job)
            value = checked(self, at, decision)
            halted = self._say(session, at, decision.what, {"of": value})
        self._changed(job_id, halted)

    def step(self, job_id: str, what: str) -> None:
        """Undo or redo."""
        with self.store.begin() as session:
            at = standing(session, job_of(session, job_id))
            if (at.folded.undo if what == "undo" else at.folded.redo) is None:
                raise not_now(f"there is nothing to {what}")
            halted = self._say(session, at, what, {})
        self._changed(job_id, halted)

    def take_recipe(self, job_id: str, data: bytes, name: str) -> None:
        """Start from the decisions of a recipe, instead of all that was decided."""
        start: Start = self._looked_into(data, "read_start", name, "reading a recipe")
        known(start.process, None)
        with self.blobs.adding():
            sha256 = self.blobs.put(data)
            value = {**start.model_dump(mode="json"), "sha256": sha256}
            with self.store.begin() as session:
                at = standing(session, job_of(session, job_id))
                halted = self._say(session, at, "recipe", {"of": value})
        self._changed(job_id, halted)

    def add_record(self, job_id: str, data: bytes, name: str) -> None:
        """Keep the record of a first article, held against its limits."""
        forms = self.look(job_id, lambda _s, at: tuple(
            self.blobs.path(run.results["record_json"]["sha256"]) for run in at.runs[::-1]
            if "record_json" in run.results))[:_FORMS]
        said = self._looked_into(data, "held_record", forms, "reading a record")
        with self.blobs.adding():
            sha256 = self.blobs.put(data)
            with self.store.begin() as session:
                job = job_of(session, job_id)
                session.add(Record(job=job.id, created=now(), file=shown_name(name, "record"),
                                   sha256=sha256, passed=said["passed"],
                                   said={"rows": said["rows"], "altered": said["altered"]}))
        self._changed(job_id, ())

    def _looked_into(self, data: bytes, function: str, argument: object, doing: str) -> Any:
        """What a function of `soffit.shop.work` makes of a small file, in a process that can be
        stopped; nothing of it is kept. Raises InputError for a file that makes no sense, or takes
        it too long or too much memory; Refused where many wait."""
        if not self._readers.acquire(blocking=False):
            raise Refused(429, f"{doing}: others are being read; try again in a moment")
        try:
            with tempfile.TemporaryDirectory(dir=self.home.scratch) as place:
                file = Path(place) / "given"
                file.write_bytes(data)
                return self._read(function, (file, argument), doing)
        finally:
            self._readers.release()

    def _read(self, function: str, argument: tuple[Path, object], doing: str) -> Any:
        with self._reading:
            if self._reader is None or not self._reader.alive():
                self._reader = Child("soffit.shop.work", self.limits.reader_bytes)
            try:
                return call(self._reader, function, argument, doing, self.limits.reader_s)
            except (Late, Gone, TooLarge):
                self._reader.kill()
                self._reader = None
                raise wrong(f"{doing}: it takes too long or too much memory; give the file as it "
                            "was written") from None
            except Refused:
                raise
            except SoffitError as error:
                # Where the desk keeps it for the moment is nobody's business.
                raise wrong(str(error).replace(str(argument[0]), "the file")) from None

    def look(self, job_id: str, at: Callable[[Session, Standing], Any]) -> Any:
        """Something about a job, read in one transaction."""
        with self.store.look() as session:
            return at(session, standing(session, _job(session, job_id, alone=False)))

    # --- what all of them do -------------------------------------------------------------------

    def _say(self, session: Session, at: Standing, what: str, value: dict[str, Any]) -> list[int]:
        if len(at.log) >= _MOST_LINES:
            raise not_now("so much was decided about this job that it takes no more; begin a new "
                          "one from its recipe")
        session.add(_line(at.job, at.revision.number, what, value))
        at.job.changed = now()
        session.flush()
        return plan(session, at.job)

    def findings(self, at: Standing) -> list[dict[str, Any]]:
        """What prints over air on the part as received, as it is shown now."""
        report = self.reviewed(at)
        return [f for f in report["findings"] if f["kind"].startswith("air/")
                and f["severity"] != "note"] if report else []

    def reviewed(self, at: Standing) -> dict[str, Any] | None:
        """The review of the part as received: of the resolution, where that is of the same."""
        resolve, review = at.shown("resolve"), at.shown("review")
        if resolve is not None and (review is None or resolve.id > review.id
                                    or resolve is at.run_now("resolve")):
            found: dict[str, Any] = self.result(resolve, "report")["before"]
            return found
        return None if review is None else self.result(review, "review")

    def result(self, run: Run, role: str) -> Any:
        """A report of a run as data."""
        import json

        return json.loads(self.blobs.read(run.results[role]["sha256"]))

    def _room(self, session: Session) -> None:
        if waiting(session) >= self.limits.waiting:
            raise Refused(429, f"{self.limits.waiting} pieces of work wait already; try again "
                               "later, or cancel some")

    def _needed(self) -> set[str]:
        with self.store.begin() as session:
            return needed(session)

    def _stop(self, session: Session, job: Job) -> list[int]:
        runs = session.scalars(select(Run).where(Run.job == job.id,
                                                 Run.state.in_((WAITING, RUNNING))))
        halted = []
        for run in runs:
            run.state, run.ended = STOPPED, now()
            halted.append(run.id)
        return halted

    def _changed(self, job_id: str, halted: Iterable[int]) -> None:
        for run in halted:
            self.workers.halt(run)
        self.workers.wake()
        self.bus.tell("changed", job_id)


def job_of(session: Session, job_id: str) -> Job:
    """A job by its id, for whoever writes to it: no other does until the end of the transaction.
    Raises Refused where there is none."""
    return _job(session, job_id, alone=True)


def _job(session: Session, job_id: str, alone: bool) -> Job:
    known_form = len(job_id) == 16 and job_id.isalnum()
    # Of SQLite there is only one writer at a time anyway.
    job = session.get(Job, job_id, with_for_update=True if alone else None) if known_form else None
    if job is None or job.removed is not None:
        raise not_found("job")
    return job


def digest(secret: str) -> str:
    """What is kept of a secret."""
    return hashlib.sha256(secret.encode()).hexdigest()


def _follow(session: Session, job: Job) -> list[int]:
    """Queue what waited for the run that has just ended."""
    leading = standing(session, job).leading
    wanted = job.removed is None and leading is not None and leading.state == DONE
    return plan(session, job) if wanted else []


def _line(job: Job, revision: int, what: str, value: dict[str, Any]) -> Entry:
    return Entry(job=job.id, revision=revision, at=now(), what=what, value=value)
