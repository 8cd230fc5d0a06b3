"""A thinned view of a day: for what changes over minutes, one sample in half a minute is enough."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.day import CleanDay, Mark
from analysis.frame import F64, Int

STEP_S = 30.0
"""Spacing of the thinned samples where the record is denser. [s]"""


@dataclass(frozen=True, slots=True)
class Thin:
    """Every sample about `STEP_S` after the one before it, within the day.

    Attributes
    ----------
    index : array, shape (m,)
        Sample in the cleaned frame.
    time_s : array, shape (m,)
        Its time. [s]
    mean_a : array, shape (m,)
        Mean current since the thinned sample before, from the charge counters; NaN where not half of
        that interval is covered, and for the first. [A]
    median_v, max_v, min_v : array, shape (m,)
        Over the cells; the pack voltage over the number of cells if there are none. [V]
    temp_c : array, shape (m,)
        Mean of the cell sensors; NaN without any. [°C]
    """

    index: Int
    time_s: F64
    mean_a: F64
    median_v: F64
    max_v: F64
    min_v: F64
    temp_c: F64


def thin(day: CleanDay, step_s: float = STEP_S) -> Thin:
    """Thin a day.

    Parameters
    ----------
    day : CleanDay
        May be empty.
    step_s : float
        Least spacing. [s]

    Returns
    -------
    Thin
    """
    frame = day.frame
    own = frame.time_s[frame.lead :]
    if own.size == 0:
        none = np.empty(0)
        return Thin(np.empty(0, dtype=np.int64), none, none, none, none, none, none)
    if day.coverage.period_s >= step_s:
        index = np.arange(frame.lead, frame.time_s.size)
    else:
        ticks = np.arange(own[0], own[-1] + step_s, step_s)
        index = np.unique(np.minimum(np.searchsorted(own, ticks), own.size - 1)) + frame.lead
    time_s = frame.time_s[index]
    span = np.diff(time_s, prepend=time_s[0])
    covered = np.diff(day.covered_s[index], prepend=day.covered_s[index[0]])
    net = day.ah_in[index] - day.ah_out[index]
    with np.errstate(invalid="ignore", divide="ignore"):
        mean_a = np.where(covered > 0.5 * span, np.diff(net, prepend=net[0]) * 3600 / covered, np.nan)
    mean_a[0] = np.nan
    median_v, max_v, min_v = _cell_voltages(day, index)
    return Thin(index, time_s, mean_a, median_v, max_v, min_v, _cell_temperature(day, index))


def _cell_voltages(day: CleanDay, index: Int) -> tuple[F64, F64, F64]:
    frame = day.frame
    if frame.n_cells == 0:
        mean = frame.pack_v[index].astype(np.float64) / max(day.facts.n_cells, 1)
        return mean, mean, mean
    cells = np.sort(frame.cells_v[:, index].astype(np.float64), axis=0)  # NaN last
    known = np.isfinite(cells).sum(axis=0)
    column = np.arange(index.size)
    last = np.maximum(known - 1, 0)
    median = 0.5 * (cells[last // 2, column] + cells[np.minimum(known // 2, last), column])
    return median, cells[last, column], cells[0]


def _cell_temperature(day: CleanDay, index: Int) -> F64:
    sensors = day.frame.temps_c[: max(day.facts.cell_temps, 1), index].astype(np.float64)
    known = np.isfinite(sensors)
    count = known.sum(axis=0)
    total = np.where(known, sensors, 0.0).sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def mark_at(day: CleanDay, time_s: float) -> Mark:
    """Return the counters at any time, between samples by straight lines. Needs one sample or more."""
    t = day.frame.time_s
    counters = (day.ah_in, day.ah_out, day.wh_in, day.wh_out, day.covered_s)
    return Mark(float(time_s), *(float(np.interp(time_s, t, c)) for c in counters))
