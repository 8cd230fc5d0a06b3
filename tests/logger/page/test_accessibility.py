"""Every page and every report under a general accessibility rule engine: WCAG 2.x, levels A and AA."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from analysis.finding import KINDS, Finding, Forecast
from analysis.fleet.peers import PackSummary
from analysis.fleet.visits import BankState, visits
from analysis.health import health
from analysis.history import Bank
from analysis.report.claim import claim_report
from analysis.report.fleet import fleet_report
from analysis.report.html import render
from analysis.report.value import Report
from logger.documents.checkup import make_checkup
from logger.documents.claim_facts import Wish, claim_facts
from logger.documents.report_files import write_whole
from logger.documents.week import make_week
from logger.record.histories import bank as bank_of
from tests.logger.made import Place
from tests.logger.page import axe
from tests.logger.page.browser import Browser

pytestmark = pytest.mark.slow

GIVEN = "a-token-of-some-length"
LOOKS = [(390, False), (390, True), (1200, False), (1200, True)]
FILES = ("week-2026-01-12.html", "week-2026-01-12.pdf", "claim-B-2026-01-13.zip")


def every_kind() -> tuple[Finding, ...]:
    """A finding of each kind, graveness and form."""
    forecast = Forecast("cell 11 ends the charge", "2026-03-01", "2026-02-12", "2026-03-29")
    return tuple(
        Finding(
            kind, "bank" if kind == "uneven_sharing" else "B", 11 if i < 6 else None, "2026-01-12",
            ("act", "watch", "note")[i % 3], 0.9, 12.1, 11.2, 13.0, "mA",
            "It loses charge on its own.", "Let the pack stand full for a week; ask who fitted it.",
            forecast if i % 2 else None, ("For: it fell behind.", "Against: it rests like the others."),
        )
        for i, kind in enumerate(KINDS)
    )  # fmt: skip


FOUND = every_kind()
SOME = (FOUND[0], FOUND[4], FOUND[8], FOUND[14])
"""One of each graveness, on a cell, a pack and the bank, with the caution and without."""


@pytest.fixture(scope="module")
def bank(place: Place) -> Bank:
    config, store, _ = place
    return bank_of(store, config)


def week(place: Place, bank: Bank, found: tuple[Finding, ...]) -> Report:
    return make_week(bank, place[0], health(bank, "2026-01-12", "2026-01-13"), found)


def checkup(place: Place, bank: Bank, found: tuple[Finding, ...]) -> Report:
    return make_checkup(bank, place[0], health(bank), found)


def claim(place: Place, bank: Bank, found: tuple[Finding, ...]) -> Report:
    config, store, _ = place
    wish = Wish("B", "Cell 11 loses charge by itself")
    facts = claim_facts(store, config, wish, store.sealed_days("B"))
    return claim_report(bank, found, health(bank), facts, pack="B", site="Hill <orchard>")


def fleet(place: Place, bank: Bank, found: tuple[Finding, ...]) -> Report:
    del place, bank
    pack = PackSummary("mill", "B", 16, 280.0, 400.0, 8.0, {"heater_wh_a_day": 900.0})
    quiet = [
        BankState(f"b{i}", "2026-01-13", (replace(pack, bank=f"b{i}"),), ()) for i in range(10 * bool(found))
    ]
    states = (BankState("mill", "2026-01-13", (pack,), found), *quiet)
    silent = (BankState("hut", "2025-12-01", (replace(pack, bank="hut"),), ()),) if found else ()
    return fleet_report(
        (*states, *silent), visits((*states, *silent), "2026-01-14"), "2026-01-14", {"mill": "mill.html"}
    )


@pytest.mark.parametrize("found", [SOME, ()], ids=["findings", "none"])
@pytest.mark.parametrize("make", [week, checkup, claim, fleet])
def test_reports_break_no_rule(
    browser: Browser,
    place: Place,
    bank: Bank,
    tmp_path: Path,
    make: Callable[[Place, Bank, tuple[Finding, ...]], Report],
    found: tuple[Finding, ...],
) -> None:
    sheet = write_whole(tmp_path / "report.html", render(make(place, bank, found)).encode())
    browser.go(sheet.as_uri())
    for width, dark in LOOKS if found else LOOKS[1:3]:
        browser.size(width, 900, dark=dark, mobile=width < 700)
        assert browser.ask("document.documentElement.scrollWidth") <= width
        each_once = (width < 700) != dark if found else dark and make is week  # colours keep to no width
        broken = axe.violations(browser, contrast=each_once)
        assert broken == [], f"{width} px, {'dark' if dark else 'light'}"


@pytest.fixture(params=["full", "bare"])
def furnished(place: Place, request: pytest.FixtureRequest) -> Iterator[None]:
    """Findings and reports on the page, or none of either; none are left behind."""
    config, store, _ = place
    files = [config.report_folder / name for name in FILES] if request.param == "full" else []
    store.save_findings(FOUND if files else ())
    for file in files:
        write_whole(file, b"<!doctype html>")
    yield
    store.save_findings(())
    for file in files:
        file.unlink()


@pytest.mark.usefixtures("furnished")
def test_pages_break_no_rule(browser: Browser, address: str) -> None:
    for path in ("/", "/findings", "/reports"):
        browser.go(address + path)
        for width, dark in LOOKS:
            browser.size(width, 900, dark=dark, mobile=width < 700)
            assert axe.violations(browser) == [], f"{path}, {width} px, {'dark' if dark else 'light'}"


def test_the_page_that_asks_for_the_token_breaks_no_rule(
    browser: Browser, serve: Callable[[str], str]
) -> None:
    address = serve(GIVEN)
    for path in ("/", "/?token=wrong"):
        browser.go(address + path)
        for width, dark in LOOKS:
            browser.size(width, 900, dark=dark, mobile=width < 700)
            assert axe.violations(browser) == [], f"{path}, {width} px, {'dark' if dark else 'light'}"


def test_the_engine_finds_what_is_wrong(browser: Browser, tmp_path: Path) -> None:
    """A page with text too pale, a picture and a field without names, and no language."""
    page = """<!doctype html><title>x</title><style>h1{color:#000}</style><h1>x</h1>
    <p style="color:#aaa;background:#fff">pale words</p>
    <img src="data:,"><input><p><a href="#a">a</a> <a href="#b">b</a></p><ul><li>a</ul><dl><dt>a<dd>b</dl>
    <table><tr><th scope=col>a<tr><td>b</table><button>b</button><div role=img aria-label=x></div></main>"""
    sheet = write_whole(tmp_path / "bad.html", page.encode())
    browser.size(390, 900)
    browser.go(sheet.as_uri())
    told = " ".join(rule.partition(":")[0] for rule in axe.violations(browser))
    assert {"color-contrast", "image-alt", "label", "html-has-lang"} <= set(told.split())
