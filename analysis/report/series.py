"""Thinning of long series for drawing: every spike survives."""

from __future__ import annotations

import numpy as np

from analysis.frame import F64, Int


def min_max(time_s: F64, values: F64, buckets: int) -> tuple[F64, F64]:
    """Keep of each bucket of time the lowest and the highest value, in time order.

    Parameters
    ----------
    time_s : array, shape (n,)
        Times, never decreasing. [s]
    values : array, shape (n,)
        NaN marks a missing value; a bucket of only NaN keeps one, so that the line breaks there.
    buckets : int
        At most two values are kept of each.

    Returns
    -------
    (time_s, values)
        At most 2 × buckets pairs; the input itself if it is already that short.

    Raises
    ------
    ValueError
        If the arrays differ in length or `buckets` is below 1.
    """
    keep = kept(time_s, values, buckets)
    return time_s[keep], values[keep]


def kept(time_s: F64, values: F64, buckets: int) -> Int:
    """Return the indices that `min_max` keeps, for series that carry more than one value.

    Raises
    ------
    ValueError
        As there.
    """
    if time_s.shape != values.shape:
        raise ValueError(f"time and values differ in length: {time_s.size} and {values.size}")
    if buckets < 1:
        raise ValueError("at least one bucket is needed")
    if time_s.size <= 2 * buckets:
        return np.arange(time_s.size)
    edges = np.linspace(time_s[0], time_s[-1], buckets + 1)[1:-1]
    starts = np.unique(np.concatenate(([0], np.searchsorted(time_s, edges))))
    starts = starts[starts < time_s.size]
    return np.unique(np.concatenate((_extreme(values, starts, np.inf), _extreme(values, starts, -np.inf))))


def _extreme(values: F64, starts: Int, fill: float) -> Int:
    """Index of the lowest (fill = inf) or highest (fill = −inf) value in each run beginning at `starts`."""
    filled = np.where(np.isnan(values), fill, values)
    reduce = np.minimum if fill > 0 else np.maximum
    best = reduce.reduceat(filled, starts)
    run = np.repeat(np.arange(starts.size), np.diff(np.append(starts, values.size)))
    hits = np.flatnonzero(filled == best[run])
    _, first = np.unique(run[hits], return_index=True)
    return hits[first].astype(np.int64)
