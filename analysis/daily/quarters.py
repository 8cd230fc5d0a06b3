"""Quarter-hour means of a day: what packs in parallel and witnesses are compared by."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.daily.minutes import Minutes
from analysis.frame import F64

QUARTER_MIN = 15
LEAST_MINUTES = 12
"""Minutes a quarter of an hour must have. Practice, no source."""


@dataclass(frozen=True, slots=True)
class QuarterDay:
    """Means over each quarter hour since the day's start; NaN where less than 12 minutes are known.

    Attributes
    ----------
    current_a : tuple of float
        Positive while charging. [A]
    voltage_v : tuple of float
        At the pack terminals. [V]
    """

    current_a: tuple[float, ...]
    voltage_v: tuple[float, ...]


def quarter_means(values: F64, digits: int) -> tuple[float, ...]:
    """Means over quarters of minute values, rounded to `digits`.

    Parameters
    ----------
    values : array, shape (m,)
        One a minute, NaN where unknown.
    digits : int
        Decimals kept.

    Returns
    -------
    tuple of float, length ceil(m / 15)
    """
    m = values.size
    n = -(-m // QUARTER_MIN)
    padded = np.full(n * QUARTER_MIN, np.nan)
    padded[:m] = values
    block = padded.reshape(n, QUARTER_MIN)
    good = np.isfinite(block)
    count = good.sum(axis=1)
    mean = np.where(good, block, 0.0).sum(axis=1) / np.maximum(count, 1)
    mean[count < LEAST_MINUTES] = np.nan
    return tuple(np.round(mean, digits).tolist())


def observe_quarters(minutes: Minutes) -> QuarterDay:
    """Average current and voltage of a day by quarter hours.

    Returns
    -------
    QuarterDay
    """
    return QuarterDay(quarter_means(minutes.current_a, 2), quarter_means(minutes.voltage_v, 3))
