"""Robust least squares for many fits at once, each to windows of its own and held by priors of its own."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

import numpy as np

from analysis.frame import F64, Bool

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
SETTLED = 0.02
"""The fit has settled when residuals move by less, in standard deviations."""
ROOT_TAU = math.sqrt(2 * math.pi)


@dataclass(frozen=True, slots=True)
class Rows:
    """Windows of b fits; arrays of shape (b, m), of which the shorter fits use only the first.

    Attributes
    ----------
    y, sd : array
        Offset and its standard deviation, infinite where there is no window. [Ah]
    least, most : array
        The range of the vague. [Ah]
    vague, exact, open_end : array
        As in `analysis.cells.window_fit.Problem`.
    """

    y: F64
    sd: F64
    least: F64
    most: F64
    vague: Bool
    exact: Bool
    open_end: Bool

    def only(self, kept: Bool) -> Rows:
        """Some of the fits."""
        return Rows(*(getattr(self, field.name)[kept] for field in fields(self)))


@dataclass(frozen=True, slots=True)
class Solved:
    """Solutions of b fits.

    Attributes
    ----------
    beta : array, shape (b, p)
    z : array, shape (b, m)
        Residuals in units of their standard deviation; 0 where there is no window.
    weight : array, shape (b, m)
        Of each window in the end. [1/Ah²]
    target : array, shape (b, m)
        What was fitted in the end, leaning taken out. [Ah]
    loss : array, shape (b,)
        Robust loss, the prior's included.
    """

    beta: F64
    z: F64
    weight: F64
    target: F64
    loss: F64


def solve(rows: Rows, design: F64, prior: F64, leaning: F64) -> Solved:
    """Fit held by priors around 0; a vague window only counts where the fit leaves its range.

    Parameters
    ----------
    rows : Rows
    design : array, shape (b, m, p)
    prior : array, shape (b, p)
        Inverse squares of the standard deviations around 0.
    leaning : array, shape (b, m)
        What is expected before anything is fitted. [Ah]

    Returns
    -------
    Solved
        Each fit as if it had been alone.
    """
    z, weight, target = (np.zeros(rows.y.shape) for _ in range(3))
    out = Solved(np.zeros(prior.shape), z, weight, target, np.zeros(len(prior)))
    live = np.arange(len(prior))
    y, z, robust, precision = rows.y, rows.y, np.ones(rows.y.shape), 1 / rows.sd**2
    diagonal = np.arange(prior.shape[1])
    for turn in range(ROUNDS):
        columns = design.transpose(0, 2, 1)
        weighted = columns * (robust * precision)[:, None]
        normal = weighted @ design
        normal[:, diagonal, diagonal] += prior
        beta = np.linalg.solve(normal, weighted @ (y - leaning)[:, :, None])
        fitted = (design @ beta)[:, :, 0] + leaning
        y = np.where(rows.vague, np.clip(fitted, rows.least, rows.most), rows.y)
        before, z = z, (y - fitted) / rows.sd
        inward = (z * fitted < 0) & (np.abs(fitted) > FAR * rows.sd)
        robust = _weights(rows, z, inward, tails=turn >= WARM)
        done = np.full(len(live), turn == ROUNDS - 1)
        if turn > WARM:
            done |= np.max(np.abs(z - before), axis=1) < SETTLED
        if not done.any():
            continue
        at = live[done]
        out.beta[at], out.z[at], out.weight[at] = beta[done, :, 0], z[done], (robust * precision)[done]
        out.target[at] = (y - leaning)[done]
        out.loss[at] = _loss(rows.only(done), z[done], inward[done])
        out.loss[at] += np.sum(beta[done, :, 0] ** 2 * prior[done], axis=1)
        if done.all():
            break
        rest = ~done
        live, rows, design, prior, leaning = (
            live[rest],
            rows.only(rest),
            design[rest],
            prior[rest],
            leaning[rest],
        )
        y, z, robust, precision = y[rest], z[rest], robust[rest], precision[rest]
    return out


def _weights(rows: Rows, z: F64, inward: Bool, *, tails: bool) -> F64:
    """Weight of each window by its residual; a range that is kept to counts next to nothing."""
    size = np.maximum(np.abs(z), 1e-9)
    if tails:
        inside, outside = _densities(rows, z, inward)
        robust = inside / (inside + outside) / np.where(rows.exact, INLIER_EXACT, INLIER) ** 2
    else:
        robust = np.minimum(1.0, np.where(rows.exact, EXACT_HUBER, HUBER) / size)
    if rows.vague.any():
        robust = np.where(rows.vague, np.minimum(1.0, HUBER / size) ** 2, robust)
        robust = np.where(rows.vague & (size < 1e-8), 1e-3, robust)
    return np.asarray(robust)


def _densities(rows: Rows, z: F64, inward: Bool) -> tuple[F64, F64]:
    """Of a right window with this residual, and of one that slid to a wrong place."""
    wrong = np.where(rows.exact, WRONG_EXACT, WRONG)
    wrong = np.where(inward & ~rows.exact, np.where(rows.open_end, WRONG_OPEN, WRONG_INWARD), wrong)
    width = np.where(rows.exact, INLIER_EXACT, INLIER)
    inside = (1 - wrong) * np.exp(-0.5 * np.minimum((z / width) ** 2, 1400.0)) / (width * ROOT_TAU)
    return np.asarray(inside), wrong / WRONG_SPAN


def _loss(rows: Rows, z: F64, inward: Bool) -> F64:
    """Minus twice the logarithm of the likelihood; vague ones, whose range is left, grow slowest."""
    a = np.maximum(np.abs(z), 1e-9)
    beyond = np.where(a < HUBER, a * a, HUBER**2 * (1 + 2 * np.log(np.maximum(a / HUBER, 1.0))))
    best, _ = _densities(rows, np.zeros_like(z), np.zeros_like(inward))
    inside, outside = _densities(rows, z, inward)
    mixed = -2.0 * np.log((inside + outside) / best)
    there = np.isfinite(rows.sd)
    return np.asarray(np.sum(np.where(rows.vague, beyond, mixed), axis=1, where=there))
