"""What closed windows gained, explained: made-up windows whose zero, loss and heaters are known."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

import analysis.packs.heater_path as heater_path_module
from analysis.digest import digest
from analysis.history import History, Span
from analysis.packs.balance import balance, lost_ah, lost_in_all
from analysis.packs.closure import Window
from analysis.packs.heater_fault import HeaterTrouble
from analysis.packs.heater_path import DECLARED, SEEN, UNKNOWN, HeaterPath, heated_windows, heater_path
from analysis.packs.heater_watts import heater_boundary
from analysis.packs.window_efficiency import Swing, interval, quantile, voltage_ratio
from tests.analysis import made
from tests.analysis.winter import Bank

DAY_S = 86400.0


def windows(offset_a: float, past: float, heaters: list[float]) -> tuple[Window, ...]:
    """A day each: 150 Ah in, a loss of 0.2 %, 10 mA of electronics, `past` of the heaters' charge."""
    out = []
    for day, used in enumerate(heaters):
        gained = 24 * offset_a + 0.3 + 0.24 + past * used
        ah_in = 150.0 + 8 * offset_a
        span = Span(DAY_S, DAY_S, ah_in, ah_in - gained, 53.6 * ah_in, 52.6 * (ah_in - gained))
        out.append(Window("2025-12-01", "2025-12-02", span, 0.8, 0.0, used, 8.0, 16.0, day * DAY_S,
                          (day + 1) * DAY_S, used == 0))  # fmt: skip
    return tuple(out)


HEATED = [0.0, 3.0, 9.0, 1.0, 14.0, 0.0, 6.0, 18.0]
NOBODY_SAID = HeaterPath(UNKNOWN, 1.0, 0.15)


@pytest.mark.parametrize("past", [0.0, 1.0])
def test_whether_heaters_drew_on_the_cells_is_told_by_windows_that_differ(past: float) -> None:
    found = windows(0.12, past, HEATED)
    fit = balance(found, path=NOBODY_SAID)
    assert fit.zero.offset_a == pytest.approx(0.12, abs=0.03)
    assert fit.heating == pytest.approx(past, abs=0.1)
    lost, u = lost_in_all(found, fit)
    assert lost == pytest.approx(8 * 0.54 + past * sum(HEATED), abs=2 * u)


@pytest.mark.parametrize("drew", [0.3, 1.0])
def test_windows_tell_whether_a_heater_that_came_off_still_draws(drew: float) -> None:
    # From the ninth day on 30 % of the warmth reaches the cells: part of it is dead, or it warms the air.
    before, after = HEATED, [5.0, 12.0, 0.0, 17.0, 9.0, 2.0, 14.0, 7.0]
    found = windows(-0.05, 1.0, before + [drew * ah for ah in after])
    told = before + [0.3 * ah for ah in after]
    found = tuple(
        replace(w, heater_ah=ah, heater_more_ah=used - ah)
        for w, ah, used in zip(found, told, before + after, strict=True)
    )
    fit = balance(found, path=HeaterPath(0.6, 1.0, 0.07, as_before=0.5))
    assert sum(a.chance for a in fit.answers if a.as_before == (drew == 1.0)) > 0.95
    assert fit.zero.offset_a == pytest.approx(-0.05, abs=0.04)
    truly = 16 * 0.54 + sum(before) + drew * sum(after)
    lost, u = lost_in_all(found, fit)
    assert lost == pytest.approx(truly, abs=2 * u)
    _, low, high = interval(found, fit)
    assert low < 52.6 / 53.6 * (1 - truly / (16 * 150)) < high
    assert high - low < 0.03


def test_where_nothing_closes_a_heater_that_came_off_leaves_both_answers_open() -> None:
    # 20 Ah, or 50 if it draws on, of 400: one chance in two each; mean 35, apart by 15 (hand calculation).
    fit = balance((), path=HeaterPath(1.0, 1.0, 0.0, as_before=0.5))
    lost, u = lost_ah(400.0, 100.0, 20.0, fit, 30.0)
    assert lost == pytest.approx(0.001 * 400 + 0.02 * 100 + 35.0)
    assert u == pytest.approx(math.hypot(15.0, 0.002 * 400, 0.015 * 100))


def test_where_all_days_are_alike_both_answers_stay_open() -> None:
    # 6 Ah a day past the sensor, or a zero of a quarter of an ampere: a usual sensor may have that.
    found = windows(0.0, 1.0, [6.0] * 8)
    fit = balance(found, path=NOBODY_SAID)
    assert len(fit.answers) == 2
    assert min(a.chance for a in fit.answers) > 0.2
    _, low, high = interval(found, fit)
    assert low < 52.6 / 53.6 * (1 - 6.54 / 150) < high
    assert low < 52.6 / 53.6 * (1 - 0.54 / 150) < high


def test_a_heater_before_the_sensor_takes_nothing_past_it() -> None:
    fit = balance(windows(0.1, 0.0, [10.0] * 8), path=HeaterPath(0.0, 1.0, 0.1))
    assert fit.heating == 0
    assert fit.zero.offset_a == pytest.approx(0.1, abs=0.02)


def test_nothing_closed_leaves_what_was_known_before() -> None:
    fit = balance((), path=HeaterPath(0.3, 1.0, 0.1))
    assert fit.zero.offset_a == 0
    assert fit.heating == pytest.approx(0.3)


def test_quantiles_of_a_mixture() -> None:
    # Table of the standard normal distribution: 1.95996 at 0.975; two halves far apart: 0.975 of the whole
    # is 0.95 of the upper one, 1.64485.
    assert quantile([(1.0, 0.0, 1.0)], 0.975) == pytest.approx(1.95996, abs=1e-4)
    assert quantile([(0.5, 0.0, 1.0), (0.5, 100.0, 1.0)], 0.975) == pytest.approx(101.64485, abs=1e-4)


@pytest.fixture(scope="module")
def cold() -> History:
    return Bank(inside=False).histories(6)["A"]


def switched(history: History, watts: float) -> History:
    """The same days with this power at every switching as the pack's own sensor has it."""
    rows = [
        replace(d, heater=replace(d.heater, steps_w=(watts,) * len(d.heater.steps_w)))
        for d in history.digests
    ]
    return History.of(history.facts, rows)


def test_current_that_comes_in_when_the_heater_starts_tells_where_it_goes(cold: History) -> None:
    # 120 W behind the sensor of one of two equal packs: about half of it comes from the other one.
    assert heater_path(switched(cold, -48.0)).chance == SEEN
    assert heater_path(switched(cold, 118.0)).chance == 0
    assert heater_boundary(switched(cold, 118.0)) == "inside"
    outside = replace(cold.facts, heater_measured="outside", heater_w=120.0)
    assert heater_path(History(outside, switched(cold, 0.0).digests)).chance == DECLARED


def test_a_heater_that_died_takes_no_more(monkeypatch: pytest.MonkeyPatch) -> None:
    # Full every day at -3 °C, heated for two hours each night; on the fifth day the heater dies.
    pack = made.Pack(temp_c=-3.0)
    rows = []
    for frame in made.frames(pack, 9):
        hour = (frame.time_s - frame.start_s) / 3600
        on = ((hour > 2) & (hour < 4)).astype(np.float64)
        rows.append(digest(replace(frame, extra={"heater_on": on}), made.FACTS))
    history = History.of(made.FACTS, rows)
    monkeypatch.setattr(heater_path_module, "heater_trouble", lambda _: None)
    # Two hours of 150 W at 16 cells of 3.25 V: 5.8 Ah a day (hand calculation).
    assert [w.heater_ah for w in heated_windows(history)] == pytest.approx([5.8] * 8, rel=0.25)
    died = HeaterTrouble("no effect", history.days[4], history.days[8], 10.0, 5, 0.0, -0.1, 0.1, 3.0)
    monkeypatch.setattr(heater_path_module, "heater_trouble", lambda _: died)
    found = heated_windows(History.of(made.FACTS, rows))
    assert [w.heater_ah == 0 for w in found] == [w.first >= history.days[4] for w in found]
    assert all(w.warm == (w.heater_ah == 0) for w in found)
    # One that still warms a little may draw what it drew: then each day uses what the first ones did.
    loose = replace(died, value=0.4, low=0.3, high=0.5)
    monkeypatch.setattr(heater_path_module, "heater_trouble", lambda _: loose)
    found = heated_windows(History.of(made.FACTS, rows))
    assert not any(w.warm for w in found)
    assert [w.heater_ah + w.heater_more_ah for w in found] == pytest.approx([5.8] * 8, rel=0.25)


def test_a_zero_error_in_idle_hours_at_the_top_is_taken_out_of_the_voltages() -> None:
    # 100 Ah in at 53.5 V, 99 out at 52.0 V; 0.1 A too much for 14 h idle at 56 V adds 1.4 Ah, 78.4 Wh in,
    # and for 4 h of each direction 0.4 Ah at 53.5 V in, and −0.4 Ah at 52.0 V out: hand calculation.
    moved = Span(DAY_S, DAY_S, 101.8, 98.6, 5350.0 + 78.4 + 21.4, 5148.0 - 20.8)
    swing = Swing(hours_in=18.0, hours_out=4.0, vh_in=14 * 56.0 + 4 * 53.5, vh_out=4 * 52.0)
    assert voltage_ratio(moved) < 0.9715
    assert voltage_ratio(moved, swing, 0.1) == pytest.approx(52.0 / 53.5, abs=1e-6)
