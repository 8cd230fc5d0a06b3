from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.daily.curves import Curve, fit_curve, lagged
from analysis.daily.matching import Match, least_sigma, match
from analysis.frame import F64

RATED = 280.0
OHM = 0.4e-3


def knee(charge_below_full: F64) -> F64:
    """A made-up cell: plateau with one step, exponential knee of 2 Ah; what counts is that all share it."""
    volts: F64 = (
        3.33
        + 0.02 * np.tanh((charge_below_full + 80.0) / 15.0)
        + 0.12 * np.exp(np.minimum(charge_below_full, 5.0) / 2.0)
    )
    return volts


def charge_pass(behind: list[float], *, excess: float = 0.0, noise: float = 0.0) -> Match:
    """Charge from 40 % to full at a wavering current; k is `behind[k]` Ah behind, cell 1 has excess [Ω]."""
    rng = np.random.default_rng(1)
    time_s = np.arange(0, 4 * 3600.0, 20.0)
    current = 42.0 + 8.0 * np.sin(time_s / 900.0) + 6.0 * (np.floor(time_s / 1300.0) % 2)
    charge = np.concatenate(([0.0], np.cumsum(current[:-1]) * 20.0 / 3600.0))
    charge -= charge[-1]
    cells = np.array([knee(charge - b) + OHM * current for b in behind])
    cells[0] += excess * current
    cells += noise * rng.standard_normal(cells.shape)
    currents = np.vstack((current, lagged(time_s, current, 40.0), lagged(time_s, current, 900.0)))
    curve = fit_curve(charge, currents, cells, rated_ah=RATED, r_ohm=OHM, sign=1)
    assert curve is not None
    late = charge > -60.0
    return match(charge[late], current[late], cells[:, late], curve, rated_ah=RATED, r_ohm=OHM)


def test_equal_cells_are_not_behind() -> None:
    found = charge_pass([0.0] * 8)
    assert np.abs(found.dq_ah).max() < 0.05


@pytest.mark.parametrize("behind", [-1.5, -0.4, 0.3, 1.0, 2.5])
def test_a_cell_behind_is_found_by_its_charge(behind: float) -> None:
    # the cell was made to cross every voltage exactly so many Ah later
    found = charge_pass([behind, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0])
    assert found.dq_ah[0] == pytest.approx(behind, abs=0.1 + 0.05 * abs(behind))


def test_resistance_is_not_taken_for_charge() -> None:
    found = charge_pass([0.0] * 7, excess=OHM)
    assert abs(found.dq_ah[0]) < 0.25
    assert found.dr_ohm[0] == pytest.approx(OHM, rel=0.2)


def test_a_reading_error_is_not_taken_for_charge() -> None:
    rng_cells = [0.0] * 7
    found = charge_pass(rng_cells, noise=0.0005)
    assert np.abs(found.dq_ah).max() < 0.25
    assert np.all(np.abs(found.dq_ah) < 4 * found.sigma_ah)


def test_far_behind_the_interval_says_how_little_is_known() -> None:
    found = charge_pass([25.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0])
    assert found.least_ah[0] > 3.0  # it stayed on the plateau while the others filled
    assert found.sigma_ah[0] > 5 * found.sigma_ah[1]


@settings(max_examples=10)
@given(shift=st.floats(-1.0, 1.0))
def test_shifting_every_cell_changes_nothing(shift: float) -> None:
    a = charge_pass([0.5, -0.3, 0.1, 0.0, 0.0, 0.2, -0.1])
    b = charge_pass([0.5 + shift, -0.3 + shift, 0.1 + shift, shift, shift, 0.2 + shift, -0.1 + shift])
    assert np.abs(a.dq_ah - b.dq_ah).max() < 0.12


def test_lag_reaches_one_minus_one_over_e() -> None:
    # first-order lag: 1 − 1/e = 0.632 after one time constant
    time_s = np.arange(0.0, 200.0, 1.0)
    out = lagged(time_s, np.full(time_s.size, 10.0), 100.0)
    assert out[100] == pytest.approx(6.32, abs=0.1)


def test_a_reading_error_that_no_converter_has_is_an_error_of_the_curve() -> None:
    def sigma(error_v: float) -> float:
        cells = made_pass(error_v)
        return float(cells.sigma_ah[0])

    assert sigma(0.030) > 3 * sigma(0.0)
    assert sigma(0.003) < 1.3 * sigma(0.0)


def made_pass(error_v: float) -> Match:
    """Cell 1 stands 1 Ah behind and is read wrong by so much, which nothing but the shape can tell. [V]"""
    time_s = np.arange(0, 4 * 3600.0, 20.0)
    current = 42.0 + 8.0 * np.sin(time_s / 900.0)
    charge = np.concatenate(([0.0], np.cumsum(current[:-1]) * 20.0 / 3600.0))
    charge -= charge[-1]
    cells = np.array([knee(charge - b) + OHM * current for b in (1.0, 0.0, 0.1, -0.1, 0.05, -0.05, 0.0)])
    cells[0] += error_v
    currents = np.vstack((current, lagged(time_s, current, 40.0), lagged(time_s, current, 900.0)))
    curve = fit_curve(charge, currents, cells, rated_ah=RATED, r_ohm=OHM, sign=1)
    assert curve is not None
    late = charge > -60.0
    return match(charge[late], current[late], cells[:, late], curve, rated_ah=RATED, r_ohm=OHM)


def plateau_curve(rise_v: float, over_ah: float) -> Curve:
    """A plateau of 150 Ah that rises once, half-way."""
    charge = np.array([-150.0, -75.0 - over_ah / 2, -75.0 + over_ah / 2, 0.0])
    return Curve(charge, np.array([3.30, 3.302, 3.302 + rise_v, 3.304 + rise_v]), slice(0, 4), (OHM,), 0.0003)


def test_a_plateau_tells_no_more_than_its_steps_are_steep() -> None:
    at = np.linspace(-150.0, 0.0, 400)
    # a step of graphite, 30 mV over 5 % of 280 Ah: 2.1 mV/Ah, so that 1.5 mV of noise are 0.7 Ah
    assert least_sigma(at, plateau_curve(0.030, 14.0), RATED) == pytest.approx(0.7, abs=0.05)
    # 15 mV that came with time while hardly any charge flowed are no such mark
    assert least_sigma(at, plateau_curve(0.015, 0.3), RATED) > 0.5
    # without any step it tells nothing
    assert least_sigma(at, plateau_curve(0.0005, 10.0), RATED) > 10
