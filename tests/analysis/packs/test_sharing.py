"""Sharing, leads, sensors and witnesses on made-up packs in parallel, whose resistances are known."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.daily.quarters import quarter_means
from analysis.daily.trace import TraceDay, pack_trace, step_at, unpack
from analysis.history import Bank as Parallel
from analysis.packs.findings_flow import lead_findings, sensor_findings, sharing_findings
from analysis.packs.sensor import current_sensor
from analysis.packs.sharing import sharing
from analysis.packs.witness import witness
from tests.analysis import made
from tests.analysis.winter import Bank

WARM = {"ambient_c": 18.0, "swing_c": 2.0, "wander_c": 1.0, "period_s": 20.0}


def parallel(bank: Bank, days: int, **more) -> Parallel:
    bank.temp = 18.0
    return Parallel(tuple(bank.histories(days, **more).values()))


@pytest.fixture(scope="module")
def even():
    return parallel(Bank(packs=2, **WARM), 12)


def test_equal_packs_share_equally(even) -> None:
    result = sharing(even)
    for share in result.shares:
        assert share.current.value == pytest.approx(0.5, abs=0.01)
        assert share.quick.value == pytest.approx(0.5, abs=0.01)
        assert share.charge.value == pytest.approx(0.5, abs=0.02)
    assert result.leads[0].difference.low < 0 < result.leads[0].difference.high
    assert not sharing_findings(even)
    assert not lead_findings(even)


def test_parts_of_all_packs_make_the_whole(even) -> None:
    assert sum(s.current.value for s in sharing(even).shares) == pytest.approx(1.0)


def test_uneven_packs_are_found() -> None:
    bank = parallel(Bank(packs=2, share=0.38, **WARM), 12)
    (finding,) = sharing_findings(bank)
    assert (finding.kind, finding.pack, finding.severity) == ("uneven_sharing", "A", "watch")
    assert finding.low < 0.38 < finding.high


def test_one_pack_shares_with_none(even) -> None:
    result = sharing(Parallel(even.packs[:1]))
    assert not result.shares
    assert result.reason


def test_a_worse_lead_is_measured() -> None:
    bank = parallel(Bank(packs=2, leads=(3e-3, 1e-3), **WARM), 12)
    difference = sharing(bank).leads[0].difference
    assert difference.value == pytest.approx(2e-3, rel=0.15)
    (finding,) = lead_findings(bank)
    assert (finding.kind, finding.pack) == ("lead_resistance", "A")


def test_a_lead_that_loosens_is_found() -> None:
    bank = parallel(Bank(lead_step=(49, 0.8e-3), **{**WARM, "period_s": 60.0}), 70)
    (finding,) = lead_findings(bank)
    assert finding.severity == "watch"
    assert finding.low < 0.8e-3 < finding.high
    assert "2026-01-12" <= finding.since <= "2026-01-26"


def test_path_to_the_witness() -> None:
    bank = Bank(leads=(1.2e-3, 0), bus_ohm=0.8e-3, **WARM)
    one = witness(parallel(bank, 6))[0]
    assert one.path.value == pytest.approx(2.0e-3, rel=0.05)
    assert one.heat.value == pytest.approx(2.0e-3 * one.worst_a**2, rel=0.05)
    assert one.conductor.value is None


def test_gain_against_a_witness() -> None:
    bank = parallel(Bank(gain=1.08, **WARM), 6)
    sensor = current_sensor(bank.packs[0])
    assert sensor.gain.value == pytest.approx(1.08, abs=0.01)
    (finding,) = [f for f in sensor_findings(bank.packs[0]) if f.unit == "1"]
    assert finding.severity == "watch"


def test_a_small_offset_is_no_finding() -> None:
    from analysis.digest import digest
    from analysis.facts import PackFacts
    from analysis.history import History

    facts = PackFacts("A")
    rows = [digest(f, facts) for f in made.frames(made.Pack(offset_a=0.1, soc=0.7), 8)]
    history = History.of(facts, rows)
    sensor = current_sensor(history)
    assert sensor.offset.low < 0.1 < sensor.offset.high
    assert all(f.severity == "note" for f in sensor_findings(history))


@given(st.lists(st.floats(-300, 300), min_size=16, max_size=60))
def test_quarters_hold_every_minute(values) -> None:
    means = quarter_means(np.array(values), 6)
    assert len(means) == math.ceil(len(values) / 15)
    assert means[0] == pytest.approx(np.mean(values[:15]), abs=1e-5)


def test_traces_come_back() -> None:
    from analysis.daily.hygiene import clean

    bank = Bank(**WARM)
    bank.temp = 18.0
    day = clean(bank.day(0)[0]["A"], bank.facts("A"))
    trace = pack_trace(day)
    means = unpack(trace)
    assert means.size == 4320
    net = np.nansum(means) * trace.bin_s / 3600
    assert net == pytest.approx(day.ah_in[-1] - day.ah_out[-1], abs=0.2)
    assert len(trace.packed) < 6000


def test_a_step_in_a_trace() -> None:
    means = np.where(np.arange(100) < 50, -5.0, -8.0)
    assert step_at(means, TraceDay(20.0, ""), 1000.0) == pytest.approx(-3.0)
    assert math.isnan(step_at(np.empty(0), TraceDay(20.0, ""), 1000.0))
    with pytest.raises(ValueError, match="trace"):
        unpack(TraceDay(20.0, "not a trace"))
