"""What the offsets of one cell say together: where it stands, what it lacks, how it drifts and since when."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.cells.offsets import Offsets
from analysis.cells.window_fit import Fit, Problem, spread_of
from analysis.cells.windows import problem_of
from analysis.frame import F64
from analysis.stats.quantiles import student_quantile

ONSET_EDGE_DAYS = 7.0
"""An onset lies at least this long before the last window. [days]"""
MOVED_FRACTION, BENT = 0.0025, 0.04
"""An onset is looked for when a drift moved the cell by this part of the rated charge, or when this part
of the windows lies off a straight line. [1]"""
SERIAL_MOST = 2.0
"""Serial correlation counts no more than this when an onset is judged: a bend leaves some itself. [1]"""
ONSET_GAIN = 5.0
"""An onset is taken when it improves the robust loss by this, in units of its scale."""
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


@dataclass(frozen=True, slots=True)
class _Onset:
    """An onset [days before the last window], its interval, and what it leaves the slope open by [Ah/day]."""

    at: float | None
    low: float
    high: float
    slope_sd: float


def _find_onset(problem: Problem, line: Fit) -> _Onset:
    """Look for an onset; none if it does not explain more than chance."""
    first = float(problem.t.min())
    knots = np.linspace(first + 3, float(problem.t.max()) - ONSET_EDGE_DAYS, 24)
    fits = [problem.fit(float(knot)) for knot in knots]
    best = int(np.argmin([fit.loss for fit in fits]))
    step = float(knots[1] - knots[0])
    for closer in (0.8, 0.25):
        near = knots[best] + step * closer * np.array([-1.0, -2 / 3, -1 / 3, 1 / 3, 2 / 3, 1.0])
        near = near[near < float(problem.t.max())]
        fits += [problem.fit(float(knot)) for knot in near]
        knots = np.concatenate((knots, near))
        best = int(np.argmin([fit.loss for fit in fits]))
    losses = np.array([fit.loss for fit in fits])
    scale = spread_of(fits[best].z) * min(problem.inflation(fits[best].z), SERIAL_MOST) ** 2
    excess = (losses - losses[best]) / scale
    if (line.loss - losses[best]) / scale < ONSET_GAIN:
        return _Onset(None, math.nan, math.nan, 0.0)
    inside = knots[excess < 4.0]
    order = np.argsort(knots)
    width = np.gradient(knots[order])
    weight = np.exp(-excess[order] / 2) * width
    slopes = np.array([fits[i].beta[2] for i in order.tolist()])
    mean = float(weight @ slopes / weight.sum())
    extra = math.sqrt(float(weight @ (slopes - mean) ** 2 / weight.sum()))
    return _Onset(float(knots[best]), float(inside.min()), float(inside.max()), extra)


def fit_cell(
    offsets: Offsets, cell: int, scatter: F64, rated_ah: float, *, corrected: bool = True
) -> Drift | None:
    """Fit one cell.

    Least squares with Huber weights: offset = a + D × depth + s × max(t − onset, 0), with a bias and a gain
    error of each kind of window held by priors, so that no number of windows makes a kind surer than it is.

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

    References
    ----------
    Huber, "Robust estimation of a location parameter", Ann. Math. Stat. 35 (1964) 73 (weights; from memory).
    """
    problem = problem_of(offsets, cell, scatter, rated_ah, corrected=corrected)
    if problem is None:
        return None
    span = float(problem.t.max() - problem.t.min())
    now = float(offsets.t_day.max())
    flat = problem.fit(None, drift=False)
    line = problem.fit(None)
    onset = _Onset(None, math.nan, math.nan, 0.0)
    moved = abs(float(line.beta[2])) * span > MOVED_FRACTION * rated_ah
    moved = moved and flat.loss - line.loss > ONSET_GAIN
    bent = float(np.mean(np.abs(line.z) > 3.0)) > BENT
    if span > 2 * ONSET_EDGE_DAYS and (moved or bent):
        onset = _find_onset(problem, line)
    fit = problem.fit(onset.at, rounds=3)
    widen = math.sqrt(spread_of(fit.z)) * problem.inflation(fit.z)
    sds = np.sqrt(np.diag(np.linalg.inv(fit.information / widen**2 + np.diag(fit.prior))))
    bled = float(offsets.bleed_ah[-1, cell]) if corrected else 0.0
    return Drift(
        offset_ah=Line(float(fit.beta[0]) + bled, float(sds[0])),
        deficit_ah=Line(float(fit.beta[1]), float(sds[1]) if sds[1] < 0.08 * rated_ah else math.inf),
        slope_ah_day=Line(float(fit.beta[2]), math.hypot(float(sds[2]), onset.slope_sd)),
        onset_day=None if onset.at is None else onset.at + now,
        onset_low=onset.low + now,
        onset_high=onset.high + now,
        n=int(problem.y.size),
        span_days=span,
        chi2=spread_of(fit.z),
        flat_loss=flat.loss,
        line_loss=line.loss,
        onset_loss=fit.loss,
    )


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
