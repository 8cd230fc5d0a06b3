"""Trends that outliers and missing days cannot move: Theil–Sen slope with interval, Mann–Kendall test."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.frame import F64
from analysis.stats.quantiles import median, normal_quantile, normal_two_sided

MAX_POINTS = 800
"""Longer series are first reduced to this many medians of neighbours: pairs grow with the square."""

MAX_INFLATION = 6.0
"""Serial correlation never counts a series as worth less than 1/36 of its points."""


@dataclass(frozen=True, slots=True)
class Slope:
    """A robust straight line.

    Attributes
    ----------
    slope, low, high : float
        Change of y for one unit of t, with its interval; NaN when n < 2 (interval: n < 4).
    intercept : float
        Value of the line at t = 0.
    n : int
        Points used.
    inflation : float
        Factor by which serial correlation widened the interval, ≥ 1.
    """

    slope: float
    low: float
    high: float
    intercept: float
    n: int
    inflation: float = 1.0

    def at(self, t: float) -> float:
        """Return the line's value at `t`."""
        return self.intercept + self.slope * t

    @property
    def sd(self) -> float:
        """Standard deviation that a 95 % interval of this width stands for."""
        return (self.high - self.low) / 3.919928


@dataclass(frozen=True, slots=True)
class MannKendall:
    """Result of the Mann–Kendall test for a monotone trend.

    Attributes
    ----------
    s : float
        Concordant less discordant pairs.
    variance : float
        Variance of `s` without a trend, corrected for ties.
    z, p : float
        Standardised with continuity correction, and its two-sided probability.
    tau : float
        `s` over the number of pairs.
    """

    s: float
    variance: float
    z: float
    p: float
    tau: float


def _finite(t: ArrayLike, y: ArrayLike) -> tuple[F64, F64]:
    ta = np.asarray(t, dtype=np.float64)
    ya = np.asarray(y, dtype=np.float64)
    if ta.shape != ya.shape or ta.ndim != 1:
        raise ValueError("t and y must be one-dimensional and of equal length")
    good = np.isfinite(ta) & np.isfinite(ya)
    ta, ya = ta[good], ya[good]
    order = np.argsort(ta, kind="stable")
    return ta[order], ya[order]


def _thin(t: F64, y: F64) -> tuple[F64, F64]:
    n = t.size
    if n <= MAX_POINTS:
        return t, y
    width = math.ceil(n / MAX_POINTS)
    starts = range(0, n, width)
    return (
        np.array([np.mean(t[i : i + width]) for i in starts]),
        np.array([np.median(y[i : i + width]) for i in starts]),
    )


def _tie_counts(values: F64) -> F64:
    counts = np.unique(values, return_counts=True)[1]
    return counts[counts > 1].astype(np.float64)


def _kendall_variance(n: int, ties_t: F64, ties_y: F64) -> float:
    base = float(n * (n - 1) * (2 * n + 5))
    for ties in (ties_t, ties_y):
        base -= float(np.sum(ties * (ties - 1) * (2 * ties + 5)))
    return base / 18


def serial_inflation(residuals: ArrayLike) -> float:
    """Return by how much correlated neighbours widen the interval of a slope.

    The first-order autoregressive factor sqrt((1 + r) / (1 - r)), with the lag-one correlation `r` corrected
    for its small-sample bias and counted only when it is positive and beyond chance.

    Parameters
    ----------
    residuals : array, shape (n,)
        Differences from the fitted line in time order.

    Returns
    -------
    float
        Factor ≥ 1 (at most `MAX_INFLATION`); 1 below 8 points.

    References
    ----------
    Yue, Wang, "The Mann-Kendall test modified by effective sample size", Water Resources Management 18
    (2004) 201 (from memory).
    """
    r = np.asarray(residuals, dtype=np.float64)
    if r.size < 8:
        return 1.0
    r = r - median(r)
    limit = 4 * 1.4826 * median(np.abs(r))
    r = np.clip(r, -limit, limit) if limit > 0 else r
    power = float(np.dot(r, r))
    if power <= 0:
        return 1.0
    rho = float(np.dot(r[1:], r[:-1])) / power
    rho = (rho * r.size + 1) / (r.size - 4)
    if rho <= 1 / math.sqrt(r.size):
        return 1.0
    rho = min(rho, 0.98)
    return min(math.sqrt((1 + rho) / (1 - rho)), MAX_INFLATION)


def theil_sen(t: ArrayLike, y: ArrayLike, *, confidence: float = 0.95, serial: bool = False) -> Slope:
    """Fit a line by the median of all pair slopes.

    Parameters
    ----------
    t, y : array, shape (n,)
        Abscissa and ordinate; pairs that are not finite are left out, order does not matter.
    confidence : float
        Of the interval. [1]
    serial : bool
        Widen the interval for serial correlation of the residuals (daily values of a bank have it).

    Returns
    -------
    Slope
        NaN slope below two points or if all `t` are equal; NaN interval below four points. The
        intercept is median(y) - slope × median(t).

    Raises
    ------
    ValueError
        If the arrays differ in shape.

    References
    ----------
    Sen, "Estimates of the regression coefficient based on Kendall's tau", J. Am. Stat. Assoc. 63 (1968)
    1379, section 4 (interval; from memory, equal to `scipy.stats.theilslopes`).

    Examples
    --------
    >>> theil_sen([0, 1, 2, 3], [0.0, 2.0, 4.0, 99.0]).slope
    2.0
    """
    ta, ya = _finite(t, y)
    n_all = int(ta.size)
    ta, ya = _thin(ta, ya)
    n = int(ta.size)
    nan = math.nan
    if n < 2 or ta[0] == ta[-1]:
        return Slope(nan, nan, nan, float(np.median(ya)) if n else nan, n_all)
    i, j = np.triu_indices(n, 1)
    dt = ta[j] - ta[i]
    slopes = np.sort((ya[j] - ya[i])[dt > 0] / dt[dt > 0])
    middle = median(slopes)
    intercept = median(ya) - middle * median(ta)
    if n < 4:
        return Slope(middle, nan, nan, intercept, n_all)
    inflation = serial_inflation(ya - intercept - middle * ta) if serial else 1.0
    sigma = math.sqrt(max(_kendall_variance(n, _tie_counts(ta), _tie_counts(ya)), 0.0))
    reach = normal_quantile(0.5 + confidence / 2) * sigma * inflation
    upper = min(round((slopes.size + reach) / 2), slopes.size - 1)
    lower = max(round((slopes.size - reach) / 2) - 1, 0)
    return Slope(middle, float(slopes[lower]), float(slopes[upper]), intercept, n_all, inflation)


def mann_kendall(y: ArrayLike) -> MannKendall:
    """Test a series in time order for a monotone trend.

    Parameters
    ----------
    y : array, shape (n,)
        Values in time order; those that are not finite are left out.

    Returns
    -------
    MannKendall
        All zero (p = 1) below three values.

    References
    ----------
    Mann, "Nonparametric tests against trend", Econometrica 13 (1945) 245; variance with ties as in Gilbert,
    "Statistical Methods for Environmental Pollution Monitoring", 1987, eq. 16.2 (from memory).

    Examples
    --------
    >>> mann_kendall([1, 2, 3, 4]).s
    6.0
    """
    ya = np.asarray(y, dtype=np.float64)
    ya = ya[np.isfinite(ya)]
    n = int(ya.size)
    if n < 3:
        return MannKendall(0.0, 0.0, 0.0, 1.0, 0.0)
    i, j = np.triu_indices(n, 1)
    s = float(np.sum(np.sign(ya[j] - ya[i])))
    variance = _kendall_variance(n, np.empty(0), _tie_counts(ya))
    z = (s - math.copysign(1, s)) / math.sqrt(variance) if s and variance > 0 else 0.0
    return MannKendall(s, variance, z, normal_two_sided(z), s / (n * (n - 1) / 2))


def seasonal_slope(t_day: ArrayLike, y: ArrayLike, *, half_width_day: float = 45.0) -> Slope:
    """Fit a slope from pairs of like season only, a year or more apart.

    A yearly rhythm (cold cells give less) cancels in each pair. The interval is that of all such pairs,
    with the pair count standing for n (n − 1) / 2.

    Parameters
    ----------
    t_day, y : array, shape (n,)
        Time [days] and values.
    half_width_day : float
        How far from a whole number of years a pair may be. [days]

    Returns
    -------
    Slope
        NaN if no pair is a year apart.

    References
    ----------
    Hirsch, Slack, Smith, "Techniques of trend analysis for monthly water quality data", Water Resources
    Research 18 (1982) 107 (seasonal Kendall slope; from memory).
    """
    ta, ya = _thin(*_finite(t_day, y))
    n = int(ta.size)
    nan = math.nan
    if n < 2:
        return Slope(nan, nan, nan, nan, n)
    i, j = np.triu_indices(n, 1)
    dt = ta[j] - ta[i]
    years = np.round(dt / 365.2425)
    use = (years >= 1) & (np.abs(dt - years * 365.2425) <= half_width_day)
    if not np.any(use):
        return Slope(nan, nan, nan, nan, n)
    slopes = np.sort((ya[j] - ya[i])[use] / dt[use])
    middle = float(np.median(slopes))
    intercept = float(np.median(ya) - middle * np.median(ta))
    n_like = (1 + math.sqrt(1 + 8 * slopes.size)) / 2
    sigma = math.sqrt(n_like * (n_like - 1) * (2 * n_like + 5) / 18)
    inflation = serial_inflation(ya - intercept - middle * ta)
    reach = 1.959964 * sigma * inflation
    upper = min(round((slopes.size + reach) / 2), slopes.size - 1)
    lower = max(round((slopes.size - reach) / 2) - 1, 0)
    return Slope(middle, float(slopes[lower]), float(slopes[upper]), intercept, n, inflation)
