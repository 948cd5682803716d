"""The page of the desk to others and in other states: customers, keys alone, a tablet, nothing that
answers, what is wrong, and jobs that go.

The desk is that of `test_desk_page_parts`: it works nothing out, and has a resolved arm.
"""

from __future__ import annotations

import re
from typing import Any

import pytest

from tests import desk_browser
from tests.desk_browser import ZOOM, accessible, undone
from tests.desks import Client, arm

pytestmark = pytest.mark.browser
browser = desk_browser.chromium
desk = desk_browser.desk_with_arm
opened = desk_browser.opener


def test_a_customer_declines_comments_and_approves(desk: tuple[Client, str], opened: Any) -> None:
    client, job = desk
    link = client.post(f"/api/jobs/{job}/links",
                       {"for": "Demo customer", "days": 30, "prices": False})
    page = opened(link["path"])
    page.get_by_text("1 of 1 changes are not answered yet.").wait_for()
    # No price on it, and a name is wanted first.
    assert "Price" not in page.inner_text("main")
    page.get_by_role("button", name=re.compile("^Decline change")).click()
    page.locator("#trouble", has_text="Write your name").wait_for()
    assert page.evaluate("document.activeElement.id") == "name"
    page.keyboard.type("A. Demo")
    note = page.get_by_label(re.compile("^Comment on change"))
    note.fill("<i>why so thick?</i>")
    page.get_by_role("button", name=re.compile("^Comment only")).click()
    page.locator("q").wait_for()
    assert page.locator("q").inner_text() == "<i>why so thick?</i>"
    note.fill("too heavy")
    page.get_by_role("button", name=re.compile("^Decline change")).click()
    page.get_by_text("Declined by A. Demo").wait_for()
    page.get_by_role("button", name=re.compile("^Approve change")).click()
    page.get_by_text(re.compile(r"Approved by A\. Demo, \d{4}-\d\d-\d\d \d\d:\d\d")).wait_for()
    page.get_by_text("All changes are answered.").wait_for()
    accessible(page)
    # Every word is kept, with its name and time; the last answer counts.
    said = client.get(f"/api/jobs/{job}")["signoffs"]
    assert [(s["answer"], s["comment"], s["name"]) for s in said] == [
        ("comment", "<i>why so thick?</i>", "A. Demo"), ("decline", "too heavy", "A. Demo"),
        ("approve", "", "A. Demo")]
    assert sorted(s["at"] for s in said) == [s["at"] for s in said]
    assert client.call("DELETE", f"/api/jobs/{job}/links/{link['id']}").status == 204
    page.reload()
    page.get_by_text("This link does not hold").wait_for()


def test_all_is_done_with_keys_alone(desk: tuple[Client, str], opened: Any) -> None:
    client, job = desk
    page = opened("/", drawn=False)
    page.get_by_role("link", name="arm.stl").wait_for()

    def focused() -> str:
        return str(page.evaluate("""(() => {
            const { ariaLabel, labels, textContent } = document.activeElement;
            return (ariaLabel ?? labels?.[0]?.textContent ?? textContent).trim();
        })()"""))

    def tab_to(name: str) -> None:
        """On with the tab key until what has the focus is called that."""
        for _ in range(60):
            page.keyboard.press("Tab")
            if focused().startswith(name):
                return
        raise AssertionError(f"the tab key does not come to {name}")

    page.keyboard.press("Tab")
    assert focused() == "To the sheet"
    tab_to("arm.stl")
    page.keyboard.press("Enter")
    page.locator(".side.after .balloon").first.wait_for()
    for key, words in (("n", "Place 1: Ledge"), ("x", "same view, cut at x"),
                       ("z", "same view, cut at z")):
        page.keyboard.press(key)
        page.locator(".drawings, .picking").get_by_text(words).first.wait_for()
    height = float(page.get_attribute(".ruler", "aria-valuenow"))
    page.keyboard.press("]")
    page.keyboard.press("]")
    # On to the middle of the next layer but one, of 0.2 mm.
    layer = (float(page.get_attribute(".ruler", "aria-valuenow")) - 0.1) / 0.2
    assert layer == pytest.approx(round(layer), abs=0.01)
    assert 0.2 < 0.2 * layer + 0.1 - height < 0.5
    page.keyboard.press("?")
    page.get_by_role("dialog", name="Keys").wait_for()
    page.keyboard.press("Escape")
    # A drawing is turned and picked in; the face in its middle is protected.
    page.keyboard.press("f")
    tab_to("As received: drawing")
    before = page.url
    page.keyboard.press("ArrowUp")
    page.wait_for_url(lambda url: url != before)
    page.keyboard.press("Escape")
    page.keyboard.press("Escape")
    page.keyboard.press("Enter")
    page.get_by_role("button", name="Protect this face").wait_for()
    page.keyboard.press("p")
    page.get_by_role("button", name="Protect no longer").wait_for()
    page.keyboard.press("Control+z")
    page.get_by_role("button", name="Protect this face").wait_for()
    # A room is typed; Esc would leave it.
    page.keyboard.press("k")
    tab_to("Type its corners")
    page.keyboard.press("Enter")
    assert focused() == "x from"
    page.keyboard.press("Control+a")
    page.keyboard.type("50.5")
    tab_to("Keep it out")
    page.keyboard.press("Enter")
    page.get_by_text("kept out: x 50.5 to 68.0").wait_for()
    assert client.get(f"/api/jobs/{job}")["decisions"]["keep_out"] == [[50.5, 0, 0, 68, 90, 12]]
    assert focused() == "Keep out a room"
    page.keyboard.press("u")
    page.get_by_text("kept out: x").wait_for(state="detached")
    undone(client, job)


@pytest.mark.parametrize("size", [(1024, 768), (768, 1024)], ids=["across", "upright"])
def test_a_tablet_shows_all_of_it(
    browser: Any, desk: tuple[Client, str], size: tuple[int, int]
) -> None:
    client, job = desk
    context = browser.new_context(viewport={"width": size[0], "height": size[1]}, has_touch=True)
    page = context.new_page()
    page.goto(f"http://127.0.0.1:{client.port}/jobs/{job}?place=1&look=0,0,{ZOOM:g},0,0")
    page.locator(".side.after .balloon").wait_for()
    # Nothing is beside the screen, and what is touched is large enough (WCAG 2.2, 2.5.8: 24 px).
    assert page.evaluate("document.documentElement.scrollWidth") == size[0]
    small = page.evaluate("""[...document.querySelectorAll('button, a.act, select, input, summary')]
        .filter((one) => one.checkVisibility() && !one.closest('.heard') && !one.matches('.heard'))
        .map((one) => [one.textContent, one.getBoundingClientRect()])
        .filter(([, box]) => box.width < 24 || box.height < 24).map(([text]) => text)""")
    assert small == []
    # A finger turns the part.
    box = page.locator(".side.before .view").bounding_box()
    touch = context.new_cdp_session(page)
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 3
    for kind, moved in (("touchStart", 0), ("touchMove", 20), ("touchMove", 60), ("touchEnd", 60)):
        touch.send("Input.dispatchTouchEvent", {
            "type": kind, "touchPoints": [] if kind == "touchEnd" else [{"x": x + moved, "y": y}]})
    page.wait_for_url(re.compile(r"look=-(?!0,)\d+"))
    accessible(page)
    context.close()


def test_a_desk_that_does_not_answer_is_told_of_until_it_does(
    desk: tuple[Client, str], opened: Any
) -> None:
    client, job = desk
    page = opened(f"/jobs/{job}")
    page.route("**/api/**", lambda route: route.abort())
    page.keyboard.press("k")
    page.get_by_role("button", name="Type its corners").click()
    page.get_by_role("button", name="Keep it out").click()
    page.locator("#trouble", has_text="The desk does not answer").wait_for()
    assert client.get(f"/api/jobs/{job}")["decisions"]["keep_out"] == []
    # What was shown is still there, and may be looked at.
    page.keyboard.press("n")
    assert page.locator(".ledger tbody.picked").count() == 1
    page.unroute("**/api/**")
    page.get_by_role("button", name="Close", exact=True).click()
    # A page that is opened while nothing answers says so, and takes up again by itself.
    other = opened("/", drawn=False)
    other.route("**/api/events", lambda route: route.abort())
    other.reload()
    bar = other.locator("#offline", has_text="The desk does not answer")
    bar.wait_for()
    accessible(other)
    other.unroute("**/api/events")
    bar.wait_for(state="hidden")


def test_what_is_wrong_is_said_in_one_line(opened: Any) -> None:
    page = opened("/jobs/0123456789abcdef", drawn=False)
    page.get_by_role("heading", name="No such job").wait_for()
    assert page.locator("[role=alert]:visible").count() == 1
    assert page.locator(".drawings").is_hidden()
    accessible(page)
    page.get_by_role("link", name="Jobs").click()
    page.get_by_role("link", name="arm.stl").wait_for()
    other = opened("/s/nothing-of-the-kind", drawn=False)
    other.get_by_text("This link does not hold").wait_for()
    accessible(other)


def test_a_job_is_deleted_after_a_second_question(desk: tuple[Client, str], opened: Any) -> None:
    client, _ = desk
    gone = client.post("/api/jobs?name=spare.stl&unit=mm", arm(4.0))["id"]
    page = opened(f"/jobs/{gone}", drawn=False)
    # Nothing works here, so that it waits; that is said, and what is not there yet is not shown.
    page.get_by_text("Waits until another job is done.").wait_for()
    accessible(page)
    page.get_by_role("link", name="Jobs").click()
    page.get_by_role("button", name="Delete spare.stl").click()
    dialog = page.get_by_role("dialog", name="Delete spare.stl")
    # The harmless answer has the focus.
    assert page.evaluate("document.activeElement.textContent") == "Keep it"
    page.keyboard.press("Enter")
    dialog.wait_for(state="detached")
    assert client.call("GET", f"/api/jobs/{gone}").status == 200
    page.get_by_role("button", name="Delete spare.stl").click()
    accessible(page)
    dialog.get_by_role("button", name="Delete it").click()
    page.get_by_role("link", name="spare.stl").wait_for(state="detached")
    assert client.call("GET", f"/api/jobs/{gone}").status == 404
    assert page.get_by_role("link", name="arm.stl").count() == 1
