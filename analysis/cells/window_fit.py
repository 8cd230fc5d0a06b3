"""Robust least squares over the windows of one cell, with what each kind of window may be wrong by."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.cells.offsets import GROUPS, OWN, Offsets
from analysis.cells.robust import Rows, solve
from analysis.frame import F64, Bool
from analysis.stats.quantiles import median
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
MOST_INFLATION = 3.0
"""Serial correlation widens by no more. [1]"""
TOGETHER = 16
"""So many fits are made at the same time: more do not fit the processor's cache."""
OUTLIER = 3.5
"""Residuals beyond so many standard deviations say nothing about how windows hang together."""


@dataclass(frozen=True, slots=True)
class Fit:
    """One solution.

    Attributes
    ----------
    beta : array
        Offset, deficit, drift, then what it was before if it changed. [Ah], [Ah], [Ah/day]
    bias : array, shape (len(GROUPS),)
        Of each kind of window; 0 without one. [Ah]
    z : array
        Residuals in units of their standard deviation.
    loss : float
        Robust loss, the prior's included.
    target, design, weight, prior : array
        What was fitted [Ah], to what; the weights in the end, and what was held before. [1/Ah²]
    """

    beta: F64
    bias: F64
    z: F64
    loss: float
    target: F64
    design: F64
    weight: F64
    prior: F64

    def sds(self, widen: float) -> F64:
        """Standard deviations of `beta`, what the windows say widened by so much."""
        said = (self.design.T * (self.weight / widen**2)) @ self.design
        covariance = np.linalg.inv(said + np.diag(self.prior))
        return np.asarray(np.sqrt(np.diag(covariance)[: self.beta.size]))

    def gains(self, columns: F64) -> F64:
        """By how much the loss would fall, were the drift of each of these shapes and the weights the same.

        Parameters
        ----------
        columns : array, shape (n, m)

        Returns
        -------
        array, shape (n,)
        """
        designs = np.repeat(self.design[None], 1 + len(columns), axis=0)
        designs[1:, :, 2] = columns
        weighted = designs.transpose(0, 2, 1) * self.weight
        right = weighted @ self.target
        beta = np.linalg.solve(weighted @ designs + np.diag(self.prior), right[:, :, None])[:, :, 0]
        explained = np.sum(right * beta, axis=1)
        return np.asarray(explained[1:] - explained[0])


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

    def prior_sd(self, *, drift: bool) -> F64:
        """Standard deviations around 0 of offset, deficit, drift and the bias of each kind of window."""
        level = abs(median(self.y))
        bias = BIAS_AH / 100 * self.rated_ah + BIAS_FRACTION * level
        biases = np.full(len(GROUPS), bias)
        biases[0] = 0.05 * bias  # the top knee is the reference
        biases[OWN] = RATED_ERROR * self.rated_ah
        steady = 10.0 if drift else 1e-6
        return np.concatenate(([0.3 * self.rated_ah, 0.15 * self.rated_ah, steady], biases))

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


@dataclass(frozen=True, slots=True)
class Ask:
    """A fit that is wanted.

    Attributes
    ----------
    problem : Problem
    knot : float or None
        From when on the drift is what it is now, before the last window; None: always. [days]
    early : float or None
        When a drift of another size began, before `knot`; None: there was none. [days]
    drift : bool
        Whether there is one.
    rounds : int
        How often errors in proportion are taken from the size found before; at least once.
    start : Fit, optional
        The same with fewer rounds, to go on from.
    ramp : bool
        Whether the drift has grown evenly from nothing at `knot` to what it is at the last window.
    """

    problem: Problem
    knot: float | None = None
    early: float | None = None
    drift: bool = True
    rounds: int = 1
    start: Fit | None = None
    ramp: bool = False


def fit_all(asked: Sequence[Ask]) -> list[Fit]:
    """Fit, then again with errors in proportion to the size found; like ones at the same time.

    Parameters
    ----------
    asked : sequence of Ask

    Returns
    -------
    list of Fit
        In the order asked; each as if it had been asked alone.
    """
    found: dict[int, Fit] = {}
    alike: dict[tuple[bool, int, bool], list[int]] = {}
    for i, ask in enumerate(asked):
        alike.setdefault((ask.early is not None, ask.rounds, ask.start is not None), []).append(i)
    for places in alike.values():
        places.sort(key=lambda i: asked[i].problem.y.size)
        for first in range(0, len(places), TOGETHER):
            chunk = places[first : first + TOGETHER]
            found.update(zip(chunk, _together([asked[i] for i in chunk]), strict=True))
    return [found[i] for i in range(len(asked))]


def _together(asked: Sequence[Ask]) -> list[Fit]:
    """Fits of the same make."""
    problems = [ask.problem for ask in asked]
    sizes = [p.y.size for p in problems]
    rows = Rows(
        y=_padded([p.y for p in problems]),
        sd=_padded([p.sd for p in problems], math.inf),
        least=_padded([p.least for p in problems]),
        most=_padded([p.most for p in problems]),
        vague=_padded([p.vague for p in problems]),
        exact=_padded([p.exact for p in problems]),
        open_end=_padded([p.open_end for p in problems]),
    )
    t = _padded([p.t for p in problems])
    knots = np.array([-math.inf if ask.knot is None else ask.knot for ask in asked])[:, None]
    parts = [np.ones_like(t), _padded([p.depth for p in problems]), _shape(asked, t, knots)]
    sd = np.array([ask.problem.prior_sd(drift=ask.drift) for ask in asked])
    if asked[0].early is not None:
        early = np.array([ask.early for ask in asked], dtype=np.float64)[:, None]
        parts.append(np.clip(t, early, knots) - knots)
        sd = np.insert(sd, 3, sd[:, 2], axis=1)
    lines = len(parts)
    seen = np.unique(np.concatenate([p.offsets.group for p in problems]))
    group = _padded([p.offsets.group for p in problems], -1)
    kinds = (group[:, :, None] == seen).astype(np.float64)
    inner = (seen > 0) & (seen < OWN)
    held = 1 / np.hstack((sd[:, :lines], sd[:, lines + seen])) ** 2
    design = np.concatenate((np.stack(parts, axis=2), kinds), axis=2)
    starts = [ask.start for ask in asked if ask.start is not None]
    if starts:
        beta = np.array([fit.beta for fit in starts])
    else:
        beta = solve(rows, design, held, np.zeros_like(t)).beta
    wide = np.concatenate(([1 / LEAN_ERROR**2], np.full(int(inner.sum()), 1 / GAIN_ERROR**2)))
    held = np.hstack((held, np.broadcast_to(wide, (len(asked), wide.size))))
    assumed, lean = _padded([p.assumed for p in problems]), _padded([p.lean for p in problems])
    base = design
    for _ in range(asked[0].rounds):
        size = base[:, :, :lines] @ beta[:, :lines, None]
        gains = kinds[:, :, inner] * size
        common = gains.sum(axis=2, keepdims=True)
        design = np.concatenate((base, common, gains), axis=2)
        wider = replace(rows, sd=np.hypot(rows.sd, DEPTH_ERROR * beta[:, 1:2] * assumed))
        done = solve(wider, design, held, lean * common[:, :, 0])
        beta = done.beta
    bias = np.zeros((len(asked), len(GROUPS)))
    bias[:, seen] = done.beta[:, lines : lines + seen.size]
    return [
        Fit(
            done.beta[i, :lines],
            bias[i],
            done.z[i, :m],
            float(done.loss[i]),
            done.target[i, :m],
            design[i, :m],
            done.weight[i, :m],
            held[i],
        )
        for i, m in enumerate(sizes)
    ]


def _shape(asked: Sequence[Ask], t: F64, knots: F64) -> F64:
    """What a drift of one a day at the end made of the offset by then, less what it made in all. [days]"""
    out = np.maximum(t, knots)
    for i, ask in enumerate(asked):
        if ask.ramp and ask.knot is not None:
            grown = out[i] - ask.knot
            out[i] = grown**2 / (-2 * ask.knot) + ask.knot / 2
    return out


def _padded(arrays: Sequence[NDArray[Any]], fill: float = 0.0) -> NDArray[Any]:
    """Arrays of different lengths as one, filled up."""
    out = np.full((len(arrays), max(a.size for a in arrays)), fill, dtype=arrays[0].dtype)
    for row, values in zip(out, arrays, strict=True):
        row[: values.size] = values
    return out
