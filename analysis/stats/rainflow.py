"""Rainflow counting that composes: days are counted apart and the count of the whole is the same.

A closed cycle lies within its neighbours whatever came before or follows, so it can be taken out
anywhere. What remains, the residual, is handed on: the residual of a whole is the residual of its parts'
residuals in a row. Only at the very end the residual is counted, by the standard's rule of halves.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.frame import F64


@dataclass(frozen=True, slots=True)
class Count:
    """Closed cycles and what is still open.

    Attributes
    ----------
    ranges : array, shape (k,)
        Range of each closed cycle, in the unit of the series.
    means : array, shape (k,)
        Its mean.
    residual : array, shape (m,)
        Turning points between which no closed cycle is left.
    """

    ranges: F64
    means: F64
    residual: F64


def turning_points(series: F64) -> F64:
    """Keep the first, the last and every reversal of a series; plateaus count once.

    Parameters
    ----------
    series : array, shape (n,)
        Finite values.

    Returns
    -------
    array, shape (m,)
        `m` ≤ `n`; 0 or 1 for an empty or constant series.
    """
    if series.size == 0:
        return series.astype(np.float64)
    distinct = series[np.concatenate(([True], series[1:] != series[:-1]))].astype(np.float64)
    if distinct.size < 3:  # no point between two ends
        return distinct
    rising = distinct[1:] > distinct[:-1]
    keep = np.concatenate(([True], rising[1:] != rising[:-1], [True]))
    turns: F64 = distinct[keep]
    return turns


def closed_cycles(series: F64) -> Count:
    """Take every closed cycle out of a series.

    Parameters
    ----------
    series : array, shape (n,)
        Finite values, or turning points; any length.

    Returns
    -------
    Count

    References
    ----------
    ASTM E1049-85 (2011), "Standard Practices for Cycle Counting in Fatigue Analysis", section 5.4.4: a range
    Y that does not hold the start and is not larger than the next, X, is a cycle. There Y is also smaller
    than the range before it, which is what is tested here, so that the order of taking does not matter.
    """
    points = turning_points(series)
    ranges: list[F64] = []
    means: list[F64] = []
    while points.size > 3:  # a closed range needs a neighbour on each side
        r = np.abs(np.diff(points))
        inner = 1 + np.nonzero((r[1:-1] < r[:-2]) & (r[1:-1] <= r[2:]))[0]
        if inner.size == 0:
            break
        ranges.append(r[inner])
        means.append(0.5 * (points[inner] + points[inner + 1]))
        keep = np.ones(points.size, dtype=bool)
        keep[inner] = False
        keep[inner + 1] = False
        points = points[keep]
    none = np.empty(0)
    return Count(np.concatenate([none, *ranges]), np.concatenate([none, *means]), points)


def half_cycles(residual: F64) -> tuple[F64, F64]:
    """Count what is still open at the end of the record: every remaining range is half a cycle.

    Returns
    -------
    (array, array), shapes (m - 1,)
        Ranges and means.

    References
    ----------
    ASTM E1049-85 (2011), section 5.4.4, steps 5 and 6.
    """
    if residual.size < 2:  # nothing moved
        return np.empty(0), np.empty(0)
    return np.abs(np.diff(residual)), 0.5 * (residual[1:] + residual[:-1])
