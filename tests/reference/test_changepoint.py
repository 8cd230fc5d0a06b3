"""Heating against weather: exact data, the fit statistics of ASHRAE Guideline 14, and degree hours."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize

from analysis.packs.changepoint import cv_rmse, heating_model, nmbe

T = np.arange(-15, 16, 2.0)
E = 0.2 + 0.08 * np.maximum(5 - T, 0)


def test_exact_data_come_back() -> None:
    # Three-parameter heating change-point model (ASHRAE RP-1050, KC-03-02-1); data by hand.
    assert (E.sum(), E.mean()) == pytest.approx((12.0, 0.75))
    model = heating_model(T, E)
    assert model is not None
    assert (model.base, model.slope, model.balance_c) == pytest.approx((0.2, 0.08, 5.0))
    assert model.noise == pytest.approx(0, abs=1e-9)


def test_fit_statistics() -> None:
    # ASHRAE Guideline 14; numbers by hand for p = 0, 1, 3 parameters.
    y, modelled = [10, 12, 11, 13], [10.5, 11.5, 11, 12]
    for parameters, cv, bias in ((0, 0.053250, 0.021739), (1, 0.061488, 0.028986), (3, 0.106500, 0.086957)):
        assert cv_rmse(y, modelled, parameters) == pytest.approx(cv, abs=5e-6)
        assert nmbe(y, modelled, parameters) == pytest.approx(bias, abs=5e-7)


def test_noisy_data_as_a_general_optimiser_fits_them() -> None:
    rng = np.random.default_rng(4)
    t = rng.uniform(-15, 18, 150)
    e = np.maximum(0.1 + 0.07 * np.maximum(3 - t, 0) + rng.normal(0, 0.05, 150), 0)
    model = heating_model(t, e)
    assert model is not None
    theirs = optimize.least_squares(lambda p: p[0] + p[1] * np.maximum(p[2] - t, 0) - e, [0.1, 0.05, 2.0]).x
    assert (model.base, model.slope, model.balance_c) == pytest.approx(tuple(theirs), abs=0.1)
    assert model.slope == pytest.approx(theirs[1], rel=0.02)


def test_interval_of_a_forecast_holds_its_day() -> None:
    held = 0
    for seed in range(200):
        rng = np.random.default_rng(seed)
        t = rng.uniform(-8, 12, 60)
        e = 0.05 + 0.07 * np.maximum(2 - t, 0) + rng.normal(0, 0.06, 60)
        model = heating_model(t, e)
        assert model is not None
        day = 0.05 + 0.07 * 12 + rng.normal(0, 0.06)
        held += abs(day - model.at(-10)) < model.half_width(-10)
    assert 0.90 <= held / 200 <= 0.99


def test_too_little_weather_is_no_model() -> None:
    assert heating_model([1.0] * 20, [0.5] * 20) is None
    assert heating_model(T[:4], E[:4]) is None
    assert heating_model(T, -E + 2) is None  # no heater warms when it is warm
