"""Week, check-up and claim from a simulated bank: what a reader gets, on screen and on paper."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from analysis.digest import digest
from analysis.finding import Finding
from analysis.health import health
from analysis.history import Bank, History
from analysis.report import html, pdf
from analysis.report.checkup import checkup_report
from analysis.report.claim import ClaimFacts, claim_report
from analysis.report.numbers import Units, as_json
from analysis.report.section_changes import past
from analysis.report.value import Figure, Report, Statement
from analysis.report.week import earlier_times, first_weeks, week_of, week_report
from tests.analysis import made

FACTS = ClaimFacts(
    "Cell 11 loses charge", (("Serial", "B-0418", "not read"),), (("Site", "hill"),), (("Years", "10"),),
    (("Faults", "none"),),
    (), (("bankbook", "0.1"),), (("claim.pdf", "this"),), ("Type sha256sum -c.",),
)  # fmt: skip


@pytest.fixture(scope="module")
def week(bank: Bank) -> Report:
    first, last = "2026-01-12", "2026-01-18"
    return week_report(
        bank, (), health(bank, first, last), site="Hill <farm>", earlier=earlier_times(bank, first)
    )


@pytest.fixture(scope="module")
def checkup(bank: Bank) -> Report:
    recent = past(bank, "Last weeks", "2026-01-12", "2026-01-18")
    return checkup_report(bank, (), health(bank), site="Hill", recent=recent, baseline=None)


class Outline(HTMLParser):
    """Tags in order, and whether they close in order."""

    VOID = frozenset({"meta", "br", "link", "input"})

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.headings: list[int] = []
        self.unnamed = 0
        self.scripts = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in self.VOID:
            self.open.append(tag)
        if re.fullmatch(r"h[1-6]", tag):
            self.headings.append(int(tag[1]))
        if dict(attrs).get("role") == "img" and not dict(attrs).get("aria-label"):
            self.unnamed += 1
        self.scripts += tag == "script"

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        pass


def outline(text: str) -> Outline:
    found = Outline()
    found.feed(text)
    return found


def test_the_week_runs_from_monday_to_sunday() -> None:
    from datetime import date

    assert week_of(date(2026, 1, 18)) == ("2026-01-12", "2026-01-18")  # a Sunday
    assert week_of(date(2026, 1, 12)) == ("2026-01-12", "2026-01-18")  # a Monday


def test_the_week_says_words_first(week: Report) -> None:
    titles = [s.title for s in week.sections]
    assert titles[:2] == ["In short", "What was found"]
    for wanted in ("What changed", "Cells", "Energy", "Efficiency", "Cold", "Capacity", "What was recorded"):
        assert wanted in titles


def test_the_page_is_whole_and_asks_for_nothing_from_elsewhere(week: Report) -> None:
    text = html.render(week)
    found = outline(text)
    assert not found.open
    assert found.unnamed == 0
    assert found.scripts == 0
    assert found.headings[0] == 1
    assert all(b - a <= 1 for a, b in zip(found.headings, found.headings[1:], strict=False))
    outside = re.sub(r'xmlns(:xlink)?="[^"]+"', "", text)
    assert not re.search(r"https?://|url\((?!#)|@import|\bsrc=", outside)


def test_the_page_allows_itself_nothing_but_its_own_sheet(week: Report) -> None:
    text = html.render(week)
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', text)
    sheet = re.search(r"<style>(.*?)</style>", text, re.DOTALL)
    assert policy is not None
    assert sheet is not None
    assert policy.group(1) == f"default-src 'none'; style-src 'sha256-{html.style_hash(sheet.group(1))}'"
    assert "style=" not in text.replace(sheet.group(0), "")


def test_names_from_the_configuration_are_text_and_never_markup(week: Report) -> None:
    text = html.render(week)
    assert "Hill &lt;farm&gt;" in text
    assert "Hill <farm>" not in text


def test_ids_are_unique(week: Report) -> None:
    ids = re.findall(r'\bid="([^"]+)"', html.render(week))
    assert len(ids) == len(set(ids))


def test_every_figure_names_its_days(week: Report) -> None:
    figures = list(week.figures())
    assert len(figures) >= 10
    assert all(f.window and f.title and f.alt for f in figures)


def test_the_finding_stands_first_with_its_figure(bank: Bank, leak: Finding) -> None:
    report = week_report(bank, (leak,), health(bank, "2026-01-12", "2026-01-18"), site="Hill")
    text = html.render(report)
    assert text.index("Cell 11 of pack B is losing charge by itself") < text.index("Nothing found")
    assert "For: it fell behind from 8 to 18 Jan 2026." in text
    assert any(f.key.startswith("trend-1-11") for f in report.figures())


def test_missing_days_are_told_in_words_numbers_and_figure(gappy: Bank) -> None:
    report = week_report(gappy, (), health(gappy, "2026-01-12", "2026-01-18"), site="Hill")
    share = as_json(report)["numbers"]["recorded"]["share"]
    assert share["A"]["value"] == pytest.approx(1.0, abs=1e-3)
    assert share["B"]["value"] == pytest.approx(5 / 7, abs=1e-3)  # two of seven days are missing
    assert "Recorded was" in html.render(report)


def test_a_bank_without_readings_in_the_week_says_so_and_draws(bank: Bank) -> None:
    report = week_report(bank, (), health(bank, "2025-06-02", "2025-06-08"), site="Hill")
    text = html.render(report)
    assert "Recorded was" in text
    assert not outline(text).open


@pytest.mark.parametrize("without", ["current", "voltage"])
def test_a_week_without_energy_is_set_and_says_so(without: str) -> None:
    """A pack that only stands, and one whose voltage nobody reads: no ratio of nothing, no empty axis."""
    pack = made.Pack(noise_a=0.0, noise_v=0.0, period_s=60.0)
    days = []
    for number in range(4):  # Thursday 2025-10-09 to Sunday
        frame = pack.frame(number, np.zeros(1440) if without == "current" else np.repeat([-20.0, 20.0], 720))
        if without == "voltage":
            frame = replace(frame, pack_v=np.full_like(frame.pack_v, np.nan), cells_v=frame.cells_v[:0])
        days.append(digest(frame, made.FACTS))
    bank = Bank((History.of(made.FACTS, days),), "UTC")
    week = week_report(bank, (), health(bank, "2025-10-06", "2025-10-12"), site="Hill")
    text = html.render(week)
    assert not re.search(r"\bnan\b", text, flags=re.IGNORECASE)
    assert pdf.render(week).startswith(b"%PDF")
    energy = next(s for s in week.sections if s.key == "energy")
    words = [b.text for b in energy.blocks if isinstance(b, Statement)]
    assert words == ["Nothing flowed." if without == "current" else words[0]]
    assert without == "current" or "voltage" in words[0].lower()
    assert as_json(week)["numbers"]["efficiency"]["round_trip"]["A"]["value"] is None


def test_one_pack_alone_needs_no_other(bank: Bank) -> None:
    alone = replace(bank, packs=bank.packs[:1])
    report = week_report(alone, (), health(alone, "2026-01-12", "2026-01-18"), site="Hill")
    assert not outline(html.render(report)).open


def test_numbers_agree_between_page_and_json(week: Report) -> None:
    made = json.loads(json.dumps(as_json(week), allow_nan=False))
    energy = made["numbers"]["energy"]["in"]
    text = html.render(week)
    for pack in ("A", "B"):
        assert f"{energy[pack]['value'] / 1000:.1f}\u202fkWh" in text


@pytest.mark.parametrize("kind", ["week", "checkup"])
def test_whoever_wants_fahrenheit_meets_no_celsius(bank: Bank, kind: str) -> None:
    units, now = Units("°F"), health(bank, "2026-01-12", "2026-01-18")
    if kind == "week":
        report = week_report(bank, (), now, site="Hill", units=units)
    else:
        recent = past(bank, "Last weeks", "2026-01-12", "2026-01-18")
        report = checkup_report(bank, (), now, site="Hill", recent=recent, baseline=None, units=units)
    text = re.sub(r'<(span|p) class="basis">[^<]*', "", html.render(report, units))  # these stay in °C
    assert "32\u202f°F" in text  # 0 °C
    assert "14\u202f°F" in text  # −10 °C, the cold to plan for
    assert [text[m.start() - 60 : m.end() + 20] for m in re.finditer("°C", text)] == []


def test_the_same_bank_gives_the_same_page_and_paper(bank: Bank, week: Report) -> None:
    again = week_report(
        bank,
        (),
        health(bank, "2026-01-12", "2026-01-18"),
        site="Hill <farm>",
        earlier=earlier_times(bank, "2026-01-12"),
    )
    assert html.render(again) == html.render(week)
    assert pdf.render(again) == pdf.render(week)


def test_paper_holds_every_heading(week: Report, tmp_path: Path) -> None:
    made = pdf.render(week)
    assert made.startswith(b"%PDF-")
    program = shutil.which("pdftotext")
    if program is None:
        pytest.skip("pdftotext is not installed")
    file = tmp_path / "week.pdf"
    file.write_bytes(made)
    text = subprocess.run(
        [program, "-layout", str(file), "-"], capture_output=True, text=True, check=True
    ).stdout
    for section in week.sections:
        assert section.title in text
    assert "Hill <farm>" in text


def test_on_paper_single_figures_that_follow_each_other_stand_side_by_side() -> None:
    one, words = Figure("k", "<svg/>", "t", "a", "w", "s"), {"kind": "say"}
    single = {"kind": "figures", "figures": [one]}
    both = {"kind": "figures", "figures": [one, one]}
    assert pdf.paired([single, single, single]) == [both, single]
    assert pdf.paired([single, words, single, both]) == [single, words, single, both]


def test_the_first_weeks_are_compared_only_when_they_are_over(bank: Bank) -> None:
    assert first_weeks(bank, "2026-01-12") is None
    assert first_weeks(bank, "2026-03-01") == ("2026-01-05", "2026-02-01")


def test_the_check_up_tells_what_holds_moved_to_do_and_open(checkup: Report) -> None:
    titles = [s.title for s in checkup.sections]
    assert titles[1:5] == ["What holds", "What moved", "What to do", "What cannot be told yet"]
    text = html.render(checkup)
    assert "eight weeks are enough" in text
    assert "A test by the method in your terms decides." in text


def test_the_week_says_in_one_line_what_changed(bank: Bank, week: Report) -> None:
    """As the section on it says at length; nothing within the uncertainty counts as a change."""
    line = next(b for b in week.sections[0].blocks if isinstance(b, Statement) and b.label == "Changed")
    assert line.text.startswith("Against the week before, ")
    changes = next(s for s in week.sections if s.key == "changes")
    said = " ".join(b.text for b in changes.blocks if isinstance(b, Statement) and b.label == "Pack A")
    for name in ("energy put in", "energy taken out", "heater on"):
        assert (name in said) == (name in line.text.replace(f"{name} (pack B)", ""))
    alone = week_report(bank, (), health(bank, "2026-01-12", "2026-01-18"), site="Hill")
    assert "nothing earlier to compare with" in html.render(alone)


def test_a_claim_is_about_one_pack_and_accuses_nobody(bank: Bank, leak: Finding) -> None:
    report = claim_report(bank, (leak,), health(bank), FACTS, pack="B", site="Hill")
    text = html.render(report)
    assert not re.search(r"\b(breach|defective|prove[sn]?)\b", text, re.IGNORECASE)
    for wanted in ("estimates under the recorded conditions", "B-0418", "sha256sum", "ASTM E1049-85"):
        assert wanted in text
    assert set(as_json(report)["numbers"]["energy"]["in"]) == {"B"}
    assert pdf.render(report).startswith(b"%PDF-")


def test_a_claim_about_an_unknown_pack_is_refused(bank: Bank) -> None:
    with pytest.raises(ValueError, match="there are A, B"):
        claim_report(bank, (), health(bank), FACTS, pack="C", site="Hill")
