"""The page of the desk, each part of it on its own, in a real browser.

One desk that works nothing out, with one part that is resolved: an arm of 8 × 90 mm over air (see
`tests.desks.arm`). Looks are given in the address, level from the front, so that what a click or a
drag must hit is known in mm.
"""

from __future__ import annotations

import json
import re
import struct
from pathlib import Path
from typing import Any

import pymupdf
import pytest

from tests import desk_browser
from tests.desk_browser import ZOOM, accessible, undone
from tests.desks import Client

pytestmark = pytest.mark.browser
browser = desk_browser.chromium
desk = desk_browser.desk_with_arm
opened = desk_browser.opener
# From the front: azimuth and tilt 0.
FRONT = f"look=0,0,{ZOOM:g},0,0"
# Middle of the part as received, 68 × 90 × 12 mm, mm.
MIDDLE = (34.0, 45.0, 6.0)


def spot(page: Any, x: float, z: float) -> tuple[float, float]:
    """Where a point of the part is on the screen, seen from the front."""
    box = page.locator(".side.before .view").bounding_box()
    return (box["x"] + box["width"] / 2 + (x - MIDDLE[0]) * ZOOM,
            box["y"] + box["height"] / 2 - (z - MIDDLE[2]) * ZOOM)


def test_a_room_is_kept_out_by_dragging(desk: tuple[Client, str], opened: Any) -> None:
    client, job = desk
    page = opened(f"/jobs/{job}?{FRONT}")
    page.get_by_role("button", name="Keep out a room").click()
    page.get_by_text("Drag over the part as received; nothing is added inside").wait_for()
    page.mouse.move(*spot(page, 10, 1))
    page.mouse.down()
    page.mouse.move(*spot(page, 20, 6), steps=3)
    page.mouse.move(*spot(page, 30, 11))
    page.mouse.up()
    fields = page.locator(".picking input")
    read = [float(fields.nth(k).input_value()) for k in range(6)]
    # Both ends lie on the front, y = 0; a side is at least 0.08 of the diagonal (derived: 113 mm).
    assert read == pytest.approx([10, 30, -4.5, 4.5, 1, 11], abs=0.3)
    # A side is also moved by its handle: an arrow key is 1 mm.
    page.get_by_label("Lower x of the room").press("ArrowLeft")
    assert float(fields.nth(0).input_value()) == pytest.approx(read[0] - 1)
    accessible(page)
    page.get_by_role("button", name="Keep it out").click()
    page.get_by_text("kept out: x").wait_for()
    (box,) = client.get(f"/api/jobs/{job}")["decisions"]["keep_out"]
    assert box == pytest.approx([read[0] - 1, read[2], read[4], read[1], read[3], read[5]])
    page.get_by_role("button", name="Drop room 1").click()
    page.get_by_text("kept out: x").wait_for(state="detached")
    page.keyboard.press("u")
    page.get_by_text("kept out: x").wait_for()
    undone(client, job)


def test_a_face_is_protected_by_a_click(desk: tuple[Client, str], opened: Any) -> None:
    client, job = desk
    page = opened(f"/jobs/{job}?{FRONT}")
    page.mouse.click(*spot(page, 20, 6))
    # The front: 60 × 12 and 8 × 3 mm² (derived).
    told = page.get_by_text(re.compile(r"^Face \d+, plane, 744 mm²"))
    told.wait_for()
    face = int(told.inner_text().split(",")[0].split()[1])
    page.wait_for_url(re.compile(rf"[?&]face={face}&"))
    page.get_by_role("button", name="Protect this face").click()
    page.get_by_role("button", name="Protect no longer").wait_for()
    assert client.get(f"/api/jobs/{job}")["decisions"]["protect"] == [f"face {face}"]
    assert f"faces {face}" in page.inner_text(".block")
    page.locator(".verdict", has_text="before the last decision").wait_for()
    # Above the part there is nothing to pick.
    page.mouse.click(*spot(page, 20, 20))
    told.wait_for(state="detached")
    page.keyboard.press("u")
    page.locator(".block", has_text=re.compile("protected\\s*none")).wait_for()
    undone(client, job)


def test_a_click_on_the_map_takes_that_way_up(desk: tuple[Client, str], opened: Any) -> None:
    """The search itself is told of by its own tests; here its answer is given: four directions."""
    client, job = desk
    ways = [(0.0, 0.0, 1.0), (0.8, 0.0, 0.6), (0.0, -0.6, 0.8), (0.0, 0.0, -1.0)]
    found = {"screen": [[*up, 100.0 * k] for k, up in enumerate(ways)], "orient": {
        "named": [{"way_up": 0, "best_at": ["price"], "why": "it is cheapest"}],
        "ways_up": [{"up": up, "over_air_mm2": 0.0, "places": 0, "price": 1.0, "height_mm": 12.0}
                    for up in ways[:1]]}}
    page = opened(f"/jobs/{job}")

    def known(route: Any) -> None:
        answer = route.fetch()
        route.fulfill(response=answer, json={**answer.json(), "orient": {"state": "done"}})

    page.route(f"**/api/jobs/{job}", known)
    page.route(f"**/api/jobs/{job}/orient", lambda route: route.fulfill(json=found))
    page.reload()
    upper = page.locator(".map").first
    box = upper.bounding_box()
    # A map of 252 units with a disc of 118: a direction lies at √(1 − z) of that from the middle,
    # on the side that it leans to (Lambert's projection).
    unit = box["width"] / 252
    x, _, z = ways[1]
    at = {"x": box["width"] / 2 + 118 * unit * (1 - z) ** 0.5 * (1 if x > 0 else -1),
          "y": box["height"] / 2}
    upper.hover(position=at)
    page.get_by_text("about 100 mm² over air").wait_for()
    accessible(page)
    upper.click(position=at)
    page.get_by_role("button", name="Up as in the file again").wait_for()
    assert client.get(f"/api/jobs/{job}")["up"] == pytest.approx(ways[1])
    undone(client, job)


def test_what_is_printed_is_the_sheet(desk: tuple[Client, str], opened: Any) -> None:
    page = opened(f"/jobs/{desk[1]}?place=1&cut=y45.00")
    page.emulate_media(color_scheme="dark")
    pages = pymupdf.open("pdf", page.pdf(prefer_css_page_size=True))
    first = pages[0]
    assert first.rect.width > first.rect.height
    text = " ".join(sheet.get_text() for sheet in pages).replace("\n", " ")
    for words in ("Clean: nothing over air", "As received", "As produced", "Ledge", "720 mm²",
                  "Limits used", "Cautions"):
        assert words in text, words
    for words in ("Keep out a room", "Drop the next revision", "Customer link", "Load a recipe"):
        assert words not in text, words
    # The drawings are a picture across the sheet, on white paper, with ink and the violet of what
    # is over air in it.
    drawn = max((pymupdf.Rect(info["bbox"]) for info in first.get_image_info()), key=abs)
    assert drawn.width > 0.9 * (first.rect.width - 2 * 28.3)  # margins of 10 mm
    shades = first.get_pixmap(clip=drawn, dpi=60)
    colours = {shades.pixel(x, y) for x in range(shades.width) for y in range(shades.height)}
    assert (255, 255, 255) in colours
    assert min(map(sum, colours)) < 3 * 60
    assert any(r > g + 60 and b > g + 60 for r, g, b in colours)


def test_an_address_says_place_cut_and_look(desk: tuple[Client, str], opened: Any) -> None:
    page = opened(f"/jobs/{desk[1]}?place=1&cut=z10.10&look=200,-30,5.5,1,2")
    assert page.get_attribute(".side.before .balloon", "aria-pressed") == "true"
    page.get_by_text("seen from above, cut at z 10.1").wait_for()
    assert page.locator(".ledger tbody.picked").count() == 1
    # What is changed is in the address, and there again when that is opened.
    page.focus(".side.after .view")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("x")
    page.wait_for_url(re.compile(r"\?place=1&cut=x[\d.]+&look=-170,-30,5.5,1,2$"))
    there = page.url
    shown = page.locator(".side.before .view").screenshot()
    again = opened(there.partition("/jobs/")[1] + there.partition("/jobs/")[2])
    again.get_by_text("same view, cut at x").wait_for()
    again.wait_for_timeout(300)
    assert again.url == there
    assert again.locator(".side.before .view").screenshot() == shown
    # What makes no sense is left out.
    other = opened(f"/jobs/{desk[1]}?place=x&face=-1&cut=q3&look=1,2")
    assert other.locator(".balloon[aria-pressed=true]").count() == 0
    other.get_by_text("seen from below", exact=True).wait_for()


def test_a_cap_is_whole_where_bodies_overlap(desk: tuple[Client, str], opened: Any) -> None:
    """Two boxes in one file that overlap: cut level, both and what is common to them is hatched."""
    boxes = [((0, 0, 0), (30, 40, 12)), ((20, 10, 0), (68, 30, 12))]
    page = opened(f"/jobs/{desk[1]}")
    page.route("**/geometry/before*", lambda route: route.fulfill(
        body=_boxes(boxes), content_type="application/octet-stream"))
    # Straight from below, cut at half its height; looked at from the middle of all, 34, 20, 6 mm.
    page.goto(f"{page.url.partition('?')[0]}?cut=z6.00&look=0,-90,4,0,0")
    page.get_by_text("seen straight from above, cut at z 6.0").wait_for()
    page.wait_for_timeout(300)
    shot = pymupdf.Pixmap(page.locator(".side.before .view").screenshot())

    def inked(x0: float, y0: float, x1: float, y1: float) -> float:
        """Share of the pixels of a patch, mm, that are not paper."""
        left, top = shot.width / 2 - 34 * 4, shot.height / 2 + 20 * 4
        spots = [(round(left + 4 * x + i), round(top - 4 * y + j))
                 for x in range(int(x0), int(x1)) for y in range(int(y0), int(y1))
                 for i in range(4) for j in range(4)]
        return sum(shot.pixel(*at)[0] < 235 for at in spots) / len(spots)

    alone, common, beside = inked(3, 12, 13, 28), inked(22, 14, 28, 26), inked(45, 33, 60, 38)
    assert beside == 0
    # Hatches of one pitch, wherever they are counted; parity would leave what is common bare.
    assert alone > 0.1 and common == pytest.approx(alone, abs=0.06)
    assert inked(40, 14, 60, 26) == pytest.approx(alone, abs=0.06)


def _boxes(boxes: list[tuple[tuple[float, ...], tuple[float, ...]]]) -> bytes:
    """A geometry as the desk sends it, of boxes from one corner to another."""
    vertices, triangles = [], []
    quads = ((0, 2, 3, 1), (4, 5, 7, 6), (0, 1, 5, 4), (2, 6, 7, 3), (0, 4, 6, 2), (1, 3, 7, 5))
    for low, high in boxes:
        first = len(vertices)
        vertices += [[(high if k >> d & 1 else low)[d] for d in range(3)] for k in range(8)]
        triangles += [[first + q[i] for i in half]
                      for q in quads for half in ((0, 1, 2), (0, 2, 3))]
    header = json.dumps({
        "vertices": len(vertices), "triangles": len(triangles), "marks": [], "faces": [
            {"id": 1, "surface": "plane", "area_mm2": 1.0, "origin": None, "edit": None, "op": None,
             "name": None}]}).encode()
    header = header.ljust(len(header) + -(4 + len(header)) % 4)
    flat = [v for row in vertices for v in row]
    corners = [v for row in triangles for v in row]
    return (struct.pack("<I", len(header)) + header + struct.pack(f"<{len(flat)}f", *flat)
            + struct.pack(f"<{len(corners)}I", *corners)
            + struct.pack(f"<{len(triangles)}I", *[1] * len(triangles)))


def test_a_first_article_is_held_against_its_limits(
    desk: tuple[Client, str], opened: Any
) -> None:
    client, job = desk
    page = opened(f"/jobs/{job}")
    article = page.get_by_role("region", name="First article")
    article.get_by_text(re.compile(r"\d+ checks to measure")).click()
    # 68 mm by 0.8 mm either way (ISO 2768-1, class c).
    row = article.get_by_role("row", name=re.compile("^S1 "))
    assert "67.2 to 68.8 mm" in row.inner_text()
    with page.expect_download() as loading:
        article.get_by_role("link", name="Form as CSV").click()
    blank = Path(loading.value.path()).read_bytes()
    assert blank == client.call("GET", f"/api/jobs/{job}/files/record_csv").body
    # Nothing filled in: one line says so, and nothing is kept.
    send = page.locator("#send-record")
    send.set_input_files({"name": "blank.csv", "mimeType": "text/csv", "buffer": blank})
    page.locator("#trouble", has_text="blank.csv was not taken: ").wait_for()
    assert "nothing is filled in" in page.inner_text("#trouble")
    form = client.call("GET", f"/api/jobs/{job}/files/record_json").json
    first, second, *_ = form["checks"]
    for check in form["checks"]:
        told = "yes" if check["unit"] == "yes/no" else check["nominal"] or check["high"]
        check["measured"] = told
    first["measured"], second["measured"] = 70.0, None
    send.set_input_files({"name": "one.json", "mimeType": "application/json",
                          "buffer": json.dumps(form).encode()})
    article.get_by_text("Not passed: 1 out of limits, 1 not measured").wait_for()
    assert page.locator("#trouble").is_hidden()
    cells = article.locator("tbody tr").first.locator("td")
    assert cells.all_inner_texts()[3:] == ["67.2 to 68.8 mm", "70.0", "OUT"]
    first["measured"], second["measured"] = 68.1, second["nominal"]
    send.set_input_files({"name": "two.json", "mimeType": "application/json",
                          "buffer": json.dumps(form).encode()})
    article.get_by_text(re.compile("^Passed, ")).wait_for()
    assert "one.json" in article.get_by_role("table", name="Earlier records").inner_text()
    assert [r["passed"] for r in client.get(f"/api/jobs/{job}/records")["records"]] == [False, True]
    accessible(page)


def test_a_recipe_is_fetched_and_taken(desk: tuple[Client, str], opened: Any) -> None:
    client, job = desk
    page = opened(f"/jobs/{job}")
    decisions = page.get_by_role("region", name="Decisions")
    with page.expect_download() as loading:
        decisions.get_by_role("link", name="The recipe").click()
    recipe = Path(loading.value.path()).read_bytes()
    assert recipe == client.call("GET", f"/api/jobs/{job}/recipe").body
    load = page.locator("#load-recipe")
    load.set_input_files({"name": "bad.toml", "mimeType": "text/plain", "buffer": b"edit = 1"})
    page.locator("#trouble", has_text=re.compile(r"\w+ .*recipe")).wait_for()
    load.set_input_files({"name": "arm.recipe.toml", "mimeType": "text/plain", "buffer": recipe})
    decisions.get_by_text("They start from the recipe arm.recipe.toml, with 1 change.").wait_for()
    assert page.locator("#trouble").is_hidden()
    assert client.get(f"/api/jobs/{job}")["decisions"]["recipe"]["file"] == "arm.recipe.toml"
    decisions.get_by_text("What was decided, and when").click()
    decisions.get_by_role("cell", name="recipe", exact=True).wait_for()
    page.get_by_role("button", name="Undo: recipe").click()
    decisions.get_by_text("They start from").wait_for(state="detached")
    undone(client, job)
