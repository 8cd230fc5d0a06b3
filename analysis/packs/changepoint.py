"""Heater energy against ambient temperature: the three-parameter heating change-point model."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.frame import F64
from analysis.stats.quantiles import student_quantile
from analysis.stats.uncertainty import combined


@dataclass(frozen=True, slots=True)
class HeatingModel:
    """E = base + slope × max(balance − T, 0).

    Attributes
    ----------
    base : float
        Energy of a warm day. [unit of E]
    slope : float
        Energy for each kelvin below the balance temperature. [unit of E / K]
    balance_c : float
        Outdoor temperature at which heating begins. [°C]
    n : int
        Days used.
    noise : float
        Standard deviation of the residuals. [unit of E]
    cv_rmse, nmbe : float
        Fit statistics with three parameters. [1]
    covariance : tuple of tuple of float
        Of (base, slope, balance_c), from the linearised model; NaN when singular.
    """

    base: float
    slope: float
    balance_c: float
    n: int
    noise: float
    cv_rmse: float
    nmbe: float
    covariance: tuple[tuple[float, ...], ...]

    def at(self, ambient_c: float) -> float:
        """Return the modelled energy of a day of this mean ambient temperature."""
        return self.base + self.slope * max(self.balance_c - ambient_c, 0.0)

    def half_width(self, ambient_c: float, *, single_day: bool = True) -> float:
        """Return half the 95 % interval of one day's energy (or of the mean of such days)."""
        below = max(self.balance_c - ambient_c, 0.0)
        gradient = np.array([1.0, below, self.slope if below > 0 else 0.0])
        u = combined(gradient, self.covariance)
        if single_day:
            u = math.hypot(u, self.noise)
        return student_quantile(0.975, max(self.n - 3, 1)) * u


def cv_rmse(y: ArrayLike, modelled: ArrayLike, parameters: int) -> float:
    """Coefficient of variation of the residuals. [1]

    References
    ----------
    ASHRAE Guideline 14: sqrt(Σ (y − ŷ)² / (n − p)) / mean(y).

    Examples
    --------
    >>> round(cv_rmse([10, 12, 11, 13], [10.5, 11.5, 11, 12], 3), 4)
    0.1065
    """
    ya, m = np.asarray(y, dtype=np.float64), np.asarray(modelled, dtype=np.float64)
    mean = float(ya.mean())
    if ya.size <= parameters or mean == 0:
        return math.nan
    return math.sqrt(float(np.sum((ya - m) ** 2)) / (ya.size - parameters)) / mean


def nmbe(y: ArrayLike, modelled: ArrayLike, parameters: int) -> float:
    """Normalised mean bias, positive when the model is low. [1]

    References
    ----------
    ASHRAE Guideline 14: Σ (y − ŷ) / ((n − p) mean(y)); sign conventions vary.
    """
    ya, m = np.asarray(y, dtype=np.float64), np.asarray(modelled, dtype=np.float64)
    mean = float(ya.mean())
    if ya.size <= parameters or mean == 0:
        return math.nan
    return float(np.sum(ya - m)) / ((ya.size - parameters) * mean)


def _at_balance(t: F64, e: F64, balance: float) -> tuple[float, float, float]:
    """Least squares for base (not below 0) and slope at a fixed balance: (loss, base, slope)."""
    x = np.maximum(balance - t, 0.0)
    x_mean, e_mean = x.sum() / x.size, e.sum() / e.size  # `mean` does the same, more slowly
    dx, de = x - x_mean, e - e_mean
    sxx = float(dx @ dx)
    slope = float(dx @ de) / sxx if sxx > 0 else 0.0
    base = float(e_mean - slope * x_mean)
    if base < 0:
        power = float(x @ x)
        base, slope = 0.0, float(x @ e) / power if power > 0 else 0.0
    rest = e - base - slope * x
    return float(rest @ rest), base, slope


def heating_model(ambient_c: ArrayLike, energy: ArrayLike, *, step_k: float = 0.1) -> HeatingModel | None:
    """Fit the heating change-point model to daily values.

    Parameters
    ----------
    ambient_c, energy : array, shape (n,)
        Daily mean ambient temperature [°C] and the day's heater energy; pairs not finite are left out.
    step_k : float
        Grid of the balance temperature. [K]

    Returns
    -------
    HeatingModel or None
        None below 8 days, or if the temperatures span less than 3 K, or if energy does not rise with cold.

    References
    ----------
    Kissock, Haberl, Claridge, "Inverse modeling toolkit: numerical algorithms", ASHRAE Transactions 109
    (2003) 2, KC-03-02-1 (ASHRAE RP-1050); search as a grid with least squares at each point (from memory).
    """
    t, e = np.asarray(ambient_c, dtype=np.float64), np.asarray(energy, dtype=np.float64)
    good = np.isfinite(t) & np.isfinite(e)
    t, e = t[good], e[good]
    if t.size < 8 or float(t.max() - t.min()) < 3:
        return None
    low = math.ceil(float(t.min()) / step_k) * step_k
    grid = np.arange(low + step_k, float(t.max()) + 3, step_k)
    fits = [_at_balance(t, e, float(b)) for b in grid]
    best = int(np.argmin([f[0] for f in fits]))
    loss, base, slope = fits[best]
    if slope <= 0:
        return None
    balance = round(float(grid[best]), 6)
    below = np.maximum(balance - t, 0.0)
    noise = math.sqrt(loss / max(t.size - 3, 1))
    jacobian = np.column_stack((np.ones(t.size), below, np.where(below > 0, slope, 0.0)))
    covariance = np.linalg.pinv(jacobian.T @ jacobian) * noise**2
    modelled = base + slope * below
    return HeatingModel(
        base,
        slope,
        balance,
        int(t.size),
        noise,
        cv_rmse(e, modelled, 3),
        nmbe(e, modelled, 3),
        tuple(tuple(float(v) for v in row) for row in covariance),
    )
