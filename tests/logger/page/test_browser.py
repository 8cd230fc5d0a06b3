"""The page in a real chromium: phone and desktop, light and dark, keyboard, without scripts."""

from __future__ import annotations

from pathlib import Path

import pytest

from logger.documents.report_files import write_whole
from tests.logger.made import Place
from tests.logger.page.browser import Browser

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module", autouse=True)
def sheet(place: Place) -> None:
    """A report with a look of its own."""
    page = "<!doctype html><html lang=en><title>w</title><style>h1{color:rgb(1, 2, 3)}</style><h1>w</h1>"
    write_whole(place[0].report_folder / "week-2026-01-05.html", page.encode())


@pytest.mark.parametrize(("width", "height"), [(390, 844), (1280, 900)])
@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("path", ["/", "/findings", "/reports"])
def test_pages_fit_their_screen_and_break_no_rule(
    browser: Browser, address: str, width: int, height: int, dark: bool, path: str, tmp_path: Path
) -> None:
    browser.size(width, height, dark=dark, mobile=width < 700)
    browser.go(address + path)
    assert browser.ask("document.documentElement.scrollWidth") <= width
    assert browser.complaints() == []
    ground = browser.ask("getComputedStyle(document.body).backgroundColor")
    assert ground == ("rgb(20, 25, 27)" if dark else "rgb(251, 249, 243)")
    browser.shot(tmp_path / "page.png")
    assert (tmp_path / "page.png").stat().st_size > 5000


def test_live_values_arrive_by_themselves(browser: Browser, address: str) -> None:
    browser.size(390, 844, mobile=True)
    browser.go(address)
    arrived = """new Promise((done) => {
      const link = document.getElementById("link");
      if (link.textContent.startsWith("Live")) { done(link.textContent); return; }
      const watch = new MutationObserver(() => done(link.textContent));
      watch.observe(link, {childList: true, characterData: true, subtree: true});
      setTimeout(() => done("nothing came"), 80000);
    })"""
    assert browser.ask(arrived).startswith("Live, ")
    assert "Cells in order" in browser.ask("document.getElementById('live-1').innerText")


def test_without_scripts_everything_is_there(browser: Browser, address: str) -> None:
    browser.scripts(on=False)
    try:
        browser.go(address)
    finally:
        browser.scripts(on=True)
    assert "Cells in order" in browser.ask("document.getElementById('live-0').innerText")
    assert browser.ask("document.querySelectorAll('svg.curve').length") == 6
    assert browser.ask("document.querySelector('noscript') !== null")
    assert browser.ask("document.getElementById('link').textContent").startswith("As of")


def test_the_keyboard_reaches_every_page(browser: Browser, address: str) -> None:
    browser.size(1280, 900)
    browser.go(address)
    seen = []
    for _ in range(4):
        browser.key("Tab")
        seen.append(browser.ask("document.activeElement.textContent"))
    assert seen == ["To the content", "Now", "Findings", "Reports"]
    outline = browser.ask("getComputedStyle(document.activeElement).outlineStyle")
    assert outline == "solid"
    browser.events.clear()
    browser.key("Enter")
    browser.loaded()
    assert browser.ask("location.pathname") == "/reports"


def test_a_report_keeps_its_own_look_under_the_policy(browser: Browser, address: str) -> None:
    browser.go(address + "/reports/week-2026-01-05.html")
    assert browser.ask("getComputedStyle(document.querySelector('h1')).color") == "rgb(1, 2, 3)"
    assert browser.complaints() == []


def test_assistive_technology_hears_names_and_order(browser: Browser, address: str) -> None:
    browser.go(address)
    tree = browser.call("Accessibility.getFullAXTree")["nodes"]
    spoken = [(n["role"]["value"], n.get("name", {}).get("value", "")) for n in tree if not n.get("ignored")]
    headings = [name for role, name in spoken if role == "heading"]
    assert headings[0] == "Now"
    assert {"Pack A", "Pack B"} <= set(headings)
    images = [name for role, name in spoken if role in {"image", "img"}]
    assert len(images) >= 8  # cells and three curves for each of two packs
    assert all(images)
    assert {"main", "navigation", "banner", "contentinfo"} <= {role for role, _ in spoken}
