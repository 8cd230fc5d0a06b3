from __future__ import annotations

import re
from dataclasses import replace

import pytest

from analysis.finding import KINDS, SEVERITIES, Finding
from analysis.report import claim, section_methods, section_usage, words
from analysis.report.cards import card_text, forecast_text
from analysis.report.dates import humane, span_text
from analysis.report.glossary import GLOSSARY

UNSAFE = re.compile(r"\b(breach|defective|proves?|guilty|fraud|negligen)", re.IGNORECASE)
"""Words a document that goes to others must not use."""


def test_every_kind_has_its_words() -> None:
    assert set(words.KIND_WORDS) == set(KINDS)
    assert set(words.SEVERITY_WORDS) == set(SEVERITIES)


@pytest.mark.parametrize("kind", KINDS)
def test_a_kind_is_explained_with_its_terms(kind: str) -> None:
    told = words.explain(kind)
    assert words.KIND_WORDS[kind].name in told
    assert len(told) > 150


def test_an_unknown_kind_is_refused_with_the_list() -> None:
    with pytest.raises(ValueError, match="self_discharge"):
        words.explain("gremlins")


def test_nothing_we_say_accuses_anybody() -> None:
    said = [t for k in words.KIND_WORDS.values() for t in (k.name, k.headline, k.explain)]
    said += [claim.WHAT_IT_IS, claim.WHAT_HASHES_SAY, claim.FOOTER, section_usage.ENTERED]
    said += [how for _, how, _ in section_methods.METHODS]
    assert not [t for t in said if UNSAFE.search(t)]


def test_the_place_of_a_finding_is_named(leak: Finding) -> None:
    assert words.headline(leak) == "Cell 11 of pack B is losing charge by itself"
    assert words.where(replace(leak, cell=None)) == "pack B"
    assert words.where(replace(leak, pack="bank", cell=None)) == "the bank"
    assert words.where(replace(leak, kind="temperature_sensor", cell=3)) == "temperature sensor 3 of pack B"


def test_a_card_tells_what_when_how_sure_and_who(leak: Finding) -> None:
    card = card_text(leak)
    lines = dict(card.lines)
    assert list(lines)[:4] == ["What it means", "Check next", "Since", "How sure"]
    assert lines["Since"] == "8 Jan 2026"
    assert lines["How sure"] == "very likely (93 in 100)"
    assert lines["Leak"] == "22.6\u202fmA, 95\u202f% interval 20.4 to 24.8"
    assert "between 12 Feb 2026 and 29 Mar 2026" in lines["What to expect"]


def test_caution_stands_beside_every_check_that_brings_hands_near_the_bank(leak: Finding) -> None:
    for kind in KINDS:
        told = words.KIND_WORDS[kind]
        card = card_text(replace(leak, kind=kind))
        assert bool(card.caution) == (told.hands or kind == "cold_charging")


def test_a_forecast_without_a_day_gives_its_reason(leak: Finding) -> None:
    assert leak.forecast is not None
    none = replace(leak.forecast, day=None, earliest=None, latest=None, reason="no trip within two years")
    assert forecast_text(none) == "Cell 11 ends the discharge of the pack: no trip within two years."


def test_the_glossary_has_one_line_a_term() -> None:
    names = [t.term for t in GLOSSARY]
    assert len(names) == len(set(names))
    assert all(t.meaning.endswith(".") for t in GLOSSARY)


def test_dates_and_signs_are_written_for_people() -> None:
    assert humane("from 2026-01-12 to 2026-01-18: -0.4 mA") == "from 12 to 18 Jan 2026: −0.4\u202fmA"
    assert humane("two-pack, A-1") == "two-pack, A-1"
    assert span_text("2026-01-18", "2026-01-18") == "18 Jan 2026"
