"""A sensor whose zero jumps: made-up windows, and a made-up pack whose sensor changes half-way."""

from __future__ import annotations

from dataclasses import replace

import pytest

from analysis.digest import digest
from analysis.history import History, Span
from analysis.packs.balance import halves_apart
from analysis.packs.closure import Window
from analysis.packs.efficiency import efficiency
from analysis.packs.findings_sensor import sensor_findings
from analysis.packs.sensor import current_sensor
from analysis.packs.zero_step import stretch_of, stretches
from tests.analysis import made
from tests.analysis.holding import holds, number

DAY_S = 86400.0


def window(day: int, offset_a: float, heater_ah: float = 0.0) -> Window:
    # 24 h, 100 Ah in: a healthy pack loses 0.2 Ah of it and 0.24 Ah to its electronics.
    gained = 0.44 + 24 * offset_a
    span = Span(DAY_S, DAY_S, 100.0, 100.0 - gained, 5300.0, 5200.0)
    return Window(
        first=f"2025-11-{day + 1:02d}",
        last=f"2025-11-{day + 2:02d}",
        span=span,
        closure_u_ah=0.8,
        hidden_ah=0.0,
        heater_ah=heater_ah,
        hours_in=8.0,
        hours_out=16.0,
        start_s=day * DAY_S,
        end_s=(day + 1) * DAY_S,
        warm=heater_ah == 0,
    )


def wobble(day: int) -> float:
    return 0.01 * ((7 * day) % 5 - 2)


def test_windows_are_kept_apart_at_a_jump() -> None:
    found = tuple(window(d, (0.05 if d < 9 else 1.2) + wobble(d)) for d in range(20))
    before, after = stretches(found)
    assert (len(before), after[0].first) == (9, "2025-11-10")
    assert stretch_of(found, 2 * DAY_S, 6 * DAY_S) == before
    assert stretch_of(found, 12 * DAY_S, 20 * DAY_S) == after
    assert stretch_of(found, 50 * DAY_S, 60 * DAY_S) == after


def test_without_a_jump_all_stay_together() -> None:
    found = tuple(window(d, 0.1 + wobble(d)) for d in range(20))
    assert stretches(found) == (found,)
    assert stretches(()) == ()


def test_few_windows_that_split_in_time_leave_the_zero_open() -> None:
    # Four windows of 0.05 A and four of 0.40 A: too few for a step, and their mean is neither. Half of 0.35.
    found = tuple(window(d, (0.05 if d < 4 else 0.40) + wobble(d)) for d in range(8))
    assert halves_apart(found) == pytest.approx(0.175, abs=0.025)
    assert halves_apart(tuple(window(d, 0.1 + wobble(d)) for d in range(9))) == 0
    assert halves_apart(found[:3]) == 0


def test_heaters_that_may_take_charge_past_the_sensor_are_no_jump() -> None:
    # From day 9 on heaters may take 9.6 Ah a day past the sensor, and do: it looks like 0.4 A.
    found = tuple(window(d, (0.05 if d < 9 else 0.45) + wobble(d), 0.0 if d < 9 else 9.6) for d in range(20))
    assert stretches(found) == (found,)


@pytest.fixture(scope="module")
def jumped() -> tuple[History, made.Pack]:
    pack = made.Pack(offset_a=0.05, loss=0.002)
    rows = []
    for k, frame in enumerate(made.frames(pack, 24)):
        wrong = frame if k < 10 else replace(frame, pack_a=frame.pack_a + 0.9)
        rows.append(digest(wrong, made.FACTS))
    return History.of(made.FACTS, rows), pack


def test_the_level_after_the_jump_is_told_with_its_date(jumped: tuple[History, made.Pack]) -> None:
    history, _ = jumped
    sensor = current_sensor(history)
    assert holds(sensor.offset, 0.95)
    (finding,) = sensor_findings(history)
    assert finding.severity == "watch"
    assert history.days[9] <= finding.since <= history.days[11]


def test_efficiency_takes_windows_of_one_zero_only(jumped: tuple[History, made.Pack]) -> None:
    history, pack = jumped
    held = (pack.soc - 0.5) * pack.rated_ah * 16 * 3.3
    truth = (pack.truth["wh_out"] + held) / pack.truth["wh_in"]
    for asked in (history.window(None, history.days[9]), history.window(history.days[12])):
        result = efficiency(asked, background=history)
        assert number(result.round_trip) == pytest.approx(truth, abs=0.005)
        assert holds(result.round_trip, truth)
