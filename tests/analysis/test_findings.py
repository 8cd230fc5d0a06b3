"""All findings together: nothing on a well bank, everything in order on a bad one."""

from __future__ import annotations

from dataclasses import replace

import pytest

from analysis.finding import KINDS, SEVERITIES
from analysis.findings import findings
from analysis.health import health
from analysis.history import Bank as Parallel
from analysis.history import History
from analysis.thresholds import Thresholds
from tests.analysis.winter import Bank


@pytest.fixture(scope="module")
def well() -> Parallel:
    return Parallel(tuple(Bank(packs=2, period_s=20.0).histories(10).values()))


@pytest.fixture(scope="module")
def bad() -> Parallel:
    bank = Bank(packs=2, period_s=20.0, share=0.35, heater_dead_from=5, sensor={1: ("dead", 0.0, 4)})
    return Parallel(tuple(bank.histories(12).values()))


def test_a_well_bank_has_nothing_to_watch(well: Parallel) -> None:
    assert [f for f in findings(well) if f.severity != "note"] == []


def test_a_bad_bank_has_all_of_it_gravest_first(bad: Parallel) -> None:
    found = findings(bad)
    kinds = {f.kind for f in found}
    assert {"heater_fault", "temperature_sensor", "uneven_sharing"} <= kinds
    order = [SEVERITIES.index(f.severity) for f in found]
    assert order == sorted(order, reverse=True)
    for f in found:
        assert f.kind in KINDS
        assert f.meaning
        assert f.check_next
        assert f.evidence
        assert 0 < f.confidence <= 1
        assert f.low is None or f.value is None or f.high is None or f.low <= f.value <= f.high


def test_what_health_knows_is_not_worked_out_twice(bad: Parallel) -> None:
    assert findings(bad, known=health(bad)) == findings(bad)


def test_what_may_have_begun_before_the_days_looked_at_says_so(bad: Parallel) -> None:
    """Of a day two years earlier nothing is looked at: the rest is the recent past."""
    old = [replace(h.digests[0], day="2000-01-01") for h in bad.packs]
    packs = tuple(History.of(h.facts, (o, *h.digests)) for h, o in zip(bad.packs, old, strict=True))
    found = {(f.kind, f.pack, f.cell): f for f in findings(Parallel(packs))}
    for one in findings(bad):
        if one.kind in {"heater_fault", "temperature_sensor", "uneven_sharing"}:
            late = found[one.kind, one.pack, one.cell]
            assert late.began == f"before {one.since}"
            assert one.began == one.since


def test_limits_can_be_changed(bad: Parallel) -> None:
    mild = Thresholds.of({"sharing_watch": 0.9, "sharing_act": 0.95, "sharing_note": 0.8})
    assert not [f for f in findings(bad, mild) if f.kind == "uneven_sharing"]


def test_an_empty_bank_has_no_finding() -> None:
    facts = Bank().facts("A")
    assert findings(Parallel((History.of(facts, ()),))) == ()
    assert findings(Parallel(())) == ()


def test_words_are_safe(bad: Parallel) -> None:
    text = " ".join(" ".join((f.meaning, f.check_next, *f.evidence)) for f in findings(bad)).lower()
    for word in ("bypass the", "breach", "defective", "proves", "touch the terminals"):
        assert word not in text
