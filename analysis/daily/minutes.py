"""A day by the minute: what slow observers (temperature, heater, sharing) read instead of every sample."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.day import CleanDay
from analysis.frame import F32, F64, Bool, Int, WitnessFrame

STEP_S = 60.0
COARSE_S = 30.0
PICKS = 5
"""Samples taken from each minute; their median is its temperature, so one wild frame cannot show."""


@dataclass(frozen=True, slots=True)
class Minutes:
    """A cleaned day on a grid of minutes; NaN where a minute has no reading.

    Attributes
    ----------
    time_s : array, shape (m,)
        Start of each minute, UTC epoch seconds. [s]
    covered_s : array, shape (m,)
        Covered time in each. [s]
    current_a, voltage_v : array, shape (m,)
        Means over the minute, current from the running charge; for samples half a minute apart or more,
        the sample's own, so that it belongs to the voltage beside it. [A], [V]
    temps_c : array, shape (n_temps, m)
        Medians over the minute and its neighbours. [°C]
    n_cell_temps : int
        How many of the first rows of `temps_c` sit on cells.
    ambient_c : array, shape (m,)
        Air temperature from the source named next. [°C]
    ambient_source : {"pack", "witness", "sensor", ""}
        The pack's own channel, a witness, the coldest sensor as a stand-in, or none.
    first, last : array, shape (m,)
        Index of the first sample of each minute, and one past the last.
    """

    time_s: F64
    covered_s: F64
    current_a: F64
    voltage_v: F64
    temps_c: F64
    n_cell_temps: int
    ambient_c: F64
    ambient_source: str
    first: Int
    last: Int

    @property
    def cell_temps_c(self) -> F64:
        """Rows of the sensors that sit on cells, shape (n_cell_temps, m). [°C]"""
        return self.temps_c[: self.n_cell_temps]


def row_median(values: F64) -> F64:
    """Median over axis 0 leaving NaN out; NaN where all are. Without a warning.

    Parameters
    ----------
    values : array, shape (k, m)

    Returns
    -------
    array, shape (m,)
    """
    if values.shape[0] == 0:
        return np.full(values.shape[1], np.nan)
    ordered = np.sort(values, axis=0)
    valid = np.sum(np.isfinite(values), axis=0)
    low = np.maximum((valid - 1) // 2, 0)
    high = np.minimum(valid // 2, values.shape[0] - 1)
    column = np.arange(values.shape[1])
    middle: F64 = 0.5 * (ordered[low, column] + ordered[high, column])
    middle[valid == 0] = np.nan
    return middle


def _median_of_three(values: F64) -> F64:
    """Median of each value and its two neighbours along the last axis; NaN and ends stay."""
    if values.shape[-1] < 3:
        return values
    a, b, c = values[..., :-2], values[..., 1:-1], values[..., 2:]
    middle = np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), c))
    out = values.copy()
    out[..., 1:-1] = np.where(np.isfinite(middle), middle, b)
    return out


def _picked(values: F64 | F32, first: Int, last: Int) -> F64:
    """Median of `PICKS` samples of each minute, along the last axis."""
    if values.shape[-1] == 0:
        return np.full((*values.shape[:-1], first.size), np.nan)
    width = last - first
    picks = np.stack([first + width * j // PICKS for j in range(PICKS)])
    taken = values[..., np.minimum(picks, values.shape[-1] - 1)].astype(np.float64)
    flat = np.moveaxis(taken, -2, 0)
    out = row_median(flat.reshape(PICKS, -1)).reshape(flat.shape[1:])
    out[..., width == 0] = np.nan
    return out


def _means(running: F64, first: Int, last: Int) -> F64:
    """Growth of a running sum over each minute."""
    if running.size == 0:
        return np.zeros(first.size)
    at = np.concatenate(([0.0], running))
    growth: F64 = at[last] - at[first]
    return growth


def _ambient(
    day: CleanDay, witnesses: Sequence[WitnessFrame], grid: F64, first: Int, last: Int
) -> F64 | None:
    own = day.frame.channel("ambient")
    if own is not None and bool(np.isfinite(own).any()):
        return _median_of_three(_picked(own, first, last))
    for witness in witnesses:
        seen = witness.channels.get("ambient")
        if seen is None or not bool(np.isfinite(seen).any()):
            continue
        good = np.isfinite(seen)
        edges = (
            np.searchsorted(witness.time_s[good], np.append(grid, grid[-1] + STEP_S)) if grid.size else None
        )
        if edges is None:
            continue
        spread = _median_of_three(_picked(seen[good], edges[:-1], edges[1:]))
        if bool(np.isfinite(spread).any()):
            return _bridge(spread)
    return None


def _bridge(values: F64, reach: int = 90) -> F64:
    """Fill holes of up to `reach` minutes by straight lines: slow sensors report rarely."""
    good = np.flatnonzero(np.isfinite(values))
    if good.size < 2:
        return values
    out = values.copy()
    index = np.arange(values.size)
    left = np.searchsorted(good, index, side="right") - 1
    inside = (left >= 0) & (left < good.size - 1) & ~np.isfinite(values)
    width = good[np.minimum(left + 1, good.size - 1)] - good[np.maximum(left, 0)]
    fill = inside & (width <= reach)
    out[fill] = np.interp(index[fill], good, values[good])
    return out


def believable(temps_c: F64) -> Bool:
    """Say which temperatures of cells can be believed against the others.

    A broken sensor reads absent, far below any climate, or far from all others.

    Parameters
    ----------
    temps_c : array, shape (k, m)
        [°C]

    Returns
    -------
    array, shape (k, m)
        False for NaN, below −35 °C, above 90 °C, and more than 20 K from the median of the sensors if
        there are at least three.
    """
    with np.errstate(invalid="ignore"):
        good = np.isfinite(temps_c) & (temps_c > -35) & (temps_c < 90)
        if temps_c.shape[0] >= 3:
            middle = row_median(np.where(good, temps_c, np.nan))
            good &= np.abs(temps_c - middle) <= 20
    return good


def minutes(day: CleanDay, witnesses: Sequence[WitnessFrame] = ()) -> Minutes:
    """Reduce a cleaned day to minutes.

    Parameters
    ----------
    day : CleanDay
        May be empty.
    witnesses : sequence of WitnessFrame
        Searched for an ambient temperature if the pack has none.

    Returns
    -------
    Minutes
    """
    frame = day.frame
    grid = np.arange(frame.start_s, frame.end_s, STEP_S, dtype=np.float64)
    edges = np.searchsorted(frame.time_s, np.append(grid, frame.end_s))
    edges = np.maximum(edges, frame.lead)
    first, last = edges[:-1], edges[1:]
    covered = _means(
        np.where(np.arange(frame.time_s.size) >= frame.lead, day.dt_s, 0.0).cumsum(), first, last
    )
    net = _means(day.ah_in - day.ah_out, first, last)
    with np.errstate(invalid="ignore", divide="ignore"):
        enough = covered > 0.3 * STEP_S
        current = np.where(enough, net * 3600 / covered, np.nan)
    if day.coverage.period_s >= COARSE_S:
        current = _picked(frame.pack_a, first, last)
    temps = _median_of_three(_picked(frame.temps_c, first, last))
    n_cell = min(day.facts.cell_temps, temps.shape[0]) or temps.shape[0]
    ambient = _ambient(day, witnesses, grid, first, last)
    source = "" if ambient is None else ("pack" if frame.channel("ambient") is not None else "witness")
    if ambient is None and temps.shape[0]:
        ambient, source = _stand_in(temps), "sensor"
    if ambient is None:
        ambient = np.full(grid.size, np.nan)
    return Minutes(
        grid,
        covered,
        current,
        _picked(frame.pack_v, first, last),
        temps,
        n_cell,
        ambient,
        source if bool(np.isfinite(ambient).any()) else "",
        first,
        last,
    )


def _stand_in(temps: F64) -> F64:
    """Coldest believable sensor of all. [°C]"""
    held = np.where(believable(temps), temps, math.inf).min(axis=0)
    return np.where(np.isfinite(held), held, np.nan)
