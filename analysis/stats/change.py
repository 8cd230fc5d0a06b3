"""When something began: CUSUM alarm, a step in level, the onset of a slope."""

from __future__ import annotations

import heapq
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.frame import F64
from analysis.stats.quantiles import student_quantile


@dataclass(frozen=True, slots=True)
class Cusum:
    """Two-sided cumulative sum.

    Attributes
    ----------
    high, low : array, shape (n,)
        Sums of what exceeds mean + k, and of what falls short of mean − k.
    alarm : int or None
        Index of the first value at which either sum is above h.
    """

    high: F64
    low: F64
    alarm: int | None


@dataclass(frozen=True, slots=True)
class Change:
    """A change in a series.

    Attributes
    ----------
    at, low, high : float
        When, with its 95 % interval, in the unit of t.
    size, size_low, size_high : float
        The step (unit of y) or the slope after the onset (unit of y per unit of t).
    level : float
        Level before.
    p : float
        Approximate probability of as good a fit without any change.
    """

    at: float
    low: float
    high: float
    size: float
    size_low: float
    size_high: float
    level: float
    p: float


def cusum(x: ArrayLike, mean: float, k: float, h: float) -> Cusum:
    """Run the two-sided tabular CUSUM.

    Parameters
    ----------
    x : array, shape (n,)
        Values in time order; those that are not finite add nothing.
    mean, k, h : float
        Target, allowance and decision limit, in the unit of x.

    Returns
    -------
    Cusum

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3.
    """
    values = np.nan_to_num(np.asarray(x, dtype=np.float64) - mean, nan=0.0)
    high, low = _one_sided(values - k), _one_sided(-values - k)
    beyond = np.flatnonzero((high > h) | (low > h))
    return Cusum(high, low, int(beyond[0]) if beyond.size else None)


def _one_sided(steps: F64) -> F64:
    total = np.cumsum(steps)
    floor = np.minimum(np.minimum.accumulate(total), 0.0)
    return total - floor


def _sorted_finite(t: ArrayLike, y: ArrayLike) -> tuple[F64, F64]:
    ta, ya = np.asarray(t, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if ta.shape != ya.shape or ta.ndim != 1:
        raise ValueError("t and y must be one-dimensional and of equal length")
    good = np.isfinite(ta) & np.isfinite(ya)
    order = np.argsort(ta[good], kind="stable")
    return ta[good][order], ya[good][order]


def _clip_outliers(y: F64, model: F64) -> F64:
    rest = y - model
    middle = float(np.median(rest))
    limit = 4 * 1.4826 * float(np.median(np.abs(rest - middle)))
    return model + np.clip(rest, middle - limit, middle + limit) if limit > 0 else y


def _column(t: F64, knots: F64, shape: str) -> F64:
    """What is fitted beside the level, one row a knot."""
    after = t - knots[:, None]
    return np.maximum(after, 0.0) if shape == "slope" else (after >= 0).astype(np.float64)


def _search(t: F64, y: F64, shape: str, knots: F64) -> Change | None:
    """Fit level and size at every knot together and take the best."""
    n = t.size
    if not knots.size:
        return None
    columns = _column(t, knots, shape)
    means = columns.mean(axis=1)
    columns -= means[:, None]
    rest = y - np.mean(y)
    flat = float(rest @ rest)
    power = np.einsum("ij,ij->i", columns, columns)
    sizes = np.where(power > 0, columns @ rest / np.where(power > 0, power, 1.0), 0.0)
    losses = np.sum((rest - sizes[:, None] * columns) ** 2, axis=1)
    best = int(np.argmin(losses))
    loss, at, size, spread = (float(v[best]) for v in (losses, knots, sizes, power))
    dof = max(n - 3, 1)
    noise = max(loss / dof, 1e-300)
    q = student_quantile(0.975, dof)
    inside = knots[losses <= loss + noise * q * q]
    half = q * math.sqrt(noise / spread) if spread > 0 else math.inf
    ratio = max(flat - loss, 0.0) / noise
    p = min(1.0, float(knots.size) * math.erfc(math.sqrt(ratio / 2)))
    level = float(np.mean(y) - size * means[best])
    return Change(at, float(inside[0]), float(inside[-1]), size, size - half, size + half, level, p)


def _change(t: ArrayLike, y: ArrayLike, shape: str, edge: int) -> Change | None:
    ta, ya = _sorted_finite(t, y)
    if ta.size < 2 * edge + 2 or ta[0] == ta[-1]:
        return None
    first = 0 if shape == "slope" else edge
    candidates = np.unique(ta[first : ta.size - edge])
    if candidates.size > 200:
        candidates = np.linspace(candidates[0], candidates[-1], 200)
    rough = _search(ta, ya, shape, candidates)
    if rough is None:
        return None
    column = _column(ta, np.array([rough.at]), shape)[0]
    clipped = _clip_outliers(ya, rough.level + rough.size * column)
    return _search(ta, clipped, shape, candidates)


def step_change(t: ArrayLike, y: ArrayLike, *, edge: int = 4) -> Change | None:
    """Find the instant at which the level of a series most likely jumped.

    Parameters
    ----------
    t, y : array, shape (n,)
        Time and values; outliers beyond four robust deviations are drawn in for the second pass.
    edge : int
        Values that must lie on each side.

    Returns
    -------
    Change or None
        None below 2 × edge + 2 finite values. Judge it by `p` and by the size; a series without a step
        also has a best place for one.

    References
    ----------
    Likelihood-ratio search for one change in mean, Hinkley, "Inference about the change-point in a
    sequence of random variables", Biometrika 57 (1970) 1 (from memory); Bonferroni bound for `p`.
    """
    return _change(t, y, "step", edge)


def onset(t: ArrayLike, y: ArrayLike, *, edge: int = 4) -> Change | None:
    """Find when a level began to slope: y = level + slope × max(t − at, 0).

    Parameters and result as in `step_change`, with `size` the slope after the onset. An `at` equal to the
    first time means: sloping since the record began.

    References
    ----------
    Hudson, "Fitting segmented curves whose join points have to be estimated", J. Am. Stat. Assoc. 61
    (1966) 1097 (from memory).
    """
    return _change(t, y, "slope", edge)


def level_shift(values: F64, *, before: int, after: int, most: int = 400) -> int:
    """Find where the level of a series most likely changed, by the distances from the medians of both parts.

    Parameters
    ----------
    values : array, shape (n,)
        In order of time, n > before + after.
    before, after : int
        Values that lie on each side at least.
    most : int
        About so many places are tried, evenly taken.

    Returns
    -------
    int
        How many values lie before the change.
    """
    n = values.size
    cuts = np.arange(before, n - after + 1, 1 + n // most)
    left, right = _distances(values.tolist()), _distances(values[::-1].tolist())
    return int(cuts[np.argmin(left[cuts] + right[n - cuts])])


def _distances(values: list[float]) -> F64:
    """Sum of the distances of the first k values from their median, for k from 0 to all."""
    low: list[float] = []  # the lower half as a heap of negatives, the upper one as it is
    high: list[float] = []
    below = above = 0.0
    out = np.zeros(len(values) + 1)
    for k, value in enumerate(values, start=1):
        top = -heapq.heappushpop(low, -value)
        below, above = below + value - top, above + top
        heapq.heappush(high, top)
        if len(high) > len(low):
            least = heapq.heappop(high)
            below, above = below + least, above - least
            heapq.heappush(low, -least)
        out[k] = above - below + (-low[0] if k % 2 else 0.0)
    return out
