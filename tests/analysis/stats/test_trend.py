"""Laws of the trend module; printed values are in tests/reference/test_trend.py."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.stats.trend import MAX_POINTS, mann_kendall, seasonal_slope, serial_inflation, theil_sen

values = st.lists(st.floats(-1e3, 1e3).map(lambda v: round(v, 3)), min_size=5, max_size=40)


@given(values, st.floats(-50, 50), st.floats(0.1, 10))
def test_slope_follows_shift_and_scale(y: list[float], shift: float, scale: float) -> None:
    t = np.arange(len(y), dtype=float)
    one, other = theil_sen(t, y), theil_sen(t, scale * np.array(y) + shift)
    assert other.slope == pytest.approx(scale * one.slope, abs=1e-6 * scale * 1e3)


@given(values)
def test_interval_holds_the_slope(y: list[float]) -> None:
    fit = theil_sen(np.arange(len(y)), y)
    assert fit.low <= fit.slope <= fit.high


def test_too_little_is_nan_not_an_error() -> None:
    assert math.isnan(theil_sen([], []).slope)
    assert math.isnan(theil_sen([1.0], [2.0]).slope)
    assert math.isnan(theil_sen([1.0, 1.0], [2.0, 3.0]).slope)
    assert math.isnan(theil_sen([0.0, 1.0, 2.0], [0.0, 1.0, 2.0]).low)
    assert mann_kendall([1.0, 2.0]).p == 1.0


def test_missing_values_are_left_out() -> None:
    assert theil_sen([0, 1, 2, 3], [0.0, math.nan, 2.0, 3.0]).slope == pytest.approx(1.0)


def test_shapes_must_match() -> None:
    with pytest.raises(ValueError, match="equal length"):
        theil_sen([0.0, 1.0], [1.0])


def test_long_series_are_thinned_without_bias() -> None:
    t = np.arange(5 * MAX_POINTS, dtype=float)
    y = 0.01 * t + np.random.default_rng(0).normal(0, 1, t.size)
    fit = theil_sen(t, y)
    assert fit.low < 0.01 < fit.high
    assert fit.n == t.size


def test_interval_holds_the_truth_under_serial_correlation() -> None:
    rng = np.random.default_rng(7)
    held, plain = 0, 0
    for _ in range(150):
        noise = np.zeros(200)
        for i in range(1, 200):
            noise[i] = 0.6 * noise[i - 1] + rng.normal()
        wide, narrow = theil_sen(np.arange(200), noise, serial=True), theil_sen(np.arange(200), noise)
        held += wide.low <= 0 <= wide.high
        plain += narrow.low <= 0 <= narrow.high
    assert held / 150 >= 0.90
    assert plain < held


def test_white_noise_is_not_widened() -> None:
    assert serial_inflation(np.random.default_rng(1).normal(0, 1, 300)) < 1.15


def test_season_cancels() -> None:
    day = np.arange(0, 900, 3.0)
    y = 5 * np.cos(2 * np.pi * day / 365.2425) - 0.01 * day
    assert seasonal_slope(day, y).slope == pytest.approx(-0.01, abs=1e-3)
    assert math.isnan(seasonal_slope(day[:50], y[:50]).slope)
