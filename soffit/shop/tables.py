"""The rows that the desk keeps. Times are ISO 8601 in UTC, which sort as text; what is a hash names
a file of `blobs`. Log, answers and records are only ever added to."""

from __future__ import annotations

from typing import Any

from sqlalchemy import JSON, ForeignKey, Index, String, Text
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

WAITING, RUNNING, DONE, FAILED, STOPPED, ASKING = (
    "queued", "running", "done", "failed", "cancelled", "asking")
"""States of a run. "asking": the file states no unit."""


class Base(DeclarativeBase):
    """Of all tables."""

    type_annotation_map = {dict[str, Any]: JSON}  # noqa: RUF012  SQLAlchemy reads it as it is


class Job(Base):
    """A part that somebody sent in, with all its revisions. `process` and `quantity` are those that
    it came with; decisions may change them."""

    __tablename__ = "job"

    id: Mapped[str] = mapped_column(String(32), primary_key=True)
    name: Mapped[str] = mapped_column(Text)
    created: Mapped[str] = mapped_column(String(32), index=True)
    changed: Mapped[str] = mapped_column(String(32))
    process: Mapped[str] = mapped_column(Text)
    quantity: Mapped[int]
    removed: Mapped[str | None] = mapped_column(String(32))


class Revision(Base):
    """One file of a job, counted from 1. `unit`: stated by a person, None where the file does."""

    __tablename__ = "revision"

    job: Mapped[str] = mapped_column(ForeignKey("job.id"), primary_key=True)
    number: Mapped[int] = mapped_column(primary_key=True)
    file: Mapped[str] = mapped_column(Text)
    sha256: Mapped[str] = mapped_column(String(64))
    size: Mapped[int]
    unit: Mapped[str | None] = mapped_column(String(8))
    created: Mapped[str] = mapped_column(String(32))


class Entry(Base):
    """One line of the log of decisions (see `decisions`); undo and redo are lines too."""

    __tablename__ = "entry"
    __table_args__ = (Index("entry_job", "job", "id"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    job: Mapped[str] = mapped_column(ForeignKey("job.id"))
    revision: Mapped[int]
    at: Mapped[str] = mapped_column(String(32))
    what: Mapped[str] = mapped_column(String(32))
    value: Mapped[dict[str, Any]]


class Run(Base):
    """One piece of work for a worker. `wanted`: all that it needs to know. `entry`: the last line
    of the log that it knows of. `results`: files by role, each with name, hash and size. `said`:
    small facts for the page. `tries`: how often it was begun, as a desk may be killed."""

    __tablename__ = "run"
    __table_args__ = (Index("run_job", "job", "id"), Index("run_state", "state", "id"))

    id: Mapped[int] = mapped_column(primary_key=True)
    job: Mapped[str] = mapped_column(ForeignKey("job.id"))
    revision: Mapped[int]
    kind: Mapped[str] = mapped_column(String(16))
    state: Mapped[str] = mapped_column(String(16))
    entry: Mapped[int]
    wanted: Mapped[dict[str, Any]]
    results: Mapped[dict[str, Any]]
    said: Mapped[dict[str, Any]]
    error: Mapped[str | None] = mapped_column(Text)
    tries: Mapped[int]
    created: Mapped[str] = mapped_column(String(32))
    ended: Mapped[str | None] = mapped_column(String(32))


class _OfARun:
    """What links and answers have in common: each is of one run of one job."""

    id: Mapped[int] = mapped_column(primary_key=True)
    job: Mapped[str] = mapped_column(ForeignKey("job.id"), index=True)
    run: Mapped[int] = mapped_column(ForeignKey("run.id"))


class Link(_OfARun, Base):
    """A customer's way in, to one run of one job. Of the secret only its hash is kept."""

    __tablename__ = "link"

    secret: Mapped[str] = mapped_column(String(64), unique=True)
    whom: Mapped[str] = mapped_column(Text)
    prices: Mapped[bool]
    created: Mapped[str] = mapped_column(String(32))
    expires: Mapped[str] = mapped_column(String(32))
    revoked: Mapped[str | None] = mapped_column(String(32))


class Answer(_OfARun, Base):
    """What a customer said of one change, or of all ("")."""

    __tablename__ = "answer"

    link: Mapped[int] = mapped_column(ForeignKey("link.id"))
    at: Mapped[str] = mapped_column(String(32))
    edit: Mapped[str] = mapped_column(String(16))
    answer: Mapped[str] = mapped_column(String(16))
    name: Mapped[str] = mapped_column(Text)
    comment: Mapped[str] = mapped_column(Text)


class Record(Base):
    """A first article that was measured: the file, and what it comes to."""

    __tablename__ = "record"

    id: Mapped[int] = mapped_column(primary_key=True)
    job: Mapped[str] = mapped_column(ForeignKey("job.id"), index=True)
    created: Mapped[str] = mapped_column(String(32))
    file: Mapped[str] = mapped_column(Text)
    sha256: Mapped[str] = mapped_column(String(64))
    passed: Mapped[bool]
    said: Mapped[dict[str, Any]]
