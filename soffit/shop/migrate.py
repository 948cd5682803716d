"""Brings a database to the present form, one step after the other.

A step is written once and never changed; it speaks SQL of its own, so that later changes of
`tables` do not reach back into it. All steps that are due are one transaction.
"""

from __future__ import annotations

from collections.abc import Callable

from sqlalchemy import Connection, inspect, text

from soffit.errors import InputError


def _first(c: Connection) -> None:
    number = "BIGSERIAL" if c.dialect.name == "postgresql" else "INTEGER"
    for line in (
        "CREATE TABLE job (id VARCHAR(32) PRIMARY KEY, name TEXT NOT NULL, created VARCHAR(32) NOT "
        "NULL, changed VARCHAR(32) NOT NULL, process TEXT NOT NULL, quantity INTEGER NOT NULL, "
        "removed VARCHAR(32))",
        "CREATE INDEX job_created ON job (created)",
        "CREATE TABLE revision (job VARCHAR(32) NOT NULL REFERENCES job (id), number INTEGER NOT "
        "NULL, file TEXT NOT NULL, sha256 VARCHAR(64) NOT NULL, size BIGINT NOT NULL, unit "
        "VARCHAR(8), created VARCHAR(32) NOT NULL, PRIMARY KEY (job, number))",
        f"CREATE TABLE entry (id {number} PRIMARY KEY, job VARCHAR(32) NOT NULL REFERENCES job "
        "(id), revision INTEGER NOT NULL, at VARCHAR(32) NOT NULL, what VARCHAR(32) NOT NULL, "
        "value JSON NOT NULL)",
        "CREATE INDEX entry_job ON entry (job, id)",
        f"CREATE TABLE run (id {number} PRIMARY KEY, job VARCHAR(32) NOT NULL REFERENCES job (id), "
        "revision INTEGER NOT NULL, kind VARCHAR(16) NOT NULL, state VARCHAR(16) NOT NULL, entry "
        "INTEGER NOT NULL, wanted JSON NOT NULL, results JSON NOT NULL, said JSON NOT NULL, error "
        "TEXT, tries INTEGER NOT NULL, created VARCHAR(32) NOT NULL, ended VARCHAR(32))",
        "CREATE INDEX run_job ON run (job, id)",
        "CREATE INDEX run_state ON run (state, id)",
    ):
        c.execute(text(line))


def _customers(c: Connection) -> None:
    number = "BIGSERIAL" if c.dialect.name == "postgresql" else "INTEGER"
    whole = "BIGINT" if c.dialect.name == "postgresql" else "INTEGER"
    job = "job VARCHAR(32) NOT NULL REFERENCES job (id)"
    for line in (
        f"CREATE TABLE link (id {number} PRIMARY KEY, {job}, run {whole} NOT NULL REFERENCES run "
        "(id), secret VARCHAR(64) NOT NULL UNIQUE, whom TEXT NOT NULL, prices BOOLEAN NOT NULL, "
        "created VARCHAR(32) NOT NULL, expires VARCHAR(32) NOT NULL, revoked VARCHAR(32))",
        "CREATE INDEX link_job ON link (job)",
        f"CREATE TABLE answer (id {number} PRIMARY KEY, {job}, run {whole} NOT NULL REFERENCES run "
        f"(id), link {whole} NOT NULL REFERENCES link (id), at VARCHAR(32) NOT NULL, edit "
        "VARCHAR(16) NOT NULL, answer VARCHAR(16) NOT NULL, name TEXT NOT NULL, comment TEXT NOT "
        "NULL)",
        "CREATE INDEX answer_job ON answer (job)",
        f"CREATE TABLE record (id {number} PRIMARY KEY, {job}, created VARCHAR(32) NOT NULL, file "
        "TEXT NOT NULL, sha256 VARCHAR(64) NOT NULL, passed BOOLEAN NOT NULL, said JSON NOT NULL)",
        "CREATE INDEX record_job ON record (job)",
    ):
        c.execute(text(line))


STEPS: tuple[Callable[[Connection], None], ...] = (_first, _customers)


def form_of(c: Connection) -> int:
    """How many steps a database has been through; 0 for an empty one."""
    if not inspect(c).has_table("soffit_form"):
        return 0
    return int(c.execute(text("SELECT number FROM soffit_form")).scalar_one())


def migrate(c: Connection, to: int = len(STEPS)) -> int:
    """Carry out the steps that are due; returns the form that was found. To be called in a
    transaction that nobody else writes beside.

    Raises InputError for a database that a newer version wrote.
    """
    found = form_of(c)
    if found > len(STEPS):
        raise InputError(f"opening the database of the desk: it has form {found}, this version "
                         f"knows forms up to {len(STEPS)}; use the version that wrote it, or newer")
    if found == 0:
        c.execute(text("CREATE TABLE soffit_form (number INTEGER NOT NULL)"))
        c.execute(text("INSERT INTO soffit_form (number) VALUES (0)"))
    for step in STEPS[found:to]:
        step(c)
    if found < to:
        c.execute(text("UPDATE soffit_form SET number = :n"), {"n": to})
    return found
