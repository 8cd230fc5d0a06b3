"""Warming that a thermostat made, and warming that it did not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.daily.heater import HeaterRun
from analysis.digest import digest
from analysis.facts import PackFacts
from analysis.frame import Frame
from analysis.history import History
from analysis.packs.cold import cold
from analysis.packs.findings_cold import heater_findings
from analysis.packs.heater_path import UNKNOWN, UNSEEN, heater_path
from analysis.packs.step_power import agreed_power
from analysis.packs.thermostat import heater_seen
from tests.analysis.holding import holds, number
from tests.analysis.winter import DAY0, Bank


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


def night_charge(per_hour: float, amps: float, days: int = 12) -> History:
    """A pack without a heater in steady frost, charged from the grid every night. [K/h], [A]

    Its cells warm at `per_hour` for three hours, between the same two temperatures every night.
    """
    rng = np.random.default_rng(5)
    rows = []
    for k in range(days):
        t = np.arange(0, 86400, 30.0)
        hour = t / 3600
        charging = (hour >= 1) & (hour < 4)
        amps_now = np.where(charging, amps, -amps * 3 / 21)
        temp, now = np.empty(t.size), -4.0
        for i, on in enumerate(charging.tolist()):
            now += (per_hour * on - (now + 4.0) / 3.0) * 30 / 3600
            temp[i] = now
        soc = 0.3 + np.cumsum(amps_now) * 30 / 3600 / 280
        cells = (3.28 + 0.05 * soc + 0.8e-3 * amps_now + rng.normal(0, 0.0006, (16, t.size))).astype(
            np.float32
        )
        temps = np.round(temp + np.array([[-0.2], [0.1], [0.1], [0.0]]) + rng.normal(0, 0.03, (4, t.size)), 1)
        start = DAY0 + 86400 * k
        frame = Frame(
            "A", str(np.datetime64("2025-12-01") + k), start, start + 86400, 0, start + t,
            cells.sum(axis=0), amps_now.astype(np.float32), cells, temps.astype(np.float32), {},
        )  # fmt: skip
        rows.append(digest(frame, PackFacts("A")))
    return History.of(PackFacts("A"), rows)


def test_a_charge_every_night_is_no_heater() -> None:
    # 0.25 C through 16 × 1.7 mΩ is 133 W, 5 K/h in 27 Wh/K: as fast as a heater, at the same hours, between
    # the same temperatures.
    history = night_charge(5.0, 70.0)
    assert any(d.heater.on_s > 3600 for d in history.digests)
    told = cold(history)
    assert told.energy.value is None
    assert "cannot tell" in told.energy.reason
    assert told.watts.power.value is None
    # The same warmth with a tenth of the current is no work of the current.
    assert heater_seen(night_charge(5.0, 7.0))


def test_a_stated_heater_that_never_warms_in_deep_frost_is_told() -> None:
    # -10 °C for eight days, a floor of 0 °C, and a heater of which nothing is ever seen.
    bank = Bank(flags=False, ambient_c=-10.0, swing_c=1.0, wander_c=0.5, heater_dead_from=0)
    history = bank.histories(8, heater_w=120.0)["A"]
    (finding,) = heater_findings(history)
    assert (finding.kind, finding.severity) == ("heater_fault", "watch")
    assert "never warmed" in finding.meaning
    assert not heater_findings(History.of(replace(history.facts, heater_w=None), history.digests))


def test_a_heater_without_a_bit_that_died_is_missed() -> None:
    bank = Bank(flags=False, ambient_c=-8.0, heater_dead_from=7)
    history = bank.histories(14)["A"]
    (finding,) = heater_findings(history)
    assert finding.since in {"2025-12-08", "2025-12-09"}
    assert cold(history).energy.value == pytest.approx(bank.total("heater_wh"), rel=0.25)


def test_switchings_that_fall_together_with_the_house_still_tell_one_power() -> None:
    # Twelve switchings of 140 W, five of them in the moment in which something else in the house changed.
    found = agreed_power(
        np.array([552.0, 131.0, 140.0, 150.0, -600.0, 145.0, 1400.0, 136.0, 300.0, 135.0, 90.0, 148.0])
    )
    assert holds(found, 140.0)
    assert number(found) == pytest.approx(140.0, rel=0.05)
    scattered = agreed_power(np.array([-700.0, 1300.0, -55.0, 400.0, 902.0, -310.0, 210.0, 655.0]))
    assert scattered.value is None
