"""A zero from the charge a pack can hold: a made-up pack that is never seen full."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.daily.heater import HeaterRun
from analysis.digest import digest
from analysis.history import History
from analysis.packs.charge_bound import bound_zero
from analysis.packs.findings_sensor import sensor_findings
from analysis.packs.sensor import current_sensor
from tests.analysis import made
from tests.analysis.holding import holds, number


def never_full(days: int, offset_a: float, *, later_a: float = 0.0, from_day: int = 10_000) -> History:
    """Every day 40 Ah in and out about one half, the sensor's zero as given, and more from a day on. [A]"""
    pack = made.Pack(offset_a=offset_a, period_s=60.0)
    hour = np.arange(1440) / 60
    current = np.where((hour > 9) & (hour < 15), 40 / 6, 0.0) - np.where(hour > 17, 40 / 7, 0.0)
    rows = []
    for k in range(days):
        frame = pack.frame(k, current + 0.2 * np.sin(k))
        shown = frame.pack_a + (later_a if k >= from_day else 0.0)
        rows.append(digest(replace(frame, pack_a=shown.astype(np.float32)), made.FACTS))
    return History.of(made.FACTS, rows)


@pytest.fixture(scope="module")
def steady() -> History:
    return never_full(60, 0.2)


def test_what_a_pack_cannot_hold_is_the_meters_error(steady: History) -> None:
    # 0.2 A for 60 days are 288 Ah that a pack of 280 Ah cannot have taken up; ± 0.3 × 280 Ah / 1440 h.
    found = bound_zero(steady)
    assert found is not None
    assert found.since == ""
    assert found.zero.u_a == pytest.approx(0.3 * 280 / 1440, rel=0.15)
    assert found.zero.offset_a == pytest.approx(0.2, abs=2 * found.zero.u_a)
    assert holds(current_sensor(steady).offset, 0.2)


def test_a_step_is_dated_and_only_what_follows_counts() -> None:
    history = never_full(60, 0.1, later_a=-1.5, from_day=14)
    sensor = current_sensor(history)
    assert holds(sensor.offset, -1.4)
    (finding,) = sensor_findings(history)
    assert finding.severity == "watch"
    assert history.days[12] <= finding.since <= history.days[16]


def test_a_short_record_tells_nothing() -> None:
    assert bound_zero(never_full(8, -0.2)) is None
    assert bound_zero(History.of(made.FACTS, [])) is None
    short = current_sensor(never_full(8, -0.2)).offset
    assert short.value is None
    assert "counted charge" in short.reason


def test_closures_that_are_sure_need_no_bound() -> None:
    history = History.of(
        made.FACTS, [digest(f, made.FACTS) for f in made.frames(made.Pack(offset_a=0.1), 14)]
    )
    assert "closed windows" in current_sensor(history).offset.basis
    # 0.1 A less the 20 mA of electronics and the 0.2 % of the charge it allows for, which this pack has not.
    assert number(current_sensor(history).offset) == pytest.approx(0.07, abs=0.02)
    assert holds(current_sensor(history).offset, 0.1)


def test_what_a_dead_band_hides_is_in_the_interval() -> None:
    # At noon 0.3 A flow out and read 0, for the sensor shows nothing below 0.4 A; 0.7 A are shown.
    pack = made.Pack(period_s=60.0)
    rows = []
    for k in range(20):
        minute = np.arange(1440)
        idle = (minute > 800) & (minute < 1010)
        current = np.where(idle, np.where(minute < 960, -0.3, -0.7), made.day_current(pack))
        frame = pack.frame(k, current)
        shown = np.where(np.abs(frame.pack_a) < 0.4, 0.0, frame.pack_a).astype(np.float32)
        rows.append(digest(replace(frame, pack_a=shown), made.FACTS))
    sensor = current_sensor(History.of(made.FACTS, rows))
    assert number(sensor.dead_band) == pytest.approx(0.5, abs=0.15)
    assert "dead band" in sensor.offset.basis
    assert holds(sensor.offset, 0.0)


def opened(reads_a: float, *, heated: bool, rest_a: float = 0.1) -> History:
    """A pack of 0.1 A zero whose switches were open an hour a day, with such a reading."""
    days = History.of(made.FACTS, [digest(f, made.FACTS) for f in made.frames(made.Pack(offset_a=0.1), 14)])
    run = HeaterRun(0.0, 3600.0, False, False, 0.0, 3.0, 1.0, 4.0, 5.0, 0.0)
    rows = [
        replace(
            d,
            sensor=replace(d.sensor, open_h=1.0, open_a=reads_a, rest_h=2.0, rest_a=rest_a),
            heater=replace(d.heater, runs=(run,) if heated else ()),
        )
        for d in days.digests
    ]
    return History.of(made.FACTS, rows)


def test_open_switches_tell_the_zero() -> None:
    offset = current_sensor(opened(0.1, heated=False)).offset
    assert "disabled" in offset.basis
    assert holds(offset, 0.1)


@pytest.mark.parametrize("heated", [True, False])
def test_what_draws_behind_open_switches_is_no_zero(heated: bool) -> None:
    # a heater of 100 W at 53 V draws 1.9 A past the switches, whether or not anybody sees that it is on
    offset = current_sensor(opened(0.1 - 1.9, heated=heated)).offset
    assert "disabled" not in offset.basis
    assert holds(offset, 0.1)
