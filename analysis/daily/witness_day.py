"""One day of a pack beside another instrument: sums from which lead resistance and gain follow."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.daily.minutes import STEP_S, Minutes
from analysis.daily.quarters import quarter_means
from analysis.day import CleanDay
from analysis.frame import F64, Bool, WitnessFrame

STEADY_C = 0.02
"""Largest change of the minute's current against its neighbours in a minute that is compared. [C]"""


@dataclass(frozen=True, slots=True)
class WitnessDay:
    """A witness's day beside one pack.

    Attributes
    ----------
    name : str
        The witness.
    n : int
        Steady minutes compared.
    drop : tuple of float
        Upper triangle of Σ zzᵀ over those minutes with z = (1, −pack_a, −dc_a, pack_v − dc_v): the normal
        equations of the voltage drop against this pack's current and the current the witness sees.
        Empty without dc_v; the third row is 0 without dc_a. [A], [V]
    soc_gap, soc_gap_worst : float
        Median, and largest in size, of the quarter-hour differences soc_seen − soc. NaN without. [1]
    """

    name: str
    n: int
    drop: tuple[float, ...]
    soc_gap: float
    soc_gap_worst: float


@dataclass(frozen=True, slots=True)
class SeenDay:
    """Quarter-hour means of the current that a witness, by name, saw on a day; none without any. [A]"""

    name: str
    dc_a: tuple[float, ...]


def _minute_means(frame: WitnessFrame, name: str, grid: F64) -> F64 | None:
    """Means of one channel over each minute; a slow witness holds its value for up to five minutes."""
    values = frame.channels.get(name)
    if values is None or grid.size == 0:
        return None
    good = np.isfinite(values)
    if not good.any():
        return None
    time_s, known = frame.time_s[good], values[good]
    edges = np.searchsorted(time_s, np.append(grid, grid[-1] + STEP_S))
    running = np.concatenate(([0.0], np.cumsum(known)))
    count = np.diff(edges)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(count > 0, np.diff(running[edges]) / np.maximum(count, 1), np.nan)


def _steady(current: F64, limit_a: float) -> Bool:
    change = np.abs(np.diff(current))
    with np.errstate(invalid="ignore"):
        before = np.concatenate(([False], change < limit_a))
        after = np.concatenate((change < limit_a, [False]))
    return before & after


def _triangle(z: F64) -> tuple[float, ...]:
    product = z @ z.T
    return tuple(float(f"{product[i, j]:.9g}") for i in range(4) for j in range(i, 4))


def _drop(
    minutes: Minutes, duty: F64, dc_v: F64, dc_a: F64 | None, rated_ah: float
) -> tuple[int, tuple[float, ...]]:
    seen = np.zeros_like(dc_v) if dc_a is None else dc_a
    gap = minutes.voltage_v - dc_v
    use = np.isfinite(gap) & np.isfinite(seen) & _steady(minutes.current_a, STEADY_C * rated_ah)
    use &= duty == 0  # a heater's current passes the sensor, but not the lead
    if dc_a is not None:
        use &= _steady(dc_a, 2 * STEADY_C * rated_ah)
    if int(use.sum()) < 10:
        return 0, ()
    z = np.stack((np.ones(dc_v.size), -minutes.current_a, -seen, gap))[:, use]
    coefficient = np.linalg.lstsq(z[:2].T, z[3], rcond=None)[0]
    rest = z[3] - coefficient @ z[:2]
    limit = 5 * 1.4826 * float(np.median(np.abs(rest - np.median(rest)))) + 0.01
    kept = np.abs(rest - np.median(rest)) <= limit
    return int(kept.sum()), _triangle(z[:, kept])


def _soc_gap(day: CleanDay, minutes: Minutes, seen: F64 | None) -> tuple[float, float]:
    own = day.frame.channel("soc")
    if own is None or seen is None:
        return math.nan, math.nan
    picked = (
        np.where(
            minutes.last > minutes.first, own[np.clip(minutes.last - 1, 0, max(own.size - 1, 0))], np.nan
        )
        if own.size
        else np.full(seen.size, np.nan)
    )
    gap = np.array(quarter_means(seen - picked, 4))
    gap = gap[np.isfinite(gap)]
    if gap.size == 0:
        return math.nan, math.nan
    return float(np.median(gap)), float(gap[np.argmax(np.abs(gap))])


def observe_witnesses(
    day: CleanDay, minutes: Minutes, duty: F64, witnesses: Sequence[WitnessFrame]
) -> tuple[tuple[WitnessDay, ...], tuple[SeenDay, ...]]:
    """Compare a pack's day with each witness.

    Parameters
    ----------
    day : CleanDay
    minutes : Minutes
    duty : array, shape (m,)
        Part of each minute with the heater on. [1]
    witnesses : sequence of WitnessFrame

    Returns
    -------
    tuple of WitnessDay, tuple of SeenDay
        Those that gave a voltage, a current or a state of charge, by name; those that gave a current.
    """
    beside, seen = [], []
    for frame in sorted(witnesses, key=lambda w: w.name):
        dc_v, dc_a, soc = (
            _minute_means(frame, name, minutes.time_s) for name in ("dc_v", "dc_a", "soc_seen")
        )
        if dc_v is None and dc_a is None and soc is None:
            continue
        n, drop = (0, ()) if dc_v is None else _drop(minutes, duty, dc_v, dc_a, day.facts.rated_ah)
        gap, worst = _soc_gap(day, minutes, soc)
        beside.append(WitnessDay(frame.name, n, drop, gap, worst))
        if dc_a is not None:
            seen.append(SeenDay(frame.name, quarter_means(dc_a, 2)))
    return tuple(beside), tuple(seen)
