"""The one power that most of a set of steps agree on, where the others show something else."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from analysis.estimate import Estimate, unknown
from analysis.frame import F64

LEAST_STEPS, MOST_STEPS = 4, 240
"""Steps below which no power is given, and as many as are looked at, evenly taken."""
REACH_W, MESH_W = 1500.0, 6.0
"""How far the steps of a house go on either side, and how fine a power is looked for first. [W]"""
NOISES_W = (4.0, 7.0, 12.0, 20.0, 35.0, 60.0)
"""Spreads of the steps about the power that are weighed against each other: resolution, ripple. [W]"""
WIDEST_W, WIDEST = 100.0, 0.5
"""An interval wider than both, in itself and against the power, is no agreement. [W], [1] Practice."""
CLOSER = 2.0
"""As much denser as next to it the steps lie about the power they agree on. [1] Practice, no source."""
AT_ONCE = 40
"""So many likelihoods are multiplied before a logarithm is taken: they stay within a double's range."""
OTHERS = (0.05, 0.25, 0.5, 0.75)
"""Parts of the steps that show something else that are weighed. [1]"""


def _log_likelihood(steps: F64, grid: F64) -> tuple[F64, F64]:
    """Of each power of a grid, over the spreads and parts of others, all taken as equally likely.

    Returns
    -------
    (array, array), shape of `grid`
        Its logarithm, and the likeliest spread. [1], [W]
    """
    rows = []
    away, starts = (steps[:, None] - grid) ** 2, np.arange(0, steps.size, AT_ONCE)
    near, each = np.empty_like(away), np.empty_like(away)
    for noise in NOISES_W:
        np.exp(np.multiply(away, -0.5 / noise**2, out=near), out=near)
        near /= noise * math.sqrt(2 * math.pi)
        for part in OTHERS:
            np.multiply(near, 1 - part, out=each)
            each += part / (2 * REACH_W)
            # far fewer logarithms: none of the factors is below 1e-5 or above 0.1
            products = np.multiply.reduceat(each, starts, axis=0)
            rows.append(np.log(products).sum(axis=0))
    table = np.array(rows)
    top: F64 = table.max(axis=0)
    likeliest = np.repeat(NOISES_W, len(OTHERS))[table.argmax(axis=0)]
    return np.asarray(top + np.log(np.exp(table - top).mean(axis=0))), likeliest


@lru_cache(maxsize=4)
def _anywhere(steps: tuple[float, ...]) -> tuple[F64, F64, F64]:
    """A grid over all that a house does, and `_log_likelihood` on it, which is asked for more than once."""
    grid = np.arange(-REACH_W, REACH_W + MESH_W, MESH_W)
    return grid, *_log_likelihood(np.array(steps), grid)


def _quantiles(grid: F64, log_weight: F64) -> tuple[float, float, float]:
    weight = np.exp(log_weight - log_weight.max())
    running = np.cumsum(weight) - 0.5 * weight
    running /= weight.sum()
    low, middle, high = np.interp((0.025, 0.5, 0.975), running, grid)
    return float(low), float(middle), float(high)


def _told(
    grid: F64, log_weight: F64, spread: F64, expected: tuple[float, float] | None
) -> tuple[float, float, float, float]:
    """Low, middle and high of the power with what is expected of it, and the likeliest spread. [W]"""
    if expected is not None:
        log_weight = log_weight - 0.5 * ((grid - expected[0]) / expected[1]) ** 2
    return *_quantiles(grid, log_weight), float(spread[np.argmax(log_weight)])


def _stands_out(steps: F64, middle: float, noise: float) -> bool:
    """Whether steps lie closer together about a power than beside it."""
    away = np.abs(steps - middle)
    inside, beside = np.sum(away <= 2 * noise), np.sum((away > 2 * noise) & (away <= 6 * noise))
    return bool(inside >= LEAST_STEPS and inside > CLOSER * beside / 2)


def agreed_power(steps: F64, expected: tuple[float, float] | None = None) -> Estimate:
    """Find the power that a set of steps agrees on.

    Each step shows the same power with some spread, or something else altogether: a house's load that
    changed in the same moment. Neither the spread nor how many show something else is known beforehand.

    Parameters
    ----------
    steps : array, shape (n,)
        [W]
    expected : (float, float), optional
        What the power is expected to be by other evidence, and its standard uncertainty. [W]

    Returns
    -------
    Estimate
        Median and 95 % of what remains possible; not where that leaves several powers wide apart. [W]
    """
    n = int(steps.size)
    if n < LEAST_STEPS:
        return unknown("W", f"{n} heater switchings recorded; {LEAST_STEPS} are needed", n=n)
    taken = np.clip(steps[:: 1 + n // MOST_STEPS], -REACH_W, REACH_W)
    grid, log_weight, spread = _anywhere(tuple(taken.tolist()))
    low, _, high, _ = _told(grid, log_weight, spread, expected)
    reach = max(high - low, 4 * MESH_W)
    grid = np.linspace(low - reach, high + reach, 300)
    low, middle, high, noise = _told(grid, *_log_likelihood(taken, grid), expected)
    if high - low > max(WIDEST_W, WIDEST * abs(middle)) or not _stands_out(taken, middle, noise):
        return unknown("W", f"{n} heater switchings that show no step in common", n=n)
    basis = f"{n} heater switchings" + ("" if expected is None else " and the warming of the cells")
    return Estimate(middle, "W", low, high, basis, n)
