"""What the current sensor reads when little or nothing flows: the day's part of its zero offset."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.daily.heater import held_flag
from analysis.daily.minutes import Minutes
from analysis.day import CleanDay
from analysis.frame import F64, Bool

REST_MIN = 30
"""A rest lasts at least this long. [min]"""
FLOAT_V = 3.345
"""Above this a small current may be a charger holding the pack full. [V a cell] Practice, no source."""
STEADY_A = 0.15
"""Minute means of a rest stay within this of their neighbours. [A] Practice, no source."""


@dataclass(frozen=True, slots=True)
class SensorDay:
    """The sensor near zero in one day.

    Attributes
    ----------
    open_h, open_a : float
        Hours with charging and discharging both disabled, and the mean reading in them. The true current
        is then zero. [h], [A]
    rest_h, rest_a : float
        Hours of steady small current, and their median reading: offset less whatever stands by. [h], [A]
    zero_fraction : float
        Part of the small readings (below 1 A) that are exactly zero. [1]
    smallest_a : float
        First percentile of the readings below 1 A that are not zero; well above the resolution it shows
        a dead band. NaN without any. [A]
    """

    open_h: float
    open_a: float
    rest_h: float
    rest_a: float
    zero_fraction: float
    smallest_a: float


def _open(day: CleanDay, minutes: Minutes) -> Bool:
    """Minutes with both directions disabled throughout."""
    closed = np.zeros(minutes.time_s.size, dtype=bool)
    charge, discharge = day.frame.channel("charge_enabled"), day.frame.channel("discharge_enabled")
    if charge is None or discharge is None:
        return closed
    if not np.isfinite(charge).any() or not np.isfinite(discharge).any():
        return closed
    both = ~held_flag(charge) & ~held_flag(discharge) & np.isfinite(charge) & np.isfinite(discharge)
    running = np.concatenate(([0], np.cumsum(both)))
    count = running[minutes.last] - running[minutes.first]
    width = minutes.last - minutes.first
    throughout: Bool = (width > 0) & (count == width)
    return throughout


def _steady(current: F64, limit_a: float) -> Bool:
    """Minutes in stretches of at least `REST_MIN` with a small and steady current."""
    with np.errstate(invalid="ignore"):
        small = np.abs(current) < limit_a
        small[1:] &= np.abs(np.diff(current)) < STEADY_A
    change = np.diff(np.concatenate(([0], small.astype(np.int8), [0])))
    out = np.zeros_like(small)
    starts, ends = np.flatnonzero(change == 1), np.flatnonzero(change == -1)
    for a, b in zip(starts.tolist(), ends.tolist(), strict=True):
        if b - a >= REST_MIN:
            out[a:b] = True
    return out


def observe_sensor(day: CleanDay, minutes: Minutes) -> SensorDay:
    """Observe the current sensor near zero.

    Parameters
    ----------
    day : CleanDay
    minutes : Minutes

    Returns
    -------
    SensorDay
        NaN readings where there was no such time.
    """
    current = minutes.current_a
    opened = _open(day, minutes) & np.isfinite(current)
    resting = _steady(current, max(1.5, 0.006 * day.facts.rated_ah))
    with np.errstate(invalid="ignore"):
        resting &= minutes.voltage_v < FLOAT_V * max(day.frame.n_cells or day.facts.n_cells, 1)
    own = day.frame.pack_a[day.frame.lead :]
    own = own[:: max(1, own.size // 8000)]
    size = np.abs(own[np.isfinite(own)])
    small = size[size < 1.0]
    live = small[small > 0]
    return SensorDay(
        open_h=float(opened.sum()) / 60,
        open_a=float(current[opened].mean()) if opened.any() else math.nan,
        rest_h=float(resting.sum()) / 60,
        rest_a=float(np.median(current[resting])) if resting.any() else math.nan,
        zero_fraction=float(np.mean(small == 0)) if small.size else 0.0,
        smallest_a=float(np.percentile(live, 1)) if live.size >= 20 else math.nan,
    )
