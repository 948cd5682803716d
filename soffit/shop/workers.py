"""The workers: threads that each hold one process and give it one run after the other.

A run that crashes, takes too long or is stopped takes only its own process down; the next run gets
a new one. Nothing of a run is kept before all of it is: files first, then the row that names them.
"""

from __future__ import annotations

import contextlib
import json
import pickle
import re
import shutil
import signal
import threading
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sqlalchemy import select
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session

from soffit.errors import InputError, KernelError, SoffitError
from soffit.part.child import Child, TooLarge
from soffit.part.words import STAGES
from soffit.shop.blobs import Blobs
from soffit.shop.bus import Bus
from soffit.shop.decisions import Wanted
from soffit.shop.limits import Limits
from soffit.shop.store import Store, now
from soffit.shop.tables import ASKING, DONE, FAILED, RUNNING, STOPPED, WAITING, Job, Run
from soffit.shop.task import Outcome, Task

_MODULE = "soffit.shop.work"
_GRACE_S = 1.0  # how long a run may take to stop by itself


def call(child: Child, function: str, argument: object, doing: str, timeout_s: float,
         meanwhile: Callable[[], None] | None = None) -> Any:
    """What a function of `soffit.shop.work` returns. Raises what it raises, Late where it takes too
    long and Gone where its process ended; the process is then of no use any more."""
    args = argument if isinstance(argument, tuple) else (argument,)
    answer = child.ask(pickle.dumps((f"{_MODULE}:{function}", args, doing)), timeout_s, meanwhile)
    if answer is None:
        raise Late
    if not answer:
        raise Gone(child.exit_code())
    kind, value = pickle.loads(answer)
    if kind == "error":
        raise value
    return value


class Late(Exception):
    """An answer did not come in time."""


class Gone(Exception):
    """A process ended without an answer; the argument is its exit code."""


@dataclass
class _Slot:
    """One worker: its process, and the run that it is at."""

    folder: Path
    child: Child | None = None
    run: int | None = None
    halted_at: float | None = None
    wake: threading.Event = field(default_factory=threading.Event)


class Workers:
    """`follow` queues what follows from a run that has ended, in the same transaction, and returns
    the runs to stop; `changed` is told of the job and those afterwards. `doing`: how far the runs
    that are under way are, by job."""

    def __init__(self, store: Store, blobs: Blobs, scratch: Path, bus: Bus, limits: Limits,
                 follow: Callable[[Session, Job], list[int]],
                 changed: Callable[[str, list[int]], None]) -> None:
        self._store, self._blobs, self._bus, self._limits = store, blobs, bus, limits
        self._follow, self._changed, self._scratch = follow, changed, scratch
        self.doing: dict[str, dict[str, Any]] = {}
        self._lock = threading.Lock()
        self._stopping = False
        self._slots = [_Slot(scratch / f"worker-{k + 1}") for k in range(limits.at_once)]
        self._threads = [threading.Thread(target=self._serve, args=(slot,), daemon=True,
                                          name=f"soffit-worker-{k + 1}")
                         for k, slot in enumerate(self._slots)]

    def start(self) -> None:
        """Begin, with what was under way when the desk last ended."""
        with self._store.begin() as session:
            for run in session.scalars(select(Run).where(Run.state == RUNNING)):
                if run.tries < self._limits.tries:
                    run.state = WAITING
                else:
                    run.state, run.ended = FAILED, now()
                    run.error = (f"the desk ended {run.tries} times while this was under way; try "
                                 "it again, or simplify the part")
        for slot in self._slots:
            slot.folder.mkdir(parents=True, exist_ok=True)
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        """End all processes at once; what they were at is taken up again at the next start."""
        self._stopping = True
        for slot in self._slots:
            slot.wake.set()
            child = slot.child
            if child is not None:
                child.process.kill()
        for thread in self._threads:
            if thread.is_alive():
                thread.join(5.0)
        # An end that was meant is no try: only what a run took down with it counts against it.
        with contextlib.suppress(SQLAlchemyError), self._store.begin() as session:
            for run in session.scalars(select(Run).where(Run.state == RUNNING)):
                run.state, run.tries = WAITING, max(0, run.tries - 1)

    def wake(self) -> None:
        """Something was queued."""
        for slot in self._slots:
            slot.wake.set()

    def halt(self, run: int) -> None:
        """Stop this run where it is under way."""
        with self._lock:
            for slot in self._slots:
                if slot.run == run and slot.halted_at is None:
                    slot.halted_at = time.monotonic()

    def _serve(self, slot: _Slot) -> None:
        while not self._stopping:
            slot.wake.clear()
            run = self._next(slot)
            if run is None:
                slot.wake.wait()
                continue
            self._bus.tell("state", run.job, state=RUNNING, run=run.id)
            try:
                self._carry_out(slot, run)
            except Exception:  # such as a database that is gone: this run waits for the next start
                traceback.print_exc()
                time.sleep(_GRACE_S)
            finally:
                self.doing.pop(run.job, None)
                with self._lock:
                    slot.run = slot.halted_at = None
            self.wake()  # another run of the same job may have waited for this one
        if slot.child is not None:
            slot.child.kill()

    def _next(self, slot: _Slot) -> Run | None:
        """The oldest run that waits, of a job that no other worker is at."""
        with self._lock, self._store.begin() as session:
            busy = select(Run.job).where(Run.id.in_([s.run for s in self._slots if s.run]))
            run = session.scalars(
                select(Run).where(Run.state == WAITING, Run.job.not_in(busy)).order_by(Run.id)
                .limit(1).with_for_update()).first()
            if run is None or self._stopping:
                return None
            run.state, run.tries = RUNNING, run.tries + 1
            slot.run = run.id
            return run

    def _carry_out(self, slot: _Slot, run: Run) -> None:
        folder = slot.folder / f"run-{run.id}"
        told = [""]

        def meanwhile() -> None:
            if slot.halted_at is not None:
                (folder / "stop").touch()
                if time.monotonic() - slot.halted_at > _GRACE_S and slot.child is not None:
                    slot.child.process.kill()
            text = _text(folder / "progress")
            if text and text != told[0]:
                told[0] = text
                self.doing[run.job] = progress_of(text, run)
                self._bus.tell("progress", run.job, **self.doing[run.job])

        try:
            folder.mkdir()
            if slot.child is None or not slot.child.alive():
                slot.child = Child(_MODULE, self._limits.memory_bytes)
            outcome: Outcome = call(slot.child, "work", self._task(run, folder),
                                    f"working on {run.kind}", self._limits.run_s, meanwhile)
            with self._blobs.adding():
                results = {role: self._taken(folder / "out", name)
                           for role, name in outcome.files.items()}
                self._end(run, ASKING if outcome.asking else DONE, results=results,
                          said=outcome.said)
        except Late:
            self._drop(slot)
            self._end(run, FAILED, error=f"{_stage(folder)}: stopped after "
                      f"{self._limits.run_s:g} s; simplify the part, or run soffit resolve on it")
        except Gone as gone:
            self._drop(slot)
            if not self._stopping:
                self._gone(slot, run, _stage(folder), int(gone.args[0]))
        except TooLarge:
            self._drop(slot)  # what it has by now stays with it
            self._end(run, FAILED, error=f"{_stage(folder)}: it needs more than the "
                      f"{self._limits.memory_bytes / 2**30:.3g} GB of memory that a job may have; "
                      "simplify the part, or run soffit resolve on it")
        except InputError as error:
            self._end(run, FAILED, error=str(error))
        except SoffitError as error:
            halted = slot.halted_at is not None
            self._end(run, STOPPED if halted else FAILED,
                      error=None if halted else f"{error}; please report this with the file")
        except Exception as error:
            self._drop(slot)
            self._end(run, FAILED, error=f"defect: {type(error).__name__}: {error}; please report "
                                         "this with the file")
        finally:
            shutil.rmtree(folder, ignore_errors=True)

    def _task(self, run: Run, folder: Path) -> Task:
        wish = run.wanted
        recipe = wish["recipe"]
        return Task(run.kind, folder, self._blobs.path(wish["sha256"]), wish["name"],
                    wish["sha256"], wish["unit"], Wanted.model_validate(wish["wanted"]),
                    None if recipe is None else self._blobs.path(recipe), wish.get("aims") or {})

    def _taken(self, out: Path, name: str) -> dict[str, Any]:
        if Path(name).name != name:
            raise KernelError("taking the files of a run: a name has a folder in it")
        sha256, size = self._blobs.take(out / name)
        return {"name": name, "sha256": sha256, "bytes": size}

    def _gone(self, slot: _Slot, run: Run, stage: str, code: int) -> None:
        if slot.halted_at is not None:
            self._end(run, STOPPED)
            return
        how = f"ended with code {code}"
        if code < 0:
            with contextlib.suppress(ValueError):
                how = f"was ended by {signal.Signals(-code).name}"
        self._end(run, FAILED, error=f"{stage}: the process {how}; the file may be damaged, or "
                  "needs more memory than it may have: check it in CAD and export it again")

    def _drop(self, slot: _Slot) -> None:
        if slot.child is not None:
            slot.child.kill()
            slot.child = None

    def _end(self, run: Run, state: str, *, results: dict[str, Any] | None = None,
             said: dict[str, Any] | None = None, error: str | None = None) -> None:
        if error is not None:  # where the desk keeps a file is nobody's business
            error = re.sub(rf"{re.escape(str(self._scratch))}\S*[/\\]", "", error)
        with self._store.begin() as session:
            # The job first, so that nobody decides about it meanwhile.
            job = session.get_one(Job, run.job, with_for_update=True)
            row = session.get_one(Run, run.id)
            if row.state == RUNNING:  # else it was stopped meanwhile
                row.state, row.ended, row.error = state, now(), error
                row.results, row.said = results or {}, said or {}
                job.changed = now()
                session.flush()
            halted = self._follow(session, job)
        self._changed(run.job, halted)


def progress_of(text: str, run: Run) -> dict[str, Any]:
    """What a run wrote down of its progress, as the page has it."""
    stage, done, total = json.loads(text)
    return {"run": run.id, "kind": run.kind, "stage": stage, "done": done, "of": total or None,
            "words": f"{STAGES.get(stage, stage)} {run.wanted['name']}"}


def _stage(folder: Path) -> str:
    text = _text(folder / "progress")
    return STAGES.get(json.loads(text)[0], "working") if text else "starting"


def _text(file: Path) -> str:
    with contextlib.suppress(OSError):
        return file.read_text(encoding="utf-8")
    return ""
