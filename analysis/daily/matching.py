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
OFFSET_PRIOR_V = 0.004
"""Prior standard deviation of a reading error. [V] Common practice, no source."""
CURVE_ERROR = 3.0
"""What the common curve may be wrong by, in units of what it leaves unexplained. [1] Practice, no source."""
INDEPENDENT = 25.0
"""Points of a pass that count as independent; neighbours share drift and shape error. Practice, no source."""
SPREAD = np.array([
    0.0, 0.001, 0.002, 0.0035, 0.006, 0.01, 0.015, 0.022, 0.032, 0.045, 0.062, 0.085, 0.115, 0.155, 0.21,
    0.28, 0.36,
])  # fmt: skip
"""Offsets tried first, either way, as parts of the rated charge. [1]"""
LEAST_OVERLAP = 0.45
"""A shift that leaves less than this part of a window to compare is neither found nor ruled out. [1]"""
STEP_FRACTION = 0.03
"""Features of a plateau are no narrower than this part of the rated charge. [1] From memory of slow curves of
graphite; what looks narrower is a change in time, not in charge."""
ROOT_BOUND = 6.0**0.5
"""An offset is ruled out when it fits worse by the square of this (chi-square of one number, 1.4 %)."""


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
    charge_ah: F64,
    current_a: F64,
    cells_v: F64,
    curve: Curve,
    *,
    rated_ah: float,
    r_ohm: float,
    sign: int = 1,
    settled_ah: float = 0.0,
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
        Resistance of a typical cell; the prior of a cell's excess is as wide. [Ω]
    sign : int
        +1 charge, −1 discharge. Where the pass came from no cell showed the curve beyond the median cell's
        start; where it went the curve is known to the furthest cell.
    settled_ah : float
        Charge after the turn over which the curve shows hysteresis settling, and is not believed. [Ah]

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
    held = 1 / OFFSET_PRIOR_V**2, 1 / r_ohm**2
    start = (curve.charge_ah[0] if sign > 0 else curve.charge_ah[-1]) + sign * settled_ah

    end = (curve.charge_ah[-1] if sign > 0 else curve.charge_ah[0]) if curve.open_end else sign * np.inf

    def solve(shifts: F64) -> tuple[F64, F64, F64]:
        """Loss, reading error and resistance for shifts of shape (k,) or (n, k), each (n, k)."""
        place = charge_ah - shifts[..., None]
        inside = np.where((sign * (place - start) >= 0) & (sign * (place - end) <= 0), weight, 0.0)
        rest = difference[:, None, :] - (curve.at(place) - base)
        weighed = rest * inside
        one, flow = weighed.sum(axis=-1), weighed @ current_a
        total = inside.sum(axis=-1)
        a, b = total + held[0], inside @ current_a
        c = inside @ current_a**2 + held[1]
        det = a * c - b * b
        error, ohm = (c * one - b * flow) / det, (a * flow - b * one) / det
        part = np.maximum(total / weight.sum(), 1e-9)
        loss = ((weighed * rest).sum(axis=-1) - error * one - ohm * flow) / part
        return np.where(part < LEAST_OVERLAP, np.inf, loss), error, ohm

    coarse = np.concatenate((-SPREAD[:0:-1], SPREAD)) * rated_ah
    first = solve(coarse)[0]
    best = np.argmin(first, axis=1)
    left = coarse[np.maximum(best - 1, 0)]
    right = coarse[np.minimum(best + 1, coarse.size - 1)]
    fine = left[:, None] + (right - left)[:, None] * np.linspace(0, 1, 17)
    second, error, ohm = solve(fine)
    rows = np.arange(n)
    at = np.argmin(second, axis=1)
    low = second[rows, at]
    dof = max(min(m, INDEPENDENT) - 3, 4)
    scale = np.maximum(low / dof, 1.0)
    dq = fine[rows, at]
    excess_coarse = (first - low[:, None]) / scale[:, None]
    excess_fine = (second - low[:, None]) / scale[:, None]
    compared = _range(coarse, excess_coarse, fine, excess_fine, unknown=2 * ROOT_BOUND)
    least, most = _range(coarse, excess_coarse, fine, excess_fine, unknown=0.0)
    sigma = np.maximum(_width(fine, excess_fine, dq, coarse, excess_coarse), _half(dq, *compared))
    place = charge_ah - dq[:, None]
    loose = curve.join_ah * _beyond(curve, place, sign, 0.002 * rated_ah)
    loose = np.hypot(loose, _unread(curve, place, error[rows, at], rated_ah))
    sigma = np.hypot(sigma, loose)
    least, most = least - ROOT_BOUND * loose, most + ROOT_BOUND * loose
    return Match(dq, sigma, least, most, ohm[rows, at], error[rows, at])


def _steep(curve: Curve, place: F64, rated_ah: float) -> F64:
    """Slope of the curve over a small part of the charge. [V/Ah]"""
    step = 0.002 * rated_ah
    return np.asarray(np.abs(curve.at(place + step) - curve.at(place - step)) / (2 * step))


def _unread(curve: Curve, place: F64, error_v: F64, rated_ah: float) -> F64:
    """Charge that a reading error stands for which no converter has: there the curve is wrong. [Ah]"""
    steep = np.sqrt(np.mean(_steep(curve, place, rated_ah) ** 2, axis=1))
    return np.asarray(np.maximum(np.abs(error_v) - OFFSET_PRIOR_V, 0.0) / np.maximum(steep, 1e-5))


def least_sigma(charge_ah: F64, curve: Curve, rated_ah: float) -> float:
    """What a plateau tells at best: noise of a voltage over its steepest step, however many points. [Ah]"""
    half = STEP_FRACTION / 2 * rated_ah
    rise = np.interp(charge_ah + half, curve.charge_ah, curve.voltage_v) - np.interp(
        charge_ah - half, curve.charge_ah, curve.voltage_v
    )
    return NOISE_V * 2 * half / max(float(np.max(rise)), 1e-6)


def _beyond(curve: Curve, place: F64, sign: int, step_ah: float) -> F64:
    """Part of what tells a cell's offset that lies on the continuation, another cell's, of the curve. [1]"""
    if curve.join_ah == 0:
        return np.zeros(place.shape[0])
    edge = curve.charge_ah[curve.own][-1 if sign > 0 else 0]
    steep = (curve.at(place + step_ah) - curve.at(place - step_ah)) ** 2 + 1e-12
    return np.asarray((steep * (sign * (place - edge) > 0)).sum(axis=1) / steep.sum(axis=1))


def _width(fine: F64, excess: F64, dq: F64, coarse: F64, coarse_excess: F64) -> F64:
    """Standard deviation from the curvature around the best offset, no narrower than the ends tell."""
    n = dq.size
    out = np.full(n, np.nan)
    for j in range(n):
        x, y = fine[j] - dq[j], excess[j]
        near = (y < 9) & (np.abs(x) > 1e-9) & np.isfinite(y)
        if near.sum() >= 2:
            curvature = float(np.sum(y[near] * x[near] ** 2) / np.sum(x[near] ** 4))
        else:
            far = np.abs(coarse - dq[j])
            k = int(np.argmin(np.where(far > 1e-9, far, np.inf)))
            curvature = float(coarse_excess[j, k] / far[k] ** 2)
        out[j] = 1 / np.sqrt(max(curvature, 1e-6))
    return out


def _range(
    coarse: F64, coarse_excess: F64, fine: F64, fine_excess: F64, *, unknown: float
) -> tuple[F64, F64]:
    """Outermost offsets not ruled out, between the points tried; infinite if that is the end of the search.

    `unknown` is the root of the excess of what could not be compared: 0 does not rule it out.
    """
    n = fine.shape[0]
    least, most = np.full(n, -np.inf), np.full(n, np.inf)
    for j in range(n):
        x = np.concatenate((coarse, fine[j]))
        y = np.concatenate((coarse_excess[j], fine_excess[j]))
        order = np.argsort(x, kind="stable")
        x, y = (
            x[order],
            np.where(np.isfinite(y), np.sqrt(np.maximum(np.where(np.isfinite(y), y, 0.0), 0.0)), unknown)[
                order
            ],
        )
        open_ = np.flatnonzero(y < ROOT_BOUND)
        first, last = int(open_[0]), int(open_[-1])
        if first > 0:
            part = (ROOT_BOUND - y[first]) / (y[first - 1] - y[first])
            least[j] = x[first] - part * (x[first] - x[first - 1])
        if last < x.size - 1:
            part = (ROOT_BOUND - y[last]) / (y[last + 1] - y[last])
            most[j] = x[last] + part * (x[last + 1] - x[last])
    return least, most


def _half(dq: F64, least: F64, most: F64) -> F64:
    """Standard deviation that the range stands for; an open side counts as far as the other. [Ah]"""
    down, up = dq - least, most - dq
    wide = np.where(
        np.isfinite(down) & np.isfinite(up), (down + up) / 2, np.where(np.isfinite(down), down, up)
    )
    return np.where(np.isfinite(wide), wide, 1e3) / ROOT_BOUND
