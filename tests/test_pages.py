"""The pages in Chromium: nothing loaded, nothing muttered, slider, numbers, keyboard, print."""

from __future__ import annotations

import io
import re
import unicodedata

import chromium
import cv2
import made_checks as made
import made_pages
import numpy as np
import pytest
from chromium import DESKTOP, PHONE

from leakcheck.report.html.overlay import RING_GAP_PX, WIDE_PX

SIZES = {"desktop": DESKTOP, "phone": PHONE}


@pytest.fixture(scope="module")
def browser():
    with chromium.started() as browser:
        yield browser


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """A page of each kind as a file."""
    folder = tmp_path_factory.mktemp("pages")
    pages = {
        "check": made_pages.checked()[0],
        "tight": made_pages.tight(),
        "compare": made_pages.compared(),
        "hostile": made_pages.hostile(),
    }
    for name, data in pages.items():
        (folder / f"{name}.html").write_bytes(data)
    return {name: folder / f"{name}.html" for name in pages}


@pytest.fixture
def opened(browser, files):
    """Opens a page of a kind at a size; closes it, and no page may have complained."""
    watched = []

    def open_page(kind, size=DESKTOP):
        watched.append(chromium.Watched(browser, files[kind], size))
        return watched[-1].page

    yield open_page
    for each in watched:
        each.page.close()
        assert each.errors == []
        assert each.loaded == []


def _shot(page, selector) -> np.ndarray:
    """What is seen of one element, RGB."""
    data = np.frombuffer(page.locator(selector).first.screenshot(animations="disabled"), np.uint8)
    return cv2.imdecode(data, cv2.IMREAD_COLOR_RGB).astype(int)


def _at(shot, x, y) -> np.ndarray:
    """Colour at a place of the photo in a picture of the stage."""
    col = round((x + 0.5) * shot.shape[1] / made.WIDTH_PX)
    row = round((y + 0.5) * shot.shape[0] / made.HEIGHT_PX)
    return shot[row, col]


def _waited(page, true) -> bool:
    """Whether something comes true within two seconds: the page scrolls smoothly."""
    for _ in range(40):
        if true():
            return True
        page.wait_for_timeout(50)
    return False


@pytest.mark.parametrize("size", SIZES.values(), ids=SIZES.keys())
@pytest.mark.parametrize("kind", ["check", "tight", "compare", "hostile"])
def test_a_page_is_quiet_loads_nothing_and_fits_the_screen(opened, kind, size):
    """`opened` looks at console and requests; a page that is too wide can be scrolled aside."""
    page = opened(kind, size)
    assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
    assert page.locator("h1").count() == 1
    broken = "[...document.images].filter(i => !i.complete || !i.naturalWidth || !i.alt).length"
    assert page.evaluate(broken) == 0


@pytest.mark.parametrize("size", SIZES.values(), ids=SIZES.keys())
@pytest.mark.parametrize("kind", ["check", "tight", "compare"])
def test_axe_finds_no_serious_fault(opened, kind, size):
    """axe-core 4: WCAG 2 A and AA and good practice; contrast, names, roles, landmarks, focus."""
    assert chromium.axe_faults(opened(kind, size)) == []


def test_the_verdict_comes_first_and_says_what_was_found(opened):
    text = opened("check").locator("body").inner_text()
    assert re.sub(r"\s+", " ", text).strip().startswith("To the result LEAKS 4 found")


def test_the_slider_goes_from_lights_off_to_lights_on(opened):
    """At a window (grey off, bright on) and at the cross, which is at the same place in both."""
    page = opened("check")
    slider = page.get_by_role("slider")
    page.get_by_role("checkbox", name="Leaks").uncheck()
    x, y = made.openings()[3].rings[0].mean(axis=0)
    seen = {}
    for key, end in (("Home", "off"), ("End", "on")):
        slider.press(key)
        shot = _shot(page, ".stage")
        seen[end] = _at(shot, x, y)
        # The lights-off photo was shifted by (12, -8): laid on, its cross is where the other's is.
        assert _at(shot, 800, 300).max() < 50
        assert _at(shot, 800 + 12, 300 - 24).min() > 50
    assert seen["off"] == pytest.approx(made_pages.GROUND, abs=4)
    assert seen["on"][:2] == pytest.approx(made_pages.SHINE, abs=6)
    slider.press("PageDown")
    assert slider.get_attribute("aria-valuetext").endswith("% ON")


@pytest.mark.parametrize("size", SIZES.values(), ids=SIZES.keys())
def test_the_outline_lies_round_the_leak_and_can_be_switched_off(opened, size):
    """On 12 rays out of the pinhole at (900, 500) of radius 4 the line is met at its distance."""
    page = opened("check", size)
    shot = _shot(page, ".stage")
    unit = made.WIDTH_PX / min(WIDE_PX, 720 * made.WIDTH_PX / made.HEIGHT_PX)
    away = 4 + RING_GAP_PX * unit
    slack = 2.5 * made.WIDTH_PX / shot.shape[1]  # the line's own width on this screen, photo px
    line = np.array([0x6F, 0xE3, 0xFF])
    met = 0
    for angle in np.linspace(0, 2 * np.pi, 12, endpoint=False):
        reach = away + np.linspace(-slack, slack, 9)
        spots = [_at(shot, 900 + r * np.cos(angle), 500 + r * np.sin(angle)) for r in reach]
        met += min(np.abs(spot - line).max() for spot in spots) < 90
    assert met >= 11  # one may be where the number's leader ends
    # The leak itself stays in sight, though on a phone it is less than a pixel.
    assert _at(shot, 900, 500).min() > made_pages.GROUND + 5
    page.get_by_role("checkbox", name="Leaks").uncheck()
    assert page.locator(".stage .of-leaks:visible").count() == 0
    assert page.locator(".crop .of-leaks:visible").count() == 0
    shot = _shot(page, ".stage")
    assert _at(shot, 900, 500 + away).max() < made_pages.GROUND + 30


@pytest.mark.parametrize("size", SIZES.values(), ids=SIZES.keys())
def test_a_number_shows_its_leak_and_leads_back(opened, size):
    page = opened("check", size)
    page.locator("#mark-2").click()
    assert page.evaluate("location.hash") == "#leak-2"
    card = page.locator("#leak-2")
    assert _waited(page, lambda: 0 <= card.bounding_box()["y"] < 400)
    assert "Pinhole" in card.inner_text()
    card.get_by_text("Back to the photo").click()
    assert page.evaluate("document.activeElement.id") == "mark-2"


def test_the_outline_itself_can_be_clicked(opened):
    page = opened("check")
    box = page.locator(".stage").bounding_box()
    scale = box["width"] / made.WIDTH_PX
    # The show-through: a circle of 90 round (1200, 800), its ring a little outside.
    unit = made.WIDTH_PX / min(WIDE_PX, 720 * made.WIDTH_PX / made.HEIGHT_PX)
    page.mouse.click(
        box["x"] + (1200 + 64 + RING_GAP_PX * unit * 0.7) * scale,
        box["y"] + (800 + 64 + RING_GAP_PX * unit * 0.7) * scale,
    )
    assert page.evaluate("location.hash") == "#leak-4"


def test_everything_can_be_reached_by_keyboard(opened):
    """Tab from the top: the skip link, the numbers, the controls; Enter opens, Escape returns."""
    page = opened("check")
    order = []
    for _ in range(14):
        page.keyboard.press("Tab")
        order.append(page.evaluate("document.activeElement.id || document.activeElement.type"))
        if order[-1] == "mark-3":
            page.keyboard.press("Enter")
            assert page.evaluate("document.activeElement.id") == "leak-3"
            page.keyboard.press("Escape")
            assert page.evaluate("document.activeElement.id") == "mark-3"
    assert [each for each in order if each.startswith("mark-")][:4] == [
        "mark-1",
        "mark-2",
        "mark-3",
        "mark-4",
    ]
    assert {"range", "checkbox"} <= set(order)


def test_the_added_light_can_be_laid_over_the_photo(opened):
    """Grey where nothing shines, coloured on the show-through."""
    page = opened("check")
    page.get_by_label("Added light in colours").check()
    page.get_by_role("checkbox", name="Leaks").uncheck()
    shot = _shot(page, ".stage")
    assert np.ptp(_at(shot, 1200, 800)) > 60
    assert np.ptp(_at(shot, 800, 1100)) < 12


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_pages_of_paper_break_between_leaks(opened, paper):
    """The printed text, page by page: a leak's heading and its last sentence are on one page."""
    pypdf = pytest.importorskip("pypdf")
    page = opened("check")
    printed = pypdf.PdfReader(io.BytesIO(page.pdf(format=paper)))
    texts = [unicodedata.normalize("NFKC", sheet.extract_text()) for sheet in printed.pages]
    pages = [" ".join(text.split()) for text in texts]
    first = next(k for k, text in enumerate(pages) if "Each leak close by" in text)
    assert pages[first].startswith("Each leak close by")
    cards = 0
    for text in pages[first:]:
        cards += text.count("Lights off.")
        assert text.count("Lights off.") == text.count("What to do: ") == text.count("Take care: ")
    assert cards == 4
    assert len(pages) < 9


def test_paper_is_white_and_shows_no_controls(opened):
    page = opened("check")
    page.emulate_media(media="print")
    assert not page.get_by_role("slider").is_visible()
    assert not page.get_by_text("Back to the photo").first.is_visible()
    colours = page.evaluate(
        "['backgroundColor', 'color'].map(k => getComputedStyle(document.documentElement)[k])"
    )
    assert colours == ["rgb(255, 255, 255)", "rgb(16, 22, 27)"]


def test_without_its_script_the_page_still_shows_all(browser, files):
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(files["check"].as_uri())
    assert not page.get_by_role("slider").is_visible()
    assert page.locator("#mark-1").is_visible()
    assert page.locator(".leak-card").count() == 4
    context.close()


def test_names_stay_text_whatever_they_hold(opened):
    """No element, no script and no dialog comes of a name, and none turns its neighbours round."""
    page = opened("hostile")
    assert page.locator("script").count() == 1
    assert page.locator("img[src=x]").count() == 0
    text = page.locator("body").text_content()
    for name in made_pages.HOSTILE:
        shown = name.replace("\u202e", " ")
        assert f'above "{shown}", 12' in text
        assert page.locator("bdi", has_text=shown).count() > 0
    assert "49" not in page.locator("table").first.inner_text()


def test_a_comparison_fades_from_before_to_after(opened):
    page = opened("compare")
    assert page.get_by_role("slider").get_attribute("aria-label") == "Test: from BEFORE to AFTER"
    states = page.locator(".leak-card .chip").all_inner_texts()
    assert states == ["fainter", "unchanged", "brighter", "new", "cannot tell", "gone"]
    page.locator("#mark-4").click()
    assert page.evaluate("document.activeElement.id") == "leak-4"
    assert page.locator("#leak-4 .crop img").count() == 2
