"""The page of a folder in headless Chromium, and its small pictures; results made by hand."""

from __future__ import annotations

import chromium
import cv2
import made_checks as made
import made_pages
import numpy as np
import pytest
from test_overview import leak, overview, pair

from leakcheck.report.contact import SIDE_PX, contact_picture
from leakcheck.report.html.overview_page import overview_page

ODD = "Fähre „Bug“ & 100 % #3?"  # what a link must not take for its own


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    """An overview whose second pair has a page and a picture in a folder with an odd name."""
    folder = tmp_path_factory.mktemp("results")
    (folder / ODD).mkdir()
    (folder / ODD / "report.html").write_text("<title>Its report</title><p id=leak-1>One</p>")
    grey = np.full((360, 480, 3), 90, np.uint8)
    (folder / ODD / "small.jpg").write_bytes(cv2.imencode(".jpg", grey)[1].tobytes())
    lines = list(overview().pairs)
    lines[1] = pair(
        "bow",
        "coat-2",
        leak(1, 0.35, coats="2 (1 to 3)"),
        page=f"{ODD}/report.html",
        picture=f"{ODD}/small.jpg",
    )
    made_of = overview(pairs=tuple(lines))
    (folder / "overview.html").write_bytes(overview_page(made_of, folder))
    return folder


@pytest.fixture(scope="module")
def browser():
    with chromium.started() as browser:
        yield browser


@pytest.fixture(params=[chromium.DESKTOP, chromium.PHONE], ids=["desktop", "phone"])
def watched(browser, results, request):
    watched = chromium.Watched(browser, results / "overview.html", request.param)
    yield watched
    watched.page.close()
    assert watched.errors == []


def test_axe_finds_no_serious_fault_and_nothing_is_cut_off(watched):
    """axe-core 4; and no page may be wider than its window."""
    assert chromium.axe_faults(watched.page) == []
    wide = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
    assert watched.page.evaluate(wide) <= 0


@pytest.mark.parametrize(
    "link", ["Open its report", "Report of bow, coat-2", "Leak 1 in its report"]
)
def test_every_card_and_leak_leads_to_its_report(watched, results, link):
    found = watched.page.get_by_role("link", name=link)
    # Of the pages in the cards only the second one is there; the leak is the one that is left.
    found.nth(1 if link == "Open its report" else 0).click()
    assert watched.page.title() == "Its report"


def test_sides_and_work_come_worst_first(watched):
    """As the overview orders them; a side without anything left is no work."""
    heads = watched.page.get_by_role("heading", level=3).all_inner_texts()
    assert heads[:3] == ["stern", "bow", "port"]
    assert heads[3].startswith("bow (coat-2): 2 leaks left")
    assert heads[4].startswith("port: nothing left, 1 opening")


def test_a_folder_without_pairs_has_a_page(browser, tmp_path):
    nothing = overview(pairs=(), views=(), left_out=())
    (tmp_path / "overview.html").write_bytes(overview_page(nothing, tmp_path))
    watched = chromium.Watched(browser, tmp_path / "overview.html", chromium.PHONE)
    assert "No pair was found." in watched.page.locator("body").inner_text()
    watched.page.close()
    assert watched.errors == []


def test_a_small_picture_shows_leaks_and_bad_openings_and_keeps_its_shape():
    """Blue round each leak: more blue than red is nowhere else in this grey and yellow photo."""
    check = made.check(registration=made_pages.moved())
    _, on = made_pages.photos(check)
    data = np.frombuffer(contact_picture(on, check), np.uint8)
    small = cv2.imdecode(data, cv2.IMREAD_COLOR).astype(int)
    rows, cols = on.encoded.shape[:2]
    assert max(small.shape[:2]) == SIDE_PX
    assert small.shape[0] / small.shape[1] == pytest.approx(rows / cols, abs=0.01)
    blue = (small[..., 0] - small[..., 2]) > 60
    for each in check.leaks:
        x, y = each.outline.mean(axis=0) * SIDE_PX / cols
        reach = int(np.ptp(each.outline, axis=0).max() * SIDE_PX / cols) + 8
        top, left = max(0, int(y) - reach), max(0, int(x) - reach)
        assert blue[top : int(y) + reach, left : int(x) + reach].any(), each.number
    bare = cv2.imdecode(
        np.frombuffer(contact_picture(on, made.check(leaks=(), lamps=())), np.uint8), 1
    ).astype(int)
    assert not ((bare[..., 0] - bare[..., 2]) > 60).any()
