"""One function of many things by all cores: in order, whatever the helpers do."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from soffit.part import spread as module
from soffit.part.spread import Team, spread

ROOT = Path(__file__).parents[1]
HERE = "tests.test_spread"


def slow(given: int, item: int) -> tuple[int, int]:
    """What it is and who did it."""
    time.sleep(0.1)
    return given * item, os.getpid()


def shared_out(given: tuple[int, Path], item: int) -> tuple[int, int]:
    """What it is and who did it. Leaves a mark in every process but the one whose number is given,
    which waits for one."""
    main, folder = given
    if os.getpid() != main:
        (folder / str(os.getpid())).touch()
    deadline = time.monotonic() + 60
    while not list(folder.iterdir()) and time.monotonic() < deadline:
        time.sleep(0.01)
    return 3 * item, os.getpid()


def fails_elsewhere(given: tuple[int, Path], item: int) -> int:
    """Leaves a mark in and ends every process but the one whose number is given, each in another
    way; that one waits for two marks."""
    main, folder = given
    marks = len(list(folder.iterdir()))
    if os.getpid() != main:
        (folder / str(os.getpid())).touch()
        if marks % 2:
            os._exit(3)
        raise ValueError(f"no {item}")
    deadline = time.monotonic() + 60
    while len(list(folder.iterdir())) < 2:
        assert time.monotonic() < deadline
        time.sleep(0.01)
    return item


def fails(_given: int, item: int) -> int:
    if item == 7:
        raise ValueError("seven")
    return item


@pytest.fixture(autouse=True)
def four_cores(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module.os, "cpu_count", lambda: 4)


def test_answers_are_in_order_and_helpers_do_their_share(tmp_path: Path) -> None:
    told: list[tuple[int, int]] = []
    found = spread(f"{HERE}:shared_out", (os.getpid(), tmp_path), range(60),
                   lambda done, of: told.append((done, of)))
    assert [value for value, _ in found] == [3 * k for k in range(60)]
    assert os.getpid() in {who for _, who in found} and len({who for _, who in found}) > 1
    assert told == sorted(told) and told[0] == (0, 60)


def test_nothing_and_one_thing_need_no_helper(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "Child", None)
    assert spread(f"{HERE}:slow", 3, []) == []
    assert spread(f"{HERE}:slow", 3, [5]) == [(15, os.getpid())]


def test_what_a_helper_cannot_do_is_done_here(tmp_path: Path) -> None:
    items = range(30)
    assert spread(f"{HERE}:fails_elsewhere", (os.getpid(), tmp_path), items) == list(items)
    assert len(list(tmp_path.iterdir())) >= 2


def test_what_is_asked_for_beside_is_done_too() -> None:
    """By helpers while the rest is done, and what they did not come to in the end."""
    with Team(f"{HERE}:slow", 3) as team:
        beside = team.beside(range(40, 50))
        assert [value for value, _ in team.each(range(5))] == [0, 3, 6, 9, 12]
        told: list[tuple[int, int]] = []
        found = beside(lambda done, of: told.append((done, of)))
    assert [value for value, _ in found] == [3 * k for k in range(40, 50)]
    assert all(of == 10 for _, of in told)


def test_an_error_is_the_callers() -> None:
    with pytest.raises(ValueError, match="seven"):
        spread(f"{HERE}:fails", 0, range(30))


def test_one_core_needs_no_helper(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module.os, "cpu_count", lambda: None)
    found = spread(f"{HERE}:slow", 1, range(4))
    assert {who for _, who in found} == {os.getpid()}


@pytest.mark.skipif(sys.platform != "linux", reason="needs /proc")
def test_ctrl_c_leaves_no_helper_behind() -> None:
    script = (f"import os\nfrom soffit.part import spread\nspread.os.cpu_count = lambda: 3\n"
              f"print(os.getpid(), flush=True)\nspread.spread('{HERE}:slow', 1, range(600))\n")
    with subprocess.Popen([sys.executable, "-c", script], cwd=ROOT, stdout=subprocess.PIPE,
                          stderr=subprocess.DEVNULL, text=True) as process:
        assert process.stdout is not None
        parent = int(process.stdout.readline())
        deadline = time.monotonic() + 60
        while len(children(parent)) < 2 and time.monotonic() < deadline:
            time.sleep(0.1)
        helpers = children(parent)
        assert len(helpers) == 2
        process.send_signal(signal.SIGINT)
        assert process.wait(30) != 0
    assert not [pid for pid in helpers if Path(f"/proc/{pid}").exists()]


def children(parent: int) -> list[int]:
    return [int(n) for task in Path(f"/proc/{parent}/task").glob("*/children")
            for n in task.read_text().split()]
