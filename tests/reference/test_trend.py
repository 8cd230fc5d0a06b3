"""Trend statistics against printed series and two independent libraries."""

from __future__ import annotations

import numpy as np
import pymannkendall
import pytest
from scipy import stats

from analysis.stats.change import cusum
from analysis.stats.quantiles import normal_quantile, student_quantile
from analysis.stats.trend import mann_kendall, theil_sen

T = np.arange(10.0)
Y = np.array([100, 99.6, 99.8, 98.9, 98.5, 98.7, 97.9, 97.4, 97.6, 96.8])

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3 (series); k and h: from memory, consistent with
# d = 2 ln((1 - 0.01) / 0.00135), h = d k.
NIST = np.array(
    [
        324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
        324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
    ]
)  # fmt: skip

# Montgomery, Runger, Applied Statistics and Probability for Engineers, Table 16-8.
MONTGOMERY = np.array(
    [
        102.0, 94.8, 98.3, 98.4, 102.0, 98.5, 99.0, 97.7, 100.0, 98.1,
        101.3, 98.7, 101.1, 98.4, 97.0, 96.7, 100.3, 101.4, 97.2, 101.0,
    ]
)  # fmt: skip
S_HIGH = [2, 0, 0, 0, 2, 0.5, 0, 0, 0, 0, 1.3, 0, 1.1, 0, 0, 0, 0.3, 1.7, 0, 1]
S_LOW = [0, 3.2, 2.9, 2.5, 0, 0, 0, 0.3, 0, 0, 0, 0, 0, 0, 1, 2.3, 0, 0, 0.8, 0]


def test_theil_sen_equals_scipy() -> None:
    ours, theirs = theil_sen(T, Y), stats.theilslopes(Y, T)
    assert ours.slope == pytest.approx(-0.366667, abs=1e-6)
    assert ours.intercept == pytest.approx(100.25)
    assert (ours.slope, ours.low, ours.high) == pytest.approx((theirs[0], theirs[2], theirs[3]))
    assert (ours.low, ours.high) == pytest.approx((-0.40, -0.30), abs=1e-9)


def test_theil_sen_with_ties_and_gaps_equals_scipy() -> None:
    rng = np.random.default_rng(3)
    t = np.sort(rng.choice(400, 90, replace=True)).astype(float)
    y = np.round(0.02 * t + rng.normal(0, 1, 90), 1)
    ours, theirs = theil_sen(t, y), stats.theilslopes(y, t)
    assert (ours.slope, ours.low, ours.high) == pytest.approx((theirs[0], theirs[2], theirs[3]))


def test_one_wild_value_does_not_move_the_slope() -> None:
    y = Y.copy()
    y[-1] = 80.0
    assert theil_sen(T, y).slope == pytest.approx(-0.366667, abs=1e-6)
    assert np.polyfit(T, y, 1)[0] == pytest.approx(-1.265455, abs=1e-6)


def test_mann_kendall_equals_the_library() -> None:
    ours, theirs = mann_kendall(Y), pymannkendall.original_test(Y)
    assert (ours.s, ours.variance) == (-39, 125)
    assert ours.z == pytest.approx(-3.398823, abs=1e-6)
    assert ours.p == pytest.approx(6.76764e-4, rel=1e-5)
    assert ours.tau == pytest.approx(-0.866667, abs=1e-6)
    assert (ours.z, ours.p) == pytest.approx((theirs.z, theirs.p))


def test_mann_kendall_with_ties_equals_the_library() -> None:
    y = np.round(np.random.default_rng(5).normal(0, 1, 60), 0)
    ours, theirs = mann_kendall(y), pymannkendall.original_test(y)
    assert (ours.s, ours.variance, ours.p) == pytest.approx((theirs.s, theirs.var_s, theirs.p))


def test_cusum_of_the_handbook() -> None:
    result = cusum(NIST, 325, 0.3175, 4.1959)
    assert result.alarm == 13  # the fourteenth value
    expected = {13: 3.0075, 14: 4.94, 15: 7.4475, 16: 10.63, 17: 11.9875, 18: 14.445, 19: 16.0025, 20: 19.035}
    for number, value in expected.items():
        assert result.high[number - 1] == pytest.approx(value, abs=1e-9)
    assert result.low.max() == pytest.approx(0.7150)
    assert int(np.argmax(result.low)) == 7


def test_cusum_of_the_textbook_table() -> None:
    result = cusum(MONTGOMERY, 99, 1, 10)
    assert result.high == pytest.approx(S_HIGH, abs=1e-9)
    assert result.low == pytest.approx(S_LOW, abs=1e-9)
    assert result.alarm is None


def test_page_hinkley_with_known_mean_is_the_upper_cusum() -> None:
    walk = np.cumsum(NIST - 325 - 0.3175)
    page = walk - np.minimum(np.minimum.accumulate(walk), 0)
    assert cusum(NIST, 325, 0.3175, 4.1959).high == pytest.approx(page)


@pytest.mark.parametrize("dof", [1, 2, 3, 6, 10, 30, 200])
@pytest.mark.parametrize("p", [0.05, 0.9, 0.975])
def test_quantiles_equal_scipy(p: float, dof: int) -> None:
    tolerance = 0.01 if dof < 6 else 0.001
    assert student_quantile(p, dof) == pytest.approx(stats.t.ppf(p, dof), rel=tolerance)
    assert normal_quantile(p) == pytest.approx(stats.norm.ppf(p))
