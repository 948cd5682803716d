"""Files by the hash of their content. A file is whole or not there: it is written beside its
place, brought to the disk, and renamed."""

from __future__ import annotations

import contextlib
import hashlib
import os
import secrets
import sys
import threading
from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

_PIECE = 1 << 20


class Writing:
    """A file that is being written: its size and hash so far."""

    def __init__(self, stream: BinaryIO) -> None:
        self._stream = stream
        self._hash = hashlib.sha256()
        self.size = 0

    def write(self, piece: bytes) -> None:
        """Append a piece."""
        self._stream.write(piece)
        self._hash.update(piece)
        self.size += len(piece)

    @property
    def sha256(self) -> str:
        """Of what was written so far, in hexadecimal."""
        return self._hash.hexdigest()


class Blobs:
    """The files below one folder."""

    def __init__(self, root: Path) -> None:
        self._root = root
        self._turn = threading.Condition()
        self._adding = 0
        self._sweeping = False
        for leftover in root.glob(".new-*"):  # of a process that was killed
            leftover.unlink(missing_ok=True)

    def path(self, sha256: str) -> Path:
        """Where the file of this hash is, or would be."""
        assert len(sha256) == 64 and sha256.isalnum()  # never a client's text
        return self._root / sha256[:2] / sha256[2:]

    def read(self, sha256: str) -> bytes:
        """The content of a file that is there."""
        return self.path(sha256).read_bytes()

    def put(self, data: bytes) -> str:
        """Keep this content; returns its hash."""
        with self.writing() as new:
            new.write(data)
        return new.sha256

    def take(self, file: Path) -> tuple[str, int]:
        """Keep a copy of a file that a worker wrote; returns its hash and size. Raises OSError for
        what is no plain file."""
        flags = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)
        with os.fdopen(os.open(file, flags), "rb") as stream, self.writing() as new:
            while piece := stream.read(_PIECE):
                new.write(piece)
        return new.sha256, new.size

    @contextmanager
    def adding(self) -> Iterator[None]:
        """Nothing is swept within: to be held from before a file is there until a row names it."""
        with self._turn:
            self._turn.wait_for(lambda: not self._sweeping)
            self._adding += 1
        try:
            yield
        finally:
            with self._turn:
                self._adding -= 1
                self._turn.notify_all()

    def sweep(self, needed: Callable[[], Collection[str]], wait_s: float = 5.0) -> bool:
        """Take away all files but those that are `needed`, which is asked when none is being added;
        False where that took too long to come about. A process that is killed meanwhile leaves
        some of them, and no half one."""
        with self._turn:
            if not self._turn.wait_for(lambda: not self._adding and not self._sweeping, wait_s):
                return False
            self._sweeping = True
        try:
            kept = needed()
            for file in self._root.glob("??/*"):
                if file.parent.name + file.name not in kept:
                    with contextlib.suppress(OSError):  # somebody reads it: the next time
                        file.unlink()
        finally:
            with self._turn:
                self._sweeping = False
                self._turn.notify_all()
        return True

    @contextmanager
    def writing(self) -> Iterator[Writing]:
        """Keep what is written within; nothing is kept where that ends in an error."""
        beside = self._root / f".new-{secrets.token_hex(8)}"
        try:
            with beside.open("xb") as stream:
                new = Writing(stream)
                yield new
                stream.flush()
                os.fsync(stream.fileno())
            place = self.path(new.sha256)
            place.parent.mkdir(exist_ok=True)
            beside.replace(place)
            _sync(place.parent)
        finally:
            beside.unlink(missing_ok=True)


def _sync(folder: Path) -> None:
    """Bring the name of a new file to the disk; systems that cannot do so do it themselves."""
    if sys.platform == "win32":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        with contextlib.suppress(OSError):
            os.fsync(handle)
    finally:
        os.close(handle)
