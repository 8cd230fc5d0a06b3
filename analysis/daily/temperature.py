"""What each temperature sensor did in a day, beside the others: the basis for calling one faulty."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.daily.minutes import Minutes, believable, row_median
from analysis.frame import F64, Bool

DEAD_LOW_C, DEAD_HIGH_C = -35.0, 90.0
"""Beyond these a reading is an open or shorted sensor, not a battery. [°C] Practice, no source."""
CALM_C_RATE = 0.08
"""Below this current for an hour the cells are warmed alike. [C] Practice, no source."""


@dataclass(frozen=True, slots=True)
class TempDay:
    """One sensor's day.

    Attributes
    ----------
    valid : float
        Part of the minutes with readings in which this sensor gave a possible one. [1]
    dead : float
        Part in which it was absent or beyond −35 to 90 °C while another sensor was well. [1]
    low, high, mean : float
        Of the possible readings; NaN without any. [°C]
    offset : float
        Median difference from the median of the other cell sensors in calm minutes (heater off, little
        current for an hour), else in all minutes; NaN without others. [K]
    offset_calm : bool
        Whether `offset` is from calm minutes.
    scatter : float
        Half the spread from the 10th to the 90th percentile of that difference. [K]
    stuck_h : float
        Longest stretch without any change. [h]
    others_moved : float
        How far the median of the others moved in that stretch. [K]
    """

    valid: float
    dead: float
    low: float
    high: float
    mean: float
    offset: float
    offset_calm: bool
    scatter: float
    stuck_h: float
    others_moved: float


def calm(minutes: Minutes, heater: F64, rated_ah: float) -> Bool:
    """Say in which minutes neither heater nor current has warmed the cells unevenly for an hour.

    Parameters
    ----------
    minutes : Minutes
    heater : array, shape (m,)
        Part of each minute in which the heater was on. [1]
    rated_ah : float
        [Ah]

    Returns
    -------
    array, shape (m,)
    """
    busy = (np.abs(np.nan_to_num(minutes.current_a)) > CALM_C_RATE * rated_ah) | (heater > 0)
    recent = np.cumsum(busy)
    before = np.concatenate((np.zeros(60), recent[:-60])) if recent.size > 60 else np.zeros(recent.size)
    quiet: Bool = (recent - before) == 0
    return quiet


def _stuck(values: F64, others: F64) -> tuple[float, float]:
    """Longest stretch of one value [minutes → h] and how far the others moved in it. [K]"""
    good = np.flatnonzero(np.isfinite(values))
    if good.size < 2:
        return 0.0, 0.0
    held = values[good]
    changes = np.concatenate(([0], np.flatnonzero(np.abs(np.diff(held)) > 1e-6) + 1, [good.size]))
    best = int(np.argmax(np.diff(changes)))
    inside = good[changes[best] : changes[best + 1]]
    around = others[inside]
    around = around[np.isfinite(around)]
    moved = float(around.max() - around.min()) if around.size else 0.0
    return float(inside[-1] - inside[0] + 1) / 60, moved


def observe_temps(minutes: Minutes, quiet: Bool) -> tuple[TempDay, ...]:
    """Describe every temperature sensor of a day.

    Parameters
    ----------
    minutes : Minutes
    quiet : array, shape (m,)
        Calm minutes, from `calm`.

    Returns
    -------
    tuple of TempDay
        One a sensor, in order. Sensors not on cells are compared with nothing: their offset is NaN.
    """
    temps = minutes.temps_c
    with np.errstate(invalid="ignore"):
        possible = np.isfinite(temps) & (temps > DEAD_LOW_C) & (temps < DEAD_HIGH_C)
    present = minutes.last > minutes.first
    masked = np.where(possible, temps, np.nan)
    good_cells = np.where(believable(minutes.cell_temps_c), minutes.cell_temps_c, np.nan)
    return tuple(
        _one(index, masked[index], possible, present, good_cells, quiet) for index in range(temps.shape[0])
    )


def _one(index: int, values: F64, possible: Bool, present: Bool, cells: F64, quiet: Bool) -> TempDay:
    nan = math.nan
    n = max(int(present.sum()), 1)
    mine = possible[index] & present
    others_well = np.any(np.delete(possible, index, axis=0), axis=0) & present
    dead = float(np.sum(others_well & ~possible[index])) / n
    seen = values[mine]
    low, high, mean = (
        (float(seen.min()), float(seen.max()), float(seen.mean())) if seen.size else (nan, nan, nan)
    )
    others = np.full(values.size, nan)
    if index < cells.shape[0] and cells.shape[0] > 1:
        others = row_median(np.delete(cells, index, axis=0))
    difference = values - others
    usable = np.isfinite(difference)
    calm_enough = bool(np.sum(usable & quiet) >= 60)
    picked = difference[usable & quiet] if calm_enough else difference[usable]
    offset = float(np.median(picked)) if picked.size >= 30 else nan
    scatter = float(np.subtract(*np.percentile(picked, (90, 10)))) / 2 if picked.size >= 30 else nan
    stuck_h, moved = _stuck(values, others)
    return TempDay(
        valid=round(float(mine.sum()) / n, 4),
        dead=round(dead, 4),
        low=round(low, 2),
        high=round(high, 2),
        mean=round(mean, 3),
        offset=round(offset, 3),
        offset_calm=calm_enough,
        scatter=round(scatter, 3),
        stuck_h=round(stuck_h, 3),
        others_moved=round(moved, 2),
    )
