"""The page in headless Chromium, used as a builder uses it.

What is on the disk afterwards, read by `read_openings`, and the numbers of `result.json` are the
truth that the page is held against.
"""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import chromium
import numpy as np
import pytest
from drawn import polygon
from page_program import SIZE, Program, running, save_ferry

from leakcheck.openings import read_openings
from leakcheck.page.drawing import drawing_bytes, from_page

LIMIT_MS = 40_000  # a busy machine
NASTY = "<img src=x onerror=alert(1)><script>alert(2)</script>"


@pytest.fixture(scope="module")
def browser():
    with chromium.started() as browser:
        yield browser


@pytest.fixture(scope="module")
def ferry(tmp_path_factory):
    folder = tmp_path_factory.mktemp("ferry")
    save_ferry(folder)
    return folder


class Opened:
    """A page in the browser, the program behind it, and everything that went wrong in it."""

    def __init__(self, browser, folder, program=None, **context):
        self.folder = folder
        self.program = program or Program(folder)
        self.is_shared = program is not None
        self.wrong = []
        self.context = browser.new_context(viewport={"width": 1200, "height": 800}, **context)
        self.page = self.context.new_page()
        self.page.set_default_timeout(LIMIT_MS)
        self.page.on("console", self._heard)
        self.page.on("pageerror", lambda error: self.wrong.append(str(error)))
        self.page.on("request", self._asked)
        self.page.on("dialog", self._dialog)
        self.page.goto(self.program.address)

    def _heard(self, message):
        if message.type in ("error", "warning"):
            self.wrong.append(message.text)

    def _asked(self, request):
        if not request.url.startswith((self.program.address, "data:", "blob:")):
            self.wrong.append(f"asked for {request.url}")

    def _dialog(self, dialog):
        if dialog.type != "confirm":
            self.wrong.append(f"{dialog.type}: {dialog.message}")
        dialog.accept()

    @property
    def own_file(self):
        return self.folder / "on-openings.svg"

    def ready(self):
        self.page.wait_for_selector("#openings li")
        self.page.wait_for_selector("#job", state="hidden")

    def saved(self):
        """The openings on the disk, when the page says that they are saved."""
        self.page.wait_for_function(
            "() => document.querySelector('#saved').textContent.startsWith('Saved in')"
        )
        return read_openings(self.own_file, size=SIZE).shapes

    def at(self, x, y):
        """Where a place of the photo is in the window."""
        return self.page.evaluate(
            "([x, y]) => { const p = new DOMPoint(x, y).matrixTransform("
            "document.querySelector('#over').getScreenCTM()); return [p.x, p.y]; }",
            [x, y],
        )

    def drag(self, start, end):
        self.page.mouse.move(*self.at(*start))
        self.page.mouse.down()
        self.page.mouse.move(*self.at(*((np.array(start) + end) / 2)))
        self.page.mouse.move(*self.at(*end))
        self.page.mouse.up()

    def names(self):
        return self.page.locator("#openings .name").all_text_contents()

    def close(self):
        self.context.close()
        if not self.is_shared and self.program.process.poll() is None:
            self.program.end()


@pytest.fixture(scope="module")
def drawn(ferry, tmp_path_factory):
    """A program for several tests: the ferry with two openings that another program drew."""
    folder = tmp_path_factory.mktemp("drawn")
    for name in ("off.jpg", "on.jpg"):
        shutil.copy(ferry / name, folder)
    (folder / "port.svg").write_text(
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {SIZE[0]} {SIZE[1]}">'
        f'<image href="on.jpg" width="{SIZE[0]}" height="{SIZE[1]}"/>'
        '<polygon id="saloon-1" points="100,60 140,60 140,90 100,90"/>'
        '<ellipse id="port" class="beacon" cx="300" cy="80" rx="20" ry="12"/></svg>'
    )
    with running(folder) as program:
        program.idle()
        yield program, folder


def fresh(browser, drawn, **context):
    """The pair opened anew, with nothing saved."""
    program, folder = drawn
    (folder / "on-openings.svg").unlink(missing_ok=True)
    assert program.ask("POST", "api/open", body={"off": "off.jpg", "on": "on.jpg"})[0] == 200
    program.wait(lambda state: state["work"]["ready"])
    opened = Opened(browser, folder, program, **context)
    opened.ready()
    return opened


@pytest.fixture
def opened(browser, drawn):
    """A page with two openings."""
    opened = fresh(browser, drawn)
    yield opened
    opened.close()
    assert opened.wrong == []


def test_the_whole_job(browser, ferry):
    """Guess, check, table and photo side by side, report; nothing leaves the page."""
    opened = Opened(browser, ferry)
    page = opened.page
    opened.ready()
    assert len(opened.names()) > 15  # of 34
    assert page.get_attribute("#off-picture", "href").startswith("picture/off")
    assert not opened.own_file.exists()  # nothing is written before anything is done

    page.click("#tab-test")
    page.click("#check")
    page.wait_for_selector("#job progress")
    page.wait_for_selector("#table-leaks tbody tr")
    assert len(opened.saved()) == len(opened.names())
    result = json.loads((ferry / "on-results" / "result.json").read_text())
    rows = page.locator("#table-leaks tbody tr").all_inner_texts()
    assert [re.split(r"\s+", row)[0] for row in rows] == [str(x["number"]) for x in result["leaks"]]
    for row, leak in zip(rows, result["leaks"], strict=True):
        assert leak["kind"] in row
    assert result["verdict_text"].split(":")[0] in page.inner_text("#result h2")
    assert result["lamps_text"] in page.inner_text("#result")

    page.locator("#table-leaks tbody tr").nth(1).click()
    chosen = page.locator(".badge.chosen")
    assert chosen.text_content() == "2"
    assert result["leaks"][1]["advice"] in page.inner_text("#detail")
    first = page.locator('.badge[data-list="leaks"][data-index="0"]')
    page.click("#whole")
    first.locator("rect").click(force=True)
    assert page.locator("#table-leaks tr.chosen").inner_text().startswith("1")
    page.locator("#table-leaks tr.chosen button").press("ArrowDown")
    assert page.locator("#table-leaks tr.chosen").inner_text().startswith("2")

    link = page.locator("#files a").first
    with opened.context.expect_page() as report:
        link.click()
    report.value.wait_for_load_state()
    assert str(len(result["leaks"])) in report.value.inner_text("body")
    opened.close()
    assert opened.wrong == []


def test_draw_undo_save_reload(opened):
    page = opened.page
    assert opened.names() == ["saloon-1", "port"]
    page.keyboard.press("r")
    opened.drag((50, 200), (90, 240))
    page.keyboard.press("e")
    opened.drag((150, 200), (190, 220))
    page.keyboard.press("p")
    for corner in ((250, 200), (300, 200), (300, 240), (260, 250)):
        page.mouse.click(*opened.at(*corner))
    page.mouse.click(*opened.at(250, 200))
    assert opened.names() == ["saloon-1", "port", "window-1", "window-2", "window-3"]

    rectangle, ellipse, drawn = opened.saved()[2:]
    pixel = 1 / opened.page.evaluate("document.querySelector('#over').getScreenCTM().a")
    for shape, area in ((rectangle, 1600), (ellipse, np.pi * 20 * 10), (drawn, 2050)):
        # Half a screen pixel on each of about 140 photo pixels of outline.
        assert polygon(shape).area == pytest.approx(area, abs=140 * pixel)
    page.keyboard.press("v")
    for _ in range(3):
        page.click("#undo")
    assert opened.names() == ["saloon-1", "port"]
    page.keyboard.press("Control+y")
    assert opened.names() == ["saloon-1", "port", "window-1"]
    assert [shape.name for shape in opened.saved()] == opened.names()

    page.reload()
    opened.ready()
    assert opened.names() == ["saloon-1", "port", "window-1"]
    assert 'href="on.jpg"' in opened.own_file.read_text()
    assert (
        "saloon-1" in (opened.folder / "port.svg").read_text()
    )  # the other program's is as it was


def test_move_points_and_shapes_and_what_they_are(opened):
    page = opened.page
    page.click("#openings li:nth-child(1) button")
    opened.drag((120, 75), (130, 95))
    (low, high) = np.array([[110, 80], [150, 110]])
    ring = opened.saved()[0].rings[0] + 0.5
    assert ring.min(axis=0) == pytest.approx(low, abs=1)
    assert ring.max(axis=0) == pytest.approx(high, abs=1)
    opened.drag((150, 110), (170, 120))  # a corner
    opened.drag((130, 80), (130, 70))  # the middle of the upper side becomes a corner
    ring = opened.saved()[0].rings[0] + 0.5
    assert len(ring) == 5
    assert ring[3] == pytest.approx([170, 120], abs=1.5)
    page.get_by_role("button", name="Delete the point").click()
    assert len(opened.saved()[0].rings[0]) == 4

    page.fill("#name", "Captain's cabin")
    page.press("#name", "Enter")
    page.get_by_label("Beacon", exact=True).check()
    page.select_option("#colour", "green")
    shape = opened.saved()[0]
    assert (shape.name, shape.kind, shape.colour) == ("Captain's cabin", "beacon", "green")
    page.fill("#name", "port")  # there is one already
    page.press("#name", "Enter")
    assert opened.saved()[0].name == "Captain's cabin"
    page.get_by_role("button", name="Delete", exact=True).click()
    assert [shape.name for shape in opened.saved()] == ["port"]


def test_a_row_of_copies(opened):
    page = opened.page
    page.click("#openings li:nth-child(1) button")
    page.get_by_role("button", name="Copy along a row").click()
    for field, value in (("#row-count", "3"), ("#row-dx", "50"), ("#row-dy", "-4")):
        page.fill(field, value)
        page.press(field, "Tab")
    page.get_by_role("button", name="Add the copies").click()
    shapes = opened.saved()
    assert [shape.name for shape in shapes] == [
        *["saloon-1", "port", "saloon-2", "saloon-3", "saloon-4"]
    ]
    moved = [shape.rings[0][0] - shapes[0].rings[0][0] for shape in shapes[2:]]
    assert np.allclose(moved, [[50, -4], [100, -8], [150, -12]], atol=0.01)


def test_all_by_keyboard(opened):
    """No mouse: draw, move, points, rename, delete, undo, zoom, check, read."""
    page = opened.page
    page.focus("#stage")
    page.keyboard.press("r")
    page.keyboard.press("Enter")
    for _ in range(3):
        page.keyboard.press("Shift+ArrowRight")
        page.keyboard.press("Shift+ArrowDown")
    page.keyboard.press("Enter")
    page.keyboard.press("Escape")
    (ring,) = opened.saved()[2].rings
    assert np.ptp(ring, axis=0) == pytest.approx([30, 30])
    for key in ("n", "n", "n", "ArrowLeft", "Enter", "ArrowUp", "i", "ArrowRight"):
        page.keyboard.press(key)
    moved = opened.saved()[2].rings[0]
    assert len(moved) == 5
    assert moved[0] == pytest.approx(ring[0] - [1, 1])
    page.keyboard.press("Delete")  # the point
    assert len(opened.saved()[2].rings[0]) == 4
    page.keyboard.press("Escape")
    page.keyboard.press("m")
    page.keyboard.type("bridge")
    page.keyboard.press("Enter")
    assert opened.saved()[2].name == "bridge"
    page.keyboard.press("Delete")
    assert len(opened.saved()) == 2
    page.keyboard.press("Control+z")
    assert [shape.name for shape in opened.saved()] == ["saloon-1", "port", "bridge"]
    zoom = "document.querySelector('#over').getScreenCTM().a"
    before = page.evaluate(zoom)
    page.keyboard.press("+")
    assert page.evaluate(zoom) == pytest.approx(1.5 * before)
    page.keyboard.press("0")
    assert page.evaluate(zoom) == pytest.approx(before)
    page.keyboard.press("?")
    assert page.locator("#keys dt").count() > 15
    page.keyboard.press("Escape")
    page.keyboard.press("3")
    assert page.is_visible("#check")


def test_everything_that_has_the_focus_shows_it(opened):
    page = opened.page
    seen = set()
    for _ in range(30):
        page.keyboard.press("Tab")
        shown = page.evaluate(
            "() => { const e = document.activeElement, s = getComputedStyle(e);"
            "return [e.id || e.textContent.slice(0, 20), s.outlineStyle,"
            "parseFloat(s.outlineWidth), e.parentElement.matches('.button'),"
            "e === document.body]; }"
        )
        seen.add(shown[0])
        assert shown[4] or (shown[1] != "none" and shown[2] >= 2) or shown[3], shown
    assert {"stage", "lights", "tab-openings", "zoom-in", "undo"} & seen >= {"stage", "lights"}


@pytest.mark.parametrize("size", [chromium.DESKTOP, chromium.PHONE])
def test_axe_finds_no_serious_fault(opened, size):
    """axe-core 4 on every step, with an opening selected: contrast, names, roles, focus."""
    page = opened.page
    page.set_viewport_size(size)
    page.click("#openings li:nth-child(2) button")
    for step in ("openings", "photos", "test"):
        page.click(f"#tab-{step}")
        assert chromium.axe_faults(page) == []


def test_touch(browser, drawn):
    """A finger taps corners and selects; two zoom. The page is no wider than a phone."""
    finger = fresh(browser, drawn, has_touch=True, is_mobile=True)
    page = finger.page
    page.set_viewport_size({"width": 390, "height": 844})
    page.get_by_role("button", name="Rectangle").tap()
    for corner in ((400, 250), (450, 300)):
        page.touchscreen.tap(*finger.at(*corner))
    page.get_by_role("button", name="Done").tap()
    (ring,) = finger.saved()[2].rings
    assert np.ptp(ring, axis=0) == pytest.approx([50, 50], abs=3)  # a photo px is half a screen px
    page.touchscreen.tap(*finger.at(120, 75))
    assert page.input_value("#name") == "saloon-1"
    _pinch(page, finger.at(300, 200))
    assert page.evaluate("document.querySelector('#over').getScreenCTM().a") > 1
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    finger.close()
    assert finger.wrong == []


def _pinch(page, middle):
    """Two fingers that part, by Chromium's own protocol."""
    cdp = page.context.new_cdp_session(page)
    for kind, apart in (("touchStart", 20), ("touchMove", 60), ("touchMove", 90)):
        points = [{"x": middle[0] + side * apart, "y": middle[1]} for side in (-1, 1)]
        cdp.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})
    cdp.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})


def test_scripts_in_names_stay_text(browser, ferry, tmp_path):
    """In the names of photos and drawings, and of openings: shown as they are, never run."""
    on = tmp_path / "<img src=x onerror=alert(3)> on.jpg"
    shutil.copy(ferry / "on.jpg", on)
    shutil.copy(ferry / "off.jpg", tmp_path / "<img src=x onerror=alert(3)> off.jpg")
    shape = {"name": NASTY, "kind": "window", "rings": [[[100, 60], [140, 60], [140, 90]]]}
    data = drawing_bytes(from_page([shape]), size=SIZE, photo=on)
    (tmp_path / "<b onclick=alert(4)>.svg").write_bytes(data)
    opened = Opened(browser, tmp_path)
    page = opened.page
    opened.ready()
    assert "<img src=x" in page.inner_text("#where")
    page.click("#openings li:nth-child(1) button")
    assert page.input_value("#name") == NASTY
    page.fill("#name", f"{NASTY}!")
    page.press("#name", "Enter")
    page.check("#see-names")
    page.click("#tab-test")
    page.click("#check")
    page.wait_for_selector("#result h2")
    assert f"{NASTY}!" in " ".join(page.locator("#marks text").all_text_contents())
    assert opened.names() == [f"{NASTY}!"]
    for summary in page.locator("#result summary").all():
        summary.click()
    assert page.locator("#result img, #openings img, #marks img, #result script").count() == 0
    opened.close()
    assert opened.wrong == []


def test_photos_are_taken_in_and_what_is_none_is_refused(browser, ferry, tmp_path):
    folder = tmp_path / "empty"
    folder.mkdir()
    fake = tmp_path / "fake on.jpg"
    fake.write_text("no photo at all, whatever its name")
    opened = Opened(browser, folder)
    page = opened.page
    assert page.is_visible("#empty")
    page.set_input_files("#choose-both", [str(fake)])
    page.wait_for_selector("#error:not([hidden])")
    assert "fake on.jpg is no photo" in page.inner_text("#error")
    assert list(folder.iterdir()) == []
    _drop(page, [ferry / "on.jpg", ferry / "off.jpg"])
    opened.ready()
    assert sorted(path.name for path in folder.iterdir()) == ["off.jpg", "on.jpg"]
    assert page.inner_text("#where") == "off.jpg and on.jpg"
    page.click("#close-page")
    page.wait_for_selector("#closed")
    assert opened.program.process.wait(30) == 0
    opened.close()
    # Chromium itself notes the refusal of the file that is no photo, and nothing else.
    assert [w for w in opened.wrong if "415" not in w] == []


def _drop(page, paths: list[Path]):
    """Drop files on the page as a file manager does."""
    content = [[path.name, list(path.read_bytes())] for path in paths]
    transfer = page.evaluate_handle(
        "files => { const all = new DataTransfer(); for (const [name, bytes] of files)"
        "all.items.add(new File([new Uint8Array(bytes)], name)); return all; }",
        content,
    )
    for kind in ("dragenter", "dragover", "drop"):
        page.dispatch_event("#stage", kind, {"dataTransfer": transfer})
