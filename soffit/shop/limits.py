"""What one client, one file or one piece of work may take."""

from __future__ import annotations

from dataclasses import dataclass

from soffit.part.child import MEMORY_LIMIT_BYTES


@dataclass(frozen=True)
class Limits:
    """Own choices, each far above what real parts took. `upload_idle_s`: how long a sender may say
    nothing; `reader_s`: how long a recipe or a record may take to be read, `readers`: how many may
    be under way or wait for it; `head_s`: how long a caller may take to say what it wants."""

    upload_bytes: int = 200_000_000
    upload_s: float = 600.0
    upload_idle_s: float = 20.0
    head_s: float = 20.0
    uploads_at_once: int = 8
    text_bytes: int = 5_000_000
    body_bytes: int = 100_000
    waiting: int = 500
    run_s: float = 1800.0
    reader_s: float = 60.0
    readers: int = 4
    memory_bytes: int = MEMORY_LIMIT_BYTES
    reader_bytes: int = 2 * 2**30
    at_once: int = 2
    tries: int = 3
    listeners: int = 64
    links: int = 1000
    answers: int = 2000
