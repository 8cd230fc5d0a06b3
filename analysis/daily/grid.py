"""A day of cells on a coarse grid of time: means of a few seconds, cheap enough to look at everywhere."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.day import CleanDay
from analysis.frame import F32, F64, Bool, Int

WIDTH_S = 10.0
"""Width of a bin; slower sampling keeps its own. [s] Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Grid:
    """Means over bins of time of the samples of one day, lead-in left out.

    Attributes
    ----------
    width_s : float
        Width of a bin. [s]
    first : array, shape (m,)
        Index in the day of the first sample of each bin (for `CleanDay.mark`).
    time_s : array, shape (m,)
        Mean time. [s]
    current_a : array, shape (m,)
        Mean current, positive while charging; NaN where unknown. [A]
    charge_ah : array, shape (m,)
        Net charge since the day's start. [Ah]
    cells_v : array, shape (n_cells, m)
        Mean cell voltages, single outliers removed. [V]
    temp_c : array, shape (m,)
        Mean of the cell temperature sensors; NaN where unknown. [°C]
    gap : array, shape (m,)
        True where a gap lies between this bin and the one before.
    """

    width_s: float
    first: Int
    time_s: F64
    current_a: F64
    charge_ah: F64
    cells_v: F32
    temp_c: F64
    gap: Bool


def _bin_means(values: F32 | F64, starts: Int, counts: F64) -> F32 | F64:
    total: F32 | F64 = np.add.reduceat(values, starts, axis=-1)
    means: F32 | F64 = np.divide(total, counts, dtype=values.dtype)
    if not np.isnan(means.sum()):
        return means
    known = np.isfinite(values)
    n = np.add.reduceat(known, starts, axis=-1, dtype=np.float64)
    with np.errstate(invalid="ignore", divide="ignore"):
        filled: F32 | F64 = np.add.reduceat(np.where(known, values, 0), starts, axis=-1) / n
    return filled


def median_of_three(values: F32) -> F32:
    """Replace each value by the median of itself and its neighbours in time, the ends unchanged.

    Parameters
    ----------
    values : array, shape (n_cells, m)

    Returns
    -------
    array, shape (n_cells, m)
        Where a neighbour is NaN the value stays.
    """
    if values.shape[-1] < 3:
        return values
    a, b, c = values[:, :-2], values[:, 1:-1], values[:, 2:]
    out = values.copy()
    middle = np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), c))
    out[:, 1:-1] = np.where(np.isnan(middle), b, middle)
    return out


def gridded(day: CleanDay) -> Grid:
    """Average a day over bins of at least `WIDTH_S`.

    Parameters
    ----------
    day : CleanDay

    Returns
    -------
    Grid
        Empty if the day is.
    """
    frame = day.frame
    lead = frame.lead
    time_s = frame.time_s[lead:]
    if time_s.size == 0:
        none = np.empty(0)
        return Grid(
            WIDTH_S, np.empty(0, np.int64), none, none, none, np.empty((frame.n_cells, 0), np.float32), none,
            np.empty(0, bool),
        )  # fmt: skip
    width = max(WIDTH_S, day.coverage.period_s)
    bins = np.floor((time_s - frame.start_s) / width)
    starts = np.flatnonzero(np.diff(bins, prepend=bins[0] - 1) != 0)
    counts = np.diff(starts, append=time_s.size).astype(np.float64)
    charge = (day.ah_in - day.ah_out)[lead:]
    temps = frame.temps_c[: day.facts.cell_temps, lead:]
    temp_c = np.full(starts.size, np.nan)
    if temps.shape[0]:
        with np.errstate(invalid="ignore"):
            by_sensor = _bin_means(temps, starts, counts)
            known = np.isfinite(by_sensor)
            temp_c = np.where(known, by_sensor, 0).sum(axis=0) / np.where(known.any(0), known.sum(0), np.nan)
    return Grid(
        width_s=width,
        first=starts + lead,
        time_s=np.asarray(_bin_means(time_s, starts, counts)),
        current_a=np.asarray(_bin_means(frame.pack_a[lead:].astype(np.float64), starts, counts)),
        charge_ah=np.asarray(_bin_means(charge, starts, counts)),
        cells_v=median_of_three(np.asarray(_bin_means(frame.cells_v[:, lead:], starts, counts))),
        temp_c=temp_c,
        gap=np.logical_or.reduceat(day.gap[lead:], starts),
    )
