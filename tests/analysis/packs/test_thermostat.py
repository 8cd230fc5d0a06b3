"""Warming that a thermostat made, and warming that it did not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.daily.heater import HeaterRun
from analysis.history import History
from analysis.packs.cold import cold
from analysis.packs.heater_path import UNKNOWN, UNSEEN, heater_path
from analysis.packs.thermostat import heater_seen
from tests.analysis.winter import Bank


def with_runs(history: History, ends: list[tuple[float, float]]) -> History:
    """The same days, each with one warming of 40 minutes between two temperatures, told by nobody. [°C]"""
    rows = []
    for d, (start, stop) in zip(history.digests, ends, strict=True):
        run = HeaterRun(d.start_s + 3600, d.start_s + 6000, False, False, 0.0, 4.0, start, stop, np.nan)
        rows.append(replace(d, heater=replace(d.heater, method="warming", on_s=2400.0, runs=(run,))))
    return History.of(history.facts, rows)


@pytest.fixture(scope="module")
def quiet() -> History:
    return Bank(flags=False, ambient_c=8.0, swing_c=1.0, wander_c=0.5).histories(8)["A"]


SCATTERED = [
    (4.1, 6.0), (5.7, 7.9), (7.4, 9.4), (10.0, 12.2), (11.8, 14.5), (5.0, 8.9), (9.1, 10.2), (6.6, 9.9),
]  # fmt: skip
"""Temperatures at which warmings without a thermostat begin and end. [°C]"""


def test_a_heater_without_a_bit_is_seen_by_its_thermostat() -> None:
    history = Bank(flags=False).histories(8)["A"]
    assert heater_seen(history)
    assert cold(history).energy.value is not None


def test_sun_and_rooms_warm_at_any_temperature(quiet: History) -> None:
    history = with_runs(quiet, SCATTERED)
    assert not heater_seen(history)
    told = cold(history)
    assert told.energy.value is None
    assert "no heater was seen" in told.energy.reason
    assert heater_path(history).chance == pytest.approx(UNKNOWN * UNSEEN)


def test_the_same_two_temperatures_make_a_thermostat(quiet: History) -> None:
    ends = [(0.6, 5.6), (0.5, 5.8), (0.6, 5.7), (3.0, 5.6), (0.7, 5.9), (0.6, 4.1), (0.6, 5.6), (0.5, 5.7)]
    assert heater_seen(with_runs(quiet, ends))
    warm = [(a + 12, b + 12) for a, b in ends]
    assert not heater_seen(with_runs(quiet, warm))  # no heater starts at 12 °C


def test_who_states_a_heater_has_one(quiet: History) -> None:
    history = with_runs(quiet, SCATTERED)
    assert heater_seen(History(replace(history.facts, heater_w=150.0), history.digests))
