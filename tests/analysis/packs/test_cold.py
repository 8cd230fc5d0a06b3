"""Heater, cold and temperature sensors on a made-up bank in the cold, whose heat is reckoned beside it."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TypeAlias

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from analysis.daily.heater import HeaterRun, heater_duty, observe_heater
from analysis.daily.hygiene import clean
from analysis.daily.minutes import believable, minutes, row_median
from analysis.frame import F64
from analysis.history import History
from analysis.packs.cold import cold
from analysis.packs.findings_cold import cold_charge_findings, heater_findings, sensor_findings
from analysis.packs.heater_watts import heater_watts
from analysis.packs.temp_faults import temp_faults, trusted_sensors
from tests.analysis.holding import holds, number
from tests.analysis.winter import HEAT_WH_K, UA_W_K, Bank

Kept: TypeAlias = tuple[Bank, History]


@pytest.fixture(scope="module")
def well() -> Kept:
    bank = Bank()
    return bank, bank.histories(12)["A"]


@pytest.fixture(scope="module")
def dead() -> Kept:
    bank = Bank(heater_dead_from=6)
    return bank, bank.histories(12)["A"]


@given(
    hnp.arrays(float, st.tuples(st.integers(1, 6), st.integers(1, 8)), elements=st.floats(-50, 50)), st.data()
)
def test_row_median_is_the_median_without_nan(values: F64, data: st.DataObject) -> None:
    holes = data.draw(hnp.arrays(bool, values.shape))
    values[holes] = np.nan
    for column, middle in zip(values.T, row_median(values), strict=True):
        known = column[np.isfinite(column)]
        assert math.isnan(middle) if known.size == 0 else middle == pytest.approx(np.median(known))


def test_unbelievable_temperatures() -> None:
    rows = np.array([[-40.0, 5.0], [4.0, 5.0], [4.2, np.nan], [3.9, 60.0]])
    assert believable(rows).tolist() == [[False, True], [True, True], [True, False], [True, False]]


def test_minutes_keep_the_charge() -> None:
    bank = Bank()
    frames, witness = bank.day(0)
    day = clean(frames["A"], bank.facts("A"))
    grid = minutes(day, (witness,))
    assert np.nansum(grid.current_a * grid.covered_s) / 3600 == pytest.approx(
        day.ah_in[-1] - day.ah_out[-1], abs=1e-6
    )
    assert grid.ambient_source == "witness"
    assert grid.cell_temps_c.shape == (4, 1440)


def test_on_time_and_energy_with_a_bit(well: Kept) -> None:
    bank, history = well
    result = cold(history)
    assert result.method == "flag"
    assert result.watts.boundary == "inside"
    assert result.watts.power.value == pytest.approx(bank.watts, rel=0.03)
    assert sum(p.heater_h for p in result.days) == pytest.approx(bank.total("on_h"), rel=0.01)
    assert result.energy.value == pytest.approx(bank.total("heater_wh"), rel=0.05)
    assert holds(result.energy, bank.total("heater_wh"))


def test_time_constant_is_capacity_over_loss(well: Kept) -> None:
    result = cold(well[1])
    assert result.time_constant.value == pytest.approx(HEAT_WH_K / UA_W_K, rel=0.1)


def test_design_day_is_the_loss_of_a_day(well: Kept) -> None:
    # 3 W/K × (3 °C mean − ambient) × 24 h at −10 °C ≈ 936 Wh, the mean of thermostat and cells being 3 °C
    design = cold(well[1]).design_day
    assert design.value == pytest.approx(UA_W_K * 13 * 24, rel=0.15)
    assert holds(design, UA_W_K * 13 * 24)


def test_on_time_without_a_bit() -> None:
    bank = Bank(flags=False)
    result = cold(bank.histories(8)["A"])
    assert result.method in {"current", "warming"}
    assert sum(p.heater_h for p in result.days) == pytest.approx(bank.total("on_h"), rel=0.1)
    assert result.energy.value == pytest.approx(bank.total("heater_wh"), rel=0.12)


def test_heater_outside_the_sensor() -> None:
    bank = Bank(inside=False)
    history = bank.histories(8, heater_w=120.0)["A"]
    assert heater_watts(history).boundary == "outside"
    assert cold(history).energy.value == pytest.approx(bank.total("heater_wh"), rel=0.05)
    unknown = bank.histories(4)["A"]
    assert "warming" in heater_watts(unknown).power.basis or not heater_watts(unknown).power.known


def test_packs_in_parallel_share_a_heater_current() -> None:
    """What one pack's sensor sees of its heater is only part of it: the other pack's step makes it whole."""
    bank = Bank(packs=2)
    both = bank.histories(6)
    assert cold(both["A"], (both["B"],)).energy.value == pytest.approx(bank.total("heater_wh"), rel=0.08)


def test_a_week_knows_the_heater_from_before(well: Kept) -> None:
    bank, history = well
    week = history.window(history.days[-2], history.days[-1])
    result = cold(week, (), history)
    truth = sum(row["heater_wh"] for row in bank.truth[-2:])
    assert result.energy.value == pytest.approx(truth, rel=0.05)
    assert result.model is not None


def test_single_flips_of_the_bit_are_noise() -> None:
    bank = Bank(ambient_c=20.0)
    bank.temp = 20.0
    frames, witness = bank.day(0)
    frames["A"].extra["heater_on"][[100, 5000]] = 1.0
    day = clean(frames["A"], bank.facts("A"))
    grid = minutes(day, (witness,))
    assert observe_heater(day, grid, *heater_duty(day, grid)).on_s == 0


def test_an_empty_day_is_nothing() -> None:
    bank = Bank()
    frame = bank.day(0)[0]["A"]
    day = clean(frame.only(np.zeros(frame.time_s.size, dtype=bool)), bank.facts("A"))
    grid = minutes(day)
    assert observe_heater(day, grid, *heater_duty(day, grid)).method == "none"


def test_a_healthy_pack_has_no_finding(well: Kept) -> None:
    history = well[1]
    assert not heater_findings(history)
    assert not sensor_findings(history)
    assert not cold_charge_findings(history)
    assert trusted_sensors(history) == (0, 1, 2, 3)


def test_a_dead_heater_is_found_and_takes_nothing(dead: Kept) -> None:
    bank, history = dead
    (finding,) = heater_findings(history)
    assert finding.kind == "heater_fault"
    assert finding.severity == "act"
    assert finding.since in {"2025-12-06", "2025-12-07"}
    assert cold(history).energy.value == pytest.approx(bank.total("heater_wh"), rel=0.1)


def test_a_heater_that_warms_a_tenth_of_what_it_did_has_no_effect(dead: Kept) -> None:
    # 7 K/h while it worked; then 0.7 K/h on each run, above the limit for a heater nobody knows.
    _, history = dead
    rows = []
    for k, d in enumerate(history.digests):
        rate = 7.0 if k < 5 else 0.7
        run = HeaterRun(d.start_s + 3600, d.start_s + 10800, False, False, -0.5, rate - 0.5, 5.0, 9.0, np.nan)
        runs = tuple(
            replace(run, start_s=run.start_s + 14400 * i, end_s=run.end_s + 14400 * i) for i in range(3)
        )
        rows.append(replace(d, heater=replace(d.heater, runs=runs)))
    (finding,) = heater_findings(History.of(history.facts, rows))
    assert finding.since == history.days[5]
    assert finding.value == pytest.approx(0.7)


@pytest.mark.parametrize(
    ("fault", "size", "kind"), [("stuck", 4.0, "stuck"), ("dead", 0.0, "dead"), ("shift", 6.0, "shifted")]
)
def test_a_broken_sensor_is_found(fault: str, size: float, kind: str) -> None:
    bank = Bank(sensor={2: (fault, size, 5)}, period_s=20)
    history = bank.histories(12)["A"]
    (found,) = temp_faults(history)
    assert (found.sensor, found.fault) == (3, kind)
    assert found.since == "2025-12-06"
    assert trusted_sensors(history) == (0, 1, 3)
    if kind == "shifted":
        assert holds(found, size)


def test_charging_in_the_cold() -> None:
    bank = Bank(floor=False, heater_dead_from=0, period_s=20, ambient_c=-8)
    history = bank.histories(8)["A"]
    (finding,) = cold_charge_findings(history)
    assert finding.severity == "act"
    # 5 h × about 34 A net on every day but the first
    assert finding.value == pytest.approx(7 * 5 * 34, rel=0.2)


def test_readings_far_apart_are_believed_only_if_they_agree() -> None:
    """A minute apart, the current on both sides of a switching may differ by what the house does."""
    coarse = Bank(period_s=60.0).histories(12, heater_w=120.0)["A"]
    assert heater_watts(coarse).power.value == pytest.approx(120.0, rel=0.03)
    rng = np.random.default_rng(8)
    rows = []
    for d in coarse.digests:
        house = tuple(w + 900.0 * float(rng.random()) for w in d.heater.steps_w)
        rows.append(replace(d, heater=replace(d.heater, steps_w=house)))
    found = heater_watts(History.of(coarse.facts, rows))
    assert found.steps.value is None
    assert found.power.value == 120.0  # as stated


def test_the_day_on_which_part_of_a_heater_failed() -> None:
    # 148 W on 19 days, 59 W (60 % less) on 5: dated to the day, however few came after.
    history = Bank(period_s=60.0).histories(24, heater_w=150.0)["A"]
    rng = np.random.default_rng(2)
    rows = []
    for k, d in enumerate(history.digests):
        watts = tuple(
            (148.0 if k < 19 else 59.0) + 3 * float(rng.standard_normal()) for _ in d.heater.steps_w
        )
        rows.append(replace(d, heater=replace(d.heater, steps_w=watts)))
    (finding,) = heater_findings(History.of(history.facts, rows))
    assert finding.since == history.days[19]
    assert finding.value == pytest.approx(1 - 59 / 148, abs=0.02)


def _warming(history: History, lost_from: int) -> History:
    """The same with heatings of 6 K/h, and of 3 K/h from a day on."""
    rng = np.random.default_rng(6)
    rows = []
    for k, d in enumerate(history.digests):
        rate = 6.0 if k < lost_from else 3.0
        runs = tuple(
            replace(r, slope_before=-1.0, slope_on=rate - 1.0 + 0.1 * float(rng.standard_normal()))
            for r in d.heater.runs
        )
        rows.append(replace(d, heater=replace(d.heater, runs=runs)))
    return History.of(history.facts, rows)


def test_a_heater_without_a_bit_that_lost_half_its_power_is_found_by_its_warmth() -> None:
    # 6 K/h, and 3 K/h from the 15th day on; nobody tells of the heater, no step in current is seen.
    history = Bank(flags=False, inside=False).histories(24)["A"]
    failing = _warming(history, 14)
    (finding,) = heater_findings(failing)
    assert finding.value == pytest.approx(0.5, abs=0.03)
    assert finding.since == history.days[14]
    assert "warm" in finding.evidence[0]
    assert "lies against" in finding.meaning
    # Outside the sensor nothing tells whether it draws less, or warms the air: both are in the interval,
    # and what it would draw as before is no surer than of a heater that is well.
    told, as_before = cold(failing).energy, cold(_warming(history, 24)).energy
    assert told.high is not None
    assert as_before.high is not None
    assert number(told) < 0.85 * number(as_before)
    assert told.high == pytest.approx(as_before.high, rel=0.02)


@pytest.mark.parametrize("reaches", [0.45, 0.12])
def test_a_heater_that_came_off_the_cells_draws_on_where_its_switchings_say_so(reaches: float) -> None:
    bank = Bank(period_s=30.0, reaches=(10, reaches), ambient_c=-2.0, wander_c=5.0)
    history = bank.histories(24)["A"]
    (finding,) = heater_findings(history)
    assert finding.since >= history.days[9]
    energy = cold(history).energy
    assert holds(energy, bank.total("heater_wh"))
    if reaches > 0.3:
        assert number(energy) == pytest.approx(bank.total("heater_wh"), rel=0.1)
    else:  # on for days without switching: nothing tells, both answers are in the interval
        assert number(energy) < 0.2 * bank.total("heater_wh")
        assert "perhaps it draws on" in energy.basis


def test_a_dead_heater_uses_nothing_more() -> None:
    bank = Bank(period_s=30.0, heater_dead_from=10)
    energy = cold(bank.histories(14)["A"]).energy
    assert holds(energy, bank.total("heater_wh"))
    assert energy.high is not None
    assert energy.high < 1.15 * bank.total("heater_wh")
