"""Shared fixtures."""

from __future__ import annotations

import math
import os
from pathlib import Path

import pytest

from soffit.remedies import prop
from tests import shared

REPOSITORY = Path(__file__).resolve().parent.parent


@pytest.fixture(scope="session", autouse=True)
def _shared_folder(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Workers of one run have a folder each, in one of the run."""
    base = tmp_path_factory.getbasetemp()
    base = base.parent if os.environ.get("PYTEST_XDIST_WORKER") else base
    shared.folder = base / "shared"
    shared.folder.mkdir(exist_ok=True)


@pytest.fixture(scope="session")
def parts_dir() -> Path:
    """Folder of real parts by others, with its INDEX.tsv; not part of the repository.

    Taken from SOFFIT_PARTS, else `../shared/parts` beside the repository. Where there is none
    the test is skipped, in CI it fails.
    """
    folder = Path(os.environ.get("SOFFIT_PARTS") or REPOSITORY.parent / "shared" / "parts")
    if (folder / "INDEX.tsv").is_file():
        return folder
    reason = f"no folder of real parts at {folder}; set SOFFIT_PARTS to one with an INDEX.tsv"
    if os.environ.get("CI", "").lower() in ("true", "1"):
        pytest.fail(reason)
    pytest.skip(reason)


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """The data of a desk that has resolved an arm, and the job's id."""
    from tests.desks import ready

    folder = tmp_path_factory.mktemp("desk")
    return folder, ready(folder)


@pytest.fixture
def job(home: tuple[Path, str]) -> str:
    """The id of that job."""
    return home[1]


@pytest.fixture
def from_below(monkeypatch: pytest.MonkeyPatch) -> None:
    """Props stand on what lies below them; none leans on a wall, none grows out of one."""
    monkeypatch.setattr(prop, "LEAN_MM", math.inf)
    monkeypatch.setattr(prop, "spokes", lambda *_: ())
