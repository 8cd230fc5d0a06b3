"""What the offsets of one cell say together: where it stands, what it lacks, how it drifts and since when."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.frame import F64, Bool
from analysis.offsets import GROUPS, Offsets
from analysis.quantiles import student_quantile
from analysis.trend import serial_inflation

BIAS_AH, BIAS_FRACTION = 0.3, 0.12
"""Prior of what one kind of window is biased by: a part of the rated charge in percent, and of the offset."""
ASSUMED_DEPTH = {"top": 0.0, "middle": 0.5, "bottom": 0.88}
"""Depth below full of a window where no full charge is near. [1] Common practice, no source."""
LEAST_WINDOWS = 6
WORST_FRACTION = 0.012
"""Windows of the plateau and the bottom vaguer than this part of the rated charge are left out: a curve
without features draws every offset towards 0. [1]"""
ONSET_GAIN = 5.0
"""An onset is taken when it improves the robust loss by this, in units of its scale."""
HUBER = 1.5
"""Residuals beyond so many standard deviations count less."""
MA_PER_AH_DAY = 1000.0 / 24.0


@dataclass(frozen=True, slots=True)
class Line:
    """One fitted number with its standard deviation."""

    value: float
    sd: float


@dataclass(frozen=True, slots=True)
class Drift:
    """Fit of one cell.

    Attributes
    ----------
    offset_ah : Line
        Offset behind the median cell at the top, at the last window. [Ah]
    deficit_ah : Line
        Capacity below the median cell's; sd infinite if the depths visited do not tell. [Ah]
    slope_ah_day : Line
        Drift of the offset since the onset, positive if it falls behind. [Ah/day]
    onset_day : float or None
        When it began, days since the epoch; None if it always drifted, as far as the record goes.
    onset_low, onset_high : float
        95 % interval of the onset; NaN without one.
    n : int
        Windows.
    span_days : float
        From the first to the last window.
    chi2 : float
        Weighted mean square of the residuals; near 1 if the stated uncertainties are right.
    flat_loss, line_loss, onset_loss : float
        Robust losses of no drift, a steady one, and one with an onset.
    """

    offset_ah: Line
    deficit_ah: Line
    slope_ah_day: Line
    onset_day: float | None
    onset_low: float
    onset_high: float
    n: int
    span_days: float
    chi2: float
    flat_loss: float
    line_loss: float
    onset_loss: float


def scatter_by_group(offsets: Offsets) -> F64:
    """Day-to-day scatter of a typical cell in each kind of window, beyond its stated sigma. [Ah]

    Parameters
    ----------
    offsets : Offsets

    Returns
    -------
    array, shape (len(GROUPS),)
        From first differences of consecutive windows of a kind; 0.3 Ah where there are fewer than 5.
    """
    out = np.full(len(GROUPS), 0.3)
    for g in range(len(GROUPS)):
        rows = np.flatnonzero(offsets.group == g)
        if rows.size < 5:
            continue
        step = np.diff(offsets.dq_ah[rows], axis=0)
        spread = 1.4826 * np.median(np.abs(step)) / math.sqrt(2)
        stated = float(np.median(offsets.sigma_ah[rows]))
        out[g] = math.sqrt(max(spread**2 - 0.25 * stated**2, 0.02**2))
    return out


def _design(offsets: Offsets, t: F64, rated_ah: float, level_ah: float) -> tuple[F64, F64]:
    """Columns [offset, deficit, drift, bias of each kind] and the precision of their priors."""
    assumed = np.array([ASSUMED_DEPTH[where] for where, _ in GROUPS])[offsets.group]
    depth = np.where(np.isfinite(offsets.depth), np.clip(offsets.depth, -0.05, 1.1), assumed)
    kinds = np.zeros((t.size, len(GROUPS)))
    kinds[np.arange(t.size), offsets.group] = 1.0
    bias = BIAS_AH / 100 * rated_ah + BIAS_FRACTION * abs(level_ah)
    sd = np.concatenate(([0.3 * rated_ah, 0.15 * rated_ah, 10.0], np.full(len(GROUPS), bias)))
    sd[3] = 0.1 * bias  # the top knee is the reference
    return np.column_stack((np.ones(t.size), depth, t, kinds)), 1 / sd**2


def _solve(design: F64, prior: F64, y: F64, sd: F64) -> tuple[F64, F64, F64, float]:
    """Huber fit: coefficients, covariance, residuals in units of sd, loss."""
    weight = 1 / sd**2
    robust: F64 = np.ones_like(y)
    beta: F64 = np.zeros(design.shape[1])
    z: F64 = y
    for _ in range(6):
        w = weight * robust
        normal = (design.T * w) @ design + np.diag(prior)
        beta = np.asarray(np.linalg.solve(normal, (design.T * w) @ y), dtype=np.float64)
        z = np.asarray((y - design @ beta) / sd, dtype=np.float64)
        robust = np.asarray(np.minimum(1.0, HUBER / np.maximum(np.abs(z), 1e-9)), dtype=np.float64)
    normal = (design.T * (weight * robust)) @ design + np.diag(prior)
    covariance = np.asarray(np.linalg.inv(normal), dtype=np.float64)
    a = np.abs(z)
    loss = float(np.sum(np.where(a < HUBER, a * a, 2 * HUBER * a - HUBER**2)) + beta**2 @ prior)
    return beta, covariance, z, loss


def fit_cell(
    offsets: Offsets, cell: int, scatter: F64, rated_ah: float, *, corrected: bool = True
) -> Drift | None:
    """Fit one cell.

    Parameters
    ----------
    offsets : Offsets
    cell : int
        Index from 0.
    scatter : array
        `scatter_by_group(offsets)`. [Ah]
    rated_ah : float
        Rated capacity. [Ah]
    corrected : bool
        Take out what balancing did (the drift is then the leak itself).

    Returns
    -------
    Drift or None
        None below `LEAST_WINDOWS` windows.
    """
    y = offsets.dq_ah[:, cell] - (offsets.bleed_ah[:, cell] if corrected else 0.0)
    sigma = offsets.sigma_ah[:, cell]
    with np.errstate(invalid="ignore"):
        ok: Bool = (
            np.isfinite(y) & ((offsets.group == 0) | (sigma < WORST_FRACTION * rated_ah)) & np.isfinite(sigma)
        )
    if int(ok.sum()) < LEAST_WINDOWS:
        return None
    kept = _rows(offsets, ok)
    y = y[ok]
    sd = np.sqrt(kept.sigma_ah[:, cell] ** 2 + scatter[kept.group] ** 2)
    now = float(kept.t_day.max())
    t = kept.t_day - now
    span = float(-t.min())
    design, prior = _design(kept, t, rated_ah, float(np.median(y)))
    _, _, _, flat = _solve(np.delete(design, 2, 1), np.delete(prior, 2), y, sd)
    beta, cov, z, line = _solve(design, prior, y, sd)
    knots = np.linspace(t.min() + 3, -7.0, 40) if span > 14 else np.empty(0)
    losses = np.empty(knots.size)
    for i, knot in enumerate(knots):
        bent = design.copy()
        bent[:, 2] = np.maximum(t, knot)
        losses[i] = _solve(bent, prior, y, sd)[3]
    chosen, low, high, bent_loss = None, math.nan, math.nan, math.inf
    inflation = _inflation(kept, z)
    if knots.size:
        k = int(np.argmin(losses))
        bent_loss = float(losses[k])
        scale = max(float(np.mean(z**2)), 1.0) * inflation**2
        if (line - bent_loss) / scale > ONSET_GAIN:
            chosen = float(knots[k])
            inside = knots[(losses - bent_loss) / scale < 4.0]
            low, high = float(inside[0]) + now, float(inside[-1]) + now
            bent = design.copy()
            bent[:, 2] = np.maximum(t, chosen)
            beta, cov, z, _ = _solve(bent, prior, y, sd)
            inflation = _inflation(kept, z)
    chi2 = float(np.sum(np.minimum(np.abs(z), 3.0) ** 2) / max(y.size - 4, 1))
    widen = math.sqrt(max(chi2, 1.0)) * inflation
    sds = np.sqrt(np.diag(cov)) * widen
    known = sds[1] < 0.08 * rated_ah
    return Drift(
        offset_ah=Line(
            float(beta[0]) + (float(offsets.bleed_ah[-1, cell]) if corrected else 0.0), float(sds[0])
        ),
        deficit_ah=Line(float(beta[1]), float(sds[1]) if known else math.inf),
        slope_ah_day=Line(float(beta[2]), float(sds[2])),
        onset_day=None if chosen is None else chosen + now,
        onset_low=low,
        onset_high=high,
        n=int(y.size),
        span_days=span,
        chi2=chi2,
        flat_loss=flat,
        line_loss=line,
        onset_loss=bent_loss,
    )


def _rows(offsets: Offsets, ok: Bool) -> Offsets:
    return Offsets(
        offsets.t_day[ok],
        tuple(day for day, use in zip(offsets.day, ok.tolist(), strict=True) if use),
        offsets.group[ok],
        offsets.depth[ok],
        offsets.dq_ah[ok],
        offsets.sigma_ah[ok],
        offsets.least_ah[ok],
        offsets.most_ah[ok],
        offsets.bleed_ah[ok],
    )


def _inflation(offsets: Offsets, z: F64) -> float:
    """Widening by serial correlation, the worst of the kinds of window with enough of them."""
    found = [1.0]
    for g in range(len(GROUPS)):
        rows = offsets.group == g
        if int(rows.sum()) >= 12:
            found.append(serial_inflation(z[rows]))
    return max(found)


def interval(line: Line, dof: float) -> tuple[float, float]:
    """95 % interval of a fitted number.

    Parameters
    ----------
    line : Line
    dof : float
        Degrees of freedom, at least 2 are taken.

    Returns
    -------
    (float, float)
    """
    half = student_quantile(0.975, max(dof, 2.0)) * line.sd
    return line.value - half, line.value + half
