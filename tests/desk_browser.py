"""A real browser for the tests of the desk's page.

Skipped with a reason where there is no browser or no built page; in CI that fails.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from typing import Any

import pytest

from tests.conftest import REPOSITORY
from tests.desks import Client, ready, running

STATIC = REPOSITORY / "soffit" / "shop" / "static"
# Pixels for a mm.
ZOOM = 4.0
AXE = REPOSITORY / "desk" / "node_modules" / "axe-core" / "axe.min.js"


def _missing(reason: str) -> None:
    if os.environ.get("CI", "").lower() in ("true", "1"):
        pytest.fail(reason)
    pytest.skip(reason)


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    """Chromium, to be given to tests under a name of theirs."""
    found = shutil.which("chromium")
    if found is None:
        _missing("no chromium on PATH")
    if not (STATIC / "index.html").is_file() or not AXE.is_file():
        _missing("the page is not built; run python3 run.py desk once, where Node can be had")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        opened = play.chromium.launch(
            executable_path=found,
            # As root, and without a graphics card.
            args=["--no-sandbox", "--use-gl=angle", "--use-angle=swiftshader",
                  "--enable-unsafe-swiftshader"])
        yield opened
        opened.close()


def accessible(page: Any) -> None:
    """Nothing that the checker of accessibility finds."""
    # Through the debugger, as the page lets no script in.
    page.evaluate(AXE.read_text(encoding="utf-8"))
    found = page.evaluate("axe.run(document, {resultTypes: ['violations']})")
    assert found["passes"]
    wrong = [(v["id"], [n["target"] for n in v["nodes"]]) for v in found["violations"]]
    assert not wrong, wrong


def listened(page: Any) -> list[str]:
    """Errors that the page makes, as they come."""
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.on("console", lambda said: errors.append(said.text) if said.type == "error" else None)
    return errors


@pytest.fixture(scope="module")
def desk_with_arm(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Client, str]]:
    """A desk with no workers and a resolved arm, and the job's id."""
    home = tmp_path_factory.mktemp("desk")
    job = ready(home)
    with running(home, work=False) as client:
        yield client, job


@pytest.fixture
def opener(browser: Any, desk: tuple[Client, str]) -> Iterator[Any]:
    """A function that opens a path of the desk in a page, which must make no error of its own."""
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    context.set_default_timeout(20_000)
    heard = []

    def show(path: str, drawn: bool = True) -> Any:
        page = context.new_page()
        heard.append(listened(page))
        page.goto(f"http://127.0.0.1:{desk[0].port}{path}")
        if drawn:
            page.locator(".side.after .balloon").first.wait_for()
        return page

    yield show
    # The browser itself tells of each answer that refuses.
    assert [e for one in heard for e in one if "Failed to load resource" not in e] == []
    context.close()


def undone(client: Client, job: str) -> None:
    """Take back all that a test decided."""
    while client.get(f"/api/jobs/{job}")["undo"]:
        client.post(f"/api/jobs/{job}/undo")
