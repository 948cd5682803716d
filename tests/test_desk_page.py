"""The page of the desk in a real browser: one story from the file to the signed package, over a
server that is killed, and what each page says to those who cannot see it. What the page does in all
its parts is in `test_desk_page_parts.py` and `test_desk_page_states.py`.
"""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import manifold3d as m3
import pytest
import trimesh

from tests import desk_browser
from tests.conftest import REPOSITORY
from tests.desk_browser import accessible, listened

# What a part may be named by a customer who means no good.
HOSTILE = "<img src=x onerror=document.title='got'>.stl"

pytestmark = pytest.mark.browser


browser = desk_browser.chromium


@contextmanager
def desk(home: Path, port: int = 0) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """A desk as a process of its own, and its address."""
    line = [sys.executable, "-m", "soffit", "desk", "--port", str(port), "--no-browser"]
    with subprocess.Popen(line, cwd=REPOSITORY, stdout=subprocess.PIPE, text=True,
                          env={**os.environ, "SOFFIT_HOME": str(home)}) as process:
        try:
            assert process.stdout is not None
            told = re.search(r"http://127\.0\.0\.1:\d+/", process.stdout.readline())
            assert told is not None
            yield process, told.group()
        finally:
            process.terminate()
            process.wait(20)


@pytest.fixture(scope="module")
def hook(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A post of 4 by 8 mm with an arm of 8 by 8 mm, 3 mm thick, whose underside, at 9 mm, is over
    air: 64 mm²."""
    part = m3.Manifold.cube((12, 8, 12)) - m3.Manifold.cube((8, 10, 9)).translate((4, -1, 0))
    mesh = part.to_mesh()
    path = tmp_path_factory.mktemp("parts") / "hook.stl"
    trimesh.Trimesh(mesh.vert_properties[:, :3], mesh.tri_verts).export(path)
    return path


def proven(page: Any) -> None:
    """Wait until nothing is under way and nothing is stale."""
    page.wait_for_selector(".doing:empty", state="attached", timeout=120_000)
    page.locator(".verdict", has_text="Clean: nothing over air",
                 has_not_text="before the last decision").wait_for(timeout=120_000)


def test_the_lock_of_the_page_names_no_registry() -> None:
    lock = json.loads((REPOSITORY / "desk" / "package-lock.json").read_text(encoding="utf-8"))
    fetched = [entry for name, entry in lock["packages"].items() if name]
    assert fetched
    assert all(entry["integrity"] and "resolved" not in entry for entry in fetched)


@pytest.mark.slow
def test_from_the_file_to_the_signed_package(browser: Any, hook: Path, tmp_path: Path) -> None:
    from playwright.sync_api import expect

    home = tmp_path / "home"
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    errors = listened(page)
    with desk(home) as (process, url):
        page.goto(url)
        page.get_by_text("No job yet").wait_for()
        accessible(page)
        page.set_input_files("#file", {
            "name": HOSTILE, "mimeType": "model/stl", "buffer": hook.read_bytes()})

        # An STL says no unit: the size is shown and asked for.
        page.get_by_text("12.0 × 8.00 × 12.0 mm").wait_for(timeout=60_000)
        assert page.title() == f"{HOSTILE} – Soffit desk"
        assert page.inner_text("h1") == HOSTILE
        accessible(page)
        page.get_by_text("12.0 × 8.00 × 12.0 mm").click()
        page.get_by_text("This is its size").click()

        # The review comes first: one place, 8 mm long, 64 mm², drawn and numbered.
        page.locator(".side.before .balloon").wait_for(timeout=60_000)
        assert "64.0 mm²" in page.inner_text(".log table")
        proven(page)
        assert "64.0" in page.inner_text(".comes-to")
        page.locator(".side.after .balloon").wait_for()

        # A balloon picks its row, with all its options; a row picks its balloon; keys do as well.
        page.click(".side.before .balloon")
        row = page.locator(".ledger tbody.picked")
        assert "Ledge" in row.inner_text()
        assert page.get_attribute(".side.after .balloon", "aria-pressed") == "true"
        page.wait_for_url(re.compile(r"[?&]place=1&"))
        accessible(page)
        page.keyboard.press("Escape")
        assert row.count() == 0
        page.keyboard.press("n")
        assert row.count() == 1

        # A height in the profile cuts both views there.
        page.focus(".ruler")
        page.keyboard.press("End")
        page.get_by_text("same view, cut at z 11.9").wait_for()
        page.keyboard.press("Delete")

        # Another option: its consequence is foreseen at once; undo is one key away.
        other = page.locator(".options tbody tr:not(.chosen)", has_text="cures it").first
        name = other.locator("td").nth(1).inner_text().splitlines()[0]
        other.get_by_role("button").click()
        page.get_by_text("foreseen").wait_for()
        page.keyboard.press("u")
        page.get_by_text("Redo: choice").wait_for()
        page.keyboard.press("r")
        page.get_by_text("Undo: choice").wait_for()

        # A face is protected by a click and a key.
        page.evaluate("scrollTo(0, 0)")
        page.locator(".side.before .view").click(position={"x": 130, "y": 310})
        page.get_by_role("button", name="Protect this face").wait_for()
        page.keyboard.press("p")
        page.get_by_role("button", name="Protect no longer").wait_for()
        proven(page)
        page.keyboard.press("n")
        assert name in page.inner_text(".options tr.chosen")
        page.emulate_media(color_scheme="dark")
        accessible(page)
        page.emulate_media(color_scheme="light")
        block = page.text_content(".block")
        assert "faces " in block

        # The customer gets a link, and answers to each change.
        page.get_by_role("button", name="Customer link").click()
        page.fill("#link-for", "Demo customer")
        page.get_by_role("button", name="Make a link").click()
        page.locator("#link-made").wait_for()
        link = page.input_value("#link-made")
        accessible(page)
        page.keyboard.press("Escape")
        customer = browser.new_page()
        errors_there = listened(customer)
        customer.goto(link)
        customer.locator(".answer").first.wait_for()
        customer.fill("#name", "A. Demo")
        customer.locator(".answer input").first.fill("<b>fine</b>")
        customer.get_by_role("button", name=re.compile("^Approve change")).first.click()
        customer.get_by_text("Approved by A. Demo").wait_for()
        assert customer.locator("q").inner_text() == "<b>fine</b>"
        accessible(customer)
        assert errors_there == []
        customer.close()
        page.get_by_text("approved", exact=True).wait_for(timeout=20_000)
        with page.expect_download() as loading:
            page.get_by_text("Package", exact=True).click()
        assert zipfile.ZipFile(loading.value.path()).testzip() is None
        address = page.url
        assert errors == []
        process.send_signal(getattr(signal, "SIGKILL", signal.SIGTERM))
        process.wait(20)
        page.get_by_text("The desk does not answer").wait_for()

    # After it was killed all is there again, at the same address.
    with desk(home, int(address.split(":")[2].split("/")[0])) as (_, again):
        assert address.startswith(again)
        page.goto(address)
        page.get_by_text("approved", exact=True).wait_for()
        expect(page.locator(".block")).to_have_text(block)
        assert name in page.inner_text(".options tr.chosen")
        page.get_by_text("Undo: protected face").wait_for()
        assert page.locator(".doing").inner_text() == ""
        page.get_by_text("Jobs", exact=True).click()
        page.get_by_role("link", name=HOSTILE).wait_for()
        accessible(page)
        page.set_input_files("#file", {
            "name": "note.txt", "mimeType": "text/plain", "buffer": b"no part at all"})
        page.locator("#trouble, .doing [role=alert]").filter(has_text=re.compile(r"\w")).wait_for()
    page.close()

