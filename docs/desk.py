"""The pictures of the desk in docs/pictures: a desk is started, and looked at in a browser.

`build.py desk` draws them again. It needs Chromium on PATH, and the page, which
`run.py desk` builds.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
PART = ROOT / "examples" / "latch_hook.step"
SIZE = {"width": 1440, "height": 900}


def main(root: Path) -> None:
    """Take pictures of a job, of one cut open, and of a customer's page, and print their paths."""
    for path in taken(root / "docs" / "pictures"):
        print(path)


def taken(folder: Path) -> list[Path]:
    """The files written."""
    from playwright.sync_api import sync_playwright

    chromium = shutil.which("chromium")
    if chromium is None:
        raise SystemExit("there is no chromium on PATH: install it first")
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as home:
        line = [sys.executable, "-m", "soffit", "desk", "--port", "0", "--no-browser"]
        with subprocess.Popen(line, cwd=ROOT, stdout=subprocess.PIPE, text=True,
                              env={**os.environ, "SOFFIT_HOME": home}) as desk:
            try:
                assert desk.stdout is not None
                told = re.search(r"http://127\.0\.0\.1:\d+/", desk.stdout.readline())
                assert told is not None
                with sync_playwright() as play:
                    browser = play.chromium.launch(executable_path=chromium, args=[
                        "--no-sandbox", "--use-gl=angle", "--use-angle=swiftshader",
                        "--enable-unsafe-swiftshader"])
                    return _taken(browser, told.group(), folder)
            finally:
                desk.terminate()


def _taken(browser: Any, url: str, folder: Path) -> list[Path]:
    written = []

    def take(page: Any, name: str) -> None:
        path = folder / f"{name}.png"
        page.mouse.move(0, 0)
        page.wait_for_timeout(1500)  # balloons find their places when all is still
        page.screenshot(path=path)
        written.append(path)

    page = browser.new_page(viewport=SIZE)
    page.goto(url)
    page.set_input_files("#file", PART)
    page.locator(".verdict", has_text="Clean").wait_for(timeout=300_000)
    page.locator(".side.after .balloon").first.wait_for()
    page.locator(".ledger .no").nth(1).click()
    page.evaluate("scrollTo(0, 0)")
    take(page, "desk")
    page.get_by_role("button", name="Section across y").click()
    page.emulate_media(color_scheme="dark")
    take(page, "desk-section")
    page.get_by_role("button", name="Customer link").click()
    page.fill("#link-for", "Demo customer")
    page.get_by_role("button", name="Make a link").click()
    customer = browser.new_page(viewport=SIZE)
    page.locator("#link-made").wait_for()
    customer.goto(page.input_value("#link-made"))
    customer.locator(".side.after .balloon").first.wait_for()
    take(customer, "desk-customer")
    return written
