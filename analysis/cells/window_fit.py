"""Robust least squares over the windows of one cell, with what each kind of window may be wrong by."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from analysis.cells.offsets import GROUPS, OWN, Offsets
from analysis.frame import F64, Bool
from analysis.stats.trend import serial_inflation

BIAS_AH, BIAS_FRACTION = 0.45, 0.03
"""Prior of what one kind of window is biased by: a part of the rated charge in percent, and of the offset."""
LEAN_ERROR, GAIN_ERROR = 0.12, 0.08
"""What an offset away from the top is wrong by in proportion: common to all kinds, and of each kind. [1]
From simulated banks."""
RATED_ERROR = 0.05
"""What a median cell's capacity differs from the rated one by (standard deviation). [1]
Common practice, no source."""
DEPTH_ERROR = 0.25
"""Depth that was assumed may be wrong by this. [1] Common practice, no source."""
WRONG, WRONG_SPAN, INLIER = 0.1, 50.0, 1.3
"""Part of the windows that may have slid to a wrong place, anywhere within so many standard deviations; the
rest scatters by so many. [1] From simulated banks."""
WRONG_INWARD, WRONG_OPEN, FAR = 0.3, 0.6, 3.0
"""Part of them towards 0, where the fit is further from it than so many standard deviations: a curve of few
features draws a cell that is far behind back to the others, and hardly ever further away; more so where the
window was too short to compare it further away. [1]"""
WRONG_EXACT, INLIER_EXACT = 0.05, 1.5
"""The same for sharp comparisons at the top, which hardly ever go wrong. [1]"""
HUBER, EXACT_HUBER, WARM, ROUNDS = 1.5, 4.0, 3, 12
"""So many rounds with Huber weights, beyond so many standard deviations, come before those of the mixture."""
MOST_INFLATION = 3.0
"""Serial correlation widens by no more. [1]"""
OUTLIER = 3.5
"""Residuals beyond so many standard deviations say nothing about how windows hang together."""
SETTLED = 0.02
"""The fit has settled when residuals move by less, in standard deviations."""


ROOT_TAU = math.sqrt(2 * math.pi)


@dataclass(frozen=True, slots=True)
class Fit:
    """One solution.

    Attributes
    ----------
    beta : array
        Offset, deficit, drift, then nuisances. [Ah], [Ah], [Ah/day]
    information, prior : array
        What the windows say and what was held before; their sum is the inverse covariance.
    z : array
        Residuals in units of their standard deviation.
    loss : float
        Robust loss, the prior's included.
    lines : int
        Numbers before the biases of the kinds of window in `beta`.
    """

    beta: F64
    information: F64
    prior: F64
    z: F64
    loss: float
    lines: int = 3


@dataclass(frozen=True, slots=True)
class Problem:
    """One cell's windows, ready to fit; arrays of shape (m,).

    Attributes
    ----------
    offsets : Offsets
        The windows that count.
    y, sd : array
        Offset, balancing taken out if asked for, and its standard deviation. [Ah]
    vague, exact : array
        Windows of which only the range counts, and those of the top that are held to.
    open_end : array
        Windows that could not compare the cell with shifts beyond its own.
    least, most : array
        The range. [Ah]
    t : array
        Time from the last window of the record. [days]
    depth : array
        Where on the way from full to empty the window compares. [1]
    assumed : array
        Whether that is a guess.
    lean : array
        Error in proportion that is expected. [1]
    rated_ah : float
        Rated capacity. [Ah]
    """

    offsets: Offsets
    y: F64
    sd: F64
    vague: Bool
    exact: Bool
    open_end: Bool
    least: F64
    most: F64
    t: F64
    depth: F64
    assumed: Bool
    lean: F64
    rated_ah: float

    def fit(
        self, knot: float | None, *, early: float | None = None, drift: bool = True, rounds: int = 1
    ) -> Fit:
        """Fit, then again with errors in proportion to the size found.

        Parameters
        ----------
        knot : float or None
            From when on the drift is what it is now, before the last window; None: always. [days]
        early : float or None
            When a drift of another size began, before `knot`; None: there was none. [days]
        drift : bool
            Whether there is one.
        rounds : int
            How often the size is taken from the fit before.

        Returns
        -------
        Fit
        """
        time = self.t if knot is None else np.maximum(self.t, knot)
        kinds = np.zeros((self.t.size, len(GROUPS)))
        kinds[np.arange(self.t.size), self.offsets.group] = 1.0
        sd = self._prior_sd(drift=drift)
        parts = [np.ones(self.t.size), self.depth, time]
        if early is not None and knot is not None:
            parts.append(np.clip(self.t, early, knot) - knot)
            sd = np.insert(sd, 3, sd[2])
        lines = len(parts)
        design = np.column_stack((*parts, kinds))
        found = self._solve(design, 1 / sd**2)
        for _ in range(rounds):
            size = design[:, :lines] @ found.beta[:lines]
            gains = kinds[:, 1:OWN] * size[:, None]
            common = gains.sum(axis=1, keepdims=True)
            wide = np.hstack((design, common, gains))
            held = np.concatenate(
                (1 / sd**2, [1 / LEAN_ERROR**2], np.full(gains.shape[1], 1 / GAIN_ERROR**2))
            )
            own = DEPTH_ERROR * found.beta[1] * self.assumed
            found = self._solve(wide, held, extra=own, leaning=self.lean * common[:, 0])
        return replace(found, lines=lines)

    def _prior_sd(self, *, drift: bool) -> F64:
        """Standard deviations around 0 of offset, deficit, drift and the bias of each kind of window."""
        level = abs(float(np.median(self.y)))
        bias = BIAS_AH / 100 * self.rated_ah + BIAS_FRACTION * level
        biases = np.full(len(GROUPS), bias)
        biases[0] = 0.05 * bias  # the top knee is the reference
        biases[OWN] = RATED_ERROR * self.rated_ah
        steady = 10.0 if drift else 1e-6
        return np.concatenate(([0.3 * self.rated_ah, 0.15 * self.rated_ah, steady], biases))

    def _solve(self, design: F64, prior: F64, *, extra: F64 | float = 0.0, leaning: F64 | float = 0.0) -> Fit:
        """Huber fit held by priors around 0; a vague window only counts where the fit leaves its range."""
        vague = self.vague
        y = self.y
        sd = np.hypot(self.sd, extra)
        robust: F64 = np.ones_like(y)
        beta: F64 = np.zeros(design.shape[1])
        z: F64 = y
        columns, held, precision = design.T, np.diag(prior), 1 / sd**2
        for turn in range(ROUNDS):
            weighted = columns * (robust * precision)
            normal = weighted @ design + held
            beta = np.asarray(np.linalg.solve(normal, weighted @ (y - leaning)), dtype=np.float64)
            fitted = design @ beta + leaning
            y = np.where(vague, np.clip(fitted, self.least, self.most), self.y)
            before, z = z, np.asarray((y - fitted) / sd, dtype=np.float64)
            inward = (z * fitted < 0) & (np.abs(fitted) > FAR * sd)
            robust = self._weights(z, inward, tails=turn >= WARM)
            if turn > WARM and float(np.max(np.abs(z - before))) < SETTLED:
                break
        information = np.asarray((columns * (robust * precision)) @ design, dtype=np.float64)
        return Fit(beta, information, prior, z, self._loss(z, inward) + float(beta**2 @ prior))

    def _weights(self, z: F64, inward: Bool, *, tails: bool) -> F64:
        """Weight of each window by its residual; a range that is kept to counts next to nothing."""
        size = np.maximum(np.abs(z), 1e-9)
        robust = np.minimum(1.0, np.where(self.exact, EXACT_HUBER, HUBER) / size)
        if tails:
            inside, outside = self._densities(z, inward)
            width = np.where(self.exact, INLIER_EXACT, INLIER)
            robust = inside / (inside + outside) / width**2
        robust = np.where(self.vague, np.minimum(1.0, HUBER / size) ** 2, robust)
        return np.asarray(np.where(self.vague & (size < 1e-8), 1e-3, robust))

    def _densities(self, z: F64, inward: Bool) -> tuple[F64, F64]:
        """Of a right window with this residual, and of one that slid to a wrong place."""
        wrong = np.where(self.exact, WRONG_EXACT, WRONG)
        wrong = np.where(inward & ~self.exact, np.where(self.open_end, WRONG_OPEN, WRONG_INWARD), wrong)
        width = np.where(self.exact, INLIER_EXACT, INLIER)
        inside = (1 - wrong) * np.exp(-0.5 * np.minimum((z / width) ** 2, 1400.0)) / (width * ROOT_TAU)
        return np.asarray(inside), wrong / WRONG_SPAN

    def _loss(self, z: F64, inward: Bool) -> float:
        """Minus twice the logarithm of the likelihood; vague ones, whose range is left, grow slowest."""
        a = np.maximum(np.abs(z), 1e-9)
        beyond = np.where(a < HUBER, a * a, HUBER**2 * (1 + 2 * np.log(np.maximum(a / HUBER, 1.0))))
        best, _ = self._densities(np.zeros_like(z), np.zeros_like(inward))
        inside, outside = self._densities(z, inward)
        mixed = -2.0 * np.log((inside + outside) / best)
        return float(np.sum(np.where(self.vague, beyond, mixed)))

    def inflation(self, z: F64) -> float:
        """Widening by serial correlation, the worst of the kinds of window with enough of them."""
        found = [1.0]
        for g in range(len(GROUPS)):
            rows = (self.offsets.group == g) & ~self.vague & (np.abs(z) < OUTLIER)
            if int(rows.sum()) >= 12:
                found.append(serial_inflation(z[rows]))
        return min(max(found), MOST_INFLATION)


def spread_of(z: F64) -> float:
    """Mean square of the residuals in units of their sd, outliers cut, at least 1."""
    return max(float(np.sum(np.minimum(np.abs(z), 3.0) ** 2) / max(z.size - 4, 1)), 1.0)
