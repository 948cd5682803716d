"""Where the desk keeps what it has: one folder, for one desk at a time."""

from __future__ import annotations

import os
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from soffit.errors import InputError
from soffit.shop.lock import locked


def default_home() -> Path:
    """`SOFFIT_HOME`, else the platform's folder for data."""
    given = os.environ.get("SOFFIT_HOME")
    if given:
        return Path(given)
    import platformdirs

    return Path(platformdirs.user_data_dir("soffit", appauthor=False))


@dataclass
class Home:
    """The folder, held by this process until `close`: `desk.sqlite`, `files/` and `scratch/`,
    which holds nothing that is wanted after a stop."""

    root: Path
    _held: IO[str]

    @property
    def files(self) -> Path:
        """Files by the hash of their content."""
        return self.root / "files"

    @property
    def scratch(self) -> Path:
        """What the workers write before it is kept."""
        return self.root / "scratch"

    @property
    def database(self) -> str:
        """Where the rows are: `SOFFIT_DATABASE`, else a file of SQLite here."""
        return os.environ.get("SOFFIT_DATABASE") or f"sqlite:///{self.root / 'desk.sqlite'}"

    def tell(self, url: str) -> None:
        """Write down where this desk is reached, for the commands that speak to it."""
        file = self.root / "desk.url"
        file.touch(mode=0o600)
        file.write_text(url, encoding="utf-8")

    def close(self) -> None:
        """Give the folder back; nothing but the data stays."""
        shutil.rmtree(self.scratch, ignore_errors=True)
        (self.root / "desk.url").unlink(missing_ok=True)
        self._held.close()


def open_home(root: Path) -> Home:
    """Take the folder; it is made where it is not there. What a killed desk left is removed.

    Raises InputError where it cannot be written to, or another desk holds it.
    """
    try:
        if not root.is_dir():
            # Customers' parts are nobody else's business.
            root.mkdir(parents=True, mode=0o700)
        held = locked(root)
    except OSError as error:
        raise InputError(f"opening the data of the desk at {root}: {error.strerror or error}; set "
                         "SOFFIT_HOME to a folder that can be written to") from None
    if held is None:
        where = _told(root)
        raise InputError(f"opening the data of the desk at {root}: a desk is running on it already"
                         f"{where}; use that one, or set SOFFIT_HOME to another folder")
    home = Home(root, held)
    shutil.rmtree(home.scratch, ignore_errors=True)
    for folder in (home.files, home.scratch):
        folder.mkdir(exist_ok=True)
    return home


def _told(root: Path) -> str:
    try:
        url = (root / "desk.url").read_text(encoding="utf-8")
    except OSError:
        return ""
    return f" at {url.partition('#')[0]}"
