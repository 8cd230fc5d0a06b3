"""A straight line through the capacities of a pack over the years, temperature and direction taken out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.frame import F64
from analysis.packs.capacity import Pair
from analysis.stats.quantiles import student_quantile
from analysis.stats.trend import serial_inflation

YEAR_S = 365.2425 * 86400
LEAST_PAIRS = 6
SEEN_K, BENT_K = 5.0, 12.0
"""Range of temperature from which it is taken out, by a line, and by a bent line. [K] Practice, no source."""
MILD_C = 20.0
"""Above this capacity hardly depends on temperature. [°C] From memory of discharge curves."""

Shape = Literal["line", "bent", "hinge"]


@dataclass(frozen=True, slots=True)
class FadeLine:
    """Capacity over time.

    Attributes
    ----------
    end, u_end : float
        At the last pair and its temperature, with standard uncertainty. [Ah]
    slope, u_slope : float
        Change in a year, likewise. [Ah]
    kelvin, u_kelvin : float
        Change for a kelvin warmer cells, at the pairs' mean temperature; NaN if it was not taken out. [Ah/K]
    q95 : float
        Factor from standard uncertainty to a 95 % interval.
    """

    end: float
    u_end: float
    slope: float
    u_slope: float
    kelvin: float
    u_kelvin: float
    q95: float


def _temperature(temps: F64, shape: Shape) -> list[F64]:
    """Columns that vanish at the last pair's temperature."""
    if shape == "hinge":
        cold = np.maximum(MILD_C - temps, 0.0)
        return [cold[-1] - cold]
    line = temps - temps[-1]
    if shape == "line":
        return [line]
    square = (temps - temps.mean()) ** 2
    return [line, square - square[-1]]


def _design(found: Sequence[Pair], years: F64, shape: Shape | None) -> F64:
    columns = [np.ones(years.size), years]
    if shape is not None:
        columns += _temperature(np.array([p.temp_c for p in found]), shape)
    down = np.array([p.direction == "discharge" for p in found])
    if min(int(down.sum()), int((~down).sum())) >= 4:
        columns.append(down.astype(np.float64) - float(down[-1]))
    return np.column_stack(columns)


def _robust(design: F64, value: F64, sigma: F64) -> tuple[F64, F64]:
    """Coefficients and standard uncertainties by reweighted least squares (Huber), serial correlation in."""
    weight = 1 / sigma
    for _ in range(8):
        fit = np.linalg.lstsq(design * weight[:, None], value * weight, rcond=None)[0]
        rest = value - design @ fit
        scale = max(1.4826 * float(np.median(np.abs(rest))), 1e-6)
        weight = np.sqrt(np.minimum(1.0, 1.5 * scale / np.maximum(np.abs(rest), 1e-12))) / sigma
    dof = value.size - design.shape[1]
    noise = max(float(np.sum((rest * weight) ** 2)) / dof, 0.25)
    covariance = np.linalg.pinv((design * weight[:, None]).T @ (design * weight[:, None])) * noise
    sd = np.sqrt(np.maximum(np.diag(covariance), 0.0)) * serial_inflation(rest)
    return np.asarray(fit, dtype=np.float64), sd


def _shapes(temps: F64) -> tuple[Shape, ...]:
    if not np.isfinite(temps).all() or temps.size < 8 or float(np.ptp(temps)) < SEEN_K:
        return ()
    if temps.size >= 16 and float(np.ptp(temps)) >= BENT_K:
        return ("bent", "hinge")
    return ("line",)


def fade_line(found: Sequence[Pair]) -> FadeLine | None:
    """Fit capacity over time.

    Parameters
    ----------
    found : sequence of Pair
        In order of time.

    Returns
    -------
    FadeLine or None
        None below six pairs. Where temperature ranges widely two shapes of its effect are fitted; the
        result is their mean, and half their difference is part of its uncertainty.
    """
    if len(found) < LEAST_PAIRS:
        return None
    years = np.array([(p.time_s - found[-1].time_s) / YEAR_S for p in found])
    value = np.array([p.capacity_ah for p in found])
    sigma = np.array([p.capacity_ah * math.hypot(p.dsoc_u / p.dsoc, p.ah_u / p.ah) for p in found])
    shapes = _shapes(np.array([p.temp_c for p in found]))
    designs = [_design(found, years, shape) for shape in shapes or (None,)]
    if value.size - max(d.shape[1] for d in designs) < 3 or float(np.ptp(years)) <= 0:
        return None
    fits = [_robust(design, value, sigma) for design in designs]
    first, last = fits[0], fits[-1]
    middle = 0.5 * (first[0][:2] + last[0][:2])
    u = np.hypot(0.5 * (first[1][:2] + last[1][:2]), 0.5 * np.abs(first[0][:2] - last[0][:2]))
    kelvin, u_kelvin = (float(fits[0][0][2]), float(fits[0][1][2])) if shapes else (math.nan, math.nan)
    q95 = student_quantile(0.975, value.size - designs[0].shape[1])
    return FadeLine(float(middle[0]), float(u[0]), float(middle[1]), float(u[1]), kelvin, u_kelvin, q95)
