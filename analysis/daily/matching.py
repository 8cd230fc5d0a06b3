"""By how much charge each cell is behind the median cell, by sliding its curve along the common one.

Sign, used everywhere: Δq > 0 means the cell holds *less* charge than the median cell. It crosses a voltage
later on charge and earlier on discharge; in both directions Δq is the net charge counter at the cell's
crossing less that at the median cell's crossing.

All cells carry the same current at the same instant, so the difference of a cell to the median cell is
free of the current, the temperature and the history they share:

    V_j(t) - V_med(t) = F(q(t) - Δq_j) - F(q(t)) + ΔR_j I(t) + c_j

with F the pack's own curve of voltage over charge in this pass. Δq is searched; ΔR and the reading error c
are solved for at each Δq, held by a wide prior.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.daily.curves import Curve
from analysis.frame import F64

NOISE_V = 0.0015
"""Standard deviation of a difference of averaged voltages, quantisation included. [V] Practice, no source."""
OFFSET_PRIOR_V = 0.02
"""Prior standard deviation of a reading error. [V] Common practice, no source."""
CURVE_ERROR = 3.0
"""What the common curve may be wrong by, in units of what it leaves unexplained. [1] Practice, no source."""
INDEPENDENT = 25.0
"""Points of a pass that count as independent; neighbours share drift and shape error. Practice, no source."""
SPREAD = np.array(
    [0.0, 0.001, 0.002, 0.0035, 0.006, 0.01, 0.015, 0.022, 0.032, 0.045, 0.062, 0.085, 0.12, 0.17, 0.24]
)
"""Offsets tried first, either way, as parts of the rated charge. [1]"""
VAGUE_FRACTION = 0.006
"""An offset with a larger sigma than this part of the rated charge is vague. [1]"""
BOUND_LOSS = 6.0
"""An offset is ruled out when it fits worse by this (chi-square of one number, 1.4 %)."""


@dataclass(frozen=True, slots=True)
class Match:
    """Offsets of the cells in one window; arrays of shape (n_cells,), NaN where nothing can be said.

    Attributes
    ----------
    dq_ah, sigma_ah : array
        Offset behind the median cell and its standard deviation. [Ah]
    least_ah, most_ah : array
        Range outside which an offset is ruled out; infinite where the curve is too flat to rule any out. [Ah]
    dr_ohm : array
        Resistance above the median cell's, as far as this window tells. [Ω]
    error_v : array
        Reading error against the median cell, as far as this window tells. [V]
    """

    dq_ah: F64
    sigma_ah: F64
    least_ah: F64
    most_ah: F64
    dr_ohm: F64
    error_v: F64


def match(
    charge_ah: F64, current_a: F64, cells_v: F64, curve: Curve, *, rated_ah: float, r_ohm: float
) -> Match:
    """Slide each cell along the common curve.

    Parameters
    ----------
    charge_ah, current_a : array, shape (m,)
        Net charge counter [Ah] and current, positive while charging [A].
    cells_v : array, shape (n_cells, m)
        Voltages as measured, without NaN. [V]
    curve : Curve
    rated_ah : float
        Rated capacity. [Ah]
    r_ohm : float
        Resistance of a typical cell; the prior of a cell's excess is twice as wide. [Ω]

    Returns
    -------
    Match
    """
    n, m = cells_v.shape
    difference = cells_v - np.median(cells_v, axis=0)
    base = curve.at(charge_ah)
    rise = np.abs(base - np.median(base))
    noise = np.hypot(NOISE_V * (1 + rise / 0.05), CURVE_ERROR * curve.rest_v)
    weight = min(1.0, INDEPENDENT / m) / noise**2
    nuisance = np.vstack((np.ones(m), current_a))
    prior = np.diag((1 / OFFSET_PRIOR_V**2, 1 / (2 * r_ohm) ** 2))
    solve = np.linalg.inv((nuisance * weight) @ nuisance.T + prior) @ (nuisance * weight)

    def loss(shifts: F64, rows: F64) -> F64:
        """Weighted squares for shifts (k,) or (n, k), rows (n, m) → (n, k)."""
        model = curve.at(charge_ah - shifts[..., None]) - base
        rest = rows[:, None, :] - model
        inner = rest @ (nuisance * weight).T
        held = (inner @ solve_inner) * inner
        return np.asarray((rest * rest) @ weight - held.sum(axis=-1))

    solve_inner = np.linalg.inv((nuisance * weight) @ nuisance.T + prior)
    coarse = np.concatenate((-SPREAD[:0:-1], SPREAD)) * rated_ah
    first = loss(coarse, difference)
    best = np.argmin(first, axis=1)
    left = coarse[np.maximum(best - 1, 0)]
    right = coarse[np.minimum(best + 1, coarse.size - 1)]
    fine = left[:, None] + (right - left)[:, None] * np.linspace(0, 1, 17)
    second = loss(fine, difference)
    rows = np.arange(n)
    at = np.argmin(second, axis=1)
    low = second[rows, at]
    dof = max(min(m, INDEPENDENT) - 3, 4)
    scale = np.maximum(low / dof, 1.0)
    dq = fine[rows, at]
    excess_coarse = (first - low[:, None]) / scale[:, None]
    excess_fine = (second - low[:, None]) / scale[:, None]
    sigma = _width(fine, excess_fine, dq, coarse, excess_coarse)
    least, most = _range(coarse, excess_coarse, dq, sigma, VAGUE_FRACTION * rated_ah)
    rest = difference - (curve.at(charge_ah - dq[:, None]) - base)
    extra = solve @ rest.T
    return Match(dq, sigma, least, most, extra[1], extra[0])


def _width(fine: F64, excess: F64, dq: F64, coarse: F64, coarse_excess: F64) -> F64:
    """Standard deviation from the curvature around the best offset, no narrower than the ends tell."""
    n = dq.size
    out = np.full(n, np.nan)
    for j in range(n):
        x, y = fine[j] - dq[j], excess[j]
        near = (y < 9) & (np.abs(x) > 1e-9)
        if near.sum() >= 2:
            curvature = float(np.sum(y[near] * x[near] ** 2) / np.sum(x[near] ** 4))
        else:
            far = np.abs(coarse - dq[j])
            k = int(np.argmin(np.where(far > 1e-9, far, np.inf)))
            curvature = float(coarse_excess[j, k] / far[k] ** 2)
        out[j] = 1 / np.sqrt(max(curvature, 1e-6))
    return out


def _range(coarse: F64, excess: F64, dq: F64, sigma: F64, vague_ah: float) -> tuple[F64, F64]:
    """Outermost offsets not ruled out; infinite if that is the end of the search.

    A sharp offset has its sigma. A vague one has no shape to speak of: what is ruled out is looked up.
    """
    least, most = dq - 2.5 * sigma, dq + 2.5 * sigma
    for j in range(dq.size):
        open_ = np.flatnonzero(excess[j] < BOUND_LOSS)
        if open_.size:
            first, last = int(open_[0]), int(open_[-1])
            low = -np.inf if first == 0 else coarse[first - 1]
            high = np.inf if last == coarse.size - 1 else coarse[last + 1]
            vague = sigma[j] > vague_ah
            least[j] = low if vague else min(least[j], low)
            most[j] = high if vague else max(most[j], high)
    return least, most
