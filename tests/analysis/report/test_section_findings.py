"""The first lines: is the bank in order, and what does that rest on."""

from __future__ import annotations

from dataclasses import replace

import pytest

from analysis.estimate import Estimate, unknown
from analysis.finding import Finding, Severity
from analysis.health import Health, health
from analysis.history import Bank
from analysis.report.scope import Scope
from analysis.report.section_energy import stock_words
from analysis.report.section_findings import answer, glance, verdict, with_open_begin
from analysis.report.words import begin_text

FIRST, LAST = "2026-01-12", "2026-01-18"


@pytest.fixture(scope="module")
def now(bank: Bank) -> Health:
    return health(bank, FIRST, LAST)


def scope(bank: Bank, now: Health, *found: Finding) -> Scope:
    return Scope(bank, now, found, now.first, now.last)


def finding(severity: Severity) -> Finding:
    return Finding("self_discharge", "B", 11, FIRST, severity, 0.9, 20.0, 18.0, 22.0, "mA", "Leaks.", "Look.")


def test_a_bank_without_findings_is_in_order_and_needs_one_line(bank: Bank, now: Health) -> None:
    (line,) = answer(scope(bank, now))
    assert (line.label, line.tone) == ("Bank", "good")
    assert line.text == "In order: nothing found that needs watching or doing."


@pytest.mark.parametrize(
    ("severities", "tone", "words"),
    [
        (["note"], "good", "In order: nothing found that needs watching or doing."),
        (["watch"], "watch", "One thing to keep an eye on; nothing that asks for action now."),
        (["watch", "watch"], "watch", "2 things to keep an eye on; nothing that asks for action now."),
        (["act", "watch"], "act", "One thing to act on, one thing to keep an eye on."),
        (["act", "act"], "act", "2 things to act on."),
    ],
)
def test_the_gravest_finding_decides(
    bank: Bank, now: Health, severities: list[Severity], tone: str, words: str
) -> None:
    line = verdict(scope(bank, now, *(finding(s) for s in severities)))
    assert (line.tone, line.text) == (tone, words)


def test_what_could_not_be_looked_at_is_said_with_the_verdict(gappy: Bank) -> None:
    now = health(gappy, FIRST, LAST)
    assert "but only 71\u202f% of the time was recorded." in verdict(scope(gappy, now)).text  # 5 of 7 days
    a, b = now.packs
    top = replace(b.imbalance.cells[0], top=unknown("Ah", "never full"))
    blind = replace(now, packs=(a, replace(b, imbalance=replace(b.imbalance, cells=(top,)))))
    assert "the cells of pack B could not be compared" in verdict(scope(gappy, blind)).text


def test_without_a_reading_nothing_is_claimed(bank: Bank) -> None:
    line = verdict(scope(bank, health(bank, "2027-01-01", "2027-01-07")))
    assert line.tone == "unknown"
    assert "in order" not in line.text.lower()


def test_a_bank_that_was_fuller_before_says_why_more_came_out(bank: Bank, now: Health) -> None:
    def flowed(ah_in: float, ah_out: float, half: float) -> Scope:
        packs = tuple(
            replace(
                p,
                throughput=replace(
                    p.throughput,
                    ah_in=Estimate(ah_in, "Ah", ah_in - half, ah_in + half),
                    ah_out=Estimate(ah_out, "Ah", ah_out - half, ah_out + half),
                ),
            )
            for p in now.packs
        )
        return scope(bank, replace(now, packs=packs))

    assert "fuller at the start than at the end" in stock_words(flowed(720.0, 800.0, 20.0))
    assert "fuller at the end than at the start" in stock_words(flowed(800.0, 720.0, 20.0))
    assert stock_words(flowed(720.0, 722.0, 1.0)) == ""  # a day's leftover is not worth a sentence
    assert stock_words(flowed(9300.0, 9400.0, 200.0)) == ""  # cannot be told from the sensor's error
    assert "fuller at the start" in glance(flowed(720.0, 800.0, 20.0))[0].text


def test_what_is_as_old_as_the_record_may_be_older(bank: Bank) -> None:
    old, new = (replace(finding("watch"), since=day) for day in ("2026-01-05", "2026-01-12"))
    told = with_open_begin([old, new], bank)  # the record begins on 2026-01-05
    assert [begin_text(f) for f in told] == ["5 Jan 2026 or before", "12 Jan 2026"]
