"""What the offsets of one cell say together: where it stands, what it lacks, how it drifts and since when."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.cells.offsets import GROUPS, Offsets
from analysis.frame import F64, Bool
from analysis.stats.quantiles import student_quantile
from analysis.stats.trend import serial_inflation

BIAS_AH, BIAS_FRACTION = 0.3, 0.03
"""Prior of what one kind of window is biased by: a part of the rated charge in percent, and of the offset."""
ASSUMED_DEPTH = {"top": 0.0, "middle": 0.5, "bottom": 0.88}
"""Depth below full of a window where no full charge is near. [1] Common practice, no source."""
LEAST_WINDOWS, MOST_WINDOWS = 6, 300
WORST_FRACTION = 0.012
"""Windows of the plateau and the bottom vaguer than this part of the rated charge are left out: a curve
without features draws every offset towards 0. [1]"""
OWN_ERROR = 0.1
"""The same from one window to the next. [1]"""
BOUND_SD_AH = 1.0
"""How sharply a vague window rules out what lies beyond its range. [Ah]"""
GAIN_ERROR = 0.2
"""What an offset from the plateau or the bottom may be wrong by in proportion. [1] From simulated banks."""
ONSET_EDGE_DAYS = 7.0
"""An onset lies at least this long before the last window. [days]"""
MOVED_FRACTION, BENT = 0.0025, 0.04
"""An onset is looked for when a drift moved the cell by this part of the rated charge, or when this part
of the windows lies off a straight line. [1]"""
SERIAL_MOST = 2.0
"""Serial correlation counts no more than this when an onset is judged: a bend leaves some itself. [1]"""
ONSET_GAIN = 5.0
"""An onset is taken when it improves the robust loss by this, in units of its scale."""
HUBER, SETTLED = 1.5, 0.02
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


def usable(offsets: Offsets, cell: int, rated_ah: float) -> Bool:
    """Windows that enter the fit of a cell.

    Parameters
    ----------
    offsets : Offsets
    cell : int
        Index from 0.
    rated_ah : float
        Rated capacity. [Ah]

    Returns
    -------
    array, shape (m,)
        All at the top; those at the bottom in which the cell itself reached its knee; those on the plateau
        if they are sharp enough as a whole (among vague ones those that look sharp by chance are the
        ones drawn towards 0).
    """
    worst = WORST_FRACTION * rated_ah
    out: Bool = offsets.group == 0
    with np.errstate(invalid="ignore"):
        for g in range(1, len(GROUPS)):
            rows = offsets.group == g
            if GROUPS[g][0] == "bottom":
                out = out | (rows & (offsets.sigma_ah[:, cell] < worst))
            elif rows.any() and float(np.nanmedian(offsets.sigma_ah[rows])) < worst:
                out = out | rows
    return out


@dataclass(frozen=True, slots=True)
class _Fit:
    """Coefficients in the order offset, deficit, drift, then nuisances; residuals in units of sd; loss."""

    beta: F64
    covariance: F64
    z: F64
    loss: float


@dataclass(frozen=True, slots=True)
class _Problem:
    """One cell's windows, ready to fit: t counts from the last window, in days."""

    offsets: Offsets
    y: F64
    sd: F64
    vague: Bool
    least: F64
    most: F64
    t: F64
    depth: F64
    rated_ah: float

    def fit(self, knot: float | None, *, drift: bool = True) -> _Fit:
        """Fit twice: the second time with a gain error of each kind of window but the top."""
        time = self.t if knot is None else np.maximum(self.t, knot)
        kinds = np.zeros((self.t.size, len(GROUPS)))
        kinds[np.arange(self.t.size), self.offsets.group] = 1.0
        level = abs(float(np.median(self.y)))
        bias = BIAS_AH / 100 * self.rated_ah + BIAS_FRACTION * level
        sd = np.concatenate(
            ([0.3 * self.rated_ah, 0.15 * self.rated_ah, 10.0 if drift else 1e-6], np.full(len(GROUPS), bias))
        )
        sd[3] = 0.1 * bias  # the top knee is the reference
        design = np.column_stack((np.ones(self.t.size), self.depth, time, kinds))
        first = self._solve(design, 1 / sd**2)
        size = first.beta[0] + first.beta[2] * time
        plateau = np.array([where == "middle" for where, _ in GROUPS])[self.offsets.group]
        size = size + np.where(plateau, first.beta[1] * self.depth, 0.0)
        gains = kinds[:, 1:] * size[:, None]
        wide = np.hstack((design, gains))
        held = np.concatenate((1 / sd**2, np.full(gains.shape[1], 1 / GAIN_ERROR**2)))
        return self._solve(wide, held)

    def _solve(self, design: F64, prior: F64) -> _Fit:
        """Huber fit held by priors around 0; a vague window only counts where the fit leaves its range."""
        vague = self.vague
        y = self.y
        robust: F64 = np.ones_like(y)
        beta: F64 = np.zeros(design.shape[1])
        z: F64 = y
        for _ in range(8):
            w = robust / self.sd**2
            normal = (design.T * w) @ design + np.diag(prior)
            beta = np.asarray(np.linalg.solve(normal, (design.T * w) @ y), dtype=np.float64)
            fitted = design @ beta
            y = np.where(vague, np.clip(fitted, self.least, self.most), self.y)
            before, z = z, np.asarray((y - fitted) / self.sd, dtype=np.float64)
            robust = np.asarray(np.minimum(1.0, HUBER / np.maximum(np.abs(z), 1e-9)), dtype=np.float64)
            robust[vague & (np.abs(z) < 1e-9)] = 1e-3
            if float(np.max(np.abs(z - before))) < SETTLED:
                break
        normal = (design.T * (robust / self.sd**2)) @ design + np.diag(prior)
        covariance = np.asarray(np.linalg.inv(normal), dtype=np.float64)
        return _Fit(beta, covariance, z, _huber(z) + float(beta**2 @ prior))

    def inflation(self, z: F64) -> float:
        """Widening by serial correlation, the worst of the kinds of window with enough of them."""
        found = [1.0]
        for g in range(len(GROUPS)):
            rows = self.offsets.group == g
            if int(rows.sum()) >= 12:
                found.append(serial_inflation(z[rows]))
        return max(found)


def _huber(z: F64) -> float:
    a = np.abs(z)
    return float(np.sum(np.where(a < HUBER, a * a, 2 * HUBER * a - HUBER**2)))


def _problem(offsets: Offsets, cell: int, scatter: F64, rated_ah: float, corrected: bool) -> _Problem | None:
    y = offsets.dq_ah[:, cell] - (offsets.bleed_ah[:, cell] if corrected else 0.0)
    ok: Bool = np.isfinite(y) & np.isfinite(offsets.sigma_ah[:, cell]) & usable(offsets, cell, rated_ah)
    if int(ok.sum()) < LEAST_WINDOWS:
        return None
    ok = _thinned(ok)
    kept = _rows(offsets, ok)
    sigma = kept.sigma_ah[:, cell]
    vague = sigma > WORST_FRACTION * rated_ah
    own = np.where(kept.group == 0, 0.0, OWN_ERROR * np.abs(kept.dq_ah[:, cell]))
    sd = np.where(vague, BOUND_SD_AH, np.sqrt(sigma**2 + scatter[kept.group] ** 2 + own**2))
    bled = kept.bleed_ah[:, cell] if corrected else np.zeros(sigma.size)
    behind = kept.dq_ah[:, cell] > 0  # a curve that has gone flat rules out small offsets, never large ones
    least = np.where(vague & behind, kept.least_ah[:, cell] - bled, -np.inf)
    most = np.where(vague & ~behind, kept.most_ah[:, cell] - bled, np.inf)
    assumed = np.array([ASSUMED_DEPTH[where] for where, _ in GROUPS])[kept.group]
    depth = np.where(np.isfinite(kept.depth), np.clip(kept.depth, -0.05, 1.1), assumed)
    return _Problem(
        kept, y[ok], sd, vague, least, most, kept.t_day - float(kept.t_day.max()), depth, rated_ah
    )


def _thinned(ok: Bool) -> Bool:
    """Every k-th window of a long record, so that a fit costs the same."""
    rows = np.flatnonzero(ok)
    out = np.zeros_like(ok)
    out[rows[:: max(1, rows.size // MOST_WINDOWS)]] = True
    out[rows[-60:]] = True
    return out


def _with_onset(problem: _Problem, line: _Fit) -> tuple[_Fit, float | None, float, float]:
    """Look for an onset; return the better fit, the onset [days before the last window] and its interval."""
    first = float(problem.t.min())
    knots = np.linspace(first + 3, -ONSET_EDGE_DAYS, 24)
    fits = [problem.fit(float(knot)) for knot in knots]
    best = int(np.argmin([fit.loss for fit in fits]))
    near = knots[best] + np.linspace(-0.8, 0.8, 7) * (knots[1] - knots[0])
    fits += [problem.fit(float(knot)) for knot in near]
    knots = np.concatenate((knots, near))
    order = np.argsort(knots)
    knots, fits = knots[order], [fits[i] for i in order.tolist()]
    losses = np.array([fit.loss for fit in fits])
    k = int(np.argmin(losses))
    scale = _spread(fits[k].z) * min(problem.inflation(fits[k].z), SERIAL_MOST) ** 2
    if (line.loss - losses[k]) / scale < ONSET_GAIN:
        return line, None, math.nan, math.nan
    inside = knots[(losses - losses[k]) / scale < 4.0]
    return fits[k], float(knots[k]), float(inside[0]), float(inside[-1])


def _spread(z: F64) -> float:
    """Mean square of the residuals in units of their sd, outliers cut, at least 1."""
    return max(float(np.sum(np.minimum(np.abs(z), 3.0) ** 2) / max(z.size - 4, 1)), 1.0)


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
    problem = _problem(offsets, cell, scatter, rated_ah, corrected)
    if problem is None:
        return None
    span = float(-problem.t.min())
    flat = problem.fit(None, drift=False)
    fit = line = problem.fit(None)
    chosen, low, high = None, math.nan, math.nan
    moved = abs(float(line.beta[2])) * span > MOVED_FRACTION * rated_ah
    moved = moved and flat.loss - line.loss > ONSET_GAIN
    bent = float(np.mean(np.abs(line.z) > 3.0)) > BENT
    if span > 2 * ONSET_EDGE_DAYS and (moved or bent):
        fit, chosen, low, high = _with_onset(problem, line)
    widen = math.sqrt(_spread(fit.z)) * problem.inflation(fit.z)
    sds = np.sqrt(np.diag(fit.covariance)) * widen
    now = float(problem.offsets.t_day.max())
    bled = float(offsets.bleed_ah[-1, cell]) if corrected else 0.0
    return Drift(
        offset_ah=Line(float(fit.beta[0]) + bled, float(sds[0])),
        deficit_ah=Line(float(fit.beta[1]), float(sds[1]) if sds[1] < 0.08 * rated_ah else math.inf),
        slope_ah_day=Line(float(fit.beta[2]), float(sds[2])),
        onset_day=None if chosen is None else chosen + now,
        onset_low=low + now,
        onset_high=high + now,
        n=int(problem.y.size),
        span_days=span,
        chi2=_spread(fit.z),
        flat_loss=flat.loss,
        line_loss=line.loss,
        onset_loss=fit.loss,
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
